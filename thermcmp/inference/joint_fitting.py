"""Joint fit of several sensors with correlated effects: a bad assembly shows on all of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import EllipsisType
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError, ModelError
from thermcmp.inference.conditional.correlated_effects import correlation, partial_count
from thermcmp.inference.conditional.joint_problem import JointProblem, joint_problem
from thermcmp.inference.conditional.joint_sampling import JointDraws, run_joint
from thermcmp.inference.diagnostics import Check, Diagnostics, check_weights
from thermcmp.inference.engines import (
    as_dataset,
    not_exact,
    weights_diagnostics,
    with_coarse_step_note,
    with_step_variance,
)
from thermcmp.inference.fitting import check_arguments, named_terms, stated_reference, with_checks
from thermcmp.inference.positive_convection import convective_parts, positive_draws
from thermcmp.inference.posterior import Fit, package_versions
from thermcmp.inference.sensor_fits import (
    CORRELATION_SHAPE,
    SensorFits,
    correlation_name,
    marked_as_joint,
)
from thermcmp.model.conditions import Conditions
from thermcmp.model.design import EXPONENT, RESIDUAL, Design, Reference, build_design
from thermcmp.model.identifiability import find_aliases
from thermcmp.model.measurement_error import MeasurementError
from thermcmp.model.priors import Normal, Prior
from thermcmp.model.regulated import Regulated
from thermcmp.model.terms import Role, Term
from thermcmp.model.unstated import with_conditions
from thermcmp.physics.airflow import airflow_law
from thermcmp.physics.noise_law import FAN_SOUND_LAW, noise_law_named
from thermcmp.results.hashing import content_hash
from thermcmp.results.validation import check_results

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.inference.conditional.engine import ConditionalDraws


def fit_sensors(  # noqa: PLR0913 - the public face; all but two are keyword-only
    results: pd.DataFrame,
    sensors: Sequence[str] | None = None,
    *,
    together: Sequence[str] | None = None,
    correlation_shape: float = CORRELATION_SHAPE,
    terms: Sequence[str | Term | EllipsisType] | None = None,
    priors: str | Mapping[str, Prior] | None = None,
    reference: Conditions | Reference | None = None,
    airflow: str = "power law",
    noise: str = FAN_SOUND_LAW.name,
    errors: MeasurementError | None = None,
    unstated: Mapping[str, Normal] | None = None,
    draws: int = 4000,
    seed: int | None = None,
) -> SensorFits:
    """Fit several sensors together, with effects correlated between them.

    Each sensor has the model of `fit` with its own parameters. The effects of one assembly
    (or session) at the sensors have a joint normal distribution, so that one sensor informs
    the other about a bad assembly, and questions on two sensors are answered draw by draw.

    Parameters
    ----------
    results : pandas.DataFrame
        Results rows, as for `fit`.
    sensors : sequence of str, optional
        Two or more sensors; all in the rows by default.
    together : sequence of str, optional
        Terms whose effects are correlated; by default assemblies and sessions that two
        sensors have.
    correlation_shape : float
        Prior of the correlation matrices: density proportional to the determinant to
        the power of shape - 1 (Lewandowski, Kurowicka & Joe 2009); 1 is uniform.
    terms, priors, reference, airflow, noise, errors, unstated, draws, seed
        As in `fit`, for all sensors alike; the reference is the first sensor's by default.

    Returns
    -------
    SensorFits
        A mapping from sensor to `Fit`, and the correlations.

    Raises
    ------
    InputError
        If the rows break the schema, or a sensor or term is not known.
    ModelError
        If no row is usable, no term is shared by two sensors, or the rows need the NUTS
        engine (such as a reading at the limit).
    EngineError
        If the engine fails.
    """
    check_arguments("conditional", "normal", "variance", draws)
    checked = with_conditions(check_results(results), unstated)
    names, at = _sensors(checked, sensors), stated_reference(reference)
    chosen = named_terms(terms, checked)
    designs: list[Design] = []
    for name in names:
        design = build_design(
            checked,
            sensor=name,
            terms=chosen,
            law=airflow_law(airflow),
            noise=noise_law_named(noise),
            reference=at,
            priors=priors,
            # Regulated runs enter by weights, which the joint problem does not have.
            regulated=Regulated.LEAVE_OUT,
            errors=errors,
        )
        at = design.reference
        designs.append(with_step_variance(design))
    reasons = [f"{d.sensor}: {reason}" for d in designs for reason in not_exact(d)]
    if reasons:
        raise ModelError(
            f"Sensors are fitted together from exact readings only, but {'; '.join(reasons)}. "
            "Fix: fit each sensor by itself with fit, which handles such readings; do not drop "
            "rows at the limit, or the card looks cooler than it is."
        )
    linked = _together(designs, chosen, together)
    joint = joint_problem(designs, linked, correlation_shape)
    run = run_joint(joint, designs, draws=draws, seed=seed)
    versions = package_versions(designs[0], priors, results)
    fits = _as_fits(joint, linked, designs, run, versions, seed)
    return SensorFits(fits, linked, correlation_shape)


def _as_fits(
    joint: JointProblem,
    linked: Sequence[str],
    designs: Sequence[Design],
    run: JointDraws,
    versions: Mapping[str, str],
    seed: int | None,
) -> dict[str, Fit]:
    """Return each sensor's part of the draws as a fit."""
    names = [design.sensor for design in designs]
    parts = [
        convective_parts(design, run.draws.effects[:, place])
        for design, place in zip(designs, joint.effects, strict=True)
    ]
    taken, positive_checks = positive_draws(np.hstack(parts))
    sample = run.draws.part(taken)
    correlations = _correlations(joint, linked, names, sample)
    diagnostics = _diagnostics(run, names, positive_checks)
    fits = {}
    for place, (name, design) in enumerate(zip(names, designs, strict=True)):
        scalars = {
            EXPONENT: sample.points.exponent[:, place],
            RESIDUAL: sample.points.residual[:, place],
        }
        spreads = sample.points.spread[:, joint.spreads[place]]
        scalars |= {term.spread: spreads[:, k] for k, term in enumerate(design.terms)}
        posterior = as_dataset(
            design, scalars | correlations[name], sample.effects[:, joint.effects[place]]
        )
        others = tuple(other for other in names if other != name)
        fitted = Fit(
            posterior=posterior,
            design=with_coarse_step_note(design, posterior),
            engine="conditional",
            engine_reason=f"fitted together with {', '.join(others)}",
            diagnostics=diagnostics,
            aliases=find_aliases(design),
            fingerprint=content_hash(design.measured_rows),
            versions=versions,
            seed=seed,
            fitted_with=others,
        )
        fits[name] = with_checks(fitted)
    return marked_as_joint(fits)


