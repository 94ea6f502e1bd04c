"""Fit one sensor: choose terms and engine, run the engine, check the draws."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import EllipsisType
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.errors import Fault, InputError
from thermcmp.inference.checks.lack_of_fit import lack_of_fit_check, stated_errors_check
from thermcmp.inference.conditional.engine import CHAINS
from thermcmp.inference.diagnostics import Diagnostics, Health
from thermcmp.inference.engines import run_engine
from thermcmp.inference.expansion import Expansion
from thermcmp.inference.posterior import Fit, package_versions
from thermcmp.inference.row_doubts import questions_check
from thermcmp.inference.row_limits import check_rows, explained
from thermcmp.inference.screening import EXPAND, MOST_ROWS, called_for, findings, marked_rows
from thermcmp.model.conditions import Conditions
from thermcmp.model.design import Design, Reference, build_design
from thermcmp.model.identifiability import find_aliases
from thermcmp.model.measurement_error import MeasurementError
from thermcmp.model.observation import Residuals, Steps
from thermcmp.model.priors import Normal, Prior
from thermcmp.model.regulated import Regulated
from thermcmp.model.terms import Term, default_terms, registered_terms
from thermcmp.model.unstated import with_conditions
from thermcmp.physics.airflow import airflow_law
from thermcmp.physics.noise_law import FAN_SOUND_LAW, noise_law_named
from thermcmp.results.hashing import content_hash
from thermcmp.results.validation import check_results

if TYPE_CHECKING:
    import pandas as pd

ENGINES: Final = ("auto", "conditional", "nuts")


def fit(  # noqa: PLR0913 - the public face; all but three are keyword-only
    results: pd.DataFrame,
    sensor: str | None = None,
    engine: str = "auto",
    *,
    terms: Sequence[str | Term | EllipsisType] | None = None,
    priors: str | Mapping[str, Prior] | None = None,
    reference: Conditions | Reference | None = None,
    airflow: str = "power law",
    noise: str = FAN_SOUND_LAW.name,
    residuals: str = "normal",
    steps: str = "auto",
    regulated: str = "inform",
    errors: MeasurementError | None = None,
    unstated: Mapping[str, Normal] | None = None,
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
    priors : str or mapping of str to Prior, optional
        Priors that replace the defaults, by parameter name (see `Fit.priors.table`), or the
        name of a plug-in's set of them.
    reference : Conditions or Reference, optional
        Power [W] and fan speed [rpm] at which effects are stated; rounded medians
        of the rows by default.
    airflow : str
        Name of the airflow law.
    noise : str
        Name of the noise law, by which the runs' noise levels follow fan speed.
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
    unstated : mapping of str to Normal, optional
        Priors of what published rows (those that state `n`) leave blank: ``ambient_c`` [°C],
        ``power_w`` [W], ``fan_rpm`` [rpm]. By default a heated room of 22 ± 2 °C, and what
        other rows of the same card, or else all rows, state. Each is an unknown that the
        rows of its source share; `Fit.design.notes` has what was taken.
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
    checked = with_conditions(check_results(results), unstated)
    chosen_terms = named_terms(terms, checked, sensor)

    def designed(rows: pd.DataFrame, added: Sequence[Expansion], at: Reference | None) -> Design:
        return build_design(
            rows,
            sensor=sensor,
            terms=(*chosen_terms, *(each.term for each in added)),
            law=airflow_law(airflow),
            noise=noise_law_named(noise),
            reference=at,
            priors=priors,
            residuals=Residuals(residuals),
            steps=Steps(steps),
            regulated=Regulated(regulated),
            errors=errors,
        )

    design = designed(checked, (), stated_reference(reference))
    check_rows(design)

    def run(design: Design, expansions: tuple[Expansion, ...] = ()) -> Fit:
        with explained(design):
            chosen = run_engine(design, engine, draws, seed)
        return Fit(
            posterior=chosen.run.posterior,
            design=chosen.design,
            engine=chosen.engine,
            engine_reason=chosen.reason,
            diagnostics=chosen.run.diagnostics,
            aliases=find_aliases(design),
            fingerprint=content_hash(design.measured_rows),
            versions=package_versions(design, priors, results),
            seed=seed,
            expansions=expansions,
        )

    fitted = run(design)
    is_open = expand == "auto" and len(design.rows) <= MOST_ROWS
    while is_open and is_screened(fitted) and (more := called_for(fitted)):
        expansions = (*fitted.expansions, *more)
        wider = designed(marked_rows(fitted, expansions), expansions, design.reference)
        fitted = run(replace(wider, left_out=design.left_out), expansions)
    return with_checks(fitted, with_findings=is_open and fitted.engine == "conditional")


def is_screened(fit: Fit) -> bool:
    """Whether a fit can be asked what it does not explain."""
    return fit.engine == "conditional" and fit.health is not Health.BAD


def with_checks(fit: Fit, *, with_findings: bool = False) -> Fit:
    """Return the fit with its tests against repeats and stated errors, and what to look at."""
    checks = (*fit.diagnostics.checks, *lack_of_fit_check(fit), *stated_errors_check(fit))
    # The questions themselves are findings, and their count is not a further one.
    found = findings(fit, Diagnostics(checks)) if with_findings else None
    diagnostics = Diagnostics((*checks, *questions_check(fit)))
    complete = replace(fit, diagnostics=diagnostics, findings=found)
    complete.keep_known(fit)
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


def named_terms(
    names: Sequence[str | Term | EllipsisType] | None,
    rows: pd.DataFrame,
    sensor: str | None = None,
) -> tuple[Term, ...]:
    """Return terms by name; an ellipsis, or None, stands for the default ones of these rows."""
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
            chosen |= {term.name: term for term in default_terms(rows, sensor)}
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
