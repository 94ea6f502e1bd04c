"""Firmware as data: its fan control and its power limit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.physics._checks import floats
from thermcmp.physics.fan_controls import FanControl, ObservedSpeed, held_speed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Firmware:
    """A firmware: fan control, control sensor, hysteresis, zero-fan region, power limit.

    Attributes
    ----------
    name : str
        Name as in the results table.
    fan : FanCurve, TargetTemperature, FixedSpeed or ObservedSpeed
        How the fan's speed is set.
    control_sensor : str, optional
        Sensor that the fan follows, such as ``edge``; it need not be the judged one.
    hysteresis_k : float
        How far a falling temperature must be below the line before the speed falls
        [K]. So the speed may settle anywhere between the rising and the falling
        branch: an equilibrium has both.
    start_c, stop_c : float, optional
        Zero-fan region: from rest the fan starts at `start_c` and, turning, stops
        below `stop_c` of the control sensor [°C]; `stop_c` is `start_c` unless stated.
        The model does not cover natural convection with the fan stopped.
    power_limit_w : float, optional
        Highest board power [W].
    source : str
        Plug-in and version of its fan control; empty for the library's own.

    Raises
    ------
    InputError
        If a value is out of range, or has no effect under this fan control.
    """

    name: str
    fan: FanControl
    control_sensor: str | None = None
    hysteresis_k: float = 0.0
    start_c: float | None = None
    stop_c: float | None = None
    power_limit_w: float | None = None
    source: str = ""

    def __post_init__(self) -> None:
        if self.stop_c is None:
            object.__setattr__(self, "stop_c", self.start_c)
        faults = [
            Fault(words, fix, column=name, value=str(getattr(self, name)))
            for name, wrong, words, fix in self._checks()
            if wrong
        ]
        if faults:
            raise InputError(f"The firmware '{self.name}' cannot be used:", faults)

    def _checks(self) -> list[tuple[str, bool, str, str]]:
        """Return field, whether it is wrong, what is wrong, and the fix, of every check."""
        start, stop, limit = self.start_c, self.stop_c, self.power_limit_w
        held = held_speed(self.fan) is not None
        observed = isinstance(self.fan, ObservedSpeed)
        return [
            (
                "hysteresis_k",
                not 0.0 <= self.hysteresis_k < np.inf,
                "out of range",
                "give 0 or more",
            ),
            (
                "hysteresis_k",
                held and self.hysteresis_k > 0.0,
                "has no effect on a held speed",
                "leave it out",
            ),
            (
                "start_c",
                start is not None and not np.isfinite(start),
                "not a finite number",
                "give °C",
            ),
            (
                "start_c",
                start is not None and observed,
                "has no effect on an observed speed",
                "leave it out",
            ),
            (
                "stop_c",
                stop is not None and (start is None or not stop <= start),
                "not at or below start_c",
                "give start_c, and stop_c not above it",
            ),
            (
                "power_limit_w",
                limit is not None and not 0.0 < limit < np.inf,
                "out of range",
                "give watts above 0",
            ),
        ]

    @property
    def follows_temperature(self) -> bool:
        """Whether the fan follows its control sensor: by its speed, or by when it starts."""
        return held_speed(self.fan) is None or self.start_c is not None

    def power_w(self, requested_w: ArrayLike) -> Array:
        """Return the power that the card draws under its limit.

        Parameters
        ----------
        requested_w : array_like, any shape
            Power that the load requests [W].

        Returns
        -------
        numpy.ndarray, same shape
            The smaller of `requested_w` and the power limit [W].
        """
        limit = np.inf if self.power_limit_w is None else self.power_limit_w
        return np.minimum(floats(requested_w), limit)


def sources_of(firmware: Firmware | Mapping[str, Firmware] | None) -> str:
    """Return the plug-ins of the fan controls of firmwares.

    Parameters
    ----------
    firmware : Firmware, mapping of str to Firmware, or None
        What sets the fans.

    Returns
    -------
    str
        Each plug-in and its version, by commas; "" where there are none.
    """
    if firmware is None or isinstance(firmware, Firmware):
        return "" if firmware is None else firmware.source
    return ", ".join(dict.fromkeys(each.source for each in firmware.values() if each.source))
