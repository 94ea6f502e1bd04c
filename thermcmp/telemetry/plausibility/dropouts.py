"""Readings that stand for a failed reading: zeros, and the overflow values of probes."""

from __future__ import annotations

from typing import Final

import numpy as np

from thermcmp._types import Array, BoolArray, Int64Array
from thermcmp.tabular.units import Dimension
from thermcmp.telemetry.quantities import (
    NOISE,
    PROBE_VALUES,
    SYMBOLS,
    dimension_of,
    sensor_names,
)
from thermcmp.telemetry.steady_state.checks import Check
from thermcmp.telemetry.steady_state.protocol import Verdict
from thermcmp.telemetry.steady_state.run_data import Readings

#: A failed reading is this far from its neighbours [K], or this share of them.
_AWAY_K: Final = 5.0
_AWAY_SHARE: Final = 0.5
#: A fan or a board may really be off for longer than this many readings.
_MOST_ZEROS: Final = 10
#: Columns whose zeros are failed readings when they stand alone.
_NEVER_ZERO: Final = (Dimension.SPEED, Dimension.POWER)


def without_dropouts(readings: Readings) -> tuple[Readings, dict[str, Int64Array]]:
    """Return the readings without failed ones, and the positions of those by column."""
    columns, dropped = dict(readings.columns), {}
    for name, values in readings.columns.items():
        dimension = dimension_of(name)
        if dimension is Dimension.TEMPERATURE:
            failed = _failed(values, PROBE_VALUES, _AWAY_K, 0.0, len(values))
        elif dimension in _NEVER_ZERO or name == NOISE:
            failed = _failed(values, (0.0,), 0.0, _AWAY_SHARE, _MOST_ZEROS)
        else:
            continue
        if failed is not None:
            columns[name] = np.where(failed, np.nan, values)
            dropped[name] = np.flatnonzero(failed)
    return (Readings(columns) if dropped else readings), dropped


def dropout_checks(
    dropped: dict[str, Int64Array], readings: Readings, start_s: float, end_s: float
) -> list[Check]:
    """Return a check for each column with failed readings within a span of time."""
    checks = []
    sensors = {f"{sensor}_c": sensor for sensor in sensor_names(list(readings.columns))}
    for name, positions in dropped.items():
        times = readings.time_s[positions]
        inside = times[(times >= start_s) & (times <= end_s)]
        if len(inside):
            words = (
                f"{len(inside)} failed readings of {name.rpartition('_')[0]} were left out, "
                "such as zeros or a probe's overflow value"
            )
            checks.append(
                Check("dropouts", Verdict.CORRECTED, words, float(len(inside)),
                      second=float(inside[0]), sensor=sensors.get(name, ""))
            )  # fmt: skip
    return checks


def zero_checks(readings: Readings) -> tuple[Readings, list[Check]]:
    """Drop columns that are zero in every reading, with a check for each."""
    checks, columns = [], dict(readings.columns)
    sensors = sensor_names(list(columns))
    for name, values in readings.columns.items():
        dimension = dimension_of(name)
        if dimension not in (*_NEVER_ZERO, Dimension.TEMPERATURE, Dimension.LEVEL):
            continue
        if values[:1] == 0.0 and not np.any(values != 0.0):
            stem = name.rpartition("_")[0]
            columns[name] = np.full(len(values), np.nan)
            words = f"{stem} is 0 {SYMBOLS[dimension]} in every reading: not measured"
            is_sensor = stem in sensors and dimension is Dimension.TEMPERATURE
            verdict = Verdict.REFUSED if is_sensor else Verdict.CORRECTED
            sensor = stem if is_sensor else ""
            second = float(readings.time_s[0])
            checks.append(Check("all zero", verdict, words, 0.0, second=second, sensor=sensor))
    return (Readings(columns) if checks else readings), checks


def _failed(
    values: Array, marks: tuple[float, ...], away: float, share: float, longest: int
) -> BoolArray | None:
    """Return which readings hold one of some values for a while, with a jump at both ends."""
    failed = None
    for mark in marks:
        at = np.flatnonzero(values == mark)
        if not len(at) or len(at) == len(values):
            continue
        breaks = np.flatnonzero(np.diff(at) > 1)
        for first, last in zip(
            at[np.concatenate([[0], breaks + 1])], at[np.append(breaks, len(at) - 1)], strict=True
        ):
            if last - first >= longest:
                continue
            ends = [values[first - 1]] if first else []
            ends += [values[last + 1]] if last + 1 < len(values) else []
            ends = [end for end in ends if not np.isnan(end)]
            if ends and all(abs(end - mark) > max(away, share * abs(end)) for end in ends):
                failed = np.zeros(len(values), dtype=bool) if failed is None else failed
                failed[first : last + 1] = True
    return failed
