"""Margin to the temperature limit, inside a warm case."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp.errors import Fault, InputError
from thermcmp.inference.power_scaling import power_scaling
from thermcmp.model.conditions import Build, Conditions
from thermcmp.questions.answer import Answer
from thermcmp.questions.caveats import (
    Linear,
    fit_caveats,
    influence_words,
    refuse_bad_health,
)
from thermcmp.questions.figures import margin_figure
from thermcmp.questions.firmware_settings import Setting, stock_setting
from thermcmp.questions.prediction import (
    Scope,
    build_of,
    new_specimen_draws,
    rise_draws,
    rise_weights,
)
from thermcmp.questions.wording import (
    PROB,
    chance_words,
    check_prob,
    interval,
    range_words,
    summary,
)

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
    from matplotlib.axes import Axes

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.priors import Array

#: Ambients of the sweep [°C]: open bench to a hot case (common practice, no source).
SWEEP_C: Final = (21.0, 25.0, 30.0, 35.0, 40.0, 45.0)


@dataclass(frozen=True, slots=True)
class _Asked:
    """What was asked, for the words."""

    build: Build
    setting: Setting
    held: Conditions
    limit_c: float
    scope: Scope


def margin(
    fit: Fit,
    build: Build | str,
    at: Conditions | None = None,
    *,
    limit_c: float,
    scope: str = "product line",
    prob: float = PROB,
    allow_bad_health: bool = False,
    **conditions: Any,
) -> Answer:
    """Margin of a build to its temperature limit, over ambient.

    Parameters
    ----------
    fit : Fit
        The fit.
    build : Build or str
        The build, or "product / firmware".
    at : Conditions, optional
        `ambient_c` is the air at the cooler's intake, so inside a case the case's
        air (30 to 40 °C in a room of 21 to 25 °C is common practice, no source).
        Fan speed and power are the firmware's stock ones unless given.
    limit_c : float
        Highest allowed sensor temperature [°C] (100 to 105 °C for memory is common
        practice, no source; take the maker's).
    scope : {"product line", "specimens"}
        "product line": a newly bought card of the line, with a fresh specimen and
        mounting. "specimens": the cards that were on the bench.
    prob : float
        Probability of the equal-tailed intervals.
    allow_bad_health : bool
        Answer even if the fit's health is "bad"; recorded as a caveat.
    **conditions
        Fields of `Conditions`.

    Returns
    -------
    Answer
        Table: ambient_c, mean_c, low_c, high_c [°C], p_exceed, health, a row per
        ambient of a sweep and the one asked for. Values `p_exceed` (at the ambient
        asked for), `ambient_at_limit_c` (mean ambient at which the limit is reached
        [°C]), `ambient_at_limit_interval_c`, `margin_k` (mean).

    Raises
    ------
    InputError
        If a value is out of range or a name unknown.
    EngineError
        If the fit's health is "bad" and not allowed.
    NotEstimableError
        If a part was never measured, or fan speed and power are not known.
    """
    check_prob(prob)
    _check_limit(limit_c)
    refuse_bad_health(fit, allowed=allow_bad_health, what="held against a limit")
    held = Conditions.of(at, conditions)
    where = Scope.of(scope)
    which = build_of(fit, build)
    setting = _setting(fit, which, held)
    drive, power_w = setting.draws(len(fit.effects), fit.seed)
    rise = rise_draws(fit, which, where, drive=drive, power_w=power_w)
    if where is Scope.PRODUCT_LINE:
        rise = rise + new_specimen_draws(fit, drive=drive, power_w=power_w, seed=fit.seed or 0)
    at_limit = limit_c - rise
    name = f"the rise of {which.name}"
    rises = rise_weights(fit, which, where, drive=setting.drive, power_w=setting.power_w)
    linear = Linear((name,), lambda m: rises(m)[None, :], limit_c - held.ambient_c)
    influence = influence_words([name], power_scaling(fit, rise[None, :]))
    table = _table(rise, held.ambient_c, limit_c, prob, str(fit.health))
    chance = float(np.mean(held.ambient_c + rise > limit_c))
    return Answer(
        kind="margin",
        title=f"{which.name}: {fit.sensor} against {limit_c:g} °C, {_whose(where)}",
        table=table,
        draws=_dataset(rise, at_limit),
        sentences=_sentences(_Asked(which, setting, held, limit_c, where), rise, fit, prob),
        caveats=(
            *fit_caveats(fit, influence=influence, linear=linear),
            *_caveats(fit, setting, where),
        ),
        prob=prob,
        draw_figure=_figure,
        details={
            "p_exceed": chance,
            "ambient_at_limit_c": float(np.mean(at_limit)),
            "ambient_at_limit_interval_c": interval(at_limit, prob),
            "margin_k": float(np.mean(at_limit)) - held.ambient_c,
            "limit_c": limit_c,
            "sensor": fit.sensor,
            "scope": str(where),
            "health": str(fit.health),
        },
    )


def _check_limit(limit_c: float) -> None:
    if not -40.0 <= limit_c <= 200.0:
        raise InputError(
            "The limit is out of range:",
            [
                Fault(
                    "out of range",
                    "give a temperature in [-40, 200] °C",
                    column="limit_c",
                    value=str(limit_c),
                )
            ],
        )


def _setting(fit: Fit, build: Build, held: Conditions) -> Setting:
    """Fan speed and power: as given, else the firmware's."""
    if held.noise_dba is not None:
        raise InputError(
            "A margin is asked at a fan speed:",
            [
                Fault(
                    "noise cannot be held here",
                    "give fan_rpm=, or leave both out for the firmware's own speed",
                    column="noise_dba",
                    value=str(held.noise_dba),
                )
            ],
        )
    return stock_setting(fit, build, held)


def _table(rise: Array, asked_c: float, limit_c: float, prob: float, health: str) -> pd.DataFrame:
    import pandas as pd

    rows = []
    for ambient_c in sorted({*SWEEP_C, asked_c}):
        mean, _, low, high = summary(ambient_c + rise, prob)
        chance = float(np.mean(ambient_c + rise > limit_c))
        rows.append((ambient_c, mean, low, high, chance, health))
    columns = ["ambient_c", "mean_c", "low_c", "high_c", "p_exceed", "health"]
    return pd.DataFrame(rows, columns=columns)


def _dataset(rise: Array, at_limit: Array) -> xr.Dataset:
    import xarray as xr

    return xr.Dataset({"rise_k": ("draw", rise), "ambient_at_limit_c": ("draw", at_limit)})


def _whose(scope: Scope) -> str:
    return "a newly bought card" if scope is Scope.PRODUCT_LINE else "the cards tested"


def _sentences(asked: _Asked, rise: Array, fit: Fit, prob: float) -> tuple[str, ...]:
    limit_c, ambient_c, setting = asked.limit_c, asked.held.ambient_c, asked.setting
    low, high = interval(limit_c - rise, prob)
    chance = float(np.mean(ambient_c + rise > limit_c))
    return (
        f"In air of {ambient_c:g} °C, at {setting.drive:.0f} {fit.design.law.unit} and "
        f"{setting.power_w:.0f} W, {_whose(asked.scope)} of {asked.build.name} reaches "
        f"{range_words(ambient_c + rise, prob, '°C')} at the {fit.sensor}: "
        f"{chance_words(chance, len(rise))} probability of exceeding {limit_c:g} °C.",
        f"The limit is reached in air of {np.mean(limit_c - rise):.1f} °C "
        f"({low:.1f} to {high:.1f}).",
    )


def _caveats(fit: Fit, setting: Setting, scope: Scope) -> tuple[str, ...]:
    caveats = [
        "Fan speed and power are held while the air warms; a firmware that answers heat with more "
        "fan will do better and be louder, one that is at its power limit may differ."
    ]
    if setting.elsewhere:
        caveats.append(f"Fan speed and power: {setting.source}.")
    if scope is Scope.PRODUCT_LINE and not any(
        t.name in ("cooler", "board") for t in fit.design.terms
    ):
        caveats.append(
            "Only one specimen of each part was tested, so the spread of newly bought "
            "cards is not included."
        )
    return tuple(caveats)


def _figure(answer: Answer, ax: Axes) -> None:
    margin_figure(
        answer,
        ax,
        limit_c=answer.details["limit_c"],
        ambient_at_limit_c=answer.details["ambient_at_limit_c"],
        sensor=answer.details["sensor"],
    )
