"""The rows of a fit at the posterior means of its parameters, some terms' levels free."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.inference.checks.laboratories.between import free_point
from thermcmp.inference.checks.residuals import design_matrices
from thermcmp.inference.conditional.marginal_likelihood import Readings, Solved
from thermcmp.inference.conditional.regulated_sampling import fitted_kernel
from thermcmp.inference.regulated_likelihood import regulated_rows
from thermcmp.model.links import PLACES

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit


@dataclass(frozen=True, slots=True, eq=False)
class RowsAtMean:
    """N rows with their coefficients; a regulated run has several. At a limit they do not count."""

    solved: Solved
    owner: IntArray  #: the run of each row, shape (N,)
    counted: BoolArray  #: shape (N,)
    still: Any  #: sparse coefficients of the effects on resistance, shape (N, q)
    flow: Any  #: and on airflow, which count `h` times
    h: Array  #: shape (N, 1)
    place: Array  #: what a laboratory's effect counts in each row, shape (N,)


def rows_at_mean(fit: Fit, free: Sequence[str]) -> RowsAtMean:
    """Solve a fit's system at one point; to be called with one BLAS thread."""
    kernel, design = fitted_kernel(fit), fit.design
    fan, power = regulated_rows(design)
    owner = np.concatenate([np.arange(len(design.rise_k)), fan, power])
    still, flow = design_matrices(design, problem=kernel.problem)
    place = next(k for k, term in enumerate(design.terms) if term.name in PLACES)
    levels = slice(design.offsets[place], design.offsets[place] + len(design.levels[place]))
    counted = ~design.at_limit[owner]
    point = free_point(fit, free)
    readings = Readings(kernel.problem.y[:, None], kernel.variance(point), counted)
    solved = Solved(kernel, point, readings)
    h = np.zeros_like(solved.v) if solved.h is None else solved.h
    return RowsAtMean(
        solved, owner, counted, still, flow, h, np.asarray(still[:, levels].sum(axis=1))
    )
