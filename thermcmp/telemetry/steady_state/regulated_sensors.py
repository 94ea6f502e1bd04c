"""Sensors that the firmware regulated to a target, or that were at their limit."""

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

#: A mean within this of a target or limit is at it [K]; at least one sensor step.
_BAND_K: Final = 0.5
#: A control loop is looked for in this last part of the time at load [s].
_LOOK_BACK_S: Final = 7_200.0


@dataclass(frozen=True, slots=True)
class SensorResult:
    """One sensor of a run with its checks."""

    series: Series
    rise: SteadyRise
    regulated: bool
    regulated_by: str  #: what the loop moved, in the words of the results table; "" where not known
    at_limit: bool
    checks: tuple[Check, ...]


def judge_sensor(
    series: Series, rise: SteadyRise, start_s: float, record: Readings, protocol: Protocol
) -> SensorResult:
    """Check a steady rise for regulation and limits."""
    checks = []
    mean_c = float(np.mean(series.since(start_s).temperature_c))
    held = None
    if rise.wanders or not np.isnan(rise.rise_k):
        held = _regulation(series, mean_c, start_s, record, protocol)
    if held is not None:
        how = f" by {held.actuator} ({held.start:.4g} to {held.end:.4g})" if held.actuator else ""
        words = (
            f"{series.name} was regulated at {held.held_c:.1f} °C{how}: its temperature is not a "
            "result; compare by power, fan speed or noise, or by thermal resistance"
        )
        verdict, nan = Verdict.CORRECTED, float("nan")
        checks.append(
            Check("regulated", verdict, words, held.held_c, nan, "°C", held.start_s, series.name)
        )
        # A regulated sensor has no soak to end: its plain mean gives the resistance.
        plain = mean_from(series, start_s, protocol)
        rise = replace(rise, rise_k=plain.mean_k, standard_error_k=plain.standard_error_k)
    else:
        checks += [c for c in (rise.check, rise.shift, rise.creep) if c is not None]
    band = max(_BAND_K, series.step_k)
    limit = protocol.limits_c.get(series.name)
    at_limit = False
    if limit is not None and not np.isnan(rise.rise_k) and mean_c >= limit - band:
        at_limit = True
        words = f"{series.name} was at its limit of {limit:g} °C"
        checks.append(
            Check("limit", Verdict.CORRECTED, words, mean_c, limit, "°C", sensor=series.name)
        )
    actuator = "" if held is None else held.actuator
    return SensorResult(series, rise, held is not None, actuator, at_limit, tuple(checks))


def _regulation(
    series: Series, mean_c: float, start_s: float, record: Readings, protocol: Protocol
) -> Regulation | None:
    """Return how a sensor was regulated, by its readings or its stated target; None if not."""
    target = protocol.targets_c.get(series.name)
    at_target = target is not None and abs(mean_c - target) <= max(_BAND_K, series.step_k)
    series = series.since(series.time_s[-1] - _LOOK_BACK_S)
    # The other columns at the times of the sensor's readings.
    first = int(np.searchsorted(record.time_s, series.time_s[0]))
    at: slice | Int64Array = slice(first, first + len(series.time_s))
    if not np.array_equal(record.time_s[at], series.time_s):
        at = np.searchsorted(record.time_s, series.time_s)
    fan = _logged(record, FAN_SPEED, at)
    regulation = find_regulation(
        series.time_s,
        series.temperature_c,
        series.rise_k,
        _logged(record, POWER, at),
        _logged(record, FAN_DUTY, at) if fan is None else fan,
        held_c=mean_c,
        step_k=series.step_k,
        delay_s=series.delay_s,
    )
    if regulation is None and at_target:
        # The protocol states that it was held; the log does not show by what.
        return Regulation(mean_c, "", float("nan"), float("nan"), start_s)
    return regulation


def _logged(record: Readings, name: str, at: slice | Int64Array) -> Array | None:
    """Return a column at some readings; None where it has none."""
    if name not in record:
        return None
    values = record[name][at]
    return None if np.isnan(values).all() else values
