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

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.errors import Fault, InputError
from thermcmp.model.instruments import Instrument, Shifts, instrument_errors
from thermcmp.model.rows import level_keys

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
#: Powers of two set points of the fan are apart from so many standard errors, and the class, on;
#: below as many degrees of freedom of repeats the class is their standard error too (choices).
CLEARLY_APART: Final = 3.0
FEWEST_REPEATS: Final = 4
#: Runs with these in common may have been meant to be alike.
_ALIKE: Final = ("lab", "cooler_model", "board_model", "firmware")


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasurementError:
    """Standard errors of the instruments: of one run's reading, and shared by a bench's runs.

    Errors of one run add to those that its row states (`fan_error_rpm`, `power_error_w`,
    `ambient_error_k`), as independent ones. Shared errors are one unknown per bench (per
    laboratory where no bench is stated): they cancel or scale all parts alike between runs of one
    bench, and count in full between benches and in temperatures at stated conditions.

    Attributes
    ----------
    fan_speed, power : float
        Relative standard error of a run's fan speed and board power [-]. The default of
        1 % is the class of a plain tachometer and of a board's own wattmeter (common
        practice, no source).
    ambient_k : float
        Standard error of a run's ambient temperature [K]; 0 by default, since scatter
        between runs is estimated from the rises themselves.
    fan_speed_gain, power_gain : float
        Relative standard error of the gain that all runs of a bench share [-]; 0 by default:
        fan speed and power are then on the scale of that bench's instruments.
    ambient_offset_k : float
        Standard error of the offset of the ambient that all runs of a bench share [K];
        likewise 0.
    instruments : sequence of Instrument
        The instruments of the benches, as from `read_instruments`; the runs that were read with
        one share its errors, on whichever benches.

    Raises
    ------
    InputError
        If an error is negative or not finite, or a relative one is not below 0.5.
    """

    fan_speed: float = 0.01
    power: float = 0.01
    ambient_k: float = 0.0
    fan_speed_gain: float = 0.0
    power_gain: float = 0.0
    ambient_offset_k: float = 0.0
    instruments: Sequence[Instrument] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "instruments", tuple(self.instruments))
        limits = {
            field.name: 20.0 if field.name.endswith("_k") else 0.5
            for field in fields(self)
            if field.name != "instruments"
        }
        faults = [
            Fault("out of range", f"give a value from 0 to {most:g}", None, None, name, str(error))
            for name, most in limits.items()
            if not 0.0 <= (error := getattr(self, name)) < most
        ]
        if faults:
            raise InputError("These errors of measurement are not possible:", faults)


def errors_of_values(values: Mapping[str, Any]) -> MeasurementError:
    """Return the errors of which `dataclasses.asdict` made these values."""
    instruments = [Instrument(**each) for each in values.get("instruments", ())]
    return MeasurementError(**{**values, "instruments": instruments})


@dataclass(frozen=True, slots=True, eq=False)
class SharedErrors:
    """Errors that the runs of a bench share, each an unknown of mean 0 and standard deviation 1."""

    names: tuple[str, ...]  #: such as "gain of power, North · bench 1", shape (B,)
    effect_k: Array  #: what one standard deviation adds to each row's rise [K], shape (n, B)
    #: How far it takes each row's fan speed and power from their readings [-], shape (n, B).
    fan_gain: Array
    power_gain: Array

    @property
    def count(self) -> int:
        """Number of unknowns B."""
        return len(self.names)

    def of_rows(self, rows: BoolArray) -> SharedErrors:
        """Return the same unknowns for some of the rows."""
        per_row = (self.effect_k, self.fan_gain, self.power_gain)
        return SharedErrors(self.names, *(array[rows] for array in per_row))


def stated_errors(rows: pd.DataFrame, errors: MeasurementError) -> Shifts:
    """Return the stated errors that the runs of a bench or of an instrument share."""
    bench = level_keys(rows, ("lab", "bench")).to_numpy()
    kinds = {
        "offset of ambient": ("ambient", errors.ambient_offset_k),
        "gain of power": ("power", errors.power_gain),
        "gain of fan speed": ("fan speed", errors.fan_speed_gain),
    }
    shifts: Shifts = {
        f"{name}, {level}": (quantity, error * (bench == level))
        for name, (quantity, error) in kinds.items()
        if error > 0.0
        for level in np.unique(bench)
    }
    for instrument in errors.instruments:
        shifts |= instrument_errors(instrument, rows)
    return shifts


def shared_errors(shifts: Shifts, by_fan_k: Array, by_power_k: Array) -> SharedErrors:
    """Return errors that rows share, of first order in fan speed and power.

    `by_fan_k` and `by_power_k` are the rise's changes per relative change of fan speed and of
    power, shape (n,) each.
    """
    nothing = np.zeros(len(by_fan_k))
    # What each acts on per row: the rise [K], fan speed and power [-].
    columns = [
        {
            # Warmer air than was read counts as a rise.
            "ambient": (moved, nothing, nothing),
            "power": (moved * by_power_k, nothing, moved),
            "fan speed": (moved * by_fan_k, moved, nothing),
        }[quantity]
        for quantity, moved in shifts.values()
    ]
    stacked = np.reshape(columns, (len(columns), 3, len(nothing)))
    return SharedErrors(tuple(shifts), *np.transpose(stacked, (1, 2, 0)))


