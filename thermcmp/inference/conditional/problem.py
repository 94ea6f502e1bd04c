"""The linear Gaussian problem that the conditional engine solves.

    y_i = sum_j values_ij · f_ij · b[columns_ij] + e_i,    e_i ~ N(0, v_i)
    v_i = run_scatter_i · sigma² + known_variance_i

``f_ij`` is 1, or the row's airflow term h_i(m) for the columns marked `flow`.
Every effect b belongs to a spread (zero mean, standard deviation tau_k) or is
fixed, with a normal or flat prior of its own. Rows may form several sets, such as
those of several sensors, each with its own m and sigma; effects of several spreads
may be linked by a correlation.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.model.design import AIRFLOW_BASELINE, BASELINE, EXPONENT, RESIDUAL
from thermcmp.model.priors import Normal, Prior
from thermcmp.model.terms import Acts

if TYPE_CHECKING:
    from thermcmp.model.design import Design

#: Maps exponents of each row, shape (n, B), or of all rows, shape (1, B), to shape (n, B).
AirflowTerm = Callable[[Array], Array]


@dataclass(frozen=True, slots=True, eq=False)
class Link:
    """Effects of several spreads that go together, level by level.

    Attributes
    ----------
    size : int
        Number of spreads K that are correlated.
    blocks : tuple of (members, effects)
        Levels that have effects of the same spreads: which of the K, shape (k,), and
        their effect columns, shape (levels, k).
    """

    size: int
    blocks: tuple[tuple[IntArray, IntArray], ...]


@dataclass(frozen=True, slots=True, eq=False)
class GaussianProblem:
    """Arrays of a linear Gaussian model with unknown spreads.

    Attributes
    ----------
    y : ndarray, shape (n,)
        Response.
    known_variance, run_scatter : ndarray, shape (n,)
        Parts of each row's variance.
    columns : ndarray of int, shape (n, a)
        Effect columns that row i touches; a is the same for every row.
    values : ndarray, shape (n, a)
        Their coefficients (0 pads).
    flow : ndarray of bool, shape (a,)
        Which of the a places are multiplied by the airflow term.
    scale_of : ndarray of int, shape (q,)
        Spread of each effect; -1 for a fixed effect.
    fixed_mean, fixed_sd : ndarray, shape (q,)
        Prior of the fixed effects; an infinite sd is a flat prior. Unused
        entries are 0 and 1.
    spreads : tuple of str
        Names of the spreads, then of the residual of each set of rows.
    airflow, airflow_slope : callable, optional
        The airflow term and its derivative along the exponent; None where no column
        is marked `flow`.
    set_of : ndarray of int, shape (n,), optional
        The set of each row; all of one set by default.
    links : tuple of Link
        Correlated effects.
    """

    y: Array
    known_variance: Array
    run_scatter: Array
    columns: IntArray
    values: Array
    flow: BoolArray
    scale_of: IntArray
    fixed_mean: Array
    fixed_sd: Array
    spreads: tuple[str, ...]
    airflow: AirflowTerm | None = None
    airflow_slope: AirflowTerm | None = None
    set_of: IntArray | None = None
    links: tuple[Link, ...] = ()

    @property
    def sets(self) -> int:
        """Number of sets of rows G."""
        return 1 if self.set_of is None else int(self.set_of.max()) + 1

    @property
    def effect_count(self) -> int:
        """Number of effects q."""
        return len(self.scale_of)


@dataclass(frozen=True, slots=True, eq=False)
class EffectLayout:
    """Where the effects stand: two fixed ones first, then the levels of each group.

    Attributes
    ----------
    columns : ndarray of int, shape (n, 2 + groups)
        Effect columns that each row touches.
    scale_of : ndarray of int, shape (q,)
        Group of each effect; -1 for the two fixed ones.
    fixed_mean, fixed_sd : ndarray, shape (q,)
        Priors of the fixed effects; 0 and 1 elsewhere.
    """

    columns: IntArray
    scale_of: IntArray
    fixed_mean: Array
    fixed_sd: Array


def effect_layout(index: IntArray, sizes: Sequence[int], fixed: Sequence[Prior]) -> EffectLayout:
    """Lay out two fixed effects and the levels of groups, one column each.

    Shapes: index (n, groups).
    """
    n = len(index)
    starts = (2 + np.concatenate([[0], np.cumsum(sizes)]))[: len(sizes)].astype(np.intp)
    columns = np.hstack([np.zeros((n, 1), np.intp), np.ones((n, 1), np.intp), index + starts])
    scale_of = np.concatenate([[-1, -1], np.repeat(np.arange(len(sizes)), sizes)]).astype(np.intp)
    mean, sd = np.zeros(len(scale_of)), np.ones(len(scale_of))
    for place, prior in enumerate(fixed):
        if isinstance(prior, Normal):
            mean[place], sd[place] = prior.mean, prior.sd
    return EffectLayout(columns, scale_of, mean, sd)


def thermal_problem(design: Design) -> tuple[GaussianProblem, tuple[Prior, ...]]:
    """The problem of a thermal design, and the priors of its parameters.

    Returns problem, priors.
    """
    layout = effect_layout(
        design.index,
        [len(levels) for levels in design.levels],
        [design.priors[BASELINE], design.priors[AIRFLOW_BASELINE]],
    )
    flow = np.array([False, True, *(t.acts is Acts.AIRFLOW for t in design.terms)])
    law, flow_speed, reference = design.law, design.flow_speed[:, None], design.reference.flow_speed

    def airflow(exponent: Array) -> Array:
        return np.asarray(design.airflow(flow_speed, exponent))

    def airflow_slope(exponent: Array) -> Array:
        return np.asarray(law.slope(flow_speed, reference, exponent))

    problem = GaussianProblem(
        y=design.rise_k,
        known_variance=design.known_variance,
        run_scatter=design.run_scatter,
        columns=layout.columns,
        values=np.repeat(design.power_ratio[:, None], layout.columns.shape[1], axis=1),
        flow=flow,
        scale_of=layout.scale_of,
        fixed_mean=layout.fixed_mean,
        fixed_sd=layout.fixed_sd,
        spreads=(*(term.spread for term in design.terms), RESIDUAL),
        airflow=airflow,
        airflow_slope=airflow_slope,
    )
    return problem, tuple(design.priors[name] for name in (EXPONENT, *problem.spreads))
