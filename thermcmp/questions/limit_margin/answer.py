"""The answer of a margin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from thermcmp.questions.answer import Answer

if TYPE_CHECKING:
    from thermcmp.model.conditions import Conditions


@dataclass(frozen=True, slots=True)
class TurnDown:
    """The lowest fan speed that keeps the limit at the stated risk, and what it saves.

    Attributes
    ----------
    fan_rpm : float
        The speed [rpm]; NaN where no speed within reach keeps the risk.
    p_exceed : float
        Probability of exceeding the limit there; at the highest speed within reach where
        none keeps the risk.
    reach : str
        Where the speed lies: "measured", "extrapolated" or "refused".
    noise_dba : float
        Mean level there [dB(A)]; NaN where it is not known.
    saved_db : float
        How much quieter that is than the fan is now [dB]; NaN where it is not known.
    saved_db_interval : tuple of float, optional
        Its interval [dB].
    """

    fan_rpm: float
    p_exceed: float
    reach: str
    noise_dba: float
    saved_db: float
    saved_db_interval: tuple[float, float] | None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Margin(Answer):
    """The margin of a build to its temperature limit, over ambient.

    Attributes
    ----------
    build : str
        Name of the build.
    conditions : Conditions
        The air asked for, and what was held.
    limit_c, risk : float
        The limit [°C] and the allowed probability of exceeding it.
    p_exceed : float
        Probability that the limit is exceeded, at the ambient asked for.
    margin_k : float
        Limit less mean temperature there [K].
    turn_down : TurnDown, optional
        Lowest fan speed that is enough there; None where nothing has fans.
    ambient_at_limit_c : float
        Mean ambient at which the limit is reached [°C], the room's where there is a case;
        NaN where it is not estimable.
    ambient_at_limit_interval_c : tuple of float
        Its interval [°C].
    ambient_at_most_c : float
        Mean ambient from which the fan is at its highest speed [°C]; NaN where the fan
        does not follow a temperature.
    ambient_at_most_interval_c : tuple of float, optional
        Its interval [°C].
    firmware : str, optional
        The firmware that sets the fan; None where fan speed and power are held.
    case_rise_k : float
        How much warmer the intake is than the room [K].
    altitude_m : float, optional
        Altitude of the room [m].
    sensor : str
        The judged sensor.
    scope : str
        For whom it speaks: "specimens" or "product line".
    """

    build: str
    conditions: Conditions
    limit_c: float
    risk: float
    p_exceed: float
    margin_k: float
    turn_down: TurnDown | None
    ambient_at_limit_c: float
    ambient_at_limit_interval_c: tuple[float, float]
    ambient_at_most_c: float
    ambient_at_most_interval_c: tuple[float, float] | None
    firmware: str | None
    case_rise_k: float
    altitude_m: float | None
    sensor: str
    scope: str
