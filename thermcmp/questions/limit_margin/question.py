"""Margin to the temperature limit, inside a warm case."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.errors import Fault, InputError
from thermcmp.inference.checks.prior_sensitivity import power_scaling
from thermcmp.model.conditions import Build, Conditions
from thermcmp.physics.firmware import sources_of
from thermcmp.prediction.builds import Scope, ScopeName, build_of
from thermcmp.prediction.card import firmware_of, refuse_lone_control
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.prediction.response import noise_of, response_of
from thermcmp.prediction.stock_settings import setting_of
from thermcmp.questions.caveats import Linear, fit_caveats, influence_words, refuse_bad_health
from thermcmp.questions.limit_margin.answer import Margin, TurnDown
from thermcmp.questions.limit_margin.figure import margin_figure
from thermcmp.questions.limit_margin.lowest_speed import check_risk
from thermcmp.questions.limit_margin.rows import AirRow, Sweep
from thermcmp.questions.limit_margin.tables import margin_draws, margin_table
from thermcmp.questions.limit_margin.text import (
    MarginQuery,
    margin_caveats,
    margin_sentences,
    saved_db,
)
from thermcmp.questions.phrases import PROB, check_prob, interval

if TYPE_CHECKING:
    from collections.abc import Mapping

    from thermcmp.inference.posterior import Fit
    from thermcmp.physics.firmware import Firmware

#: Ambients of the sweep [°C]: open bench to a hot case (common practice, no source).
SWEEP_C: Final = (21.0, 25.0, 30.0, 35.0, 40.0, 45.0)


def margin(  # noqa: PLR0913 - the public face; all but three are keyword-only
    fit: Fit,
    build: Build | str,
    at: Conditions | None = None,
    *,
    limit_c: float,
    firmware: Firmware | Mapping[str, Firmware] | None = None,
    control: Fit | None = None,
    risk: float = 0.05,
    scope: ScopeName = "product line",
    prob: float = PROB,
    allow_bad_health: bool = False,
    ambient_c: float | None = None,
    power_w: float | None = None,
    fan_rpm: float | None = None,
    noise_dba: float | None = None,
    mic_distance_m: float | None = None,
    case_rise_k: float | None = None,
    altitude_m: float | None = None,
    measured_altitude_m: float | None = None,
) -> Margin:
    """Compute the margin of a build to its temperature limit, over ambient.

    With a `firmware` its fan answers the warmer air: the steady state is solved for
    every draw at every ambient. Without one, fan speed and power are held.

    Parameters
    ----------
    fit : Fit
        The fit.
    build : Build or str
        The build, or "product / firmware".
    at : Conditions, optional
        `ambient_c` is the air at the cooler's intake; with a `case_rise_k` it is the
        room's, and the intake is that much warmer (30 to 40 °C in a room of 21 to
        25 °C is common practice, no source). An `altitude_m` thins the air. Fan speed
        and power are the means of the firmware's stock runs unless given.
    limit_c : float
        Highest allowed sensor temperature [°C] (100 to 105 °C for memory is common
        practice, no source; take the maker's).
    firmware : Firmware or mapping of str to Firmware, optional
        What sets the fan, as from `read_firmware`; of several the build's own counts.
        The power is the stated one or that of the firmware's stock runs, at most its
        power limit.
    control : Fit, optional
        Fit of the firmware's control sensor, where that is not the fit's own.
    risk : float
        Allowed probability of exceeding the limit, for the lowest fan speed that is
        enough.
    scope : {"product line", "specimens"}
        "product line": a newly bought card of the line, with a fresh specimen and
        assembly. "specimens": the cards that were on the bench.
    prob : float
        Probability of the equal-tailed intervals.
    allow_bad_health : bool
        Answer even if the fit's health is "bad"; recorded as a caveat.
    ambient_c, power_w, fan_rpm, noise_dba : float, optional
        Fields of `Conditions`, in place of those of `at`; noise cannot be held.
    mic_distance_m, case_rise_k, altitude_m, measured_altitude_m : float, optional
        Likewise.

    Returns
    -------
    Margin
        Table, a row per ambient of a sweep and the one asked for: ambient_c, intake_c
        (with a case), mean_c, low_c, high_c [°C], p_exceed; for fans fan_rpm,
        fan_rpm_low, fan_rpm_high, fan_at_most (share of the draws at the highest
        speed, under a firmware), noise_dba, noise_dba_low, noise_dba_high [dB(A)] where
        noise was measured, enough_rpm, enough_dba and enough_note (lowest speed at which
        the risk is kept); health.

    Raises
    ------
    InputError
        If a value is out of range or a name unknown, or the control sensor's fit is
        missing.
    EngineError
        If a fit's health is "bad" and not allowed.
    NotEstimableError
        If a part was never measured, or fan speed and power are not known.
    """
    check_prob(prob)
    check_risk(risk)
    if not -40.0 <= limit_c <= 200.0:
        fix = "give a temperature in [-40, 200] °C"
        fault = Fault("out of range", fix, column="limit_c", value=str(limit_c))
        raise InputError("The limit is out of range:", [fault])
    for model in (fit, control):
        if model is not None:
            refuse_bad_health(model, allowed=allow_bad_health, what="held against a limit")
    refuse_lone_control(control, firmware)
    stated = {
        "ambient_c": ambient_c, "power_w": power_w, "fan_rpm": fan_rpm, "noise_dba": noise_dba,
        "mic_distance_m": mic_distance_m, "case_rise_k": case_rise_k, "altitude_m": altitude_m,
        "measured_altitude_m": measured_altitude_m,
    }  # fmt: skip
    held = Conditions.of(at, stated)
    if held.noise_dba is not None:
        fix = "give fan_rpm=, or leave both out for the firmware's speed"
        value = f"{held.noise_dba:g}"
        fault = Fault("noise cannot be held here", fix, column="noise_dba", value=value)
        raise InputError("A margin is computed at a fan speed:", [fault])
    fitted = FittedBuild(fit, build_of(fit, build), Scope.of(scope), held)
    acting = None if firmware is None else firmware_of(firmware, fitted.build)
    under = fitted.build if acting is None else replace(fitted.build, firmware=acting.name)
    setting = setting_of(fit, under, held, acting)
    flow_speed, watts = setting.draws(fit)
    response = response_of(fitted, flow_speed, watts, firmware=acting, control=control)
    noise = noise_of(fitted, response)
    sweep = Sweep(fitted, response, noise, limit_c, risk, held.case_rise_k)
    return _answer(MarginQuery(fitted, setting, acting, prob), sweep, control)


def _answer(query: MarginQuery, sweep: Sweep, control: Fit | None) -> Margin:
    fitted, held, prob = query.fitted, query.held, query.prob
    fit = fitted.fit
    rows = [sweep.row(room_c) for room_c in sorted({*SWEEP_C, held.ambient_c})]
    here = next(row for row in rows if row.room_c == held.ambient_c)
    at_limit = sweep.at_limit()
    rooms_c, most_c = at_limit.known, sweep.response.at_most()
    most_c = None if most_c is None else most_c - held.case_rise_k
    nothing = float("nan")
    mean_c = nothing if here.problem else float(np.mean(here.temperature_c))
    return Margin(
        kind="margin",
        title=f"{fitted.build.name}: {fit.sensor} against {sweep.limit_c:g} °C, "
        f"{fitted.scope.cards}",
        table=margin_table(
            rows, sweep, follows=query.firmware is not None, prob=prob, health=str(fit.health)
        ),
        draws=margin_draws(rows, here, at_limit.room_c),
        sentences=margin_sentences(query, sweep, here, at_limit),
        caveats=(*_fit_caveats(query, sweep, here), *margin_caveats(query, sweep, here)),
        prob=prob,
        draw_figure=margin_figure,
        fits=(fit,) if control is None else (fit, control),
        source=sources_of(query.firmware),
        build=fitted.build.name,
        conditions=held,
        limit_c=sweep.limit_c,
        risk=sweep.risk,
        p_exceed=here.p_exceed(sweep.limit_c),
        margin_k=sweep.limit_c - mean_c,
        turn_down=_turn_down(here, prob),
        ambient_at_limit_c=float(np.mean(rooms_c)) if len(rooms_c) else nothing,
        ambient_at_limit_interval_c=interval(rooms_c, prob) if len(rooms_c) else (nothing,) * 2,
        ambient_at_most_c=nothing if most_c is None else float(np.mean(most_c)),
        ambient_at_most_interval_c=None if most_c is None else interval(most_c, prob),
        firmware=None if query.firmware is None else query.firmware.name,
        case_rise_k=held.case_rise_k,
        altitude_m=held.altitude_m,
        sensor=fit.sensor,
        scope=str(fitted.scope),
    )


def _fit_caveats(query: MarginQuery, sweep: Sweep, here: AirRow) -> list[str]:
    """Return what the fit's rows and priors do to the rise, at the mean speed and power."""
    fitted = query.fitted
    if here.problem:
        return fit_caveats(fitted.fit, held=query.held)
    speed, power_w = float(np.nanmedian(here.state.fan_rpm)), float(np.mean(here.state.power_w))
    name = f"the rise of {fitted.build.name}"
    linear = Linear(
        (name,), lambda m: fitted.weights(m, speed, power_w)[None, :], sweep.limit_c - here.intake_c
    )
    # Under a firmware the priors act through the rise at the speed that it goes to.
    rise = fitted.rise(speed, power_w)
    if query.firmware is None:
        rise = here.state.temperature_c - here.intake_c
    influence = influence_words([name], power_scaling(fitted.fit, rise[None, :]))
    return fit_caveats(fitted.fit, influence=influence, linear=linear, held=query.held)


def _turn_down(here: AirRow, prob: float) -> TurnDown | None:
    if here.enough is None:
        return None
    level, saved = here.enough_dba, saved_db(here)
    return TurnDown(
        fan_rpm=here.enough.fan_rpm,
        p_exceed=here.enough.p_exceed,
        reach=str(here.enough.reach),
        noise_dba=float("nan") if level is None else float(np.mean(level)),
        saved_db=float("nan") if saved is None else float(np.mean(saved)),
        saved_db_interval=None if saved is None else interval(saved, prob),
    )
