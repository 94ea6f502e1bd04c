"""Fit one sensor: choose terms and engine, run the engine, check the draws."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import EllipsisType
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import EngineError, Fault, InputError
from thermcmp.inference.checks.lack_of_fit import lack_of_fit_check, stated_errors_check
from thermcmp.inference.conditional.engine import CHAINS, run_conditional
from thermcmp.inference.conditional.importance_sampling import Weighted
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
from thermcmp.inference.expansion import Expansion
from thermcmp.inference.positive_convection import convective_parts, positive_draws
from thermcmp.inference.posterior import Fit, package_versions
from thermcmp.inference.regulated_likelihood import is_informed
from thermcmp.inference.screening import EXPAND, MOST_ROWS, called_for, findings
from thermcmp.model.conditions import Conditions
from thermcmp.model.design import (
    EXPONENT,
    FIXED,
    RESIDUAL,
    SHARED,
    Design,
    Reference,
    build_design,
)
from thermcmp.model.identifiability import find_aliases
from thermcmp.model.measurement_error import MeasurementError
from thermcmp.model.observation import Residuals, Steps, is_coarse
from thermcmp.model.priors import Prior
from thermcmp.model.regulated import Regulated
from thermcmp.model.terms import Term, registered_terms
from thermcmp.physics.airflow import airflow_law
from thermcmp.results.hashing import content_hash
from thermcmp.results.validation import check_results

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

ENGINES: Final = ("auto", "conditional", "nuts")


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


def fit(  # noqa: PLR0913 - the public face; all but three are keyword-only
    results: pd.DataFrame,
    sensor: str | None = None,
    engine: str = "auto",
    *,
    terms: Sequence[str | Term | EllipsisType] | None = None,
    priors: Mapping[str, Prior] | None = None,
    reference: Conditions | Reference | None = None,
    airflow: str = "power law",
    residuals: str = "normal",
    steps: str = "auto",
    regulated: str = "inform",
    errors: MeasurementError | None = None,
    expand: str = "auto",
    draws: int = 4000,
    seed: int | None = None,
) -> Fit:
    """Fit the hierarchical thermal model to the rows of one sensor.

    The model is the series-resistance model of `thermcmp.model.design`; its terms
    follow from the data: a factor with one level has no effect.

    Parameters
    ----------
    results : pandas.DataFrame
        Results rows, as from `Library.results` or `read_results`.
    sensor : str, optional
        The sensor; may be left out where the rows hold only one.
    engine : {"auto", "conditional", "nuts"}
        "auto" takes the exact conditional engine, and NUTS if the data need it (a reading
        at the limit, a coarse step, Student's t) or the first fails its health check;
        `Fit.engine_reason` states which.
    terms : sequence of str or Term, optional
        Terms by name, or your own. An ellipsis stands for the default ones:
        ``[..., my_term]`` adds one.
    priors : mapping of str to Prior, optional
        Priors that replace the defaults, by parameter name (see `Fit.priors.table`).
    reference : Conditions or Reference, optional
        Power [W] and fan speed [rpm] at which effects are stated; rounded medians
        of the rows by default.
    airflow : str
        Name of the airflow law.
    residuals : {"normal", "student"}
        Law of the run-to-run scatter; under Student's t an outlier has little influence.
    steps : {"auto", "variance", "interval"}
        What a sensor's reading step [K] means. "variance" adds step²/12 to the row's
        variance, "interval" takes the reading as "within half a step of this". "auto"
        takes the interval if a step exceeds two standard deviations of the scatter, as
        estimated by the conditional engine; `engine="conditional"` takes the variance and
        notes it. A published summary always takes the variance.
    regulated : {"inform", "leave out"}
        Use of runs in which a control loop held the sensor. With "inform" the fan speed or
        the power that held it informs the resistance, if only one of them was moved and it
        was measured (`regulated_by`); the temperature is not compared.
    errors : MeasurementError, optional
        Standard errors of the instruments. Fan speed and power enter as they were set:
        scatter that such an error explains is not read as a slope. 1 % each by default.
    expand : {"auto", "none"}
        Whether to add what the rows call for: an effect of its own for a run or an assembly
        that the others do not explain, an own spread for a cooler whose assemblies spread
        more than others'. `Fit.expansions` has them, and every answer names them. Only of
        the conditional engine.
    draws : int
        Posterior draws; a multiple of 4, at least 400.
    seed : int, optional
        Seed; the same seed gives the same numbers.

    Returns
    -------
    Fit
        The fitted model.

    Raises
    ------
    InputError
        If the rows break the schema or an argument is out of range.
    ModelError
        If no usable row is left.
    EngineError
        If the chosen engine cannot serve these rows.
    """
    check_arguments(engine, residuals, steps, draws, regulated, expand)
    checked = check_results(results)
    chosen_terms = named_terms(terms)

    def designed(rows: pd.DataFrame, more: Sequence[Term], reference: Reference | None) -> Design:
        return build_design(
            rows,
            sensor=sensor,
            terms=(*chosen_terms, *more),
            law=airflow_law(airflow),
            reference=reference,
            priors=priors,
            residuals=Residuals(residuals),
            steps=Steps(steps),
            regulated=Regulated(regulated),
            errors=errors,
        )

    design = designed(checked, (), stated_reference(reference))
    fingerprint = content_hash(design.measured_rows)

    def run(design: Design, expansions: tuple[Expansion, ...] = ()) -> Fit:
        chosen = run_engine(design, engine, draws, seed)
        return Fit(
            posterior=chosen.run.posterior,
            design=chosen.design,
            engine=chosen.engine,
            engine_reason=chosen.reason,
            diagnostics=chosen.run.diagnostics,
            aliases=find_aliases(design),
            fingerprint=fingerprint,
            versions=package_versions(),
            seed=seed,
            expansions=expansions,
        )

    fitted = run(design)
    is_open = expand == "auto" and fitted.engine == "conditional"
    is_open &= len(design.rows) <= MOST_ROWS
    while is_open and fitted.health is not Health.BAD and (more := called_for(fitted)):
        expansions = (*fitted.expansions, *more)
        rows = design.rows.assign(**{str(each.term.values): each.values for each in expansions})
        wider = designed(rows, [each.term for each in expansions], design.reference)
        fitted = run(replace(wider, left_out=design.left_out), expansions)
    return with_findings(fitted)


def with_findings(fit: Fit) -> Fit:
    """Return the fit with its tests against repeats and stated errors, and what to look at."""
    more = (*lack_of_fit_check(fit), *stated_errors_check(fit))
    checked = replace(fit, diagnostics=Diagnostics((*fit.diagnostics.checks, *more)))
    checked.keep_known(fit)
    if len(checked.results) > MOST_ROWS:
        return checked
    complete = replace(checked, findings=findings(checked))
    complete.keep_known(checked)
    return complete


def check_arguments(
    engine: str,
    residuals: str,
    steps: str,
    draws: int,
    regulated: str = "inform",
    expand: str = "none",
) -> None:
    """Check the choices of a fit and its number of draws, and report all faults together."""
    options = (
        ("engine", engine, ENGINES),
        ("residuals", residuals, tuple(Residuals)),
        ("steps", steps, tuple(Steps)),
        ("regulated", regulated, tuple(Regulated)),
        ("expand", expand, EXPAND),
    )
    faults = [
        Fault("no such choice", f"use one of {', '.join(allowed)}", column=name, value=str(choice))
        for name, choice, allowed in options
        if choice not in allowed
    ]
    if not isinstance(draws, int | np.integer) or draws < 400 or draws % CHAINS:
        faults.append(
            Fault(
                "must be an integer >= 400 and a multiple of 4",
                "use a number such as 4000",
                column="draws",
                value=str(draws),
            )
        )
    if faults:
        raise InputError("The fit cannot start:", faults)


def named_terms(names: Sequence[str | Term | EllipsisType] | None) -> tuple[Term, ...]:
    """Return terms by name; an ellipsis, or None, stands for the default ones."""
    known = {term.name: term for term in registered_terms()}
    unknown = [name for name in names or () if isinstance(name, str) and name not in known]
    if unknown:
        raise InputError(
            "Unknown terms:",
            [
                Fault("no such term", f"use one of: {', '.join(known)}", column="terms", value=name)
                for name in unknown
            ],
        )
    chosen: dict[str, Term] = {}
    for name in (...,) if names is None else names:
        if isinstance(name, EllipsisType):
            chosen |= {term.name: term for term in known.values() if term.by_default}
        else:
            term = known[name] if isinstance(name, str) else name
            chosen[term.name] = term
    return tuple(chosen.values())


def stated_reference(reference: Conditions | Reference | None) -> Reference | None:
    """Return the reference as power and fan speed."""
    if not isinstance(reference, Conditions):
        return reference
    if reference.power_w is None or reference.fan_rpm is None:
        raise InputError(
            "A reference needs power and fan speed:",
            [Fault("missing", "give Conditions(power_w=…, fan_rpm=…)", column="reference")],
        )
    return Reference(reference.power_w, reference.fan_rpm)


def run_engine(design: Design, engine: str, draws: int, seed: int | None) -> Chosen:
    """Run the requested engine, or choose one by the data."""
    reasons_against = not_conditional(design)
    if engine == "conditional":
        if reasons_against:
            raise EngineError(
                "The conditional engine handles only exact readings with normal scatter, but "
                f"{'; '.join(reasons_against)}. Fix: use engine='auto' or 'nuts'."
            )
        design = with_step_variance(design)
        run = _conditional(design, draws, seed)
        return Chosen(with_coarse_step_note(design, run.posterior), run, "conditional", "requested")
    is_tried = engine == "auto" and not reasons_against
    first = _conditional(with_step_variance(design), draws, seed) if is_tried else None
    design, coarse = _with_steps(design, first, seed)
    if engine == "nuts":
        return Chosen(design, _nuts(design, draws, seed), "nuts", "requested")
    reasons = [*reasons_against, *coarse]
    if first is not None and not reasons:
        if first.diagnostics.health is not Health.BAD:
            reason = "every reading is an exact value"
            if is_informed(design):
                reason += "; regulated runs enter by weights"
            return Chosen(design, first, "conditional", reason)
        bad = [c.name for c in first.diagnostics.checks if c.status is Health.BAD]
        reasons = [f"the conditional engine failed its health check ({', '.join(bad)})"]
    return Chosen(design, _nuts(design, draws, seed), "nuts", "; ".join(reasons))


def not_conditional(design: Design) -> list[str]:
    """Return the reasons why the conditional engine cannot fit a design, in words."""
    reasons = []
    limited = int(design.at_limit.sum())
    if limited:
        runs = ", ".join(design.rows.loc[design.at_limit, "run"].astype(str)[:5])
        reasons.append(f"{limited} reading(s) at the limit (run {runs})")
    if design.residuals is Residuals.STUDENT:
        reasons.append("residuals='student' requested")
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
    if not np.any(design.step_k > 0):
        return with_step_variance(design), []
    if run is None:
        # A variance beyond any temperature leaves readings at the limit without influence.
        variance = np.where(design.at_limit, 1e8, design.known_variance)
        exact = replace(design, known_variance=variance, steps=Steps.VARIANCE)
        run = _conditional(exact, 400, seed)
    scatter = float(np.median(run.posterior[RESIDUAL]))
    if not is_coarse(design.step_k, scatter):
        return with_step_variance(design), []
    return replace(design, steps=Steps.INTERVAL), [_coarse_words(design, scatter)]


def _coarse_words(design: Design, scatter_k: float) -> str:
    return (
        f"the reading step of {np.max(design.step_k):g} K is coarse against a run-to-run "
        f"scatter of {scatter_k:.2g} K"
    )


def with_coarse_step_note(design: Design, posterior: xr.Dataset) -> Design:
    """Return the design with a note if only the variance of a coarse step was used."""
    scatter = float(np.median(posterior[RESIDUAL]))
    if not is_coarse(design.step_k, scatter):
        return design
    note = f"Steps: {_coarse_words(design, scatter)}, and only its variance was used."
    return replace(design, notes=(*design.notes, note))


def _conditional(design: Design, draws: int, seed: int | None) -> _Run:
    regulated_checks: tuple[Check, ...] = ()
    if is_informed(design):
        sample, regulated_checks = run_with_regulated(design, draws=draws, seed=seed)
    else:
        sample = run_conditional(*thermal_problem(design), draws=draws, seed=seed)
    taken, positive_checks = positive_draws(convective_parts(design, sample.effects))
    sample = sample.part(taken)
    points = sample.points
    scalars = {EXPONENT: points.exponent[:, 0], RESIDUAL: points.residual[:, 0]}
    scalars |= {term.spread: points.spread[:, k] for k, term in enumerate(design.terms)}
    posterior = as_dataset(design, scalars, sample.effects)
    checks = weights_diagnostics(sample.weighted).checks
    return _Run(posterior, Diagnostics((*checks, *regulated_checks, *positive_checks)))


def weights_diagnostics(weights: Weighted) -> Diagnostics:
    """Return the checks of the conditional engine's weighted points."""
    checks = check_weights(weights.log_weights, weights.effective_size)
    share = weights.effective_size / len(weights.x)
    return Diagnostics(
        (*checks, Check("efficiency of the weights", share, "for information", Health.OK))
    )


def _nuts(design: Design, draws: int, seed: int | None) -> _Run:
    from thermcmp.inference.nuts.engine import run_nuts

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
