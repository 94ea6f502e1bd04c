"""Order-free shares with and without missing combinations, against published games."""

from itertools import permutations, product

import numpy as np
import pytest

from thermcmp.questions.build_chain.shapley_incomplete import (
    departures_from_adding,
    order_free_shares,
)

#: 4000 draws everywhere: Monte Carlo error of a standard deviation about 1.1 %.
DRAWS = 4000


def heat(worth, players, draws=1):
    """Values of a game as temperatures: what a coalition is worth is taken away."""
    return {
        corner: np.full(draws, -float(worth([i for i, there in enumerate(corner) if there])))
        for corner in product((False, True), repeat=players)
    }


def glove(team):
    return 2 in team and (0 in team or 1 in team)


def airport(costs):
    return lambda team: max((costs[i] for i in team), default=0.0)


@pytest.mark.parametrize(
    ("worth", "values"),
    [
        # L. S. Shapley, A Value for n-Person Games (1953), standard example of the gloves:
        # two hold a left one, one a right one (from memory).
        (glove, (1 / 6, 1 / 6, 2 / 3)),
        # Form of S. C. Littlechild & G. Owen, Management Science 20 (1973) 370: the cheapest
        # aircraft shares its part by three, the next by two, the last alone.
        (airport((12.0, 18.0, 30.0)), (4.0, 7.0, 19.0)),
        # Shapley & Shubik (1954), votes 50, 49, 1 with 51 to win (from memory).
        (lambda team: sum((50, 49, 1)[i] for i in team) >= 51, (2 / 3, 1 / 6, 1 / 6)),
    ],
)
def test_three_player_games_with_every_coalition_measured(worth, values):
    found = order_free_shares(heat(worth, 3), interaction_k=1.0, seed=1)
    assert found.draws[0] == pytest.approx(values, abs=1e-12)
    assert found.assumed.tolist() == [0.0, 0.0, 0.0]


@pytest.mark.parametrize("gone", [[0], [0, 4], [1, 2, 3]])
def test_an_additive_game_needs_no_coalition_but_one_per_player(gone):
    # In an inessential game each player's value is what he is worth alone (Shapley 1953,
    # axiom of the null player and of additivity), so missing coalitions take nothing away.
    middle = [c for c in product((False, True), repeat=3) if 0 < sum(c) < 3]
    whole = heat(lambda team: sum((3.0, 1.5, -0.5)[i] for i in team), 3, DRAWS)
    part = {corner: v for corner, v in whole.items() if corner not in [middle[i] for i in gone]}
    found = order_free_shares(part, interaction_k=0.0, seed=1)
    assert found.draws[0] == pytest.approx((3.0, 1.5, -0.5), abs=1e-9)
    assert np.ptp(found.draws, axis=0).max() < 1e-9


def test_a_chain_alone_gives_the_steps_as_shares_if_changes_add_up():
    rng = np.random.default_rng(3)
    corners = [(False,) * 3, (True, False, False), (True, True, False), (True,) * 3]
    values = dict(zip(corners, rng.normal(80.0, 2.0, (4, DRAWS)), strict=True))
    found = order_free_shares(values, interaction_k=0.0, seed=1)
    steps = -np.diff(np.stack(list(values.values())), axis=0).T
    assert np.abs(found.draws - steps).max() < 1e-9


@pytest.mark.parametrize("interaction_k", [0.0, 1.0, 20.0])
def test_shares_add_up_to_the_total_in_every_draw_whatever_is_missing(interaction_k):
    rng = np.random.default_rng(4)
    every = list(product((False, True), repeat=4))
    kept = [every[i] for i in (0, 1, 2, 4, 8, 9, 14, 15)]
    values = dict(zip(kept, rng.normal(70.0, 3.0, (8, DRAWS)), strict=True))
    found = order_free_shares(values, interaction_k=interaction_k, seed=2)
    total = values[every[0]] - values[every[-1]]
    assert np.abs(found.draws.sum(axis=1) - total).max() < 1e-9
    assert (found.assumed > 0.0).all() == (interaction_k > 0.0)


