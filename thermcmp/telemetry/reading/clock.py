"""One clock for a log: seconds from its start, and where it does not run through.

Times are never sorted and never interpolated. A step is classified and told; where
its length is not known a new segment begins, which no average may span.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd

from thermcmp._types import Array, Int64Array
from thermcmp.errors import Fault, InputError
from thermcmp.telemetry.reading.notes import Notebook
from thermcmp.telemetry.reading.options import Reading

_DAY_S: Final = 86_400.0
_HOUR_S: Final = 3_600.0
#: A clock that is set back by no more than this is one that was set right [s].
_SMALL_STEP_S: Final = 5.0
#: Readings this many periods apart leave a gap between them.
_GAP_PERIODS: Final = 5.0
_LEAST_GAP_S: Final = 2.0
#: So many steps show the period as well as all do.
_STEPS: Final = 20_000

#: Times that a reader may give, best first.
TIME_COLUMNS: Final = ("elapsed_s", "recorded_at", "time_of_day_s")


@dataclass(slots=True)
class Clock:
    """The running state of one device's clock.

    Attributes
    ----------
    reading : Reading
        What the user states.
    book : Notebook
        Where notes go.
    local : bool
        Whether the times are local ones that a daylight-saving change moves.
    of_day : bool
        Whether the times start again at midnight.
    """

    reading: Reading
    book: Notebook
    local: bool
    of_day: bool
    _last_raw: float = field(default=np.nan)
    _last_time_s: float = field(default=0.0)
    _segment: int = field(default=0)
    _period_s: float = field(default=np.nan)

    def place(self, raw_s: Array, lines: Int64Array, origin_s: float) -> tuple[Array, Int64Array]:
        """Place readings on the log's time.

        Shapes: raw_s (n,), lines (n,). Returns time_s (n,), segment (n,).
        """
        step = np.diff(raw_s)
        if np.isnan(self._period_s):
            self._start(raw_s, step, origin_s)
        if self.reading.period_s is not None:
            raw_s = self._spread(raw_s)
            step = np.diff(raw_s)
        step = np.concatenate([[raw_s[0] - self._last_raw], step])
        limit = self.reading.gap_s or max(_GAP_PERIODS * self._period_s, _LEAST_GAP_S)
        if len(step) and step.min() >= 0.0 and step.max() <= min(limit, _HOUR_S / 2):
            return self._run_through(raw_s)
        self._mend_back_steps(step, lines)
        self._mend_spring_steps(step, raw_s, lines)
        gaps = step > limit
        for at in np.flatnonzero(gaps)[:20]:
            self.book.note(f"no readings for {step[at]:.0f} s", int(lines[at]))
        lost = step < 0.0
        step[lost] = self._period_s
        time_s = self._last_time_s + np.cumsum(step)
        segment = self._segment + np.cumsum(gaps | lost)
        self._last_raw, self._last_time_s = float(raw_s[-1]), float(time_s[-1])
        self._segment = int(segment[-1])
        return time_s, segment.astype(np.int64)

    def _run_through(self, raw_s: Array) -> tuple[Array, Int64Array]:
        """Place readings without a gap or a step, which is most of them."""
        time_s = raw_s + (self._last_time_s - self._last_raw)
        self._last_raw, self._last_time_s = float(raw_s[-1]), float(time_s[-1])
        return time_s, np.full(len(raw_s), self._segment, dtype=np.int64)

    def _start(self, raw_s: Array, step: Array, origin_s: float) -> None:
        """Find the period from the first readings, and refuse what is no run of time."""
        some = step if len(step) > _STEPS and not step[:_STEPS].any() else step[:_STEPS]
        forward = some[some > 0.0]
        repeats = 1.0 - np.count_nonzero(step) / len(step) if len(step) else 0.0
        if len(step) >= 4 and np.count_nonzero(step < 0.0) > 0.5 * len(step):
            raise self._refused("the times run backwards", "sort the log oldest first")
        if len(step) >= 4 and repeats > 0.4 and self.reading.period_s is None:
            raise self._refused(
                "several readings share one time",
                "name the device column if devices are interleaved, or give period_s= if the "
                "clock is coarser than the readings",
            )
        # The lower median: of two steps one may be a gap.
        middle = (len(forward) - 1) // 2
        found = float(np.sort(forward)[middle]) if len(forward) else 1.0
        self._period_s = self.reading.period_s or found
        self._last_raw = float(raw_s[0])
        self._last_time_s = max(float(raw_s[0]) - origin_s, 0.0)

    def _spread(self, raw_s: Array) -> Array:
        """Spread readings that share one time by the stated period."""
        if self.reading.period_s is None or len(raw_s) < 2:
            return raw_s
        starts = np.flatnonzero(np.diff(raw_s, prepend=np.nan) != 0.0)
        rank = np.arange(len(raw_s)) - np.repeat(starts, np.diff([*starts, len(raw_s)]))
        return raw_s + rank * self.reading.period_s

    def _mend_back_steps(self, step: Array, lines: Int64Array) -> None:
        """Fix steps back whose length is known; the rest stay below zero."""
        if self.of_day:
            midnight = step < -_DAY_S / 2
            step[midnight] += _DAY_S
        for at in np.flatnonzero(step < 0.0):
            back, line = -step[at], int(lines[at])
            slack = max(_SMALL_STEP_S, _GAP_PERIODS * self._period_s)
            if back <= slack:
                self.book.note("the clock was set back by a few seconds; time runs on", line)
                step[at] = self._period_s
            elif self.local and abs(back - _HOUR_S) <= slack:
                self.book.note("the clock went back one hour (daylight saving); time runs on", line)
                step[at] = max(_HOUR_S - back, self._period_s)
            else:
                self.book.note(
                    f"the clock goes back {back:.0f} s: a restart, or two logs in one", line
                )

    def _mend_spring_steps(self, step: Array, raw_s: Array, lines: Int64Array) -> None:
        """Take the hour out that a local clock leaves out in spring.

        It does so on a Sunday before four o'clock, from one full hour to the next
        (European Parliament and Council Directive 2000/84/EC; 15 U.S.C. 260a).
        """
        if not self.local:
            return
        slack = min(max(_SMALL_STEP_S, _GAP_PERIODS * self._period_s), _HOUR_S / 4)
        for at in np.flatnonzero(np.abs(step - _HOUR_S) <= slack):
            start_s = raw_s[at] - step[at]
            # 1970-01-01 was a Thursday.
            sunday = start_s // _DAY_S % 7 == 3
            night = start_s % _DAY_S <= 4 * _HOUR_S
            if sunday and night and -start_s % _HOUR_S <= slack:
                line = int(lines[at])
                self.book.note(
                    "the clock went on one hour (daylight saving); time runs on, state zone= "
                    "if an hour without readings is meant",
                    line,
                )
                step[at] = max(step[at] - _HOUR_S, self._period_s)

    def _refused(self, message: str, fix: str) -> InputError:
        """Make the error for times that are no clock."""
        return InputError(
            "The times of this log are not clear:",
            [Fault(message, fix, self.book.file, None, "time")],
        )


def localise(times: pd.Series, zone: str | None, file: str) -> pd.Series:
    """Convert recorded times to UTC where their zone is known.

    Shapes: times (n,). Returns (n,).
    """
    if isinstance(times.dtype, pd.DatetimeTZDtype):
        return times.dt.tz_convert("UTC")
    if zone is None:
        return times
    try:
        offset = pd.Timestamp(f"2000-01-01T00:00{zone}").tz if zone[:1] in "+-" else zone
        placed = times.dt.tz_localize(offset, ambiguous="infer", nonexistent="raise")
    except (ValueError, KeyError, OSError) as error:
        raise InputError(
            "The times of this log are not clear:",
            [
                Fault(
                    f"they do not fit the zone ({type(error).__name__}: {error})",
                    "give a zone such as 'Europe/Berlin'; where an hour occurs twice, give the "
                    "offset that held, such as '+02:00'",
                    file,
                    None,
                    "time",
                    zone,
                )
            ],
        ) from None
    return placed.dt.tz_convert("UTC")
