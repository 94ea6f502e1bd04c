"""The reader of delimited text."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from thermcmp._types import Array
from thermcmp.telemetry.reading.block_parser import BlockParser
from thermcmp.telemetry.reading.conversion import Columns
from thermcmp.telemetry.reading.field_plan import Plan, make_plan
from thermcmp.telemetry.reading.layout import Layout, find_layout
from thermcmp.telemetry.reading.notes import Notebook
from thermcmp.telemetry.reading.options import Reading
from thermcmp.telemetry.reading.text_file import TextFile
from thermcmp.telemetry.reading.time_formats import TimeForm, TimeKind

_DAY_S = 86_400.0
_ISO_DATE = re.compile(r"(?<![0-9])[0-9]{4}-[01][0-9]-[0-3][0-9](?![0-9])")


@dataclass(frozen=True, slots=True)
class DelimitedReader:
    """Reads delimited text of any program: its layout is found, or stated.

    Attributes
    ----------
    name : str
        "delimited text".
    suffixes : tuple of str
        Endings read unasked; other unknown endings are read as text too.
    """

    name: str = "delimited text"
    suffixes: tuple[str, ...] = (".csv", ".tsv", ".txt", ".log", ".dat")

    def read(self, path: Path, reading: Reading, book: Notebook) -> Iterator[pd.DataFrame]:
        """Read a text log block by block."""
        text = TextFile.open(path, reading.encoding)
        layout = find_layout(text, reading)
        plan = make_plan(text, layout, reading)
        parser = BlockParser(layout, plan, reading, book)
        if text.cut:
            book.note("the last line has no line end: left out, as it may be cut")
        for note in plan.notes:
            book.note(note)
        calendar = _Calendar.of(reading.date or _preamble_date(layout))
        for block in text.blocks():
            readings = block.from_line(layout.data_line)
            for columns in parser.parse(readings) if readings.n_lines else ():
                yield pd.DataFrame(_with_time(columns, plan, calendar), copy=False)
        parser.finish()


@dataclass(slots=True)
class _Calendar:
    """Dates times of day, with midnights counted over the blocks of a log."""

    day_s: float
    last_s: float = 0.0

    @classmethod
    def of(cls, date: str | None) -> _Calendar | None:
        """Start on a date; None where none is known."""
        if date is None:
            return None
        return cls(float(np.datetime64(date, "s").astype(np.int64)))

    def date(self, of_day_s: Array) -> Array:
        """Return seconds since 1970 of times of day [s]."""
        midnights = np.diff(of_day_s, prepend=self.last_s) < -_DAY_S / 2
        dated = self.day_s + np.cumsum(midnights) * _DAY_S + of_day_s
        self.day_s += float(np.count_nonzero(midnights)) * _DAY_S
        self.last_s = float(of_day_s[-1])
        return dated


def _with_time(columns: Columns, plan: Plan, calendar: _Calendar | None) -> Columns:
    """Turn the times as logged into one of the columns that the clock takes."""
    if plan.time is None:
        return columns
    form: TimeForm = plan.time
    seconds = columns.pop("seconds")
    if form.kind in (TimeKind.ELAPSED, TimeKind.DURATION):
        columns.setdefault("elapsed_s", seconds)
        return columns
    if form.kind is TimeKind.TIME_OF_DAY or (form.kind is TimeKind.FORMAT and _lacks_date(form)):
        of_day = seconds % _DAY_S
        if calendar is None or np.isnan(of_day).any():
            columns["time_of_day_s"] = of_day
            return columns
        seconds = calendar.date(of_day)
    known = ~np.isnan(seconds)
    micro = np.where(known, np.round(np.nan_to_num(seconds) * 1e6), 0.0).astype(np.int64)
    times = micro.astype("datetime64[us]")
    times[~known] = np.datetime64("NaT", "us")
    stamps = pd.Series(times)
    in_utc = form.utc or form.kind in (TimeKind.EPOCH, TimeKind.ZONED) or "%z" in form.stated
    columns["recorded_at"] = stamps.dt.tz_localize("UTC") if in_utc else stamps
    return columns


def _preamble_date(layout: Layout) -> str | None:
    """Return the only ISO date above the readings, if there is one."""
    dates = {date for line in layout.preamble for date in _ISO_DATE.findall(line)}
    return dates.pop() if len(dates) == 1 else None


def _lacks_date(form: TimeForm) -> bool:
    """Return whether a stated format holds the time of day alone."""
    return not any(code in form.stated for code in ("%d", "%j", "%x", "%c", "%D", "%F"))
