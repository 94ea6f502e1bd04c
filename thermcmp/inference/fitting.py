"""From results rows to a `Fit`: choose terms and engine, run, check."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.errors import EngineError, Fault, InputError
from thermcmp.hooks import airflow_law
from thermcmp.inference.conditional import CHAINS, run_conditional
from thermcmp.inference.health import (
    Check,
    Diagnostics,
    Health,
    check_chains,
    check_sampler,
    check_weights,
)
from thermcmp.inference.posterior import Fit, package_versions
from thermcmp.inference.problem import thermal_problem
from thermcmp.library.checking import check_results
from thermcmp.library.fingerprint import content_hash
from thermcmp.model.conditions import Conditions
from thermcmp.model.design import (
    AIRFLOW_BASELINE,
    BASELINE,
    EXPONENT,
    RESIDUAL,
    Design,
    Reference,
    build_design,
)
from thermcmp.model.identifiability import find_aliases
from thermcmp.model.priors import Array, Prior
from thermcmp.model.terms import Term, registered_terms

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

ENGINES: Final = ("auto", "conditional", "nuts")


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """What an engine returned, with its checks."""

    posterior: xr.Dataset
    diagnostics: Diagnostics


def fit(  # noqa: PLR0913 - the public face; all but three are keyword-only
    results: pd.DataFrame,
    sensor: str | None = None,
    engine: str = "auto",
    *,
    terms: Sequence[str | Term] | None = None,
    priors: Mapping[str, Prior] | None = None,
    reference: Conditions | Reference | None = None,
    airflow: str = "power law",
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
        "auto" takes the exact conditional engine, and NUTS where the data need it
        (a reading at the limit) or the first fails its health check.
    terms : sequence of str or Term, optional
        Terms by name, or your own; all registered ones by default.
    priors : mapping of str to Prior, optional
        Priors that replace the defaults, by parameter name (see `Fit.priors.table`).
    reference : Conditions or Reference, optional
        Power [W] and fan speed [rpm] at which effects are stated; rounded medians
        of the rows by default.
    airflow : str
        Name of the airflow law.
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
    _check_arguments(engine, draws)
    law = airflow_law(airflow)
    design = build_design(
        check_results(results),
        sensor=sensor,
        terms=_named_terms(terms),
        law=law,
        reference=_reference(reference),
        priors=priors,
    )
    run, used, reason = run_engine(design, engine, draws, seed)
    return Fit(
        posterior=run.posterior,
        design=design,
        engine=used,
        engine_reason=reason,
        diagnostics=run.diagnostics,
        aliases=find_aliases(design),
        fingerprint=content_hash(design.rows),
        versions=package_versions(),
        seed=seed,
    )


def _check_arguments(engine: str, draws: int) -> None:
    faults = []
    if engine not in ENGINES:
        faults.append(
            Fault(
                "no such engine",
                f"use one of {', '.join(ENGINES)}",
                column="engine",
                value=str(engine),
            )
        )
    if draws < 400 or draws % CHAINS:
        faults.append(
            Fault(
                "too few or not a multiple of 4",
                "give at least 400, such as 4000",
                column="draws",
                value=str(draws),
            )
        )
    if faults:
        raise InputError("The fit cannot start:", faults)


def _named_terms(given: Sequence[str | Term] | None) -> tuple[Term, ...]:
    known = {term.name: term for term in registered_terms()}
    if given is None:
        return tuple(known.values())
    unknown = [name for name in given if isinstance(name, str) and name not in known]
    if unknown:
        raise InputError(
            "Unknown terms:",
            [
                Fault("no such term", f"use one of: {', '.join(known)}", column="terms", value=name)
                for name in unknown
            ],
        )
    return tuple(known[term] if isinstance(term, str) else term for term in given)


def _reference(given: Conditions | Reference | None) -> Reference | None:
    if not isinstance(given, Conditions):
        return given
    if given.power_w is None or given.fan_rpm is None:
        raise InputError(
            "A reference needs power and fan speed:",
            [Fault("missing", "give Conditions(power_w=…, fan_rpm=…)", column="reference")],
        )
    return Reference(given.power_w, given.fan_rpm)


def run_engine(design: Design, engine: str, draws: int, seed: int | None) -> tuple[_Run, str, str]:
    """Run the engine asked for, or choose one: what it gave, its name and why.

    Parameters
    ----------
    design : Design
        Arrays of the fit.
    engine : str
        One of `ENGINES`.
    draws : int
        Posterior draws.
    seed : int, optional
        Seed.

    Returns
    -------
    run, name, reason
        Posterior and checks, the engine's name, and why that engine.

    Raises
    ------
    EngineError
        If the engine asked for cannot serve these rows.
    """
    limited = int(design.at_limit.sum())
    if engine == "nuts":
        return _nuts(design, draws, seed), "nuts", "asked for"
    if limited and engine == "conditional":
        runs = ", ".join(design.rows.loc[design.at_limit, "run"].astype(str)[:5])
        raise EngineError(
            f"{limited} reading(s) at the limit (run {runs}) are no exact values, and the "
            "conditional engine knows only exact ones. Mend: use engine='auto' or 'nuts'."
        )
    if limited:
        return _nuts(design, draws, seed), "nuts", f"{limited} reading(s) at the limit"
    run = _conditional(design, draws, seed)
    if engine == "auto" and run.diagnostics.health is Health.BAD:
        return (
            _nuts(design, draws, seed),
            "nuts",
            "the conditional engine failed its health check",
        )
    reason = "asked for" if engine == "conditional" else "every reading is an exact value"
    return run, "conditional", reason


def _conditional(design: Design, draws: int, seed: int | None) -> _Run:
    problem, priors = thermal_problem(design)
    found = run_conditional(problem, priors, draws=draws, seed=seed)
    scalars = {EXPONENT: found.points.exponent, RESIDUAL: found.points.residual}
    for place, term in enumerate(design.terms):
        scalars[term.spread] = found.points.spread[:, place]
    posterior = _as_dataset(design, scalars, found.effects)
    weights = found.weighted
    checks = check_weights(weights.log_weights, weights.effective_size)
    share = weights.effective_size / len(weights.x)
    return _Run(
        posterior,
        Diagnostics(
            (*checks, Check("efficiency of the weights", share, "for information", Health.OK))
        ),
    )


def _nuts(design: Design, draws: int, seed: int | None) -> _Run:
    from thermcmp.inference.nuts import run_nuts

    sampled, stats = run_nuts(design, draws=draws // CHAINS, chains=CHAINS, seed=seed)
    names = (EXPONENT, RESIDUAL, *(term.spread for term in design.terms))
    scalars = {name: sampled[name].to_numpy().ravel() for name in names}
    columns = [sampled[name].to_numpy().reshape(-1, 1) for name in (BASELINE, AIRFLOW_BASELINE)]
    for term in design.terms:
        values = sampled[term.name].to_numpy()
        columns.append(values.reshape(-1, values.shape[-1]))
    posterior = _as_dataset(design, scalars, np.hstack(columns))
    return _Run(posterior, Diagnostics((*check_chains(posterior), *check_sampler(stats))))


def _as_dataset(design: Design, scalars: Mapping[str, Array], effects: Array) -> xr.Dataset:
    """The posterior as a Dataset with one layout for both engines."""
    import xarray as xr

    def chained(values: Array) -> Array:
        return values.reshape(CHAINS, -1, *values.shape[1:])

    variables: dict[str, tuple[tuple[str, ...], Array]] = {
        BASELINE: (("chain", "draw"), chained(effects[:, 0])),
        AIRFLOW_BASELINE: (("chain", "draw"), chained(effects[:, 1])),
    }
    for name, values in scalars.items():
        variables[name] = (("chain", "draw"), chained(values))
    coords: dict[str, object] = {
        "chain": np.arange(CHAINS),
        "draw": np.arange(len(effects) // CHAINS),
    }
    for term, levels, start in zip(design.terms, design.levels, design.offsets, strict=True):
        level = f"{term.name} level"
        part = effects[:, start : start + len(levels)]
        variables[term.name] = (("chain", "draw", level), chained(part))
        coords[level] = list(levels)
    return xr.Dataset(variables, coords)
