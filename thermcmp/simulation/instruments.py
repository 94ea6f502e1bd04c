"""Time constants of a card and noise of the instruments of its logs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite
from types import MappingProxyType
from typing import Final

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError

#: The memory is within 0.1 K after some thirteen minutes (common practice, no source).
_TIME_CONSTANTS_S: Final = MappingProxyType({"memory": 120.0, "junction": 90.0, "edge": 110.0})


@dataclass(frozen=True, slots=True)
class Wavering:
    """First-order autoregressive noise.

    Attributes
    ----------
    sd : float
        Standard deviation, in the unit of the quantity.
    correlation : float
        Correlation of one second with the next, 0 to below 1.
    """

    sd: float
    correlation: float

    def __post_init__(self) -> None:
        faults = []
        if not (isfinite(self.sd) and self.sd >= 0.0):
            faults.append(Fault("out of range", "give 0 or more", column="sd", value=str(self.sd)))
        if not 0.0 <= self.correlation < 1.0:
            faults.append(Fault("out of range", "give 0 to below 1", column="correlation",
                                value=str(self.correlation)))  # fmt: skip
        if faults:
            raise InputError("This noise cannot be drawn:", faults)

    def draw(self, rng: np.random.Generator, seconds: int) -> Array:
        """Draw the noise of a run, stationary from the first second.

        Parameters
        ----------
        rng : numpy.random.Generator
            Source of the draws.
        seconds : int
            Length [s].

        Returns
        -------
        numpy.ndarray, shape (seconds,)
            Noise with mean 0, in the unit of `sd`.
        """
        from scipy.signal import lfilter

        shocks = self.sd * rng.standard_normal(seconds)
        shocks[1:] *= np.sqrt(1.0 - self.correlation**2)
        return np.asarray(lfilter([1.0], [1.0, -self.correlation], shocks))


@dataclass(frozen=True, slots=True, kw_only=True)
class Instruments:
    """Time constants of a card and noise of its logs.

    Sizes are from common practice, no source.

    Attributes
    ----------
    time_constants_s : mapping of str to float
        Time constant of each sensor's rise [s].
    other_time_constant_s : float
        Time constant of sensors not named there [s].
    idle_s : int
        Time without load at the start [s].
    idle_power_w : float
        Board power without load [W].
    air, fan, power : Wavering
        Slow variation of the ambient [K], variation of the fan [rpm], and noise of
        the power [W].
    sensor_correlation : float
        Correlation of a sensor's noise from one second to the next; its size follows
        from the scenario's standard error.
    full_speed_rpm, full_speed_sd_rpm : float
        Fan speed at full duty, and its spread over coolers [rpm].
    """

    time_constants_s: Mapping[str, float] = field(default_factory=lambda: _TIME_CONSTANTS_S)
    other_time_constant_s: float = 150.0
    idle_s: int = 60
    idle_power_w: float = 25.0
    air: Wavering = Wavering(sd=0.08, correlation=0.995)
    fan: Wavering = Wavering(sd=4.0, correlation=0.8)
    power: Wavering = Wavering(sd=0.8, correlation=0.3)
    sensor_correlation: float = 0.9
    full_speed_rpm: float = 4600.0
    full_speed_sd_rpm: float = 110.0

    def __post_init__(self) -> None:
        names = ("other_time_constant_s", "idle_s", "idle_power_w", "full_speed_rpm")
        above_0 = {name: getattr(self, name) for name in names}
        above_0 |= {f"time_constants_s[{s}]": v for s, v in self.time_constants_s.items()}
        faults = [
            Fault("out of range", "give a value above 0", column=name, value=str(value))
            for name, value in above_0.items()
            if not (isfinite(value) and value > 0.0)
        ]
        if not self.full_speed_sd_rpm >= 0.0:
            faults.append(Fault("out of range", "give 0 or more", column="full_speed_sd_rpm",
                                value=str(self.full_speed_sd_rpm)))  # fmt: skip
        if faults:
            raise InputError("These instruments cannot be simulated:", faults)
        self.sensor(0.0)

    def time_constant_s(self, sensor: str) -> float:
        """Return a sensor's time constant.

        Parameters
        ----------
        sensor : str
            Sensor.

        Returns
        -------
        float
            Time constant [s].
        """
        return self.time_constants_s.get(sensor, self.other_time_constant_s)

    def sensor(self, sd_k: float) -> Wavering:
        """Return a sensor's noise.

        Parameters
        ----------
        sd_k : float
            Standard deviation [K].

        Returns
        -------
        Wavering
            Noise [K].

        Raises
        ------
        InputError
            If the correlation is not 0 to below 1.
        """
        return Wavering(sd_k, self.sensor_correlation)
