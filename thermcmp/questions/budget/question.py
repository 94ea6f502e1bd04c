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
from thermcmp.model.conditions import Build, Conditions
from thermcmp.prediction.builds import Scope, ScopeName, build_of
from thermcmp.prediction.equal_conditions import noise_for, speed_at_noise
from thermcmp.prediction.fitted_build import FittedBuild
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
    sides = [_Side.of(fit, each, held, where) for each in (build, against) if each is not None]
    if len(sides) == 2 and sides[0].fitted.build == sides[1].fitted.build:
        fault = Fault("the same build", "name another build", column="against")
        raise InputError("A gap is between two builds:", [fault])

    def weights(exponent: float) -> Array:
        return _difference([side.weights(exponent) for side in sides])

    sources = variance_sources(fit, weights)
    whole, fixed = (_difference([side.rise(drawn=drawn) for side in sides]) for drawn in (1, 0))
    if held.noise_dba is not None:
        sources = VarianceSources(
            (*sources.names, NOISE_LAW),
            np.append(sources.variance, np.var(whole - fixed)),
            np.append(sources.degrees, np.inf),
        )
    values = whole if len(sides) == 2 else whole + held.intake_c
    names = [side.fitted.build.name for side in sides]
    return _answer(fit, sources, values, names, held, where, prob)


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """One build at the conditions."""

    fitted: FittedBuild
    flow_speed: Array  #: shape (S,)
    power_w: float

    @classmethod
    def of(cls, fit: Fit, build: Build | str, held: Conditions, scope: Scope) -> _Side:
        """Return a build at conditions of equal fan speed or noise."""
        fitted = FittedBuild(fit, build_of(fit, build), scope, held)
        power_w = held.power_w if held.power_w is not None else fit.reference.power_w
        speed = held.fan_rpm if held.fan_rpm is not None else fit.reference.flow_speed
        if held.noise_dba is None:
            return cls(fitted, np.full(fit.draw_count, speed), power_w)
        noise = noise_for(fit, held)
        reached, words = (
            (None, "no usable noise reading in the fit's rows")
            if noise is None
            else speed_at_noise(noise, fitted.build.cooler_model, held.noise_dba)
        )
        if reached is None:
            raise NotEstimableError(f"{fitted.build.name}: {words}. Fix: hold another level.")
        return cls(fitted, reached, power_w)

    def weights(self, exponent: float) -> Array:
        """Return the weights of the effects at the median fan speed, shape (q,)."""
        return self.fitted.weights(exponent, float(np.median(self.flow_speed)), self.power_w)

    def rise(self, *, drawn: int) -> Array:
        """Return the rise at the drawn fan speeds, or at their median, shape (S,)."""
        speed = self.flow_speed if drawn else float(np.median(self.flow_speed))
        return self.fitted.rise(speed, self.power_w)


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
    # What adds nothing to any digit is no line of a budget.
    kept = table[table["share"] >= 5e-4]
    return kept.sort_values("share", ascending=False, kind="stable", ignore_index=True)
