"""Closed loop of firmware and card: the steady state, and its inverses.

The fan follows the control sensor's temperature, N = F(T), and the temperature
follows the fan, T = T(N). F never falls and T falls as the fan turns faster, so their
gap falls all along the firmware's line: there is exactly one meeting, also where the
line is level or steep. What is not of this kind is marked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermcmp._types import Array, BoolArray
from thermcmp.errors import Fault, InputError
from thermcmp.physics._checks import floats
from thermcmp.physics.characteristic import Characteristic, FanStatus, Gap, Meeting
from thermcmp.physics.fan_controls import (
    FanCurve,
    FixedSpeed,
    TargetTemperature,
)
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
        What the fan does.
    multiple : numpy.ndarray of bool, shape (n,)
        Whether there are further steady states: a stopped fan cannot be ruled out, or
        more air warms the sensor in this draw. Given is the one that a card reaches
        that warms up with its fan turning.
    falling : Equilibrium, optional
        Where the firmware has a hysteresis: the steady state that a card reaches that
        cools down. Any speed between the two may be found.
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
        What the fan does there.
    multiple : numpy.ndarray of bool, shape (n,)
        Whether the sensor falls below the limit again in warmer air, as one may that
        answers the fan more than the control sensor does; or whether a stopped fan
        cannot be ruled out.
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
        The control sensor at its ambient and at the power that the load asks for; n
        draws. A judged sensor's temperature then is
        ``judged.at(power_w=found.power_w).temperature_c(found.fan_rpm)``.

    Returns
    -------
    Equilibrium
        The steady state, to rounding.

    Raises
    ------
    InputError
        If the observed speeds are draws of another number than the sensor's.
    """
    card = control.at(power_w=firmware.power_w(control.power_w))
    falling = None
    if firmware.hysteresis_k > 0.0:
        falling = _settled(firmware, card, lowered_k=firmware.hysteresis_k)
    return _settled(firmware, card, falling=falling)


def speed_keeping_limit(
    sensor: SensorLaw, limit_c: float, *, lowest_rpm: float, highest_rpm: float
) -> Equilibrium:
    """Find the fan speed that just keeps a sensor at its limit.

    Parameters
    ----------
    sensor : SensorLaw
        The judged sensor at its ambient and power; n draws.
    limit_c : float
        Highest allowed temperature [°C].
    lowest_rpm, highest_rpm : float
        Speeds that are looked at [rpm]; those that were measured, or somewhat beyond
        (see `thermcmp.physics.reach`).

    Returns
    -------
    Equilibrium
        "regulated": the speed sought. "at minimum speed": the limit is kept even
        there. "at maximum speed": it is exceeded even there, by
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

    No loop is solved: each place of the firmware's line, with its temperature and fan
    speed, is the equilibrium of one ambient. So the line is followed until the judged
    sensor is at the limit. With a hysteresis the branch of rising temperature counts,
    which has less fan.

    Parameters
    ----------
    firmware : Firmware
        The firmware.
    judged : SensorLaw
        The sensor with the limit, at the power that the load asks for; n draws. Its
        ambient does not count.
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
        fault = Fault("no finite number", "give °C", column="limit_c", value=str(limit_c))
        raise InputError("There is no such limit:", [fault])
    own = judged.at(power_w=firmware.power_w(judged.power_w))
    lead = own if control is None else control.at(power_w=firmware.power_w(control.power_w))
    own, lead = _paired(own, lead)
    count = len(own.rise_draws)

    def gap(line_c: Array, rpm: Array, *draws: Array) -> Array:
        apart = own.rise_from(rpm, *draws[:count]) - lead.rise_from(rpm, *draws[count:])
        return limit_c - (line_c + apart)

    met = _meeting(firmware, gap, (*own.rise_draws, *lead.rise_draws))
    ambient = limit_c - own.rise_from(met.fan_rpm, *own.rise_draws)
    multiple = met.multiple
    if isinstance(firmware.fan, FanCurve | TargetTemperature):
        line = Characteristic.of(firmware.fan)
        # The ambients along the line; where they fall, more air warms the control sensor.
        along = line.temperature_c[:, None] - lead.rise_from(
            line.fan_rpm[:, None], *lead.rise_draws
        )
        multiple = multiple | np.any(np.diff(along, axis=0) < 0.0, axis=0)
    control_c = ambient + lead.rise_from(met.fan_rpm, *lead.rise_draws)
    stops, may_stand = _zero_fan(firmware, control_c)
    ambient, rpm = (np.where(stops, np.nan, values) for values in (ambient, met.fan_rpm))
    status = met.status
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

    met = _meeting(firmware, gap, (card.ambient_c, *card.rise_draws), lowered_k=lowered_k)
    temperature = card.temperature_c(met.fan_rpm)
    stops, may_stand = _zero_fan(firmware, temperature)
    status = met.status
    status[stops] = FanStatus.FAN_STOPS
    return Equilibrium(
        fan_rpm=np.where(stops, np.nan, met.fan_rpm),
        control_temperature_c=np.where(stops, np.nan, temperature),
        power_w=card.power_w,
        status=status,
        multiple=met.multiple | may_stand,
        falling=falling,
    )


def _meeting(
    firmware: Firmware, gap: Gap, draws: tuple[Array, ...], *, lowered_k: float = 0.0
) -> Meeting:
    """Find the place of the firmware's line, or its held speed, for every draw."""
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
    """Return for which draws a turning fan would stop, and for which it may as well stand.

    A card whose fan stands is warmer than with the fan turning. So if the turning
    fan's temperature is at or above `start_c`, a standing fan would have started.
    """
    if firmware.start_c is None or firmware.stop_c is None:
        never = np.zeros(control_c.shape, dtype=bool)
        return never, never
    stops = control_c < firmware.stop_c
    return stops, stops | (control_c < firmware.start_c)


def _paired(first: SensorLaw, second: SensorLaw) -> tuple[SensorLaw, SensorLaw]:
    """Convert two sensors of one card to the same number of draws."""
    counts = {len(sensor.power_w) for sensor in (first, second)}
    if len(counts) > 1 and 1 not in counts:
        words = (
            f"{len(first.power_w)} draws of the judged sensor, {len(second.power_w)} of the other"
        )
        fault = Fault(words, "give as many of both", column="control")
        raise InputError("Two sensors of one card cannot be paired:", [fault])
    whole = np.ones(max(counts))
    return first.at(power_w=first.power_w * whole), second.at(power_w=second.power_w * whole)
