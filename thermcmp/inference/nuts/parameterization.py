"""Effects of the PyMC model in coordinates in which NUTS walks freely.

With b = b0 + Λw, w of unit prior variance, rows of mean W b and stand-in precision Ω,

    M = Λ WᵀΩW Λ + I,   c = Λ WᵀΩ(y - W b0),   w = M⁻¹c + M^(-1/2) u

the coordinates u are standard normal given the spreads wherever the rows are normal with
that precision, however tightly the rows hold a level and whatever is aliased with what:
the form is centred where rows are many, non-centred where they are few, and both
baselines are marginal. Where the rows are not normal, Ω only guides: the density of b is
kept exact by the Jacobian |M|^(-1/2). (Interweaving of centred and non-centred forms:
Papaspiliopoulos, Roberts & Sköld, Statistical Science 22 (2007) 59-73; this is its
complete, data-driven case.)

The levels of the largest term are eliminated first: each row has one of them, so their
block of M is diagonal and only the Schur complement of the others is factorised. A row
touches one level of each term, so all sums are kept to the entries that some row has.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.model.design import AIRFLOW_BASELINE, BASELINE
from thermcmp.model.priors import Normal
from thermcmp.model.terms import Acts

if TYPE_CHECKING:
    from thermcmp.model.design import Design


@dataclass(frozen=True, slots=True, eq=False)
class _Columns:
    """Constant arrays: q effects, p of them kept and the rest the levels of one large term.

    Attributes
    ----------
    owner : ndarray of int, shape (p,)
        Group of each kept effect: 0 and 1 the baselines, 2 + k term k.
    group : int
        Group of the eliminated effects.
    level : ndarray of int, shape (n,)
        Each row's level in that group.
    size : int
        Its number of levels.
    place : ndarray of int, shape (n, a)
        The kept effects that each row touches.
    flow : ndarray of float, shape (a + 1,)
        1 where a row's place, the eliminated group's last, acts on airflow, else 0.
    met_level, met_place : ndarray of int, shape (N,)
        Pairs of an eliminated and a kept effect that some row has.
    met : ndarray of int, shape (n, a)
        The pairs of each row.
    order : ndarray of int, shape (q,)
        Places of the effects, in the design's order, among kept then eliminated ones.
    """

    owner: IntArray
    group: int
    level: IntArray
    size: int
    place: IntArray
    flow: Array
    met_level: IntArray
    met_place: IntArray
    met: IntArray
    order: IntArray

    def row_pairs(self) -> tuple[IntArray, IntArray, IntArray]:
        """Pairs of a row's places, and where their products stand in the lower triangle."""
        left, right = np.triu_indices(self.place.shape[1])
        return left, right, self._below(self.place[:, left], self.place[:, right]).ravel()

    def level_pairs(self) -> tuple[IntArray, IntArray, IntArray]:
        """Pairs of met pairs of one level, and where their products stand."""
        found = []
        for one in range(self.size):
            mine = np.flatnonzero(self.met_level == one)
            left, right = np.triu_indices(len(mine))
            found.append(np.stack([mine[left], mine[right]]))
        first, second = np.concatenate(found, axis=1)
        return first, second, self._below(self.met_place[first], self.met_place[second])

    def _below(self, one: IntArray, other: IntArray) -> IntArray:
        return np.maximum(one, other) * len(self.owner) + np.minimum(one, other)


