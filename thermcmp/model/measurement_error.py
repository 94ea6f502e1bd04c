"""Fan speed and power as they were set: scatter of their instruments is not a slope.

A reading scatters about what was set. Taken at its word it biases a slope towards zero:
with a share λ of real variation in the scatter, the slope read from it is λ times the true
one (Fuller, Measurement Error Models, Wiley 1987, section 1.1). So runs that were meant to
be alike form a set point, and each reading is moved towards its mean until only the real
part of its scatter is left (regression calibration: Carroll, Ruppert, Stefanski & Crainiceanu,
Measurement Error in Nonlinear Models, 2nd ed., 2006, chapter 4, from memory).

A stock fan may answer the temperature, so that its scatter is an effect and no cause: its runs
count at their mean, which the loop does not bias, unless they clearly ran cooler where the fan
ran faster. So do the runs of any fan that ran faster where it was hotter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.errors import Fault, InputError

if TYPE_CHECKING:
    import pandas as pd

#: Readings further apart than this share of their value were set apart.
SET_APART: Final = 0.05
#: Stock runs in air this far apart do not share a fan speed [K].
AIR_APART_K: Final = 3.0
#: Scatter above this many standard errors of the instrument is real for the most part.
REAL_SCATTER: Final = 3.0
#: t of a correlation of fan speed and temperature from which its sign is clear.
CLEAR_T: Final = 2.0
#: Runs with these in common may have been meant to be alike.
_ALIKE: Final = ("lab", "cooler_model", "board_model", "firmware")


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasurementError:
    """Standard errors of one run's readings, beyond what all runs share.

    An error of scale that all runs share, such as a tachometer that reads 2 % high
    throughout, cancels in every ratio of speeds or powers and is not meant here.

    Attributes
    ----------
    fan_speed, power : float
        Relative standard error of a run's fan speed and board power [-]. The default of
        1 % is the class of a plain tachometer and of a board's own wattmeter (common
        practice, no source).
    ambient_k : float
        Standard error of a run's ambient temperature [K]; 0 by default, since scatter
        between runs is estimated from the rises themselves.

    Raises
    ------
    InputError
        If an error is negative or not finite, or a relative one is not below 0.5.
    """

    fan_speed: float = 0.01
    power: float = 0.01
    ambient_k: float = 0.0

    def __post_init__(self) -> None:
        limits = {"fan_speed": 0.5, "power": 0.5, "ambient_k": 20.0}
        faults = [
            Fault("out of range", f"give a value from 0 to {most:g}", None, None, name, str(error))
            for name, most in limits.items()
            if not 0.0 <= (error := getattr(self, name)) < most
        ]
        if faults:
            raise InputError("These errors of measurement are not possible:", faults)


@dataclass(frozen=True, slots=True, eq=False)
class SetPoints:
    """Readings of one quantity as set points, all of shape (n,).

    Attributes
    ----------
    values : ndarray
        Readings less their error, as far as it is distinguished from real variation.
    code : ndarray of int
        Set point of each row.
    """

    values: Array
    code: IntArray


def fan_set_points(rows: pd.DataFrame, column: str, error: float, raw: BoolArray) -> SetPoints:
    """Fan speeds as set; rows marked `raw` (held by a loop, see `regulated`) stay as read."""
    speed, power = rows[column].to_numpy(float), rows["power_w"].to_numpy(float)
    temperature = rows["temperature_c"].to_numpy(float)
    group = _groups(rows, raw)
    air = _clusters(rows["ambient_c"].to_numpy(float), group, AIR_APART_K)
    load = _clusters(np.log(power), air, SET_APART)
    mode = rows["fan_mode"]
    stock = mode.eq("stock").fillna(False).to_numpy(bool)
    stock = stock | (mode.isna().to_numpy(bool) & (_heat_t(speed, temperature, load) > CLEAR_T))
    set_apart = _clusters(np.log(speed), group, SET_APART)
    code = _numbered(np.where(stock, load, load.max(initial=0) + 1 + set_apart))
    heat_t = _heat_t(speed, temperature, code)
    answers = (heat_t > CLEAR_T) | (stock & (heat_t > -CLEAR_T))
    return SetPoints(_calibrated(speed, code, error, answers), code)


def power_set_points(rows: pd.DataFrame, error: float, raw: BoolArray) -> SetPoints:
    """Board powers as set; rows marked `raw` stay as read."""
    power = rows["power_w"].to_numpy(float)
    code = _clusters(np.log(power), _groups(rows, raw), SET_APART)
    never = np.zeros(len(rows), bool)
    return SetPoints(_calibrated(power, code, error, never), code)


def _groups(rows: pd.DataFrame, raw: BoolArray) -> IntArray:
    """Number of the group in which each row may have been meant to be alike; raw rows alone."""
    group = rows.groupby(list(_ALIKE), dropna=False).ngroup().to_numpy()
    return np.where(raw, len(rows) + np.arange(len(rows)), group).astype(np.intp)


def _clusters(values: Array, group: IntArray, gap: float) -> IntArray:
    """Number of each value's cluster: within a group, neighbours closer than a gap."""
    order = np.lexsort((values, group))
    starts = np.ones(len(values), bool)
    starts[1:] = (np.diff(group[order]) != 0) | (np.diff(values[order]) > gap)
    code = np.empty(len(values), np.intp)
    code[order] = np.cumsum(starts) - 1
    return code


def _numbered(code: IntArray) -> IntArray:
    numbered: IntArray = np.unique(code, return_inverse=True)[1].astype(np.intp)
    return numbered


def _heat_t(speed: Array, temperature_c: Array, code: IntArray) -> Array:
    """T of the correlation of fan speed and temperature in each row's set point; else 0.

    A fan that answers runs faster where it is hotter; one that wanders by itself cools.
    """
    count = np.bincount(code)

    def apart(values: Array) -> Array:
        return values - (np.bincount(code, values) / count)[code]

    fan, hot = apart(speed), apart(temperature_c)
    squares = np.bincount(code, fan**2) * np.bincount(code, hot**2)
    with np.errstate(divide="ignore", invalid="ignore"):
        r = np.clip(np.bincount(code, fan * hot) / np.sqrt(squares), -1.0, 1.0)
        t = r * np.sqrt((count - 2) / (1.0 - r**2))
    return np.asarray(np.where(count > 2, np.nan_to_num(t), 0.0)[code])


def _calibrated(values: Array, code: IntArray, error: float, answers: BoolArray) -> Array:
    """Values moved to their set point's mean by the share of error in their scatter."""
    count = np.bincount(code)
    mean = (np.bincount(code, values) / count)[code]
    apart = values / mean - 1.0
    variance = np.bincount(code, apart**2) / np.maximum(count - 1, 1)
    real = variance >= (REAL_SCATTER * error) ** 2
    share = np.where(real, 1.0 - error**2 / np.maximum(variance, 1e-300), 0.0)
    share[np.unique(code[answers])] = 0.0
    return np.asarray(mean * (1.0 + share[code] * apart))
