"""The order-free split against published decompositions and games."""

from math import prod

import numpy as np
import pytest

from thermcmp.questions.shapley import order_free

#: P. Das Gupta, Standardization and Decomposition of Rates: A User's Manual, U.S. Bureau
#: of the Census, Current Population Reports P23-186 (1993), examples 2.1 to 2.4: factors
#: of a product in two populations, and the printed effect of each.
PRODUCTS = {
    "2.1": ((10930, 0.717892), (16591, 0.825974), (4369.912713, 1487.262361)),
    "2.2": (
        (51.78746, 0.45919, 0.52638),
        (84.90502, 0.75756, 0.51065),
        (10.4340333, 10.5608476, -0.6670084),
    ),
    "2.3": (
        (25.3, 0.214, 0.279, 0.949),
        (32.7, 0.290, 0.473, 0.986),
        (0.6889411, 0.8125381, 1.3829055, 0.1047547),
    ),
    "2.4": (
        (0.58, 0.76, 0.84, 0.66, 16.573),
        (0.72, 0.97, 0.97, 0.56, 16.158),
        (1.0909785, 1.2298438, 0.7278399, -0.8398707, -0.1290187),
    ),
}


def split(value, first, second):
    """Gain of each factor: `order_free` counts what is taken away."""
    shares = order_free(
        lambda corner: value(
            [b if new else a for a, b, new in zip(first, second, corner, strict=True)]
        ),
        len(first),
    )
    return [-share for share in shares]


def game(worth, players):
    """Shapley values of a game; `worth` takes the indices of the coalition."""
    return [
        -share
        for share in order_free(
            lambda corner: worth(tuple(i for i, there in enumerate(corner) if there)), players
        )
    ]


@pytest.mark.parametrize("example", PRODUCTS)
def test_products_split_as_das_gupta_prints(example):
    first, second, printed = PRODUCTS[example]
    # Seven decimals are printed (six in example 2.1): half a unit of the last place.
    tolerance = 1e-6 if example == "2.1" else 1e-7
    assert split(prod, first, second) == pytest.approx(printed, abs=tolerance)


def test_a_difference_splits_as_das_gupta_prints():
    # The same source, example 3.1: R = a - b.
    found = split(lambda v: v[0] - v[1], (19.4, 10.8), (23.7, 9.5))
    assert found == pytest.approx([4.3, 1.3], abs=1e-12)


def test_shares_add_up_to_the_change():
    rng = np.random.default_rng(4)
    first, second = rng.normal(size=(2, 4))
    found = split(lambda v: np.sin(v[0] * v[1]) + v[2] ** 3 * v[3], first, second)
    whole = [np.sin(v[0] * v[1]) + v[2] ** 3 * v[3] for v in (first, second)]
    assert sum(found) == pytest.approx(whole[1] - whole[0], abs=1e-12)


def test_the_glove_game():
    # L. S. Shapley, A Value for n-Person Games (1953), standard example: two hold a left
    # glove, one a right; values 1/6, 1/6, 2/3 (from memory).
    found = game(lambda team: float(2 in team and (0 in team or 1 in team)), 3)
    assert found == pytest.approx([1 / 6, 1 / 6, 2 / 3], abs=1e-12)


def test_a_weighted_vote():
    # Shapley & Shubik (1954), votes 50, 49, 1 with 51 to win: 2/3, 1/6, 1/6 (from memory).
    votes = (50, 49, 1)
    found = game(lambda team: float(sum(votes[i] for i in team) >= 51), 3)
    assert found == pytest.approx([2 / 3, 1 / 6, 1 / 6], abs=1e-12)


@pytest.mark.parametrize(
    ("costs", "shares"),
    [
        ((100, 160, 200), (100 / 3, 190 / 3, 310 / 3)),
        ((1500, 2200, 3000), (500, 850, 1650)),
        ((8, 11, 13, 18), (2, 3, 4, 9)),
    ],
)
def test_the_airport_game(costs, shares):
    # Form of S. C. Littlechild & G. Owen, Management Science 20 (1973) 370-372: the
    # runway serves the largest aircraft of the coalition.
    found = game(lambda team: max((costs[i] for i in team), default=0.0), len(costs))
    assert found == pytest.approx(shares, abs=1e-9)


def test_a_part_without_effect_gets_nothing():
    assert split(lambda v: v[0] * 2.0, (1.0, 5.0), (3.0, 9.0)) == pytest.approx([4.0, 0.0])


def test_draws_are_split_one_by_one():
    a, b = np.array([[1.0, 2.0], [3.0, 5.0]]), np.array([[4.0, 1.0], [2.0, 2.0]])
    found = split(lambda v: v[0] * v[1], a, b)
    for draw in range(2):
        alone = split(lambda v: v[0] * v[1], a[:, draw], b[:, draw])
        assert [share[draw] for share in found] == pytest.approx(alone, abs=1e-12)
