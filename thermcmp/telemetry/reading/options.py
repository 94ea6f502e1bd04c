"""Options for reading a log, checked once."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Final

from thermcmp.errors import Fault, InputError
from thermcmp.tabular.numbers import MARKS
from thermcmp.tabular.units import Dimension, parse_unit
from thermcmp.tabular.words import MISSING
from thermcmp.telemetry.quantities import role_of

Column = str | int | re.Pattern[str]
#: First line of the error for options that are not valid.
INVALID: Final = "The reading options are not valid:"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What the user states about a log; the rest is detected, or the log refused.

    Attributes
    ----------
    columns : mapping of str to str, int or re.Pattern, optional
        Canonical name to exact heading, position (from 0) or pattern that finds one
        heading. Names end with their unit (``memory_c``, ``fan_rpm``, ``power_w``,
        ``noise_dba``, ``fan_percent``), beside ``time``, ``date``, ``device``,
        ``firmware`` and ``throttled``. If given, only these columns and the time are
        read; by default every column whose heading has a known unit.
    units : mapping of str to str
        Unit of a column as logged, by canonical name, where the log does not state it;
        by default a column named in `columns` is in the unit of its canonical name.
    delimiter : str, optional
        Field delimiter; one blank means any run of blanks, two mean two or more.
    decimal : {".", ","} or mapping of str to {".", ","}, optional
        Decimal mark, of the whole file or by canonical name.
    encoding : str, optional
        Text encoding.
    header_line : int, optional
        Line of the headings, from 1; 0 if there are none.
    missing : tuple of str
        Further words for "no reading", beside the usual ones.
    time_format : str, optional
        Format of the time for `datetime.datetime.strptime`; with a date column, of the
        date, a blank and the time.
    time_unit : {"s", "ms", "us", "ns", "min", "h"}, optional
        Unit of a time that is a plain number.
    zone : str, optional
        Time zone of local times, such as "Europe/Berlin" or "+02:00".
    date : str, optional
        Date of the first reading as YYYY-MM-DD, for logs with only the time of day.
    period_s : float, optional
        Time between readings [s], for logs without a time column or with a clock
        coarser than the readings.
    gap_s : float, optional
        Longest time between readings that is not a gap [s]; five periods by default.
    one_device : bool
        Whether all rows are of one device although an unread column looks like the ids
        of several.
    skip_bad_times : bool
        Whether lines whose time cannot be read are left out with a note; by default they
        refuse the log.
    skip_bad_lines : bool
        Whether lines with more or fewer fields than the headings, or without a reading, are
        left out with a note; by default they refuse the log.
    span_s : tuple of float, optional
        First and last time to keep [s since the first reading].
    split_by : str, optional
        Heading of a set point whose blocks are runs of their own, ``"gap"`` for sessions
        between gaps of more than a minute, or ``"device"``.
    """

    columns: Mapping[str, Column] | None = None
    units: Mapping[str, str] = field(default_factory=dict)
    delimiter: str | None = None
    decimal: str | Mapping[str, str] | None = None
    encoding: str | None = None
    header_line: int | None = None
    missing: tuple[str, ...] = ()
    time_format: str | None = None
    time_unit: str | None = None
    zone: str | None = None
    date: str | None = None
    period_s: float | None = None
    gap_s: float | None = None
    one_device: bool = False
    skip_bad_times: bool = False
    skip_bad_lines: bool = False
    span_s: tuple[float, float] | None = None
    split_by: str | None = None

    def __post_init__(self) -> None:
        for name in ("columns", "units"):
            stated = getattr(self, name)
            if stated is not None and not isinstance(stated, Mapping):
                fix = "map canonical names to what they stand for, as {'memory_c': 'T mem'}"
                kind = type(stated).__name__
                raise InputError(INVALID, [_fault(name, kind, "not a mapping", fix)])
        faults = [*self._column_faults(), *self._format_faults(), *self._time_faults()]
        if faults:
            raise InputError(INVALID, faults)

    @classmethod
    def of(cls, columns: Mapping[str, Column] | None, options: Mapping[str, Any]) -> Reading:
        """Check keyword options, also for their names."""
        known = {f.name for f in fields(cls)} - {"columns"}
        fix = f"use one of {', '.join(sorted(known))}"
        unknown = sorted(set(options) - known)
        if unknown:
            faults = [Fault("no such option", fix, column=name) for name in unknown]
            raise InputError(INVALID, faults)
        return cls(columns=columns, **options)

    @property
    def missing_words(self) -> frozenset[str]:
        """All words for "no reading", in lower case."""
        return frozenset(MISSING) | {word.strip().lower() for word in self.missing}

    def mark_of(self, name: str) -> str | None:
        """Return the stated decimal mark of a column."""
        if isinstance(self.decimal, Mapping):
            return self.decimal.get(name)
        return self.decimal

    def _column_faults(self) -> Iterator[Fault]:
        """Check the stated columns and units."""
        for name, place in (self.columns or {}).items():
            if role_of(name) is None:
                fix = (
                    "end it with its unit (_c, _rpm, _w, _dba, _percent, _mhz, _v, _a, _s), "
                    "or use time, date, device, firmware, throttled"
                )
                yield Fault("not a canonical column name", fix, column=str(name))
            if isinstance(place, bool) or not isinstance(place, (str, int, re.Pattern)):
                fix = "give a str, an int from 0 or a compiled pattern"
                yield _fault(name, place, "not a heading, position or pattern", fix)
            elif isinstance(place, int) and place < 0:
                yield _fault(name, place, "positions count from 0", "give a position of 0 or more")
        for name, text in self.units.items():
            unit = parse_unit(text)
            if unit is None or unit.dimension.value != name.rpartition("_")[2]:
                fix = "give a unit such as °F, mW or 1/s"
                yield _fault(name, text, "not a unit of this quantity", fix)

    def _format_faults(self) -> Iterator[Fault]:
        """Check decimal marks, delimiter, heading line and encoding."""
        marks = self.decimal.values() if isinstance(self.decimal, Mapping) else [self.decimal]
        for mark in marks:
            if mark is not None and mark not in MARKS:
                yield _fault("decimal", mark, "not a decimal mark", "use '.' or ','")
        if self.delimiter is not None and len(self.delimiter) != 1 and self.delimiter != "  ":
            message = "a delimiter is one character"
            yield _fault("delimiter", self.delimiter, message, "give one, such as ';'")
        if self.header_line is not None and self.header_line < 0:
            fix = "give the line of the headings, or 0 for none"
            yield _fault("header_line", self.header_line, "lines count from 1", fix)
        if self.encoding is not None:
            try:
                "".encode(self.encoding)
            except (LookupError, UnicodeError):
                fix = "give one such as 'utf-8' or 'cp1252'"
                yield _fault("encoding", self.encoding, "no such encoding", fix)

    def _time_faults(self) -> Iterator[Fault]:
        """Check times, spans and the unit of time."""
        for name in ("period_s", "gap_s"):
            value = getattr(self, name)
            if value is not None and not 0.0 < value < float("inf"):
                yield _fault(name, value, "must be above zero", "give a time in seconds")
        if self.time_unit is not None:
            unit = parse_unit(self.time_unit)
            if unit is None or unit.dimension is not Dimension.TIME:
                fix = "give s, ms, us, ns, min or h"
                yield _fault("time_unit", self.time_unit, "not a unit of time", fix)
        if self.date is not None and not re.fullmatch(r"\d{4}-[01]\d-[0-3]\d", self.date):
            yield _fault("date", self.date, "not a date", "write it as YYYY-MM-DD")
        if self.span_s is not None and not self.span_s[0] < self.span_s[1]:
            fix = "give (first, last) in seconds"
            yield _fault("span_s", self.span_s, "the span is empty", fix)


def _fault(column: str, value: object, message: str, fix: str) -> Fault:
    """Return the fault of an option or stated column."""
    return Fault(message, fix, column=str(column), value=str(value))
