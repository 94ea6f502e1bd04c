"""Fan controls: a curve, a target temperature, or a held speed.

Temperatures are those of the control sensor, which need not be the judged one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.physics._checks import floats, require_positive
from thermcmp.physics._points import rising_points

_TURNING: Final = "give speeds above 0; where a fan stops, give the firmware's start_c and stop_c"


@dataclass(frozen=True, slots=True)
class DutyTable:
    """Fan speed by duty, measured on one specimen of a cooler.

    The same duty turns another fan at another speed, so each specimen needs a table.

    Attributes
    ----------
    duty_percent : tuple of float
        Duties, rising, up to 100 [%].
    fan_rpm : tuple of float
        Speed at each duty, never falling, above 0 [rpm].

    Raises
    ------
    InputError
        If the points do not form a rising line; with every fault.
    """

    duty_percent: tuple[float, ...]
    fan_rpm: tuple[float, ...]

    def __post_init__(self) -> None:
        message = "This table of duty and fan speed cannot be used:"
        (duty, speed), faults = rising_points(
            message, _TURNING, duty_percent=self.duty_percent, fan_rpm=self.fan_rpm
        )
        for place, value in enumerate(duty):
            at: dict[str, Any] = {"row": place + 1, "column": "duty_percent", "value": f"{value:g}"}
            if not 0.0 <= value <= 100.0:
                faults.append(Fault("not a duty", "give 0 to 100 %", **at))
            elif place and value == duty[place - 1]:
                faults.append(Fault("two speeds at one duty", "keep their mean", **at))
        if faults:
            raise InputError(message, faults)
        object.__setattr__(self, "duty_percent", duty)
        object.__setattr__(self, "fan_rpm", speed)


@dataclass(frozen=True, slots=True)
class FanCurve:
    """Fan speed by temperature: points joined by straight lines, level beyond the ends.

    Attributes
    ----------
    temperature_c : tuple of float
        Temperatures of the control sensor, never falling [°C]. Two points at one
        temperature are a step: the fan jumps from one speed to the other.
    fan_rpm : tuple of float
        Speed at each temperature, never falling, above 0 [rpm].

    Raises
    ------
    InputError
        If the points do not form a rising line; with every fault. A curve whose speed
        falls as the card warms may have several equilibria, so it is refused.
    """

    temperature_c: tuple[float, ...]
    fan_rpm: tuple[float, ...]

    def __post_init__(self) -> None:
        message = "This fan curve cannot be used:"
        (warm, speed), faults = rising_points(
            message, _TURNING, temperature_c=self.temperature_c, fan_rpm=self.fan_rpm
        )
        if faults:
            raise InputError(message, faults)
        object.__setattr__(self, "temperature_c", warm)
        object.__setattr__(self, "fan_rpm", speed)

    @classmethod
    def from_duty(
        cls, temperature_c: Sequence[float], duty_percent: Sequence[float], table: DutyTable
    ) -> FanCurve:
        """Return one specimen's curve from a firmware's curve of duties.

        Parameters
        ----------
        temperature_c : sequence of float, length k
            Temperatures, never falling [°C].
        duty_percent : sequence of float, length k
            Duty at each temperature, never falling [%].
        table : DutyTable
            The specimen's measured speeds.

        Returns
        -------
        FanCurve
            The exact composition of the two lines: with a point at each temperature,
            and where the duty passes one of the table's.

        Raises
        ------
        InputError
            If the points do not form a rising line, or a duty is outside the table.
        """
        message = "This curve of duties cannot be used:"
        fix = "give duties above 0; where a fan stops, give the firmware's start_c and stop_c"
        (warm, duty), faults = rising_points(
            message, fix, temperature_c=temperature_c, duty_percent=duty_percent
        )
        known = table.duty_percent
        faults += [
            Fault(
                f"the speed was measured from {known[0]:g} to {known[-1]:g} % only",
                "measure it at this duty too",
                row=row,
                column="duty_percent",
                value=f"{percent:g}",
            )
            for row, percent in enumerate(duty, start=1)
            if not known[0] <= percent <= known[-1]
        ]
        if faults:
            raise InputError(message, faults)
        points = [(warm[0], duty[0])]
        for place in range(1, len(warm)):
            (t0, d0), (t1, d1) = points[-1], (warm[place], duty[place])
            points += [(t0 + (t1 - t0) * (d - d0) / (d1 - d0), d) for d in known if d0 < d < d1]
            points.append((t1, d1))
        speeds = np.interp([d for _, d in points], known, table.fan_rpm)
        return cls(tuple(t for t, _ in points), tuple(speeds.tolist()))


@dataclass(frozen=True, slots=True)
class TargetTemperature:
    """A control loop that holds a temperature by fan speed, between two speeds.

    Attributes
    ----------
    target_c : float
        Temperature of the control sensor that the loop holds [°C].
    lowest_rpm, highest_rpm : float
        Speed limits of the loop, above 0 [rpm].

    Raises
    ------
    InputError
        If a value is not finite, a speed not above 0, or the limits are swapped.
    """

    target_c: float
    lowest_rpm: float
    highest_rpm: float

    def __post_init__(self) -> None:
        message = "This target temperature cannot be used:"
        require_positive(
            message, _TURNING, lowest_rpm=self.lowest_rpm, highest_rpm=self.highest_rpm
        )
        if not np.isfinite(self.target_c):
            fault = Fault(
                "not a finite number", "give °C", column="target_c", value=str(self.target_c)
            )
            raise InputError(message, [fault])
        if not self.lowest_rpm <= self.highest_rpm:
            words = f"above highest_rpm = {self.highest_rpm:g}, or unknown"
            value = f"{self.lowest_rpm:g}"
            fault = Fault(words, "swap the limits", column="lowest_rpm", value=value)
            raise InputError(message, [fault])


@dataclass(frozen=True, slots=True)
class FixedSpeed:
    """A fan speed that the firmware holds whatever the temperature.

    Attributes
    ----------
    fan_rpm : float
        Fan speed, above 0 [rpm].

    Raises
    ------
    InputError
        If the speed is not above 0.
    """

    fan_rpm: float

    def __post_init__(self) -> None:
        _check_held(self.fan_rpm)


@dataclass(frozen=True, slots=True, eq=False)
class ObservedSpeed:
    """A fan speed seen in stock runs, of a firmware whose rule is not known.

    It is valid for the conditions of those runs only: how the firmware responds to
    another ambient or cooler is not known.

    Attributes
    ----------
    fan_rpm : float or numpy.ndarray, shape (n,)
        Mean speed, above 0 [rpm]; draws to include its standard error.

    Raises
    ------
    InputError
        If a speed is not above 0.
    """

    fan_rpm: ArrayLike

    def __post_init__(self) -> None:
        _check_held(self.fan_rpm)


FanControl = FanCurve | TargetTemperature | FixedSpeed | ObservedSpeed


def _check_held(fan_rpm: ArrayLike) -> None:
    """Refuse speeds that are unknown or not above zero."""
    message = "This fan speed cannot be held:"
    require_positive(message, _TURNING, fan_rpm=fan_rpm)
    if np.isnan(floats(fan_rpm)).any():
        raise InputError(message, [Fault("unknown speed", _TURNING, column="fan_rpm", value="nan")])


def held_speed(control: FanControl) -> Array | None:
    """Return the speed of a control that does not follow a temperature.

    Parameters
    ----------
    control : FanControl
        The fan control.

    Returns
    -------
    numpy.ndarray, shape () or (n,), or None
        Fan speed [rpm]; None where it follows a temperature.
    """
    if isinstance(control, FixedSpeed | ObservedSpeed):
        return floats(control.fan_rpm)
    return None
