"""What the firmware did to a sensor: held it at a target, or stopped it at its limit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from thermcmp._types import Array, Int64Array
from thermcmp.telemetry.quantities import FAN_DUTY, FAN_SPEED, POWER
from thermcmp.telemetry.steady_state.checks import Check
from thermcmp.telemetry.steady_state.protocol import Protocol, Verdict
from thermcmp.telemetry.steady_state.regulation import Regulation, find_regulation
from thermcmp.telemetry.steady_state.run_data import Readings
from thermcmp.telemetry.steady_state.sensor_rise import Series, SteadyRise, mean_from

#: A mean this close to a target or limit is at it [K], or one sensor step.
_BAND_K: Final = 0.5
#: A control loop shows itself within the last two hours at load [s].
_LOOK_BACK_S: Final = 7_200.0


@dataclass(frozen=True, slots=True)
class SensorResult:
    """One sensor of a run, judged.

    Attributes
    ----------
    series : Series
        Its readings at load.
    rise : SteadyRise
        Its steady rise.
    regulated : bool
        Whether a control loop held it.
    regulated_by : str
        What the loop moved, in the words of the results table; "" where not known.
    at_limit : bool
        Whether it was at its limit.
    checks : tuple of Check
        All checks about it.
    """

    series: Series
    rise: SteadyRise
    regulated: bool
    regulated_by: str
    at_limit: bool
    checks: tuple[Check, ...]


def judge_sensor(
    series: Series, rise: SteadyRise, start_s: float, record: Readings, protocol: Protocol
) -> SensorResult:
    """Look for regulation and limits behind a steady rise."""
    checks = [rise.check]
    mean_c = float(np.mean(series.since(start_s).temperature_c))
    held = None if np.isnan(rise.rise_k) else _regulation(series, mean_c, start_s, record, protocol)
    if held is not None:
        checks.append(_regulated(series.name, held))
        # What is held has no soak to end: its mean as it was read gives the resistance.
        read = mean_from(series, start_s, protocol)
        rise = replace(rise, rise_k=read.mean_k, standard_error_k=read.standard_error_k)
    band = max(_BAND_K, series.step_k)
    limit = protocol.limits_c.get(series.name)
    at_limit = limit is not None and not np.isnan(rise.rise_k) and mean_c >= limit - band
    if at_limit and limit is not None:
        words = f"{series.name} was at its limit of {limit:g} °C"
        checks.append(
            Check("limit", Verdict.CORRECTED, words, mean_c, limit, "°C", sensor=series.name)
        )
    actuator = "" if held is None else held.actuator
    return SensorResult(series, rise, held is not None, actuator, at_limit, tuple(checks))


def _regulation(
    series: Series, mean_c: float, start_s: float, record: Readings, protocol: Protocol
) -> Regulation | None:
    """Find out whether a sensor was held, by its stated target or by what it shows."""
    target = protocol.targets_c.get(series.name)
    at_target = target is not None and abs(mean_c - target) <= max(_BAND_K, series.step_k)
    series = series.since(series.time_s[-1] - _LOOK_BACK_S)
    # The other columns at the sensor's own readings.
    first = int(np.searchsorted(record.time_s, series.time_s[0]))
    at: slice | Int64Array = slice(first, first + len(series.time_s))
    if not np.array_equal(record.time_s[at], series.time_s):
        at = np.searchsorted(record.time_s, series.time_s)
    fan = _logged(record, FAN_SPEED, at)
    found = find_regulation(
        series.time_s,
        series.temperature_c,
        series.rise_k,
        _logged(record, POWER, at),
        _logged(record, FAN_DUTY, at) if fan is None else fan,
        held_c=mean_c,
        step_k=series.step_k,
    )
    if found is None and at_target:
        # Held, as the user knows; what was moved for it the log does not show.
        return Regulation(mean_c, "", float("nan"), float("nan"), start_s)
    return found


def _logged(record: Readings, name: str, at: slice | Int64Array) -> Array | None:
    """Return a column at some readings; None where it holds nothing."""
    if name not in record:
        return None
    values = record[name][at]
    return None if np.isnan(values).all() else values


def _regulated(sensor: str, held: Regulation) -> Check:
    """Describe that a sensor was regulated, and by what."""
    how = f" by {held.actuator} ({held.start:.4g} to {held.end:.4g})" if held.actuator else ""
    words = (
        f"{sensor} was regulated at {held.held_c:.1f} °C{how}: its temperature is no result; "
        "compare by power, fan speed or noise, or by thermal resistance"
    )
    return Check(
        name="regulated",
        verdict=Verdict.CORRECTED,
        words=words,
        figure=held.held_c,
        unit="°C",
        second=held.start_s,
        sensor=sensor,
    )
