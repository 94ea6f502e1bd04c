"""Error budget: what each source adds to the uncertainty of a temperature or a gap."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError, NotEstimableError
from thermcmp.inference.checks.assumed_spread import cure_of
from thermcmp.inference.checks.variance_sources import (
    PARAMETERS,
    VarianceSources,
    effective_degrees,
    variance_sources,
)
from thermcmp.inference.noise_fit import NoiseFit
from thermcmp.model.conditions import Build, Conditions
from thermcmp.prediction.builds import Scope, ScopeName, build_of
from thermcmp.prediction.equal_conditions import Entry, entry_at, noise_for
from thermcmp.questions.answer import Answer
from thermcmp.questions.budget.figure import budget_figure
from thermcmp.questions.caveats import fit_caveats, refuse_bad_health
from thermcmp.questions.phrases import PROB, check_prob, number_words, part_words, range_words

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.inference.posterior import Fit

NOISE_LAW: Final = "noise law"
#: Sources in the words of the trade, where their name is not.
_WORDS: Final = {
    "baseline": "level of all runs",
    "airflow baseline": "convective part",
    "constant part": "heat that does not follow power",
    "residual sd": "scatter from run to run",
    "stated errors": "stated errors of the runs",
    PARAMETERS: "exponent, and spreads that the runs leave open",
    NOISE_LAW: "fan speed at equal noise",
}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ErrorBudget(Answer):
    """What each source adds to the uncertainty of one result.

    Attributes
    ----------
    combined_k : float
        Combined standard uncertainty [K].
    degrees : float
        Effective degrees of freedom (Welch-Satterthwaite).
    coverage_factor : float
        Factor of the expanded uncertainty at `prob`.
    expanded_k : float
        Expanded uncertainty [K].
    conditions : Conditions
        The conditions.
    scope : str
        "product line" or "specimens".
    """

    combined_k: float
    degrees: float
    coverage_factor: float
    expanded_k: float
    conditions: Conditions
    scope: str


def error_budget(  # noqa: PLR0913 - the public face; all but three are keyword-only
    fit: Fit,
    build: Build | str,
    against: Build | str | None = None,
    *,
    at: Conditions | None = None,
    ambient_c: float | None = None,
    power_w: float | None = None,
    fan_rpm: float | None = None,
    noise_dba: float | None = None,
    scope: ScopeName = "product line",
    prob: float = PROB,
    allow_bad_health: bool = False,
) -> ErrorBudget:
    """State what each source adds to the uncertainty of a temperature, or of a gap.

    Each effect of the fit and each run is an independent input with a sensitivity; their
    contributions add up to the variance of the result (JCGM 100:2008, 5.1.2). What is common to
    both sides of a gap cancels.

    Parameters
    ----------
    fit : Fit
        A fit of one sensor by itself.
    build : Build or str
        The build, or "product / firmware".
    against : Build or str, optional
        The build from whose temperature that of `build` is taken; without it the budget is that
        of the temperature itself.
    at : Conditions, optional
        Ambient, power, and fan speed or noise; power and fan speed default to the fit's
        reference.
    ambient_c, power_w, fan_rpm, noise_dba : float, optional
        Fields of `Conditions`, in place of those of `at`.
    scope : {"product line", "specimens"}
        The models, or the very parts that were on the bench.
    prob : float
        Probability of the intervals.
    allow_bad_health : bool
        Answer even if the fit's health is "bad"; recorded as a caveat.

    Returns
    -------
    ErrorBudget
        Table, a row per source, the largest first: source, standard_error_k [K], share (of the
        variance, 0 to 1), degrees (of freedom; infinite for what is stated), cure.

    Raises
    ------
    InputError
        If a condition or name is not known or out of range, or both builds are one.
    EngineError
        If the fit's health is "bad" and not allowed.
    NotEstimableError
        If a part was never measured, the level is out of reach, or the fit was made together
        with other sensors.
    """
    check_prob(prob)
    refuse_bad_health(fit, allowed=allow_bad_health, what="budgeted")
    if fit.fitted_with:
        raise NotEstimableError(
            "The effects of sensors fitted together are not independent inputs. Fix: fit the "
            f"{fit.sensor} by itself with fit."
        )
    stated = {
        "ambient_c": ambient_c, "power_w": power_w, "fan_rpm": fan_rpm, "noise_dba": noise_dba
    }  # fmt: skip
    held = Conditions.of(at, {name: value for name, value in stated.items() if value is not None})
    where = Scope.of(scope)
    builds = [build_of(fit, each) for each in (build, against) if each is not None]
    if len(builds) == 2 and builds[0] == builds[1]:
        fault = Fault("the same build", "name another build", column="against")
        raise InputError("A gap is between two builds:", [fault])
    noise = noise_for(fit, held) if held.noise_dba is not None else None
    sides = [_side(fit, each, held, where, noise) for each in builds]

    def weights(exponent: float) -> Array:
        return _difference([side.weights(exponent) for side in sides])

    sources = variance_sources(fit, weights)
    whole = _difference([side.temperature - held.intake_c for side in sides])
    if held.noise_dba is not None:
        fixed = _difference([s.fitted.rise(s.middle_speed, s.power_w) for s in sides])
        sources = VarianceSources(
            (*sources.names, NOISE_LAW),
            np.append(sources.variance, np.var(whole - fixed)),
            np.append(sources.degrees, np.inf),
        )
    values = whole if len(sides) == 2 else whole + held.intake_c
    names = [side.name for side in sides]
    return _answer(fit, sources, values, names, held, where, prob)


def _side(fit: Fit, build: Build, held: Conditions, scope: Scope, noise: NoiseFit | None) -> Entry:
    """Return one build at the conditions, or refuse a level that it cannot be brought to."""
    entry = entry_at(fit, build.name, build, held, scope, noise)
    if not entry.reached:
        raise NotEstimableError(f"{build.name}: {entry.health}. Fix: hold another level.")
    return entry


def _difference(of_sides: list[Array]) -> Array:
    return of_sides[0] if len(of_sides) == 1 else of_sides[0] - of_sides[1]


def _answer(
    fit: Fit,
    sources: VarianceSources,
    values: Array,
    names: list[str],
    held: Conditions,
    scope: Scope,
    prob: float,
) -> ErrorBudget:
    import xarray as xr
    from scipy.stats import t

    combined = float(np.sqrt(sources.variance.sum()))
    degrees = effective_degrees(sources)
    factor = float(t.ppf(0.5 + prob / 2.0, degrees))
    table = _table(fit, sources)
    of_gap = len(names) == 2
    what = f"{names[0]} against {names[1]}" if of_gap else names[0]
    first = table.iloc[0]
    cure = f" To shrink it: {first['cure']}." if first["cure"] else ""
    held_words = f"{degrees:.0f}" if degrees < 1000 else "very many"
    return ErrorBudget(
        kind="error budget",
        title=f"{what}: error budget of the {'gap' if of_gap else 'temperature'} at the "
        f"{fit.sensor}, {scope}",
        table=table,
        draws=xr.Dataset({"gap_k" if of_gap else "temperature_c": ("draw", values)}),
        sentences=(
            f"{what}: {range_words(values, prob, 'K' if of_gap else '°C')}. Combined standard "
            f"uncertainty {number_words(combined)} K with {held_words} effective degrees of "
            f"freedom; expanded by the factor {factor:.2f} for {prob:.0%}: "
            f"±{number_words(factor * combined)} K.",
            f"The largest source is {first['source']}, {part_words(first['share'])} of the "
            f"variance.{cure}",
        ),
        caveats=tuple(fit_caveats(fit, held=held)),
        prob=prob,
        draw_figure=budget_figure,
        fits=(fit,),
        combined_k=combined,
        degrees=degrees,
        coverage_factor=factor,
        expanded_k=factor * combined,
        conditions=held,
        scope=str(scope),
    )


def _table(fit: Fit, sources: VarianceSources) -> pd.DataFrame:
    import pandas as pd

    meanings = {term.name: term.meaning for term in fit.design.terms}
    table = pd.DataFrame(
        {
            "source": [_WORDS.get(name, meanings.get(name, name)) for name in sources.names],
            "standard_error_k": np.sqrt(sources.variance),
            "share": sources.variance / max(float(sources.variance.sum()), 1e-300),
            "degrees": sources.degrees,
            "cure": [cure_of(fit, name) for name in sources.names],
        }
    )
    # What adds nothing to any digit is not a line of a budget.
    kept = table[table["share"] >= 5e-4]
    return kept.sort_values("share", ascending=False, kind="stable", ignore_index=True)
