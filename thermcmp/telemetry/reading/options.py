"""How a log is to be read: what the user states, checked once."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from thermcmp.errors import Fault, InputError
from thermcmp.tabular.numbers import MARKS
from thermcmp.tabular.units import Dimension, parse_unit
from thermcmp.tabular.words import MISSING
from thermcmp.telemetry.quantities import role_of

Column = str | int | re.Pattern[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What the user states about a log; all that is left out is found or refused.

    Attributes
    ----------
    columns : mapping of str to str, int or re.Pattern, optional
        Canonical name to exact heading, position (from 0) or pattern that finds one
        heading. Names end with their unit (``memory_c``, ``fan_rpm``, ``power_w``,
        ``noise_dba``, ``fan_percent``), beside ``time``, ``date``, ``device``,
        ``firmware`` and ``throttled``. With it, only these columns are read, plus the
        time; without it every heading with a known unit is.
    units : mapping of str to str
        Unit of a column as logged, by canonical name, where the log does not say it.
        A column that is named in `columns` is otherwise taken to be in the unit of
        its canonical name.
    delimiter : str, optional
        Field delimiter; a blank stands for any run of blanks, two for two or more.
    decimal : {".", ","} or mapping of str to {".", ","}, optional
        Decimal mark, of the file or by canonical name.
    encoding : str, optional
        Text encoding.
    header_line : int, optional
        Line of the headings, from 1; 0 if there are none.
    missing : tuple of str
        Further words for "no reading", beside the usual ones.
    time_format : str, optional
        Format of the time as `datetime.datetime.strptime` takes it; with a date
        column, of the date, a blank and the time.
    time_unit : {"s", "ms", "us", "ns", "min", "h"}, optional
        Unit of a time that is a plain number.
    zone : str, optional
        Zone of local times, such as "Europe/Berlin" or "+02:00".
    date : str, optional
        Date of the first reading as YYYY-MM-DD, for logs with the time of day alone.
    period_s : float, optional
        Time between readings [s], for logs without a time column or with a clock
        coarser than the readings.
    gap_s : float, optional
        Longest time between readings that is no gap [s]; five periods by default.
    one_device : bool
        States that all rows are of one device, where a column that was not read looks
        like the ids of several.
    span_s : tuple of float, optional
        First and last time to keep [s since the first reading]; the rest is left out
        while reading.
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
    span_s: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        for name in ("columns", "units"):
            stated = getattr(self, name)
            if stated is not None and not isinstance(stated, Mapping):
                fault = Fault(
                    "not a mapping",
                    "give canonical names with what they stand for, as {'memory_c': 'T mem'}",
                    column=name,
                    value=type(stated).__name__,
                )
                raise InputError("A log cannot be read as stated:", [fault])
        faults = [
            *self._column_faults(),
            *self._unit_faults(),
            *self._mark_faults(),
            *self._time_faults(),
        ]
        if faults:
            raise InputError("A log cannot be read as stated:", faults)

    @classmethod
    def of(cls, columns: Mapping[str, Column] | None, options: Mapping[str, Any]) -> Reading:
        """Make one from keyword options.

        Raises
        ------
        InputError
            If an option is not known or its value is not allowed.
        """
        known = {f.name for f in fields(cls)} - {"columns"}
        unknown = sorted(set(options) - known)
        if unknown:
            raise InputError(
                "A log cannot be read as stated:",
                [
                    Fault("no such option", f"use one of {', '.join(sorted(known))}", column=name)
                    for name in unknown
                ],
            )
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

    def _column_faults(self) -> list[Fault]:
        """Find names that are not canonical and places that are no place."""
        faults = []
        for name, place in (self.columns or {}).items():
            if role_of(name) is None:
                faults.append(
                    Fault(
                        "not a canonical column name",
                        "end it with its unit (_c, _rpm, _w, _dba, _percent, _mhz, _v, _a, _s), "
                        "or use time, date, device, firmware, throttled",
                        column=str(name),
                    )
                )
            if isinstance(place, bool) or not isinstance(place, (str, int, re.Pattern)):
                faults.append(
                    Fault(
                        "a column is stated by heading, position or pattern",
                        "give a str, an int from 0 or a compiled pattern",
                        column=str(name),
                        value=str(place),
                    )
                )
            elif isinstance(place, int) and place < 0:
                faults.append(
                    Fault(
                        "positions count from 0",
                        "give a position of 0 or more",
                        column=str(name),
                        value=str(place),
                    )
                )
        return faults

    def _unit_faults(self) -> list[Fault]:
        """Find stated units that are none or measure something else."""
        faults = []
        for name, text in self.units.items():
            unit = parse_unit(text)
            if unit is None or unit.dimension.value != name.rpartition("_")[2]:
                faults.append(
                    Fault(
                        "not a unit of this quantity",
                        "give a unit such as °F, mW or 1/s",
                        column=name,
                        value=text,
                    )
                )
        return faults

    def _mark_faults(self) -> list[Fault]:
        """Find decimal marks and delimiters that cannot be."""
        marks = self.decimal.values() if isinstance(self.decimal, Mapping) else [self.decimal]
        faults = [
            Fault(
                "a decimal mark is '.' or ','", "give one of them", column="decimal", value=str(m)
            )
            for m in marks
            if m is not None and m not in MARKS
        ]
        if self.delimiter is not None and len(self.delimiter) != 1 and self.delimiter != "  ":
            faults.append(
                Fault(
                    "a delimiter is one character",
                    "give one, such as ';'",
                    column="delimiter",
                    value=self.delimiter,
                )
            )
        if self.header_line is not None and self.header_line < 0:
            faults.append(
                Fault(
                    "lines count from 1",
                    "give the heading's line, or 0 for none",
                    column="header_line",
                    value=str(self.header_line),
                )
            )
        if self.encoding is not None:
            try:
                "".encode(self.encoding)
            except (LookupError, UnicodeError):
                faults.append(
                    Fault(
                        "no such encoding",
                        "give one such as 'utf-8' or 'cp1252'",
                        column="encoding",
                        value=self.encoding,
                    )
                )
        return faults

    def _time_faults(self) -> list[Fault]:
        """Find times, spans and units of time that cannot be."""
        faults = []
        for name in ("period_s", "gap_s"):
            value = getattr(self, name)
            if value is not None and not 0.0 < value < float("inf"):
                faults.append(
                    Fault(
                        "must be above zero",
                        "give a time in seconds",
                        column=name,
                        value=str(value),
                    )
                )
        if self.time_unit is not None:
            unit = parse_unit(self.time_unit)
            if unit is None or unit.dimension is not Dimension.TIME:
                faults.append(
                    Fault(
                        "not a unit of time",
                        "give s, ms, us, ns, min or h",
                        column="time_unit",
                        value=self.time_unit,
                    )
                )
        if self.date is not None and not re.fullmatch(r"\d{4}-[01]\d-[0-3]\d", self.date):
            faults.append(
                Fault("not a date", "write it as YYYY-MM-DD", column="date", value=self.date)
            )
        if self.span_s is not None and not self.span_s[0] < self.span_s[1]:
            faults.append(
                Fault(
                    "the span is empty",
                    "give (first, last) in seconds",
                    column="span_s",
                    value=str(self.span_s),
                )
            )
        return faults
