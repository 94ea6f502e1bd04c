"""A prediction in plain words."""

from __future__ import annotations

import numpy as np

from thermcmp.physics.firmware import Firmware
from thermcmp.prediction.response import FanResponse, Response
from thermcmp.prediction.stock_settings import Setting
from thermcmp.questions.build_prediction.tables import PredictedState
from thermcmp.questions.caveats import build_caveats
from thermcmp.questions.phrases import range_words, remark_words


def prediction_sentences(
    predicted: PredictedState, firmware: Firmware | None, prob: float
) -> tuple[str, ...]:
    """Return temperature, fan speed and noise in one sentence."""
    fitted, state = predicted.fitted, predicted.state
    fit, air, name = fitted.fit, fitted.air, fitted.build.name
    if predicted.problem:
        return (f"In {air.air_words}, {name} has no prediction: {predicted.problem}.",)
    speed, watts = float(np.nanmean(state.fan_rpm)), float(np.mean(state.power_w))
    under = "" if firmware is None else f"under firmware '{firmware.name}', "
    reach = "reaches" if fitted.scope.is_of_line else "reach"
    warm = range_words(predicted.settled(state.temperature_c), prob, "°C")
    level = predicted.settled(predicted.noise_dba)
    heard = f"Its noise is not known: {predicted.noise_remark}."
    if len(level) and np.isfinite(level).all():
        words = range_words(level, prob, "dB(A)")
        heard = f"The noise at {air.mic_distance_m:g} m is {words}."
    return (
        f"In {air.air_words}, {under}at {speed:.0f} {fit.design.law.unit} and {watts:.0f} W, "
        f"{fitted.scope.cards} of {name} {reach} {warm} at the {fit.sensor}"
        f"{remark_words(predicted.remarks)}.",
        heard,
    )


def prediction_caveats(
    predicted: PredictedState, setting: Setting, response: Response
) -> list[str]:
    """Return what limits a prediction beside the fit's caveats."""
    caveats = list(response.card.notes) if isinstance(response, FanResponse) else []
    if setting.elsewhere:
        caveats.append(f"Fan speed and power: {setting.source}.")
    return caveats + build_caveats(predicted.fitted, float(np.mean(predicted.state.power_w)))