def _sensors(results: pd.DataFrame, sensors: Sequence[str] | None) -> list[str]:
    """Return the sensors to fit, and report unknown ones."""
    known = sorted(str(name) for name in results["sensor"].dropna().unique())
    names = known if sensors is None else list(dict.fromkeys(sensors))
    faults = [
        Fault(
            f"the rows hold {', '.join(known)}", "give some of these", column="sensors", value=name
        )
        for name in names
        if name not in known
    ]
    if len(names) < 2:
        faults.append(
            Fault("fewer than two", "give two sensors or more, or use fit", column="sensors")
        )
    if faults:
        raise InputError("Which sensors?", faults)
    return names


def _together(
    designs: Sequence[Design], terms: Sequence[Term], together: Sequence[str] | None
) -> tuple[str, ...]:
    """Return the requested terms that at least two sensors have."""
    known = [term.name for term in terms]
    names = list(dict.fromkeys(("assembly", "session") if together is None else together))
    unknown = [name for name in together or () if name not in known]
    if unknown:
        raise InputError(
            "Unknown terms:",
            [
                Fault(
                    "no such term",
                    f"use some of: {', '.join(known)}",
                    column="together",
                    value=name,
                )
                for name in unknown
            ],
        )
    shared = [
        name
        for name in names
        if sum(design.term_position(name) is not None for design in designs) > 1
    ]
    if not shared:
        nuisances = ", ".join(term.name for term in terms if term.role is Role.NUISANCE)
        raise ModelError(
            f"Nothing links the sensors: no two of them have effects of {', '.join(names)}. "
            f"Fix: add remounts or sessions, name other terms with together= ({nuisances}), or "
            "fit each sensor by itself."
        )
    return tuple(shared)


def _diagnostics(
    run: JointDraws, names: Sequence[str], positive_checks: tuple[Check, ...]
) -> Diagnostics:
    """Return the checks of each sensor's weights and of their joint effective size."""
    whole = weights_diagnostics(run.draws.weighted)
    if not run.alone:
        return Diagnostics((*whole.checks, *positive_checks))
    tail, size = check_weights(run.draws.weighted.log_weights, run.effective_size)
    by_sensor = [
        replace(check_weights(part.log_weights, part.effective_size)[0], name=f"Pareto k, {name}")
        for name, part in zip(names, run.alone, strict=True)
    ]
    return Diagnostics((tail, size, *by_sensor, whole.checks[-1], *positive_checks))


def _correlations(
    joint: JointProblem, linked: Sequence[str], names: Sequence[str], sample: ConditionalDraws
) -> dict[str, dict[str, Array]]:
    """Return draws of the correlations, by sensor and posterior variable."""
    drawn: dict[str, dict[str, Array]] = {name: {} for name in names}
    start = 0
    for term, members in zip(linked, joint.members, strict=True):
        stop = start + partial_count(len(members))
        omega = correlation(sample.points.partial[:, start:stop], len(members))
        start = stop
        for i, first in enumerate(members):
            for j, second in enumerate(members):
                if i != j:
                    name = correlation_name(term, names[second])
                    drawn[names[first]][name] = omega[:, i, j]
    return drawn
