"""Spreads that rows show as one, such as those of coolers on boards of their own."""

import numpy as np
import pytest
from plain_rows import plain_rows
from scipy.stats import halfnorm, kstest

from thermcmp.inference.conditional.engine import run_conditional
from thermcmp.inference.conditional.problem import GaussianProblem, thermal_problem
from thermcmp.inference.conditional.shared_spreads import SharedSpread, shared_spreads
from thermcmp.inference.fitting import fit
from thermcmp.model.priors import HalfCauchy, HalfNormal

PRIORS = HalfNormal(2.0), HalfNormal(5.0), HalfCauchy(1.0, 20.0)


@pytest.fixture
def three():
    """Three spreads among five coordinates."""
    return SharedSpread(np.array([1, 3, 2]), PRIORS, np.array([1.0, 0.7, 2.0]))


def test_polar_coordinates_are_undone_by_their_inverse(three):
    x = np.random.default_rng(0).normal(size=(50, 5))
    y, _ = three.forward(x)
    np.testing.assert_allclose(three.inverse(y), x, atol=1e-9)
    np.testing.assert_array_equal(y[:, [0, 4]], x[:, [0, 4]])


def test_the_jacobian_is_that_of_finite_differences(three):
    x = np.random.default_rng(1).normal(size=(6, 5))
    steps = 1e-6 * np.eye(5)
    for at, jacobian in zip(x, three.forward(x)[1], strict=True):
        slope = (three.forward(at + steps)[0] - three.forward(at - steps)[0]) / 2e-6
        assert jacobian == pytest.approx(np.linalg.slogdet(slope)[1], abs=1e-6)


def test_the_direction_of_two_equal_half_normal_spreads_is_a_standard_normal():
    # Normal draws have a uniform direction (Muller, Communications of the ACM 2 (4) 1959, 19-20).
    pair = SharedSpread(np.array([0, 1]), (HalfNormal(3.0), HalfNormal(3.0)), np.ones(2))
    y, _ = pair.forward(np.random.default_rng(2).normal(size=(4000, 2)))
    assert kstest(y[:, 1], "norm").pvalue > 0.01


def library(count, boards, *, seed=3):
    """Cards of one specimen each, two runs in each of two assemblies; boards by card number."""
    rng = np.random.default_rng(seed)
    card = np.repeat(np.arange(count), 4)
    board = boards(card)
    assembly = [f"m{k // 2}" for k in range(4 * count)]
    own_k = rng.normal(0.0, 3.0, count)[card] + np.repeat(rng.normal(0.0, 0.6, 2 * count), 2)
    return plain_rows(
        temperature_c=70.0 + own_k + rng.normal(0.0, 0.2, 4 * count),
        cooler_model=[f"Card {k:03d}-C" for k in card],
        cooler_id=[f"Card {k:03d}-C-1" for k in card],
        board_model=[f"Card {k:03d}-B" for k in board],
        board_id=[f"Card {k:03d}-B-1" for k in board],
        assembly=assembly,
    )


@pytest.fixture(scope="module")
def own_boards():
    return fit(library(100, lambda card: card), seed=1, expand="none")


def named_groups(fitted):
    problem, priors = thermal_problem(fitted.design)
    names = np.array(["exponent", *problem.spreads])
    return [set(names[group.columns]) for group in shared_spreads(problem, priors)]


def test_coolers_on_boards_of_their_own_share_a_spread(own_boards):
    (group,) = named_groups(own_boards)
    assert {"cooler_model sd", "board_model sd"} <= group
    assert not {"assembly sd", "residual sd"} & group


def test_coolers_that_change_boards_do_not_share_their_spread():
    rows = library(50, lambda card: card)
    moved = rows.assign(
        board_model=np.roll(rows["board_model"], 2), board_id=np.roll(rows["board_id"], 2)
    )
    crossed = named_groups(fit(moved, seed=1, expand="none", draws=400))
    assert not any({"cooler_model sd", "board_model sd"} <= group for group in crossed)


def test_a_hundred_cards_stay_in_the_fast_engine(own_boards):
    assert own_boards.engine == "conditional"
    assert own_boards.health == "ok"


def test_two_shared_spreads_are_those_of_quadrature():
    """Balanced one-way layout: Searle, Casella & McCulloch, Variance Components (1992), ch. 3."""
    cards, runs, scale = 150, 2, (5.0, 2.0)
    rng = np.random.default_rng(4)
    y = 50.0 + np.repeat(rng.normal(0.0, 3.0, cards), runs) + rng.normal(0.0, 0.8, cards * runs)
    card = np.repeat(np.arange(cards), runs)
    problem = GaussianProblem(
        y=y,
        known_variance=np.zeros(len(y)),
        run_scatter=np.ones(len(y)),
        columns=np.stack([np.zeros_like(card), 1 + card, 1 + cards + card], axis=1),
        values=np.ones((len(y), 3)),
        flow=np.zeros(3, dtype=bool),
        scale_of=np.repeat([-1, 0, 1], [1, cards, cards]),
        fixed_mean=np.zeros(1 + 2 * cards),
        fixed_sd=np.concatenate([[np.inf], np.ones(2 * cards)]),
        spreads=("cooler", "board", "residual"),
    )
    priors = HalfNormal(scale[0]), HalfNormal(scale[1]), HalfNormal(1.0)
    assert len(shared_spreads(problem, priors)) == 1
    drawn = run_conditional(problem, priors, draws=4000, seed=5)
    assert drawn.weighted.can_be_kept

    u = (np.arange(400) + 0.5) / 400
    first, second = (halfnorm.ppf(u, scale=each) for each in scale)
    sigma = np.linspace(0.6, 1.1, 80)[:, None, None]
    total = first[:, None] ** 2 + second**2
    means = y.reshape(cards, runs).mean(axis=1)
    within = np.sum((y.reshape(cards, runs) - means[:, None]) ** 2)
    between = runs * np.sum((means - means.mean()) ** 2)
    level = sigma**2 + runs * total
    log = -cards * (runs - 1) * np.log(sigma) - within / (2.0 * sigma**2) - 0.5 * sigma**2
    log = log - 0.5 * (cards - 1) * np.log(level) - between / (2.0 * level)
    weight = np.exp(log - log.max()).sum(axis=0)
    weight /= weight.sum()

    spread = drawn.points.spread
    drawn_total = np.sqrt(np.sum(spread**2, axis=1))
    expected = float(np.sum(weight * np.sqrt(total)))
    width = float(np.sqrt(np.sum(weight * total) - expected**2))
    assert np.mean(drawn_total) == pytest.approx(expected, abs=0.1 * width)
    assert np.std(drawn_total) == pytest.approx(width, rel=0.1)
    mean = float(np.sum(weight * second))
    sd = float(np.sqrt(np.sum(weight * second**2) - mean**2))
    assert np.mean(spread[:, 1]) == pytest.approx(mean, abs=0.1 * sd)
    assert np.std(spread[:, 1]) == pytest.approx(sd, rel=0.1)
