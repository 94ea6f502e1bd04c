"""Prediction: temperature, fan speed and noise of one build."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import NotEstimableError
from thermcmp.inference.checks.prior_sensitivity import power_scaling
from thermcmp.model.conditions import Build, Conditions
from thermcmp.prediction.builds import ReadingScopeName, Scope, build_of
from thermcmp.prediction.card import firmware_of, refuse_lone_control
from thermcmp.prediction.equal_conditions import noise_for, speed_at_noise
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.prediction.response import (
    Response,
    checked_state,
    noise_of,
    response_of,
)
from thermcmp.prediction.stock_settings import Setting, setting_of
from thermcmp.questions.build_prediction.answer import Prediction
from thermcmp.questions.build_prediction.figure import prediction_figure
from thermcmp.questions.build_prediction.tables import (
    PredictedState,
    prediction_draws,
    prediction_table,
)
from thermcmp.questions.build_prediction.text import prediction_caveats, prediction_sentences
from thermcmp.questions.caveats import fit_caveats, influence_words, refuse_bad_health
from thermcmp.questions.laboratories.question import refuse_one_laboratory
from thermcmp.questions.phrases import PROB, check_prob

if TYPE_CHECKING:
    from collections.abc import Mapping

    from thermcmp.inference.posterior import Fit
    from thermcmp.physics.firmware import Firmware


def predict(  # noqa: PLR0913 - the public face; all but three are keyword-only
    fit: Fit,
    build: Build | str,
    at: Conditions | None = None,
    *,
    firmware: Firmware | Mapping[str, Firmware] | None = None,
    control: Fit | None = None,
    scope: ReadingScopeName = "product line",
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
) -> Prediction:
    """Predict temperature, fan speed and noise of one build at given conditions.

    Also of a build whose parts were never run together: the parts are assumed to add.

    Parameters
    ----------
    fit : Fit
        The fit.
    build : Build or str
        The build, or "product / firmware".
    at : Conditions, optional
        The air, also in a warm case or at an altitude, and fan speed or noise. Fan speed
        and power are the means of the firmware's stock runs unless given.
    firmware : Firmware or mapping of str to Firmware, optional
        What sets the fan, as from `read_firmware`; of several the build's own counts.
        Fan speed and temperature are then the steady state of every draw.
    control : Fit, optional
        Fit of the firmware's control sensor, where that is not the fit's own.
    scope : {"product line", "specimens", "new laboratory"}
        "product line": a newly bought card of the line, with a fresh specimen and
        assembly. "specimens": the cards that were on the bench. "new laboratory": the reading
        that a laboratory which is not among the rows would take of a newly bought card, in
        one run; it needs runs of at least two laboratories.
    prob : float
        Probability of the equal-tailed intervals.
    allow_bad_health : bool
        Answer even if the fit's health is "bad"; recorded as a caveat.
    ambient_c, power_w, fan_rpm, noise_dba : float, optional
        Fields of `Conditions`, in place of those of `at`.
    mic_distance_m, case_rise_k, altitude_m, measured_altitude_m : float, optional
        Likewise.

    Returns
    -------
    Prediction
        Table, a row per quantity (temperature, fan speed, noise, power): quantity, unit,
        mean, sd, low, high, health. What is not known is NaN, with the reason in health.

    Raises
    ------
    InputError
        If a value is out of range or a name unknown, or the control sensor's fit is
        missing.
    EngineError
        If a fit's health is "bad" and not allowed.
    NotEstimableError
        If a part was never measured, fan speed and power are not known, or the level is
        out of reach.
    """
    check_prob(prob)
    for model in (fit, control):
        if model is not None:
            refuse_bad_health(model, allowed=allow_bad_health, what="predicted from")
    refuse_lone_control(control, firmware)
    stated = {
        "ambient_c": ambient_c, "power_w": power_w, "fan_rpm": fan_rpm, "noise_dba": noise_dba,
        "mic_distance_m": mic_distance_m, "case_rise_k": case_rise_k, "altitude_m": altitude_m,
        "measured_altitude_m": measured_altitude_m,
    }  # fmt: skip
    held = Conditions.of(at, stated)
    fitted = FittedBuild(fit, build_of(fit, build), _scope_of(fit, scope), held)
    acting = None if firmware is None else firmware_of(firmware, fitted.build)
    setting, flow_speed, watts = _settings(fitted, acting)
    response = response_of(fitted, flow_speed, watts, firmware=acting, control=control)
    predicted = _predicted(fitted, response)
    influence = None
    if not predicted.problem:
        # What the priors do to the rise, at the mean settings.
        state, name = predicted.state, f"the rise of {fitted.build.name}"
        rise = fitted.rise(float(np.nanmedian(state.fan_rpm)), float(np.mean(state.power_w)))
        influence = influence_words([name], power_scaling(fit, rise[None, :]))
    return Prediction(
        kind="prediction",
        title=f"{fitted.build.name}: {fit.sensor}, {fitted.scope.cards}",
        table=prediction_table(predicted, prob),
        draws=prediction_draws(predicted),
        sentences=prediction_sentences(predicted, acting, prob),
        caveats=(
            *fit_caveats(fit, influence=influence, held=held),
            *prediction_caveats(predicted, setting, response),
        ),
        prob=prob,
        draw_figure=prediction_figure,
        fits=(fit,) if control is None else (fit, control),
        build=fitted.build.name,
        conditions=held,
        setting=setting,
        firmware=None if acting is None else acting.name,
        sensor=fit.sensor,
        scope=str(fitted.scope),
    )


def _scope_of(fit: Fit, word: str) -> Scope:
    """Return the scope of that name, of which the fit must know the spread."""
    scope = Scope.of(word, readings=True)
    if scope is Scope.NEW_LABORATORY:
        refuse_one_laboratory(fit)
    return scope


def _settings(fitted: FittedBuild, firmware: Firmware | None) -> tuple[Setting, Array, Array]:
    """Return the setting and draws of fan speed and power, shape (S,) each."""
    fit, build, held = fitted.fit, fitted.build, fitted.air
    if held.noise_dba is None or firmware is not None:
        under = build if firmware is None else replace(build, firmware=firmware.name)
        setting = setting_of(fit, under, held, firmware)
        return setting, *setting.draws(fit)
    noise = noise_for(fit, held)
    speed, words = None, "no usable noise reading in the fit's rows"
    if noise is not None:
        speed, words = speed_at_noise(noise, build.cooler_model, held.noise_dba)
    if speed is None:
        raise NotEstimableError(f"{build.name}: {words}. Fix: hold another level, or fan_rpm=.")
    setting = setting_of(fit, build, replace(held, noise_dba=None, fan_rpm=float(np.mean(speed))))
    return setting, speed, setting.draws(fit)[1]


def _predicted(fitted: FittedBuild, response: Response) -> PredictedState:
    """Compute the state at the conditions, and the level there."""
    state, problem, remarks = checked_state(response.state(fitted.air.intake_c), fitted)
    level, words = np.full(state.fan_rpm.shape, np.nan), "no level of this cooler was measured"
    noise = noise_of(fitted, response)
    if noise is not None:
        level, words = noise.at(state.fan_rpm)
    return PredictedState(fitted, state, level, problem, remarks, words)
