"""Choose an engine for a design, run it, and check its draws."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import EngineError
from thermcmp.inference.censoring import readings_of
from thermcmp.inference.conditional.engine import CHAINS, run_conditional
from thermcmp.inference.conditional.importance_sampling import Weighted
from thermcmp.inference.conditional.inexact_readings import run_with_inexact
from thermcmp.inference.conditional.problem import thermal_problem
from thermcmp.inference.conditional.regulated_sampling import run_with_regulated
from thermcmp.inference.diagnostics import (
    Check,
    Diagnostics,
    Health,
    check_chains,
    check_sampler,
    check_weights,
)
from thermcmp.inference.positive_convection import convective_parts, positive_draws
from thermcmp.inference.regulated_likelihood import is_informed
from thermcmp.inference.row_limits import as_exact, check_scatter
from thermcmp.model.design import EXPONENT, FIXED, RESIDUAL, SHARED, Design
from thermcmp.model.observation import Residuals, Steps, is_coarse

if TYPE_CHECKING:
    import xarray as xr


@dataclass(frozen=True, slots=True, eq=False)
class Chosen:
    """The fitted design, the engine's run, the engine and the reason for it."""

    design: Design
    run: _Run
    engine: str
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """Draws of an engine and their checks."""

    posterior: xr.Dataset
    diagnostics: Diagnostics


def run_engine(design: Design, engine: str, draws: int, seed: int | None) -> Chosen:
    """Run the requested engine, or choose one by the data."""
    reasons_against = not_conditional(design)
    if engine == "conditional" and reasons_against:
        raise EngineError(
            f"The conditional engine cannot fit these rows: {'; '.join(reasons_against)}. Fix: use "
            "engine='auto' or 'nuts'."
        )
    is_tried = engine != "nuts" and not reasons_against
    first = None
    if is_tried and not _is_inexact(design):
        first = _conditional(with_step_variance(design), draws, seed)
    design, coarse = _with_steps(design, first, seed)
    if engine == "nuts":
        return Chosen(design, _nuts(design, draws, seed), "nuts", "requested")
    reasons = reasons_against
    if is_tried:
        run = first if first is not None and not coarse else _conditional(design, draws, seed)
        if engine == "conditional" or run.diagnostics.health is not Health.BAD:
            reason = "requested" if engine == "conditional" else _reason_for(design, coarse)
            return Chosen(design, run, "conditional", reason)
        bad = [c.name for c in run.diagnostics.checks if c.status is Health.BAD]
        reasons = [f"the conditional engine failed its health check ({', '.join(bad)})"]
    return Chosen(design, _nuts(design, draws, seed), "nuts", "; ".join([*reasons, *coarse]))


def _reason_for(design: Design, coarse: Sequence[str]) -> str:
    """Return in words what kinds of readings the conditional engine served."""
    kinds = [*coarse]
    floor, between = int(design.at_floor.sum()), int(design.is_between.sum())
    counts = {
        "at the limit": int(design.at_limit.sum()) - floor,
        "at the floor": floor,
        "between two temperatures": between,
    }
    kinds += [
        f"{count} reading(s) {where} enter by weights" for where, count in counts.items() if count
    ]
    if is_informed(design):
        kinds.append("regulated runs enter by weights")
    exact = [] if _is_inexact(design) else ["every reading is an exact value"]
    return "; ".join([*exact, *kinds])


def _is_inexact(design: Design) -> bool:
    """Whether some readings are known to be at the limit or within a step only."""
    readings = readings_of(design)
    return len(readings.limit) + len(readings.step) > 0


def not_conditional(design: Design) -> list[str]:
    """Return the reasons why the conditional engine cannot fit a design, in words."""
    reasons = []
    if design.residuals is Residuals.STUDENT:
        reasons.append("residuals='student' requested")
    if is_informed(design) and _is_inexact(design):
        reasons.append("regulated runs beside readings at the limit or within a step")
    return reasons


def not_exact(design: Design) -> list[str]:
    """Return the reasons why a joint fit of sensors cannot take a design, in words."""
    reasons = not_conditional(design)
    limited = int(design.at_limit.sum())
    if limited:
        runs = ", ".join(design.rows.loc[design.at_limit, "run"].astype(str)[:5])
        reasons.append(f"{limited} reading(s) at the limit (run {runs})")
    if design.is_between.any():
        runs = ", ".join(design.rows.loc[design.is_between, "run"].astype(str)[:5])
        reasons.append(f"readings between two temperatures (run {runs})")
    if design.steps is Steps.INTERVAL and np.any(design.step_k > 0):
        reasons.append("steps='interval' requested")
    return reasons


def with_step_variance(design: Design) -> Design:
    """Return the design with reading steps as variances, as the conditional engine needs them."""
    return replace(design, steps=Steps.VARIANCE)


