"""Closed loop of firmware and card: the steady state, and its inverses.

The fan follows the control sensor's temperature, N = F(T), and the temperature
follows the fan, T = T(N). F never falls and T falls as the fan turns faster, so their
gap falls all along the firmware's line and closes at exactly one point, also where the
line is level or steep. Draws that are not of this kind are marked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermcmp._types import Array, BoolArray
from thermcmp.errors import Fault, InputError
from thermcmp.physics._checks import floats
from thermcmp.physics.characteristic import Characteristic, FanStatus, Gap, Meeting
from thermcmp.physics.fan_controls import FanCurve, FixedSpeed, TargetTemperature
from thermcmp.physics.firmware import Firmware
from thermcmp.physics.sensor_law import SensorLaw


@dataclass(frozen=True, slots=True, eq=False)
class Equilibrium:
    """Steady state of a card under a firmware, per draw.

    Attributes
    ----------
    fan_rpm : numpy.ndarray, shape (n,)
        Fan speed [rpm]; NaN where there is no steady state with a turning fan.
    control_temperature_c : numpy.ndarray, shape (n,)
        Temperature of the control sensor [°C]; NaN likewise.
    power_w : numpy.ndarray, shape (n,)
        Board power under the power limit [W].
    status : numpy.ndarray of FanStatus, shape (n,)
        State of the fan.
    multiple : numpy.ndarray of bool, shape (n,)
        Whether there are further steady states: a stopped fan cannot be ruled out, or
        more air warms the sensor in this draw. The result is the one that a card
        reaches on warming up with its fan turning.
    falling : Equilibrium, optional
        Where the firmware has a hysteresis: the steady state that a card reaches on
        cooling down. The fan may settle at any speed between the two.
    """

    fan_rpm: Array
    control_temperature_c: Array
    power_w: Array
    status: NDArray[np.object_]
    multiple: BoolArray
    falling: Equilibrium | None = None


@dataclass(frozen=True, slots=True, eq=False)
class LimitAmbient:
    """Ambient at which a sensor reaches its limit under a firmware, per draw.

    Attributes
    ----------
    ambient_c : numpy.ndarray, shape (n,)
        Lowest such ambient [°C]; NaN where the fan stops or hunts there.
    fan_rpm : numpy.ndarray, shape (n,)
        Fan speed there [rpm]; NaN likewise.
    status : numpy.ndarray of FanStatus, shape (n,)
        State of the fan there.
    multiple : numpy.ndarray of bool, shape (n,)
        Whether the sensor falls below the limit again in warmer air, which may happen
        where it responds to the fan more than the control sensor does; or whether a
        stopped fan cannot be ruled out.
    """

    ambient_c: Array
    fan_rpm: Array
    status: NDArray[np.object_]
    multiple: BoolArray


def equilibrium(firmware: Firmware, control: SensorLaw) -> Equilibrium:
    """Solve the closed loop of a firmware and a card for every draw.

    Parameters
    ----------
    firmware : Firmware
        The firmware.
    control : SensorLaw
        The control sensor at its ambient and at the power that the load requests; n
        draws. The temperature of a judged sensor then is
        ``judged.at(power_w=steady.power_w).temperature_c(steady.fan_rpm)``.

    Returns
    -------
    Equilibrium
        The steady state, to rounding.

    Raises
    ------
    InputError
        If the numbers of draws of the observed speeds and of the sensor differ.
    """
    card = control.at(power_w=firmware.power_w(control.power_w))
    falling = None
    if firmware.hysteresis_k > 0.0:
        falling = _settled(firmware, card, lowered_k=firmware.hysteresis_k)
    return _settled(firmware, card, falling=falling)


def speed_keeping_limit(
    sensor: SensorLaw, limit_c: float, *, lowest_rpm: float, highest_rpm: float
) -> Equilibrium:
    """Find the fan speed that just holds a sensor at its limit.

    Parameters
    ----------
    sensor : SensorLaw
        The judged sensor at its ambient and power; n draws.
    limit_c : float
        Highest allowed temperature [°C].
    lowest_rpm, highest_rpm : float
        Range of the search [rpm]: the measured speeds, or somewhat beyond (see
        `thermcmp.physics.reach`).

    Returns
    -------
    Equilibrium
        "regulated": the speed sought. "at minimum speed": the limit is not exceeded
        even there. "at maximum speed": it is exceeded even there, by
        ``control_temperature_c - limit_c``.

    Raises
    ------
    InputError
        If limit or speeds are out of range.
    """
    loop = TargetTemperature(limit_c, lowest_rpm, highest_rpm)
    return equilibrium(Firmware(name="limit", fan=loop), sensor)


def ambient_at_limit(
    firmware: Firmware, judged: SensorLaw, limit_c: float, *, control: SensorLaw | None = None
) -> LimitAmbient:
    """Find the ambient at which a sensor reaches its limit while the fan responds.

    No loop is solved: each point of the firmware's line, with its temperature and fan
    speed, is the equilibrium at one ambient. So the line is followed until the judged
    sensor is at the limit. With a hysteresis the branch of rising temperature is used,
    which has the lower fan speed.

    Parameters
    ----------
    firmware : Firmware
        The firmware.
    judged : SensorLaw
        The sensor with the limit, at the power that the load requests; n draws. Its
        ambient is not used.
    limit_c : float
        Highest allowed temperature of the judged sensor [°C].
    control : SensorLaw, optional
        The control sensor, n draws of the same card; the judged one by default.

    Returns
    -------
    LimitAmbient
        The ambient, per draw.

    Raises
    ------
    InputError
        If the limit is not finite, or the two sensors have different numbers of draws.
    """
    if not np.isfinite(limit_c):
        fault = Fault("not a finite number", "give °C", column="limit_c", value=str(limit_c))
        raise InputError("This is not a temperature limit:", [fault])
    control = judged if control is None else control
    counts = {len(judged.power_w), len(control.power_w)}
    if len(counts) > 1 and 1 not in counts:
        words = (
            f"{len(judged.power_w)} draws of the judged sensor, {len(control.power_w)} of the other"
        )
        fault = Fault(words, "give the same number of draws of both", column="control")
        raise InputError("Two sensors of one card cannot be paired:", [fault])
    ones = np.ones(max(counts))
    judged, control = (
        sensor.at(power_w=firmware.power_w(sensor.power_w * ones)) for sensor in (judged, control)
    )
    count = len(judged.rise_draws)

    def gap(line_c: Array, rpm: Array, *draws: Array) -> Array:
        above = judged.rise_from(rpm, *draws[:count]) - control.rise_from(rpm, *draws[count:])
        return limit_c - (line_c + above)

    meeting = _meeting(firmware, gap, (*judged.rise_draws, *control.rise_draws))
    ambient = limit_c - judged.rise_from(meeting.fan_rpm, *judged.rise_draws)
    multiple = meeting.multiple
    if isinstance(firmware.fan, FanCurve | TargetTemperature):
        line = Characteristic.of(firmware.fan)
        # The ambients along the line; where they fall, more air warms the control sensor.
        along = line.temperature_c[:, None] - control.rise_from(
            line.fan_rpm[:, None], *control.rise_draws
        )
        multiple = multiple | np.any(np.diff(along, axis=0) < 0.0, axis=0)
    control_c = ambient + control.rise_from(meeting.fan_rpm, *control.rise_draws)
    stops, may_stand = _zero_fan(firmware, control_c)
    ambient, rpm = (np.where(stops, np.nan, values) for values in (ambient, meeting.fan_rpm))
    status = meeting.status
    status[stops] = FanStatus.FAN_STOPS
    return LimitAmbient(ambient, rpm, status, multiple | may_stand)


def _settled(
    firmware: Firmware,
    card: SensorLaw,
    *,
    lowered_k: float = 0.0,
    falling: Equilibrium | None = None,
) -> Equilibrium:
    """Solve one branch of the loop at the card's power."""

    def gap(line_c: Array, rpm: Array, ambient_c: Array, *draws: Array) -> Array:
        return ambient_c + card.rise_from(rpm, *draws) - line_c

    meeting = _meeting(firmware, gap, (card.ambient_c, *card.rise_draws), lowered_k=lowered_k)
    temperature = card.temperature_c(meeting.fan_rpm)
    stops, may_stand = _zero_fan(firmware, temperature)
    status = meeting.status
    status[stops] = FanStatus.FAN_STOPS
    return Equilibrium(
        fan_rpm=np.where(stops, np.nan, meeting.fan_rpm),
        control_temperature_c=np.where(stops, np.nan, temperature),
        power_w=card.power_w,
        status=status,
        multiple=meeting.multiple | may_stand,
        falling=falling,
    )


