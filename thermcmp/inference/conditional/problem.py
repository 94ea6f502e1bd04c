"""The linear Gaussian problem that the conditional engine solves.

    y_i = sum_j values_ij · f_ij · b[columns_ij] + e_i,    e_i ~ N(0, v_i)
    v_i = run_scatter_i · sigma² + known_variance_i

``f_ij`` is 1, or the row's airflow term h_i(m) for the columns marked `flow`.
Every effect b belongs to a spread (zero mean, standard deviation tau_k) or is
fixed, with a normal or flat prior. Rows may form several sets, such as
those of several sensors, each with its own m and sigma; effects of several spreads
may be linked by a correlation.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.model.design import EXPONENT, RESIDUAL
from thermcmp.model.priors import Normal, Prior

if TYPE_CHECKING:
    from thermcmp.model.design import Design

#: Maps exponents of each row, shape (n, B), or of all rows, shape (1, B), to shape (n, B).
AirflowTerm = Callable[[Array], Array]


@dataclass(frozen=True, slots=True, eq=False)
class Link:
    """Effects of several spreads that are correlated level by level."""

    size: int  #: number of correlated spreads K
    #: Levels with effects of the same spreads: which of the K, shape (k,), and their effect
    #: columns, shape (levels, k).
    blocks: tuple[tuple[IntArray, IntArray], ...]


@dataclass(frozen=True, slots=True, eq=False)
class GaussianProblem:
    """Arrays of a linear Gaussian model with unknown spreads: n rows, q effects.

    Each row touches a effect columns; a coefficient of 0 pads.
    """

    y: Array  #: response, shape (n,)
    known_variance: Array  #: shape (n,)
    run_scatter: Array  #: factor of the residual variance, shape (n,)
    columns: IntArray  #: effect columns that each row touches, shape (n, a)
    values: Array  #: their coefficients, shape (n, a)
    flow: BoolArray  #: which of the a places are multiplied by the airflow term
    scale_of: IntArray  #: spread of each effect, -1 for a fixed one, shape (q,)
    fixed_mean: Array  #: prior mean of each effect, shape (q,)
    fixed_sd: Array  #: prior sd of fixed effects (infinite: flat), else 1, shape (q,)
    spreads: tuple[str, ...]  #: names of the spreads, then of each set's residual
    airflow: AirflowTerm | None = None  #: None if no column is marked `flow`
    airflow_slope: AirflowTerm | None = None  #: derivative along the exponent
    set_of: IntArray | None = None  #: set of each row, shape (n,); None for a single set
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
    """Columns of the effects: the fixed ones first, then the levels of each group."""

    columns: IntArray  #: effect columns that each row touches, shape (n, fixed + groups)
    scale_of: IntArray  #: group of each effect, -1 for the fixed ones, shape (q,)
    fixed_mean: Array  #: shape (q,)
    fixed_sd: Array  #: shape (q,)


def effect_layout(index: IntArray, sizes: Sequence[int], fixed: Sequence[Prior]) -> EffectLayout:
    """Return the columns of the fixed effects and of all levels, from an index (n, groups)."""
    first = np.arange(len(fixed), dtype=np.intp)
    starts = np.cumsum([len(fixed), *sizes])[: len(sizes)].astype(np.intp)
    columns = np.hstack([np.tile(first, (len(index), 1)), index + starts])
    groups = np.repeat(np.arange(len(sizes)), sizes)
    scale_of = np.concatenate([np.full(len(fixed), -1), groups]).astype(np.intp)
    mean, sd = np.zeros(len(scale_of)), np.ones(len(scale_of))
    for place, prior in enumerate(fixed):
        if isinstance(prior, Normal):
            mean[place], sd[place] = prior.mean, prior.sd
    return EffectLayout(columns, scale_of, mean, sd)


def thermal_problem(design: Design) -> tuple[GaussianProblem, tuple[Prior, ...]]:
    """Return the problem of a thermal design and the priors of its parameters."""
    layout = effect_layout(
        design.index,
        [len(levels) for levels in design.levels],
        design.fixed_priors,
    )
    # Behind the fixed effects, those of the terms, of which few have a mean other than zero.
    prior_mean = layout.fixed_mean.copy()
    prior_mean[len(design.fixed_priors) :] = design.prior_mean
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
        values=design.coefficients,
        flow=design.flow,
        scale_of=layout.scale_of,
        fixed_mean=prior_mean,
        fixed_sd=layout.fixed_sd,
        spreads=(*(term.spread for term in design.terms), RESIDUAL),
        airflow=airflow,
        airflow_slope=airflow_slope,
    )
    return problem, tuple(design.priors[name] for name in (EXPONENT, *problem.spreads))