def test_the_glove_game_with_a_missing_coalition_keeps_its_value_inside():
    # Without the coalition of one left and the right glove the value is predicted from an
    # additive game; what it truly is stays within the departures allowed.
    values = heat(glove, 3, DRAWS)
    del values[True, False, True]
    found = order_free_shares(values, interaction_k=1.0, seed=3)
    low, high = np.quantile(found.draws, [0.05, 0.95], axis=0)
    truth = np.array([1 / 6, 1 / 6, 2 / 3])
    assert ((low < truth) & (truth < high)).all()
    assert np.abs(found.draws.mean(axis=0) - truth).max() < 0.25


def test_the_unmeasured_combination_of_two_changes_is_as_unsure_as_stated():
    # v(b) = v(0) + v(ab) - v(a) - i, the interaction i of variance 4 t²; each share moves by
    # half of it. With t half-normal of scale s the second moment of t is s².
    corners = [(False, False), (True, False), (True, True)]
    values = dict(zip(corners, np.repeat([[80.0], [77.0], [75.0]], 40_000, axis=1), strict=True))
    found = order_free_shares(values, interaction_k=2.0, seed=5)
    assert found.draws.mean(axis=0) == pytest.approx((3.0, 2.0), abs=0.03)
    assert found.draws.std(axis=0) == pytest.approx((1.0, 1.0), rel=0.03)
    assert found.assumed == pytest.approx((1.0, 1.0))


def test_measured_departures_teach_how_far_the_missing_ones_may_lie():
    every = list(product((False, True), repeat=4))
    adds_up = {c: np.full(DRAWS, 80.0 - 2.0 * sum(c)) for c in every if sum(c) != 1 or c[0]}
    rng = np.random.default_rng(6)
    strays = {c: v + 1.5 * rng.normal() for c, v in adds_up.items()}
    calm, wild = (
        order_free_shares(values, interaction_k=2.0, seed=7).draws.std(axis=0)
        for values in (adds_up, strays)
    )
    assert (calm < 0.1 * wild).all()


def test_combinations_that_cannot_tell_give_no_number():
    # Two changes always made together.
    values = {
        (False, False, False): np.full(9, 80.0),
        (True, True, False): np.full(9, 78.0),
        (True, True, True): np.full(9, 77.0),
    }
    assert np.isnan(order_free_shares(values, interaction_k=1.0, seed=1).draws).all()


def test_weights_are_those_of_all_orders():
    # The definition, written out: the average of marginal contributions over all orders.
    rng = np.random.default_rng(8)
    values = dict(zip(product((False, True), repeat=4), rng.normal(size=(16, 3)), strict=True))
    wanted = np.zeros((3, 4))
    for order in permutations(range(4)):
        there = [False] * 4
        for change in order:
            before = values[tuple(there)]
            there[change] = True
            wanted[:, change] += (before - values[tuple(there)]) / 24
    found = order_free_shares(values, interaction_k=1.0, seed=1)
    assert np.abs(found.draws - wanted).max() < 1e-12


def test_departures_are_found_on_the_first_build_and_else_on_another():
    def improvement(team):
        return 2.0 * len(team) - 0.8 * (0 in team and 1 in team)

    values = heat(improvement, 3)
    found = {
        (changes, base): sum(w * values[corner][0] for corner, w in weights.items())
        for changes, base, weights in departures_from_adding(values)
    }
    bare = (False, False, False)
    assert found == pytest.approx(
        {((0, 1), bare): -0.8, ((0, 2), bare): 0.0, ((1, 2), bare): 0.0, ((0, 1, 2), bare): -0.8}
    )
    del values[True, False, False]
    kept = [(changes, base) for changes, base, _ in departures_from_adding(values)]
    on_plate, on_springs = (False, False, True), (False, True, False)
    assert kept == [((1, 2), bare), ((0, 1), on_plate), ((0, 2), on_springs)]
    values = heat(improvement, 3)
    del values[True, True, False]
    others = {
        (changes, base): sum(w * values[corner][0] for corner, w in weights.items())
        for changes, base, weights in departures_from_adding(values)
    }
    assert others[(0, 1), (False, False, True)] == pytest.approx(-0.8)