def _meeting(
    firmware: Firmware, gap: Gap, draws: tuple[Array, ...], *, lowered_k: float = 0.0
) -> Meeting:
    """Find the point of the firmware's line, or its held speed, for every draw."""
    control = firmware.fan
    if isinstance(control, FanCurve | TargetTemperature):
        return Characteristic.of(control, lowered_k=lowered_k).first_meeting(gap, draws)
    shape, speed = draws[0].shape, floats(control.fan_rpm)
    if speed.shape not in ((), (1,), shape):
        words = f"{speed.size} speeds for {shape[0]} draws of the sensor"
        fault = Fault(words, "give one speed, or one per draw", column="fan_rpm")
        raise InputError("The observed speeds do not fit:", [fault])
    status = np.empty(shape, dtype=object)
    status[...] = FanStatus.HELD if isinstance(control, FixedSpeed) else FanStatus.OBSERVED
    return Meeting(np.broadcast_to(speed, shape), status, np.zeros(shape, dtype=bool))


def _zero_fan(firmware: Firmware, control_c: Array) -> tuple[BoolArray, BoolArray]:
    """Return where a turning fan would stop, and where a stopped fan is also a steady state.

    A card is warmer with its fan stopped than with it turning. So if the temperature with
    the fan turning is at or above `start_c`, a stopped fan would have started.
    """
    if firmware.start_c is None or firmware.stop_c is None:
        never = np.zeros(control_c.shape, dtype=bool)
        return never, never
    stops = control_c < firmware.stop_c
    return stops, stops | (control_c < firmware.start_c)
