"""Margin to the temperature limit, inside a warm case."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp.errors import Fault, InputError
from thermcmp.inference.checks.prior_sensitivity import power_scaling
from thermcmp.model.conditions import Build, Conditions
from thermcmp.prediction.build_rise import Scope, build_of, rise_draws, rise_weights
from thermcmp.prediction.card import firmware_of
from thermcmp.prediction.equal_conditions import noise_for
from thermcmp.questions.answer import Answer
from thermcmp.questions.caveats import (
    Linear,
    fit_caveats,
    influence_words,
    refuse_bad_health,
)
from thermcmp.questions.limit_margin.figure import margin_figure
from thermcmp.questions.limit_margin.lowest_speed import check_risk
from thermcmp.questions.limit_margin.response import FanResponse, response_of, setting_of
from thermcmp.questions.limit_margin.rows import (
    AirRow,
    AtLimit,
    CardNoise,
    Sweep,
    margin_draws,
    margin_table,
    measured_flow_speed,
)
from thermcmp.questions.limit_margin.text import (
    MarginQuery,
    margin_caveats,
    saved_db,
    sentences,
    whose,
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
    scope: str = "product line",
    prob: float = PROB,
    allow_bad_health: bool = False,
    **conditions: Any,
) -> Answer:
    """Margin of a build to its temperature limit, over ambient.

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
    **conditions
        Fields of `Conditions`.

    Returns
    -------
    Answer
        Table, a row per ambient of a sweep and the one asked for: ambient_c, intake_c
        (with a case), mean_c, low_c, high_c [°C], p_exceed; for fans fan_rpm,
        fan_rpm_low, fan_rpm_high, fan_at_most (share of the draws at the highest
        speed, under a firmware), noise_dba, noise_dba_low, noise_dba_high [dB(A)] where
        noise was measured, enough_rpm, enough_dba and enough_note (lowest speed at which
        the risk is kept); health. Values at the ambient asked for: `p_exceed`,
        `margin_k` (limit less mean temperature), `turn_down` (fan_rpm, p_exceed, reach,
        noise_dba, saved_db, saved_db_interval). Values of the sweep:
        `ambient_at_limit_c` (mean ambient at which the limit is reached [°C]; the
        room's where there is a case) and `ambient_at_limit_interval_c`;
        `ambient_at_most_c` (mean ambient from which the fan is at its highest speed).

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
    _check_limit(limit_c)
    for one in (fit, control):
        if one is not None:
            refuse_bad_health(one, allowed=allow_bad_health, what="held against a limit")
    held = Conditions.of(at, conditions)
    where = Scope.of(scope)
    which = build_of(fit, build)
    acting = None if firmware is None else firmware_of(firmware, which)
    if acting is None and control is not None:
        fault = Fault("no firmware follows it", "give firmware= too", column="control")
        raise InputError("A control sensor's fit was given alone:", [fault])
    setting = setting_of(fit, which, held, acting)
    asked = MarginQuery(fit, which, held, where, setting, acting, prob)
    sweep = _sweep(asked, control, limit_c, risk)
    rows = [sweep.row(room_c) for room_c in sorted({*SWEEP_C, held.ambient_c})]
    here = next(row for row in rows if row.room_c == held.ambient_c)
    at_limit = sweep.at_limit()
    return Answer(
        kind="margin",
        title=f"{which.name}: {fit.sensor} against {limit_c:g} °C, {whose(where)}",
        table=margin_table(
            rows, sweep, follows=acting is not None, prob=prob, health=str(fit.health)
        ),
        draws=margin_draws(rows, here, at_limit.room_c),
        sentences=sentences(asked, sweep, here, at_limit),
        caveats=(*_fit_caveats(asked, sweep, here), *margin_caveats(asked, sweep, here)),
        prob=prob,
        draw_figure=margin_figure,
        details=_details(asked, sweep, here, at_limit),
        fits=(fit,) if control is None else (fit, control),
    )


def _check_limit(limit_c: float) -> None:
    if not -40.0 <= limit_c <= 200.0:
        fix = "give a temperature in [-40, 200] °C"
        fault = Fault("out of range", fix, column="limit_c", value=str(limit_c))
        raise InputError("The limit is out of range:", [fault])


def _sweep(asked: MarginQuery, control: Fit | None, limit_c: float, risk: float) -> Sweep:
    """The build's answer to warmer air, and its noise."""
    fit, build, held, scope = asked.fit, asked.build, asked.held, asked.scope
    response = response_of(
        fit, build, held, scope, asked.setting, firmware=asked.firmware, control=control
    )
    noise = None
    if isinstance(response, FanResponse):
        # Apart from the seeds of the fresh specimens' temperatures.
        fresh = (fit.seed or 0) + 2 if scope is Scope.PRODUCT_LINE else None
        noise = CardNoise.of(noise_for(fit, held), build, response.card.chosen, fresh_seed=fresh)
    law = fit.design.law
    measured = measured_flow_speed(fit, build)
    return Sweep(response, noise, measured, law.unit, limit_c, risk, held.case_rise_k)


def _fit_caveats(asked: MarginQuery, sweep: Sweep, here: AirRow) -> list[str]:
    """What the fit's rows and priors do to the rise, at the speed and power found."""
    fit, build, scope, held = asked.fit, asked.build, asked.scope, asked.held
    if here.problem:
        return fit_caveats(fit)
    state = here.state
    at = {
        "flow_speed": float(np.nanmedian(state.fan_rpm)),
        "power_w": float(np.mean(state.power_w)),
        "density_ratio": held.density_ratio,
    }
    name = f"the rise of {build.name}"
    rises = rise_weights(fit, build, scope, **at)
    linear = Linear((name,), lambda m: rises(m)[None, :], sweep.limit_c - here.intake_c)
    # Under a firmware the priors act through the rise at the speed that it goes to.
    rise = rise_draws(fit, build, scope, **at)
    if asked.firmware is None:
        rise = state.temperature_c - here.intake_c
    influence = influence_words([name], power_scaling(fit, rise[None, :]))
    return fit_caveats(fit, influence=influence, linear=linear)


def _details(asked: MarginQuery, sweep: Sweep, here: AirRow, at_limit: AtLimit) -> dict[str, Any]:
    """The answer's own values."""
    known = at_limit.known
    held, firmware, prob = asked.held, asked.firmware, asked.prob
    most = sweep.response.at_most()
    if most is not None:
        most = most - held.case_rise_k
    nothing = float("nan")
    mean_c = float(np.mean(here.temperature_c)) if not here.problem else nothing
    return {
        "p_exceed": here.p_exceed(sweep.limit_c),
        "ambient_at_limit_c": float(np.mean(known)) if len(known) else nothing,
        "ambient_at_limit_interval_c": interval(known, prob) if len(known) else (nothing, nothing),
        "ambient_at_most_c": nothing if most is None else float(np.mean(most)),
        "ambient_at_most_interval_c": None if most is None else interval(most, prob),
        "margin_k": sweep.limit_c - mean_c,
        "turn_down": _turn_down(here, prob),
        "risk": sweep.risk,
        "limit_c": sweep.limit_c,
        "firmware": None if firmware is None else firmware.name,
        "case_rise_k": held.case_rise_k,
        "altitude_m": held.altitude_m,
        "sensor": asked.fit.sensor,
        "scope": str(asked.scope),
        "health": str(asked.fit.health),
    }


def _turn_down(here: AirRow, prob: float) -> dict[str, Any] | None:
    """The lowest fan speed that is enough, and what it saves."""
    if here.enough is None:
        return None
    level, saved = here.enough_dba, saved_db(here)
    return {
        "fan_rpm": here.enough.fan_rpm,
        "p_exceed": here.enough.p_exceed,
        "reach": str(here.enough.reach),
        "noise_dba": float("nan") if level is None else float(np.mean(level)),
        "saved_db": float("nan") if saved is None else float(np.mean(saved)),
        "saved_db_interval": None if saved is None else interval(saved, prob),
    }
