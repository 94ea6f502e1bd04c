"""Effects of the PyMC model in coordinates that NUTS explores easily.

With b = b0 + Λw, w of unit prior variance, rows of mean W b and approximate precision Ω,

    M = Λ WᵀΩW Λ + I,   c = Λ WᵀΩ(y - W b0),   w = M⁻¹c + M^(-1/2) u

given the spreads the coordinates u are standard normal if the rows are normal with that
precision, whatever is aliased: the form is centred with many rows and non-centred with few.
If the rows are not normal, Ω only guides, and the Jacobian |M|^(-1/2) keeps the density of b
exact. (Centred and non-centred forms: Papaspiliopoulos, Roberts & Sköld, Statistical Science
22 (2007) 59-73.)

The levels of the largest term are eliminated first: each row has one of them, so their
block of M is diagonal and only the Schur complement of the others is factorised. All sums
run over entries that some row touches.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.model.priors import Normal

if TYPE_CHECKING:
    from thermcmp.model.design import Design


@dataclass(frozen=True, slots=True, eq=False)
class _Columns:
    """Constant arrays: p of the q effects are kept, the levels of one large group eliminated."""

    owner: IntArray  #: group of each kept effect (fixed effects, then terms), shape (p,)
    group: int  #: the eliminated group
    level: IntArray  #: each row's level in that group, shape (n,)
    size: int  #: its number of levels
    place: IntArray  #: kept effects that each row touches, shape (n, a)
    flow: Array  #: 1 if a row's place (the eliminated group's last) acts on airflow, shape (a + 1,)
    coefficient: Array  #: coefficient of each such place apart from airflow, shape (n, a + 1)
    cross_level: IntArray  #: eliminated effect of each pair that some row touches, shape (N,)
    cross_place: IntArray  #: kept effect of each such pair, shape (N,)
    cross: IntArray  #: the pairs of each row, shape (n, a)
    order: IntArray  #: positions of the design's effects among kept, then eliminated ones, (q,)

    def row_pairs(self) -> tuple[IntArray, IntArray, IntArray]:
        """Return pairs of a row's places and where their products stand in the lower triangle."""
        left, right = np.triu_indices(self.place.shape[1])
        return left, right, self._below(self.place[:, left], self.place[:, right]).ravel()

    def level_pairs(self) -> tuple[IntArray, IntArray, IntArray]:
        """Return pairs of cross pairs of one level and the position of their products."""
        by_level = []
        for level in range(self.size):
            crossed = np.flatnonzero(self.cross_level == level)
            left, right = np.triu_indices(len(crossed))
            by_level.append(np.stack([crossed[left], crossed[right]]))
        first, second = np.concatenate(by_level, axis=1)
        return first, second, self._below(self.cross_place[first], self.cross_place[second])

    def _below(self, row: IntArray, column: IntArray) -> IntArray:
        return np.maximum(row, column) * len(self.owner) + np.minimum(row, column)


def _columns(design: Design) -> _Columns:
    fixed = len(design.fixed_priors)
    sizes = np.array([*(1,) * fixed, *(len(levels) for levels in design.levels)])
    index = np.hstack([np.zeros((len(design.rows), fixed), np.intp), design.index])
    group = int(np.argmax(sizes[1:])) + 1
    kept = np.delete(np.arange(len(sizes)), group)
    starts = np.cumsum(sizes[kept]) - sizes[kept]
    owner, level, place = np.repeat(kept, sizes[kept]), index[:, group], index[:, kept] + starts
    key = level[:, None] * len(owner) + place
    keys, cross = np.unique(key, return_inverse=True)
    placed = np.concatenate([owner, np.full(sizes[group], group)])
    return _Columns(
        owner=owner,
        group=group,
        level=level,
        size=int(sizes[group]),
        place=place,
        flow=design.flow[[*kept, group]].astype(float),
        coefficient=design.coefficients[:, [*kept, group]],
        cross_level=keys // len(owner),
        cross_place=keys % len(owner),
        cross=cross.reshape(key.shape),
        # A stable sort by group restores the design's order.
        order=np.argsort(placed, kind="stable"),
    )


def fixed_priors(design: Design) -> tuple[Normal, ...]:
    """Return the priors of the fixed effects."""
    priors = design.fixed_priors
    if not all(isinstance(prior, Normal) for prior in priors):
        raise TypeError("fixed effects have normal priors")
    return tuple(prior for prior in priors if isinstance(prior, Normal))


def effects_in_coordinates(
    design: Design, airflow: Any, spreads: Any, precision: Any, excess: Any
) -> tuple[Any, Any, Any]:
    """Add all effects to the current PyMC model, given spreads (K,) and arrays of n rows.

    Returns the effects (q,), what they add to the rise of each row (n,) and their log density.
    """
    import pymc as pm
    import pytensor.tensor as pt

    fixed, columns = fixed_priors(design), _columns(design)
    p = len(columns.owner)
    scale = pt.concatenate([np.array([prior.sd for prior in fixed]), spreads])
    kept_scale, level_scale = scale[columns.owner], scale[columns.group]
    unit = 1.0 + columns.flow * (airflow[:, None] - 1.0)
    reach = columns.coefficient * unit
    kept, single = reach[:, :-1] * kept_scale[columns.place], level_scale * reach[:, -1]
    weighted = precision[:, None] * kept

    def summed(values: Any, places: IntArray, size: int) -> Any:
        return pt.inc_subtensor(pt.zeros(size)[places.ravel()], values.ravel())

    diagonal = 1.0 + summed(precision * single**2, columns.level, columns.size)
    cross = summed(single[:, None] * weighted, columns.cross, len(columns.cross_level))
    level_pull = summed(precision * single * excess, columns.level, columns.size)
    ratio = cross / diagonal[columns.cross_level]
    left, right, below = columns.row_pairs()
    corner = summed(weighted[:, left] * kept[:, right], below, p * p)
    left, right, below = columns.level_pairs()
    corner -= summed(ratio[left] * cross[right], below, p * p)
    # Only the lower triangle is read.
    factor = pt.linalg.cholesky(corner.reshape((p, p)) + np.eye(p), lower=True)
    u = pm.Flat("effect coordinates", shape=p)
    level_u = pm.Flat("further effect coordinates", shape=columns.size)
    pull = summed(weighted * excess[:, None], columns.place, p)
    pull -= summed(ratio * level_pull[columns.cross_level], columns.cross_place, p)
    half = pt.linalg.solve_triangular(factor, pull, lower=True)
    w = pt.linalg.solve_triangular(factor.T, half + u, lower=False)
    crossed = summed(cross * w[columns.cross_place], columns.cross_level, columns.size)
    level_w = (level_pull - crossed) / diagonal + level_u / pt.sqrt(diagonal)
    log_density = (-0.5 * (pt.sum(w**2) + pt.sum(level_w**2) + pt.sum(pt.log(diagonal)))) - pt.sum(
        pt.log(pt.diagonal(factor))
    )
    shift = np.zeros(len(columns.order))
    shift[: len(fixed)] = [prior.mean for prior in fixed]
    shift[len(fixed) :] = design.prior_mean
    parts = pt.concatenate([kept_scale * w, level_scale * level_w])
    added = pt.sum(kept * w[columns.place], axis=1) + single * level_w[columns.level]
    return shift + parts[columns.order], added, log_density