def _columns(design: Design) -> _Columns:
    sizes = np.array([1, 1, *(len(levels) for levels in design.levels)])
    flow = np.array([False, True, *(term.acts is Acts.AIRFLOW for term in design.terms)])
    index = np.hstack([np.zeros((len(design.rows), 2), np.intp), design.index])
    group = int(np.argmax(sizes[1:])) + 1
    kept = np.delete(np.arange(len(sizes)), group)
    starts = np.cumsum(sizes[kept]) - sizes[kept]
    owner, level, place = np.repeat(kept, sizes[kept]), index[:, group], index[:, kept] + starts
    key = level[:, None] * len(owner) + place
    keys, met = np.unique(key, return_inverse=True)
    placed = np.concatenate([owner, np.full(sizes[group], group)])
    return _Columns(
        owner=owner,
        group=group,
        level=level,
        size=int(sizes[group]),
        place=place,
        flow=flow[[*kept, group]].astype(float),
        met_level=keys // len(owner),
        met_place=keys % len(owner),
        met=met.reshape(key.shape),
        # A stable sort by group gives the design's order.
        order=np.argsort(placed, kind="stable"),
    )


def baseline_mean(design: Design) -> tuple[float, float]:
    """Prior means of the two baselines [K]."""
    first, second = _baselines(design)
    return first.mean, second.mean


def _baselines(design: Design) -> tuple[Normal, Normal]:
    first, second = design.priors[BASELINE], design.priors[AIRFLOW_BASELINE]
    if not (isinstance(first, Normal) and isinstance(second, Normal)):
        raise TypeError("both baselines have normal priors")
    return first, second


def effects_in_coordinates(
    design: Design, airflow: Any, spreads: Any, precision: Any, excess: Any
) -> tuple[Any, Any, Any]:
    """Add the coordinates of all effects to the PyMC model in hand.

    Shapes: airflow (n,), spreads (K,), precision (n,), excess (n,). Returns effects
    (q,), added (n,), log_density.
    """
    import pymc as pm
    import pytensor.tensor as pt

    fixed, columns = _baselines(design), _columns(design)
    p = len(columns.owner)
    scale = pt.concatenate([np.array([prior.sd for prior in fixed]), spreads])
    kept_scale, own_scale = scale[columns.owner], scale[columns.group]
    unit = 1.0 + columns.flow * (airflow[:, None] - 1.0)
    reach = design.power_ratio[:, None] * unit
    kept, own = reach[:, :-1] * kept_scale[columns.place], own_scale * reach[:, -1]
    weighted = precision[:, None] * kept

    def summed(values: Any, places: IntArray, size: int) -> Any:
        return pt.inc_subtensor(pt.zeros(size)[places.ravel()], values.ravel())

    diagonal = 1.0 + summed(precision * own**2, columns.level, columns.size)
    cross = summed(own[:, None] * weighted, columns.met, len(columns.met_level))
    pull_own = summed(precision * own * excess, columns.level, columns.size)
    lean = cross / diagonal[columns.met_level]
    left, right, below = columns.row_pairs()
    corner = summed(weighted[:, left] * kept[:, right], below, p * p)
    left, right, below = columns.level_pairs()
    corner -= summed(lean[left] * cross[right], below, p * p)
    # Only the lower triangle is read.
    factor = pt.linalg.cholesky(corner.reshape((p, p)) + np.eye(p), lower=True)
    u = pm.Flat("effect coordinates", shape=p)
    u_own = pm.Flat("further effect coordinates", shape=columns.size)
    pull = summed(weighted * excess[:, None], columns.place, p)
    pull -= summed(lean * pull_own[columns.met_level], columns.met_place, p)
    half = pt.linalg.solve_triangular(factor, pull, lower=True)
    w = pt.linalg.solve_triangular(factor.T, half + u, lower=False)
    met = summed(cross * w[columns.met_place], columns.met_level, columns.size)
    w_own = (pull_own - met) / diagonal + u_own / pt.sqrt(diagonal)
    log_density = (-0.5 * (pt.sum(w**2) + pt.sum(w_own**2) + pt.sum(pt.log(diagonal)))) - pt.sum(
        pt.log(pt.diagonal(factor))
    )
    shift = np.zeros(len(columns.order))
    shift[:2] = [prior.mean for prior in fixed]
    parts = pt.concatenate([kept_scale * w, own_scale * w_own])
    added = pt.sum(kept * w[columns.place], axis=1) + own * w_own[columns.level]
    return shift + parts[columns.order], added, log_density