@dataclass(frozen=True, slots=True, eq=False)
class SetPoints:
    """Readings of one quantity as set points, all of shape (n,)."""

    values: Array  #: readings less their error, as far as it is distinguished from real variation
    code: IntArray  #: set point of each row
    #: Relative variance of the error that the row states and that is left in its value: all of it
    #: for the only reading of a set point, none where the values are the set point's mean.
    left: Array
    #: Runs whose fan answers the temperature, as far as is known, so that they count at the mean.
    answers: BoolArray


def fan_set_points(rows: pd.DataFrame, column: str, error: float, raw: BoolArray) -> SetPoints:
    """Fan speeds as set; rows marked `raw` (held by a loop, see `regulated`) stay as read."""
    speed, power = rows[column].to_numpy(float), rows["power_w"].to_numpy(float)
    temperature = rows["temperature_c"].to_numpy(float)
    # The stated error is of a fan's speed, not of another law's flow.
    stated = _stated(rows, "fan_error_rpm" if column == "fan_rpm" else "", speed)
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
    return _calibrated(speed, code, error, stated, answers)


def power_set_points(rows: pd.DataFrame, error: float, raw: BoolArray, fan: SetPoints) -> SetPoints:
    """Board powers as set; rows marked `raw` stay as read.

    Runs at another set point of the fan, such as stock runs beside fixed speeds, may have drawn
    a little more throughout.
    """
    power = rows["power_w"].to_numpy(float)
    stated = _stated(rows, "power_error_w", power)
    code = _clusters(np.log(power), _groups(rows, raw), SET_APART)
    code = _parted(np.log(power), code, fan.code, np.sqrt(error**2 + stated**2))
    return _calibrated(power, code, error, stated, np.zeros(len(rows), bool))


def _stated(rows: pd.DataFrame, column: str, values: Array) -> Array:
    """Relative standard error that each row states of its value, 0 where it states none."""
    if column not in rows:
        return np.zeros(len(rows))
    return np.nan_to_num(rows[column].to_numpy(float, na_value=np.nan)) / values


def _groups(rows: pd.DataFrame, raw: BoolArray) -> IntArray:
    """Number of the group in which each row may have been meant to be alike; raw rows alone."""
    group = rows.groupby(list(_ALIKE), dropna=False).ngroup().to_numpy()
    return np.where(raw, len(rows) + np.arange(len(rows)), group).astype(np.intp)


def _clusters(values: Array, group: IntArray, gap: float, error: Array | float = 0.0) -> IntArray:
    """Number of each value's cluster: within a group, neighbours closer than a gap.

    Or closer than what their standard errors leave open.
    """
    order = np.lexsort((values, group))
    variance = np.broadcast_to(np.square(error), len(values))[order]
    open_by = CLEARLY_APART * np.sqrt(variance[1:] + variance[:-1])
    is_apart = np.diff(values[order]) > np.maximum(gap, open_by)
    starts = np.ones(len(values), bool)
    starts[1:] = (np.diff(group[order]) != 0) | is_apart
    code = np.empty(len(values), np.intp)
    code[order] = np.cumsum(starts) - 1
    return code


def _parted(values: Array, code: IntArray, inner: IntArray, error: Array) -> IntArray:
    """Number of each value's cluster where inner ones lie clearly apart, by their means.

    What repeats of an inner cluster scatter by shows how well its mean is known.
    """
    cell = _numbered(code * (int(inner.max()) + 1) + inner)
    count = np.bincount(cell)
    mean = np.bincount(cell, values) / count
    freedom = len(values) - len(count)
    usual = float(np.mean(error**2))
    if freedom >= FEWEST_REPEATS:
        usual = float(np.sum((values - mean[cell]) ** 2)) / freedom
    outer = np.empty(len(count), np.intp)
    outer[cell] = code
    return _clusters(mean, outer, float(np.mean(error)), np.sqrt(usual / count))[cell]


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


def _calibrated(
    values: Array, code: IntArray, error: float, stated: Array, answers: BoolArray
) -> SetPoints:
    """Set points of values with a common and a stated relative error, the latter of shape (n,).

    The real variance is the scatter's less the mean of the errors' (Hedges & Olkin, Statistical
    Methods for Meta-Analysis, 1985, from memory); values move to the mean by the error's share.
    """

    def mean_of(per_row: Array, weight: Array) -> Array:
        return (np.bincount(code, weight * per_row) / np.bincount(code, weight))[code]

    alike = np.ones(len(values))
    count = np.bincount(code)[code]
    variance = error**2 + stated**2
    usual, middle = mean_of(variance, alike), mean_of(values, alike)
    scatter = mean_of((values / middle - 1.0) ** 2, alike) * count / np.maximum(count - 1, 1)
    real = np.maximum(scatter - usual, 0.0)
    # Bounded, or a reading without any error would be the mean of all others.
    mean = middle + mean_of(values - middle, 1.0 / np.maximum(real + variance, 1e-9))
    is_real = (scatter >= REAL_SCATTER**2 * usual) & ~np.isin(code, code[answers])
    share = np.where(is_real, real / np.maximum(real + variance, 1e-300), 0.0)
    left = np.where(count == 1, 1.0, share) * stated**2
    return SetPoints(mean + share * (values - mean), code, left, answers & (count > 1))