def _with_steps(design: Design, run: _Run | None, seed: int | None) -> tuple[Design, list[str]]:
    """Return the design with its treatment of steps decided, and why an interval was chosen."""
    if design.steps is not Steps.AUTO:
        return design, []
    step_k = np.where(design.is_between, 0.0, design.step_k)
    if not np.any(step_k > 0):
        return with_step_variance(design), []
    if run is None:
        run = _conditional(as_exact(design), 400, seed)
    scatter = float(np.median(run.posterior[RESIDUAL]))
    if not is_coarse(step_k, scatter):
        return with_step_variance(design), []
    return replace(design, steps=Steps.INTERVAL), [_coarse_words(step_k, scatter)]


def _coarse_words(step_k: Array, scatter_k: float) -> str:
    return (
        f"the reading step of {np.max(step_k):g} K is coarse against a run-to-run "
        f"scatter of {scatter_k:.2g} K"
    )


def with_coarse_step_note(design: Design, posterior: xr.Dataset) -> Design:
    """Return the design with a note if only the variance of a coarse step was used."""
    scatter = float(np.median(posterior[RESIDUAL]))
    step_k = np.where(design.is_between, 0.0, design.step_k)
    if not is_coarse(step_k, scatter):
        return design
    note = f"Steps: {_coarse_words(step_k, scatter)}, and only its variance was used."
    return replace(design, notes=(*design.notes, note))


def _conditional(design: Design, draws: int, seed: int | None) -> _Run:
    weighted_checks: tuple[Check, ...] = ()
    if is_informed(design):
        sample, weighted_checks = run_with_regulated(design, draws=draws, seed=seed)
    elif _is_inexact(design):
        sample, weighted_checks = run_with_inexact(design, draws=draws, seed=seed)
    else:
        sample = run_conditional(*thermal_problem(design), draws=draws, seed=seed)
    taken, positive_checks = positive_draws(convective_parts(design, sample.effects))
    sample = sample.part(taken)
    points = sample.points
    scalars = {EXPONENT: points.exponent[:, 0], RESIDUAL: points.residual[:, 0]}
    scalars |= {term.spread: points.spread[:, k] for k, term in enumerate(design.terms)}
    posterior = as_dataset(design, scalars, sample.effects)
    checks = weights_diagnostics(sample.weighted).checks
    return _Run(posterior, Diagnostics((*checks, *weighted_checks, *positive_checks)))


def weights_diagnostics(weights: Weighted) -> Diagnostics:
    """Return the checks of the conditional engine's weighted points."""
    checks = check_weights(weights.log_weights, weights.effective_size)
    share = weights.effective_size / len(weights.x)
    return Diagnostics(
        (*checks, Check("efficiency of the weights", share, "for information", Health.OK))
    )


def _nuts(design: Design, draws: int, seed: int | None) -> _Run:
    from thermcmp.inference.nuts.engine import run_nuts

    if not is_informed(design):
        check_scatter(design, seed)
    sample = run_nuts(design, draws=draws // CHAINS, chains=CHAINS, seed=seed)
    whole = as_dataset(design, sample.scalars, sample.effects)
    taken, positive_checks = positive_draws(convective_parts(design, sample.effects))
    scalars = {name: values[taken] for name, values in sample.scalars.items()}
    posterior = as_dataset(design, scalars, sample.effects[taken])
    checks = (*check_chains(whole), *check_sampler(sample.stats), *positive_checks)
    return _Run(posterior, Diagnostics(checks))


def as_dataset(design: Design, scalars: Mapping[str, Array], effects: Array) -> xr.Dataset:
    """Return the posterior as a Dataset, laid out alike for both engines."""
    import xarray as xr

    def chained(values: Array) -> Array:
        return values.reshape(CHAINS, -1, *values.shape[1:])

    variables: dict[str, tuple[tuple[str, ...], Array]] = {
        name: (("chain", "draw"), chained(effects[:, column])) for column, name in enumerate(FIXED)
    }
    for name, values in scalars.items():
        variables[name] = (("chain", "draw"), chained(values))
    coords: dict[str, object] = {
        "chain": np.arange(CHAINS),
        "draw": np.arange(len(effects) // CHAINS),
    }
    names = [term.name for term in design.terms]
    groups = [*zip(names, design.levels, design.offsets, strict=True)]
    if design.shared.count:
        groups.append((SHARED, design.shared.names, len(FIXED)))
    for name, levels, start in groups:
        level = f"{name} level"
        part = effects[:, start : start + len(levels)]
        variables[name] = (("chain", "draw", level), chained(part))
        coords[level] = list(levels)
    return xr.Dataset(variables, coords)
