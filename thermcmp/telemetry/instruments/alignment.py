"""The logs of several instruments on one time.

Clock offsets are stated, or measured from something that both instruments saw; readings are
matched to the nearest within a tolerance and never interpolated.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from thermcmp._types import Array, Int64Array
from thermcmp.errors import Fault, InputError
from thermcmp.telemetry.quantities import FRAME_COLUMNS
from thermcmp.telemetry.steady_state.sampling_interval import usual_step_s

#: A second peak this close to the best one leaves the offset undecided.
_RIVAL_SHARE: Final = 0.9
_LEAST_CORRELATION: Final = 0.5
_LEAST_OVERLAP: Final = 30
_LARGEST_GRID: Final = 200_000


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """Offset between two clocks."""

    offset_s: float  #: what must be added to the other clock's times [s]
    uncertainty_s: float  #: half the width over which the match is as good as it gets [s]
    correlation: float  #: how well the two records match at that offset


def join_instruments(
    frame: pd.DataFrame,
    other: pd.DataFrame,
    *,
    tolerance_s: float,
    offset_s: float | ClockOffset = 0.0,
    by_date: bool = False,
) -> pd.DataFrame:
    """Add another instrument's readings to a telemetry frame.

    Parameters
    ----------
    frame : pandas.DataFrame, shape (n, columns)
        Telemetry whose times are kept.
    other : pandas.DataFrame, shape (m, columns)
        Telemetry of the other instrument; none of its quantities may be in `frame`.
    tolerance_s : float
        A reading counts for a time that is no further away [s].
    offset_s : float or ClockOffset
        What must be added to the other's times [s].
    by_date : bool
        Whether times are matched by ``recorded_at`` instead of ``time_s``.

    Returns
    -------
    pandas.DataFrame, shape (n, columns + quantities of other)
        NaN where the other instrument has no reading within the tolerance; nothing is
        interpolated, and gaps stay gaps.

    Raises
    ------
    InputError
        If times or tolerance are not fit, a quantity is in both, or nothing matches.
    """
    faults = _join_faults(frame, other, tolerance_s, by_date)
    if faults:
        raise InputError("These logs cannot be joined:", faults)
    shift = offset_s.offset_s if isinstance(offset_s, ClockOffset) else float(offset_s)
    times, other_times = _seconds(frame, by_date), _seconds(other, by_date) + shift
    order = np.argsort(other_times, kind="stable")
    at, away = _nearest(times, other_times[order])
    matched = away <= tolerance_s
    if not matched.any():
        words = f"no reading is within {tolerance_s:g} s of another"
        fault = Fault(words, "check offset_s, or match by_date=True")
        raise InputError("These logs cannot be joined:", [fault])
    joined = frame.copy()
    for name in other.columns:
        if name not in FRAME_COLUMNS:
            column = other[name].iloc[order[at]].reset_index(drop=True)
            column = column.where(pd.Series(matched))
            column.index = frame.index
            joined[name] = column
    if "line" in joined:
        joined = joined[[*(c for c in joined.columns if c != "line"), "line"]]
    return joined


def measure_offset(
    frame: pd.DataFrame,
    other: pd.DataFrame,
    *,
    columns: tuple[str, str],
    largest_s: float,
    by_date: bool = False,
) -> ClockOffset:
    """Estimate the offset of another instrument's clock from what both saw."""
    faults = [
        Fault("no such column", "name a column of each log", column=name)
        for name, log in zip(columns, (frame, other), strict=True)
        if name not in log
    ]
    if not largest_s > 0.0:
        faults.append(Fault("must be above zero", "give seconds", column="largest_s"))
    if faults:
        raise InputError("The offset of these logs cannot be measured:", faults)
    record, other_record = _known(frame, columns[0], by_date), _known(other, columns[1], by_date)
    period = max(usual_step_s(record[0]), usual_step_s(other_record[0]))
    lags = np.arange(-largest_s, largest_s + period / 2.0, period)
    if len(lags) * len(record[0]) > _LARGEST_GRID * 1000:
        raise _no_offset("too many offsets to try", "give a smaller largest_s")
    scores = np.array([_correlation(record, other_record, lag, period) for lag in lags])
    if np.isnan(scores).all():
        raise _no_offset("the logs do not overlap", "give a larger largest_s, or by_date=True")
    best = int(np.nanargmax(scores))
    if scores[best] < _LEAST_CORRELATION:
        raise _no_offset(
            f"the best match correlates by {scores[best]:.2f} only",
            "choose columns that move together, such as at the load's start",
        )
    good = np.flatnonzero(scores >= _RIVAL_SHARE * scores[best])
    if good[-1] - good[0] + 1 > len(good) or good[0] == 0 or good[-1] == len(lags) - 1:
        raise _no_offset(
            "several offsets match as well", "give a smaller largest_s, or state offset_s"
        )
    width = max((lags[good[-1]] - lags[good[0]]) / 2.0, period / 2.0)
    return ClockOffset(float(lags[best]), float(width), float(scores[best]))


