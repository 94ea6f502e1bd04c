"""Order-free shares of several changes, also where not every combination was measured."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, product
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.questions.shapley import order_free

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from thermcmp.questions.build_chain.features import Corner

#: Steps of the grid on which the spread of departures is drawn.
_GRID: Final = 400


@dataclass(frozen=True, slots=True, eq=False)
class Shares:
    """Share of each change, averaged over all orders of making the changes."""

    #: Value before less value after, per change, shape (S, k); they add up to the value of the
    #: first build less that of the last in every draw. NaN where the measured combinations do not
    #: separate the changes.
    draws: Array
    #: Weights of the m measured combinations in the mean of each share, shape (k, m).
    weights: Array
    #: Share of each one's variance that comes from the combinations not measured [1], shape (k,).
    assumed: Array


def order_free_shares(
    values: Mapping[Corner, Array], *, interaction_k: float, seed: int | None
) -> Shares:
    """Average what each change brings over all orders, exactly over all combinations.

    A combination that was not measured is predicted from the measured ones: the changes
    add up, but for departures with a spread. With values v = X b + d, where X has a
    column of ones and one per change, b has a flat prior and d ~ N(0, t²); so two changes
    made together depart from adding up with a standard deviation of 2 t. That deviation
    has a half-normal prior with scale `interaction_k`, and learns from the measured
    combinations where there are more of them than changes and one.

    References
    ----------
    L. S. Shapley, A Value for n-Person Games, 1953.
    """
    known = sorted(values)
    players = len(known[0])
    every = list(product((False, True), repeat=players))
    missing = [corner for corner in every if corner not in values]
    held = np.stack([values[corner] for corner in known], axis=1)
    unit = np.eye(len(every))
    to_shares = np.stack(order_free(lambda corner: unit[every.index(corner)], players))
    on_known = to_shares[:, [every.index(c) for c in known]]
    on_missing = to_shares[:, [every.index(c) for c in missing]]
    nothing = np.zeros(players)
    if not missing:
        return Shares(held @ on_known.T, on_known, nothing)
    design, wanted = _design(known), _design(missing)
    if np.linalg.matrix_rank(design) < players + 1:
        return Shares(np.full((len(held), players), np.nan), np.zeros_like(on_known), nothing)
    back = np.linalg.pinv(design)
    gain = wanted @ back
    squares = np.sum((held - held @ (design @ back).T) ** 2, axis=1)
    rng = np.random.default_rng(seed)
    spread = _departure_draws(squares, len(known) - players - 1, interaction_k / 2.0, rng)
    root = np.linalg.cholesky(gain @ gain.T + np.eye(len(missing)))
    departures = spread[:, None] * (rng.standard_normal((len(held), len(missing))) @ root.T)
    weights = on_known + on_missing @ gain
    added = departures @ on_missing.T
    draws = held @ weights.T + added
    assumed = np.var(added, axis=0) / np.maximum(np.var(draws, axis=0), 1e-300)
    return Shares(draws, weights, np.clip(assumed, 0.0, 1.0))


def departures_from_adding(
    measured: Mapping[Corner, Array],
) -> Iterator[tuple[tuple[int, ...], Corner, dict[Corner, float]]]:
    """Yield changes whose joint effect can be set against the sum of their single ones.

    With the combination below them and the weights of the values. Sets of changes on top
    of the first build come first; where no pair of them was measured so, pairs on top of
    another combination.
    """
    players = len(next(iter(measured)))
    bare = (False,) * players
    pairs_seen = set()
    for size in range(2, players + 1):
        for changes in combinations(range(players), size):
            weights = _departure(changes, bare, measured)
            if weights is not None:
                pairs_seen.add(changes)
                yield changes, bare, weights
    for changes in combinations(range(players), 2):
        bases = [] if changes in pairs_seen else sorted(measured)
        for base in bases:
            is_free = not any(base[i] for i in changes)
            weights = _departure(changes, base, measured) if is_free else None
            if weights is not None:
                yield changes, base, weights


def _departure(
    changes: tuple[int, ...], base: Corner, measured: Mapping[Corner, Array]
) -> dict[Corner, float] | None:
    def with_(chosen: tuple[int, ...]) -> Corner:
        return tuple(new or place in chosen for place, new in enumerate(base))

    single = [with_((place,)) for place in changes]
    together = with_(changes)
    if any(corner not in measured for corner in (base, together, *single)):
        return None
    # (v0 - v_all) - sum of (v0 - v_i), as weights of the values.
    return {base: 1.0 - len(changes), together: -1.0} | dict.fromkeys(single, 1.0)


def _design(corners: list[Corner]) -> Array:
    return np.column_stack([np.ones(len(corners)), np.array(corners, float)])


def _departure_draws(squares: Array, spare: int, scale: float, rng: np.random.Generator) -> Array:
    """Draw the spread of the departures, (S,), from the sum of `spare` squared ones.

    By inverting the distribution on a grid: half-normal prior of that scale, times
    the normal likelihood of the departures seen.
    """
    if scale == 0.0:
        return np.zeros(len(squares))
    most = 4.0 * scale
    if spare > 0:
        most = max(most, 3.0 * float(np.sqrt(squares.max() / spare)))
    grid = most * (np.arange(_GRID) + 0.5) / _GRID
    log_density = np.broadcast_to(-0.5 * (grid / scale) ** 2, (len(squares), _GRID))
    if spare > 0:
        log_density = log_density - spare * np.log(grid) - 0.5 * squares[:, None] / grid**2
    density = np.exp(log_density - log_density.max(axis=1, keepdims=True))
    below = np.cumsum(density, axis=1)
    wanted = rng.random(len(squares)) * below[:, -1]
    place = np.minimum((below < wanted[:, None]).sum(axis=1), _GRID - 1)
    return np.asarray(grid[place] + most / _GRID * (rng.random(len(squares)) - 0.5))
