"""The answer of a prediction."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from thermcmp.questions.answer import Answer

if TYPE_CHECKING:
    from thermcmp.model.conditions import Conditions
    from thermcmp.prediction.stock_settings import Setting


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Prediction(Answer):
    """Temperature, fan speed, noise and power of one build at given conditions.

    Its `draws` are temperature_c, fan_rpm (or what else drives the airflow law),
    noise_dba and power_w, NaN where a draw has no steady state or no noise is known.

    Attributes
    ----------
    build : str
        Name of the build.
    conditions : Conditions
        The air, and what was held.
    setting : Setting
        Fan speed and power, and where they come from.
    firmware : str, optional
        The firmware that sets the fan; None where its speed is held.
    sensor : str
        The sensor.
    scope : str
        For whom it speaks: "specimens" or "product line".
    """

    build: str
    conditions: Conditions
    setting: Setting
    firmware: str | None
    sensor: str
    scope: str