def _join_faults(
    frame: pd.DataFrame, other: pd.DataFrame, tolerance_s: float, by_date: bool
) -> list[Fault]:
    """Return what keeps two logs from being joined."""
    key = "recorded_at" if by_date else "time_s"
    faults = [
        Fault(f"the {which} log has no '{key}'", "read it with read_telemetry", column=key)
        for which, log in (("first", frame), ("other", other))
        if key not in log or not len(log)
    ]
    if by_date and not faults and (frame[key].dt.tz is None) != (other[key].dt.tz is None):
        words = "one log's times have a zone, the other's have none"
        faults.append(Fault(words, "give zone= when reading", column=key))
    if not tolerance_s > 0.0:
        value = str(tolerance_s)
        faults.append(Fault("must be above zero", "give seconds", None, None, "tolerance_s", value))
    both = [c for c in other.columns if c in frame.columns and c not in FRAME_COLUMNS]
    faults += [
        Fault("both logs have it", "leave it out of the columns of one", column=c) for c in both
    ]
    for which, log in (("first", frame), ("other", other)):
        if "device" in log and len(log["device"].unique()) > 1:
            words = f"the {which} log holds several devices"
            faults.append(Fault(words, "take one of them", column="device"))
    return faults


def _seconds(log: pd.DataFrame, by_date: bool) -> Array:
    """Return a log's times in seconds."""
    if not by_date:
        return log["time_s"].to_numpy(dtype=float)
    times = log["recorded_at"]
    plain = times.dt.tz_convert("UTC").dt.tz_localize(None) if times.dt.tz is not None else times
    return plain.astype("datetime64[us]").astype("int64").to_numpy() / 1e6


def _nearest(times: Array, others: Array) -> tuple[Int64Array, Array]:
    """Return the place of the nearest of other, sorted times, and how far it is."""
    right = np.clip(np.searchsorted(others, times), 0, len(others) - 1)
    left = np.maximum(right - 1, 0)
    nearer = np.abs(others[left] - times) <= np.abs(others[right] - times)
    at = np.where(nearer, left, right)
    return at, np.abs(others[at] - times)


def _known(log: pd.DataFrame, name: str, by_date: bool) -> tuple[Array, Array]:
    """Return times and values of the readings that are there, oldest first."""
    values = log[name].to_numpy(dtype=float)
    known = ~np.isnan(values)
    times = _seconds(log, by_date)[known]
    order = np.argsort(times, kind="stable")
    if len(times) < _LEAST_OVERLAP:
        raise _no_offset(f"too few readings of {name}", "choose another column")
    return times[order], values[known][order]


def _correlation(
    record: tuple[Array, Array], other: tuple[Array, Array], lag: float, period: float
) -> float:
    """Return the correlation of two records at an offset, over what both saw."""
    at, away = _nearest(record[0], other[0] + lag)
    near = away <= period
    if np.count_nonzero(near) < max(_LEAST_OVERLAP, len(record[0]) // 3):
        return float("nan")
    a, b = record[1][near], other[1][at[near]]
    a, b = a - a.mean(), b - b.mean()
    power = float(a @ a) * float(b @ b)
    return float(a @ b) / power**0.5 if power > 0.0 else float("nan")


def _no_offset(message: str, fix: str) -> InputError:
    """Return the error for clocks whose offset does not show."""
    return InputError("The offset of these logs cannot be measured:", [Fault(message, fix)])
