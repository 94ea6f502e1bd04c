"""Rows that no fit can serve, refused in words before or where an engine fails on them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.errors import EngineError, ModelError
from thermcmp.inference.conditional.engine import ScatterTooSmallError, run_conditional
from thermcmp.inference.conditional.problem import thermal_problem
from thermcmp.inference.conditional.sufficient_statistics import Collapsed
from thermcmp.model.factor_words import factor_words
from thermcmp.model.observation import Residuals, Steps
from thermcmp.model.terms import Role

if TYPE_CHECKING:
    from thermcmp.model.design import Design

#: Most levels of a factor: every pair of them is examined, and held, for what was confounded.
MOST_LEVELS: Final = 1000
#: Draws that show how readings scatter; and residuals, in medians, that Student's t may discount.
FEW_DRAWS: Final = 400
OUTLYING: Final = 5.0
#: A variance beyond any temperature leaves a reading without influence [K²].
NO_INFLUENCE_K2: Final = 1e8
#: Largest rise that no card at load stays below [K] (common practice, no source).
NO_LOAD_K: Final = 0.1


def check_rows(design: Design) -> None:
    """Refuse rows without a rise, and factors of more levels than can be compared in pairs."""
    if np.max(design.rise_k) < NO_LOAD_K:
        raise ModelError(
            f"No reading of '{design.sensor}' is more than {NO_LOAD_K:g} K above the air: there is "
            "no rise to compare. Fix: check whether the columns of sensor and ambient are swapped, "
            "and whether the card was at load."
        )
    for term, levels in zip(design.terms, design.levels, strict=True):
        if term.role is Role.FACTOR and len(levels) > MOST_LEVELS:
            raise ModelError(
                f"{len(levels):,} levels of {factor_words(term.name)} are too many: at most "
                f"{MOST_LEVELS:,} can be held against each other in pairs. Fix: fit fewer "
                "products at a time, or give the specimens of a model one model name."
            )


def as_exact(design: Design) -> Design:
    """Return the design with steps as variances and readings at the limit without influence."""
    variance = np.where(design.at_limit, NO_INFLUENCE_K2, design.known_variance)
    at_limit = np.zeros_like(design.at_limit)
    return replace(design, known_variance=variance, at_limit=at_limit, steps=Steps.VARIANCE)


def check_scatter(design: Design, seed: int | None) -> None:
    """Refuse rows that scatter by less than can be computed, on which NUTS would not end.

    Under Student's t outliers do not hide it: they are left out until none is left, or half are.
    """
    problem, priors = thermal_problem(as_exact(design))
    counted = ~design.at_limit
    while True:
        sample = run_conditional(problem, priors, draws=FEW_DRAWS, seed=seed)
        if design.residuals is not Residuals.STUDENT:
            return
        mean, exponent = sample.effects.mean(axis=0), sample.points.exponent.mean(axis=0)
        h = None if problem.airflow is None else problem.airflow(exponent[None])
        size = np.abs(problem.y - Collapsed(problem).fitted(mean[:, None], h)[:, 0])
        outlying = counted & (size > OUTLYING * np.median(size[counted]))
        if not outlying.any() or np.sum(counted & ~outlying) <= len(size) // 2:
            return
        counted &= ~outlying
        variance = np.where(outlying, NO_INFLUENCE_K2, problem.known_variance)
        problem = replace(problem, known_variance=variance)


@contextmanager
def explained(design: Design) -> Iterator[None]:
    """State in words about the rows that they scatter by less than an engine can hold."""
    try:
        yield
    except ScatterTooSmallError as error:
        rise_k = np.asarray(design.rise_k, dtype=float)
        known_k = np.sqrt(design.known_variance)
        # A published mean scatters by what it states; a run by what it shows, too.
        stated = np.flatnonzero((design.run_scatter == 0.0) & (known_k < error.least))
        if np.ptp(rise_k) <= error.least:
            what = f"All {len(rise_k)} readings of '{design.sensor}' are {rise_k[0]:.4g} K above "
            what += f"the air to within {np.ptp(rise_k):.1g} K"
        elif len(stated):
            run = design.rows["run"].iloc[int(np.argmin(known_k))]
            more = f" ({len(stated)} runs state such)" if len(stated) > 1 else ""
            what = f"Of '{design.sensor}', the published run '{run}' states an error of "
            what += f"{known_k.min():.2g} K{more}"
        else:
            what = f"The {len(rise_k)} readings of '{design.sensor}' scatter by about "
            what += f"{error.scatter:.2g} K or less about what the parts explain"
        raise EngineError(
            f"{what}: beside rises of up to {rise_k.max():.4g} K no error below {error.least:.1g} "
            "K can be computed, and without scatter nothing says how sure an effect is. Fix: give "
            "the readings as they were measured, not copied or computed ones; state resolution_k "
            "where the sensor reads in steps, at_limit where it was at its limit, and as errors "
            "those of the instruments."
        ) from error
