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
block of M is diagonal and only the Schur complement of the others is factorised.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from thermcmp.model.design import AIRFLOW_BASELINE, BASELINE
from thermcmp.model.priors import Array, Normal
from thermcmp.model.terms import Acts

if TYPE_CHECKING:
    from thermcmp.model.design import Design


@dataclass(frozen=True, slots=True, eq=False)
class _Columns:
    """Constant arrays: q effect columns, p of them dense and the rest one large term's.

    Attributes
    ----------
    still, flow : ndarray, shape (n, p)
        Coefficients of the dense columns without and with the airflow term.
    owner : ndarray of int, shape (p,)
        Group of each dense column: 0 and 1 the baselines, 2 + k term k.
    group : int
        Group of the eliminated columns.
    index : ndarray of int, shape (n,)
        Each row's level in that group.
    size : int
        Its number of levels.
    is_flow : bool
        Whether that group acts on airflow.
    order : ndarray of int, shape (q,)
        Places of the effects, in the design's order, among dense then eliminated ones.
    """

    still: Array
    flow: Array
    owner: NDArray[np.intp]
    group: int
    index: NDArray[np.intp]
    size: int
    is_flow: bool
    order: NDArray[np.intp]


def _columns(design: Design) -> _Columns:
    n = len(design.rows)
    sizes = [1, 1, *(len(levels) for levels in design.levels)]
    flows = [False, True, *(term.acts is Acts.AIRFLOW for term in design.terms)]
    index = np.hstack([np.zeros((n, 2), np.intp), design.index])
    group = int(np.argmax(sizes[1:])) + 1
    dense = [j for j in range(len(sizes)) if j != group]
    owner = np.concatenate([np.full(sizes[j], j) for j in dense])
    one_hot = np.hstack([np.eye(sizes[j])[index[:, j]] for j in dense])
    coefficient = one_hot * design.power_ratio[:, None]
    on_flow = np.array(flows)[owner]
    placed = np.concatenate([owner, np.full(sizes[group], group)])
    # A stable sort by group gives the design's order.
    order = np.argsort(placed, kind="stable")
    return _Columns(
        coefficient * ~on_flow,
        coefficient * on_flow,
        owner,
        group,
        index[:, group],
        sizes[group],
        flows[group],
        order,
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

    Parameters
    ----------
    design : Design
        Arrays of the fit.
    airflow : PyTensor vector, shape (n,)
        Airflow factor of each row less one.
    spreads : PyTensor vector, shape (K,)
        Spread of each term [K].
    precision : PyTensor vector, shape (n,)
        Stand-in precision of each row [1/K²]; 0 for a row that shall not guide.
    excess : PyTensor vector, shape (n,)
        Response less its mean at the baselines' prior means [K].

    Returns
    -------
    effects : PyTensor vector, shape (q,)
        Effects in the design's order [K].
    added : PyTensor vector, shape (n,)
        What they add to each row's mean, over the baselines' prior means [K].
    log_density : PyTensor scalar
        Their log prior density in the coordinates, up to a constant.
    """
    import pymc as pm
    import pytensor.tensor as pt

    fixed = _baselines(design)
    columns = _columns(design)
    scale = pt.concatenate([np.array([prior.sd for prior in fixed]), spreads])
    dense_scale, own_scale = scale[columns.owner], scale[columns.group]
    own = design.power_ratio * (airflow if columns.is_flow else np.ones(len(design.rows)))
    dense = (columns.still + airflow[:, None] * columns.flow) * dense_scale
    weighted = precision[:, None] * dense

    def by_level(values: Any, *width: int) -> Any:
        zeros = pt.zeros((columns.size, *width))
        return pt.inc_subtensor(zeros[columns.index], values)

    diagonal = 1.0 + own_scale**2 * by_level(precision * own**2)
    cross = own_scale * by_level(own[:, None] * weighted, len(columns.owner))
    pull_own = own_scale * by_level(precision * own * excess)
    lean = (cross / diagonal[:, None]).T
    corner = pt.dot(dense.T, weighted) + np.eye(len(columns.owner)) - pt.dot(lean, cross)
    factor = pt.linalg.cholesky(corner, lower=True)
    u = pm.Flat("effect coordinates", shape=len(columns.owner))
    u_own = pm.Flat("further effect coordinates", shape=columns.size)
    pull = pt.dot(weighted.T, excess) - pt.dot(lean, pull_own)
    half = pt.linalg.solve_triangular(factor, pull, lower=True)
    w = pt.linalg.solve_triangular(factor.T, half + u, lower=False)
    w_own = (pull_own - pt.dot(cross, w)) / diagonal + u_own / pt.sqrt(diagonal)
    log_density = (-0.5 * (pt.sum(w**2) + pt.sum(w_own**2) + pt.sum(pt.log(diagonal)))) - pt.sum(
        pt.log(pt.diagonal(factor))
    )
    shift = np.zeros(len(columns.order))
    shift[:2] = [prior.mean for prior in fixed]
    parts = pt.concatenate([dense_scale * w, own_scale * w_own])
    added = pt.dot(dense, w) + own * (own_scale * w_own)[columns.index]
    return shift + parts[columns.order], added, log_density
