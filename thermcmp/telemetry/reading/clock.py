"""One clock for a log: seconds from its start, in segments that no average may span.

Times are never sorted or interpolated. A step of unknown length begins a new segment.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd

from thermcmp._types import Array, Int64Array
from thermcmp.telemetry.reading.notes import Notebook, unclear_times
from thermcmp.telemetry.reading.options import Reading

_DAY_S: Final = 86_400.0
_HOUR_S: Final = 3_600.0
#: A step back by no more than this is a correction of the clock [s].
_SMALL_STEP_S: Final = 5.0
#: Readings further apart than this many periods leave a gap.
_GAP_PERIODS: Final = 5.0
_LEAST_GAP_S: Final = 2.0
#: Steps from which the period is taken.
_STEPS: Final = 20_000

#: Time columns that a reader may return, best first.
TIME_COLUMNS: Final = ("elapsed_s", "recorded_at", "time_of_day_s")


@dataclass(slots=True)
class Clock:
    """Running state of one device's clock."""

    reading: Reading
    book: Notebook
    local: bool  #: whether a daylight-saving change moves the times
    of_day: bool  #: whether the times start again at midnight
    _last_raw: float = field(default=np.nan)
    _last_time_s: float = field(default=0.0)
    _segment: int = field(default=0)
    _period_s: float = field(default=np.nan)

    def place(self, raw_s: Array, lines: Int64Array, origin_s: float) -> tuple[Array, Int64Array]:
        """Return time since the log's start [s] and segment of readings, shapes (n,)."""
        if np.isnan(self._period_s):
            self._start(raw_s, origin_s)
        if self.reading.period_s is not None and len(raw_s) > 1:
            # Readings that share one time are spread by the stated period.
            starts = np.flatnonzero(np.diff(raw_s, prepend=np.nan) != 0.0)
            rank = np.arange(len(raw_s)) - np.repeat(starts, np.diff([*starts, len(raw_s)]))
            raw_s = raw_s + rank * self.reading.period_s
        step = np.diff(raw_s, prepend=self._last_raw)
        limit = self.reading.gap_s or max(_GAP_PERIODS * self._period_s, _LEAST_GAP_S)
        if step.min() >= 0.0 and step.max() <= min(limit, _HOUR_S / 2):
            time_s = raw_s + (self._last_time_s - self._last_raw)
            segment = np.full(len(raw_s), self._segment, dtype=np.int64)
        else:
            self._correct_backward_steps(step, lines)
            self._correct_spring_steps(step, raw_s, lines)
            gaps = step > limit
            for at in np.flatnonzero(gaps)[:20]:
                self.book.note(f"no readings for {step[at]:.0f} s", int(lines[at]))
            lost = step < 0.0
            step[lost] = self._period_s
            time_s = self._last_time_s + np.cumsum(step)
            segment = (self._segment + np.cumsum(gaps | lost)).astype(np.int64)
        self._last_raw, self._last_time_s = float(raw_s[-1]), float(time_s[-1])
        self._segment = int(segment[-1])
        return time_s, segment

    def _start(self, raw_s: Array, origin_s: float) -> None:
        """Estimate the period from the first readings; refuse times that do not run forward."""
        step = np.diff(raw_s)
        first = step if len(step) > _STEPS and not step[:_STEPS].any() else step[:_STEPS]
        forward = first[first > 0.0]
        repeats = 1.0 - np.count_nonzero(step) / len(step) if len(step) else 0.0
        if len(step) >= 4 and np.count_nonzero(step < 0.0) > 0.5 * len(step):
            fix = "sort the log oldest first"
            raise unclear_times("the times run backwards", fix, self.book.file)
        if len(step) >= 4 and repeats > 0.4 and self.reading.period_s is None:
            raise unclear_times(
                "several readings share one time",
                "name the device column if devices are interleaved, or give period_s= if the "
                "clock is coarser than the readings",
                self.book.file,
            )
        # The lower median: of two steps one may be a gap.
        middle = (len(forward) - 1) // 2
        median_s = float(np.sort(forward)[middle]) if len(forward) else 1.0
        self._period_s = self.reading.period_s or median_s
        self._last_raw = float(raw_s[0])
        self._last_time_s = max(float(raw_s[0]) - origin_s, 0.0)

    @property
    def _slack_s(self) -> float:
        """Largest error of a step that still counts as the step [s]."""
        return max(_SMALL_STEP_S, _GAP_PERIODS * self._period_s)

    def _correct_backward_steps(self, step: Array, lines: Int64Array) -> None:
        """Correct backward steps of known length; the others stay below zero."""
        if self.of_day:
            midnight = step < -_DAY_S / 2
            step[midnight] += _DAY_S
        for at in np.flatnonzero(step < 0.0):
            back, line = -step[at], int(lines[at])
            if back <= self._slack_s:
                self.book.note("clock set back by a few seconds; time runs on", line)
                step[at] = self._period_s
            elif self.local and abs(back - _HOUR_S) <= self._slack_s:
                self.book.note("clock set back by an hour (daylight saving); time runs on", line)
                step[at] = max(_HOUR_S - back, self._period_s)
            else:
                words = f"clock steps back by {back:.0f} s: a restart, or two logs in one"
                self.book.note(words, line)

    def _correct_spring_steps(self, step: Array, raw_s: Array, lines: Int64Array) -> None:
        """Remove the hour that a local clock skips in spring.

        It does so on a Sunday before four o'clock, from one full hour to the next
        (European Parliament and Council Directive 2000/84/EC; 15 U.S.C. 260a).
        """
        if not self.local:
            return
        slack = min(self._slack_s, _HOUR_S / 4)
        for at in np.flatnonzero(np.abs(step - _HOUR_S) <= slack):
            start_s = raw_s[at] - step[at]
            # 1970-01-01 was a Thursday.
            sunday = start_s // _DAY_S % 7 == 3
            night = start_s % _DAY_S <= 4 * _HOUR_S
            if sunday and night and -start_s % _HOUR_S <= slack:
                words = (
                    "clock set forward by an hour (daylight saving); time runs on; state zone= "
                    "if an hour is really missing"
                )
                self.book.note(words, int(lines[at]))
                step[at] = max(step[at] - _HOUR_S, self._period_s)


def localise(times: pd.Series, zone: str | None, file: str) -> pd.Series:
    """Convert recorded times to UTC where their zone is known."""
    if isinstance(times.dtype, pd.DatetimeTZDtype):
        return times.dt.tz_convert("UTC")
    if zone is None:
        return times
    try:
        offset = pd.Timestamp(f"2000-01-01T00:00{zone}").tz if zone[:1] in "+-" else zone
        placed = times.dt.tz_localize(offset, ambiguous="infer", nonexistent="raise")
    except (ValueError, KeyError, OSError) as error:
        raise unclear_times(
            f"the times do not fit the zone ({type(error).__name__}: {error})",
            "give a zone such as 'Europe/Berlin'; where an hour occurs twice, give the offset "
            "that applied, such as '+02:00'",
            file,
            value=zone,
        ) from None
    return placed.dt.tz_convert("UTC")
