"""The forms in which logs write the time, detected from a sample.

A date such as 03/04/2026 is ambiguous. The order of day and month is taken from dates
that allow only one, else it must be stated.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from itertools import pairwise
from typing import Final

from thermcmp.tabular.numbers import MARKS, is_ambiguous, parse_number
from thermcmp.tabular.units import Unit, parse_unit
from thermcmp.telemetry.reading.cell_patterns import two_readings
from thermcmp.telemetry.reading.notes import unclear_times


class TimeKind(StrEnum):
    """How a log writes the time."""

    ELAPSED = "elapsed"
    EPOCH = "epoch"
    STAMP = "stamp"
    ZONED = "zoned stamp"
    TIME_OF_DAY = "time of day"
    DURATION = "duration"
    FORMAT = "stated format"


@dataclass(frozen=True, slots=True)
class TimeForm:
    """The form of a log's times."""

    kind: TimeKind
    scale: float = 1.0  #: seconds per unit of a plain number
    #: Order of the date's parts: "ymd", "dmy", "mdy"; "basic" for ISO dates without separators.
    order: str = "ymd"
    stated: str = ""  #: format stated by the user
    mark: str = "."  #: decimal mark of plain numbers
    utc: bool = False  #: whether the heading states UTC


# Some systems put a narrow no-break space before AM and PM.
_GAP: Final = "[ \t\N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}]*"
_CLOCK: Final = (
    r"(?P<hour>[0-9]{1,3}):(?P<minute>[0-9]{2})(?::(?P<second>[0-9]{2})(?:[.,:](?P<part>[0-9]+))?)?"
    rf"(?:{_GAP}(?P<half>[AaPp])\.?[Mm]\.?)?"
)
_DATE: Final = r"(?P<first>[0-9]{1,4})[-/.](?P<middle>[0-9]{1,2})[-/.](?P<last>[0-9]{1,4})"
_ZONE: Final = r"(?P<zone>Z|UTC|GMT|[+-][0-9]{2}(?::?[0-9]{2})?)?"
STAMP_PATTERN: Final = rf"^\s*{_DATE}[T ,]\s*{_CLOCK}\s*{_ZONE}\s*$"
#: The basic format of ISO 8601: 20260309T120000Z.
BASIC_PATTERN: Final = (
    r"^\s*(?P<first>[0-9]{4})(?P<middle>[0-9]{2})(?P<last>[0-9]{2})T(?P<hour>[0-9]{2})"
    r"(?P<minute>[0-9]{2})(?P<second>[0-9]{2})(?:[.,](?P<part>[0-9]+))?(?P<half>)"
    rf"\s*{_ZONE}\s*$"
)
OF_DAY_PATTERN: Final = rf"^\s*{_CLOCK}\s*$"
#: A time of day, or a counter that may count days: '1.02:03:04', '1 day, 02:03:04'.
DURATION_PATTERN: Final = rf"^\s*(?:(?P<days>[0-9]+)(?:\.|\s*d(?:ays?)?,?\s+))?{_CLOCK}\s*$"
#: Digits before the decimal mark of an epoch of this century, and its unit in seconds.
_EPOCH_SCALES: Final = {10: 1.0, 13: 1e-3, 16: 1e-6, 19: 1e-9}
#: Formats with names of months and days that are offered where they read a time.
_NAMED_FORMATS: Final = tuple(
    form.replace("TIME", clock)
    for form in (
        "%d-%b-%Y TIME", "%d %b %Y TIME", "%d/%b/%Y TIME", "%d.%b.%Y TIME", "%d-%b-%y TIME",
        "%b %d %Y TIME", "%b %d, %Y TIME", "%d %B %Y TIME", "%B %d, %Y TIME", "%a %b %d TIME %Y",
        "%a, %d %b %Y TIME", "%d/%b/%Y:TIME", "%Y/%b/%d TIME", "%d%b%Y TIME", "%d%b%Y:TIME",
        "%Y%m%d TIME", "%Y%m%d_TIME", "%Y-%m-%d_TIME",
    )
    for clock in ("%H:%M:%S", "%H:%M:%S.%f", "%I:%M:%S %p", "%H%M%S", "%H-%M-%S")
)  # fmt: skip
_COMPACT: Final = r"20[0-9]{2}[01][0-9][0-3][0-9][0-2][0-9][0-5][0-9][0-6][0-9]"
#: Day numbers since 1900 of the years 1982 to 2091, and the longest step of a log [days]: as
#: seconds it would be 2 ms.
_FIRST_DAY: Final = 30_000.0
_LAST_DAY: Final = 70_000.0
_LONGEST_STEP_DAYS: Final = 0.002
#: A day may end at 24:00:00; anything beyond is not a time of day.
_LAST_HOUR: Final = 24
#: A form explains a log's times if more than this share of a sample has it; the others are
#: reported with their lines when they are read.
_MOST: Final = 0.5


def find_form(
    cells: Sequence[str],
    unit: Unit | None,
    time_unit: str | None,
    stated: str | None,
    file: str | None = None,
    decimal: str | None = None,
    file_mark: str | None = None,
) -> TimeForm:
    """Return the form of times, as stated or detected from a sample of them."""
    if stated:
        return TimeForm(TimeKind.FORMAT, stated=stated)
    try:
        if not cells:
            raise _UnclearError(
                "the time column is empty", "name the time column, or give period_s="
            )
        numbers: list[str] = []
        for mark in (decimal,) if decimal else (".", ","):
            known = [cell for cell in cells if parse_number(cell, mark) is not None]
            numbers = max(numbers, known, key=len)
            if _most(known, cells):
                proved = decimal or _proved_mark(known, mark, file_mark)
                return _number_form(known, proved, unit, time_unit)
        groups = [numbers]
        for pattern, make_form in (
            (DURATION_PATTERN, _clock_form),
            (BASIC_PATTERN, _stamp_form),
            (STAMP_PATTERN, _stamp_form),
        ):
            matches = [m for cell in cells if (m := re.match(pattern, cell))]
            if _most(matches, cells):
                return make_form(matches)
            groups.append([m.string for m in matches])
        raise _unknown_form(cells, max(groups, key=len))
    except _UnclearError as error:
        raise unclear_times(error.message, error.fix, file, value=error.value) from None


class _UnclearError(Exception):
    """Times without a single form."""

    def __init__(self, message: str, fix: str, value: str | None = None) -> None:
        self.message, self.fix, self.value = message, fix, value
        super().__init__(message)


def _most(known: Sequence[object], cells: Sequence[str]) -> bool:
    """Return whether most of a sample was understood."""
    return len(known) > _MOST * len(cells)


def _unknown_form(cells: Sequence[str], known: Sequence[str]) -> _UnclearError:
    """Return the error for times that have no known form, or several."""
    cell = next(cell for cell in cells if cell not in known)
    if known:
        fix = "correct it, or delete its line"
        return _UnclearError(f"not a time in the form of '{known[0]}'", fix, cell)
    named = re.fullmatch(r"(?P<bare>.*[0-9])\s*(?P<zone>[A-Za-z]{3,5})", cell)
    if named and re.match(STAMP_PATTERN, named["bare"]):
        return _UnclearError(
            f"the zone '{named['zone']}' is not an offset, and such names are not unique",
            f"state time_format= with the word {named['zone']} in it, and the zone that applied "
            "as zone='+01:00' or zone='Europe/Berlin'",
            cell,
        )
    if re.fullmatch(r"[0-9]{1,3}:[0-9]{2}[.,][0-9]+", cell):
        mark = "." if "." in cell else ","
        fix = f"if this is minutes and seconds, state time_format='%M:%S{mark}%f'"
        return _UnclearError("a time without hours", fix, cell)
    known_format = next((form for form in _NAMED_FORMATS if _has_format(cell, form)), "")
    fix = f"state time_format='{known_format}'"
    if not known_format:
        fix = "state time_format=, such as '%d %b %Y %H:%M:%S'"
    return _UnclearError("not a time in a known form", fix, cell)


def _has_format(cell: str, form: str) -> bool:
    """Return whether a time has a format, up to all of its characters."""
    try:
        datetime.strptime(cell.strip(), form)
    except ValueError:
        return False
    return True


def _clock_form(clocks: Sequence[re.Match[str]]) -> TimeForm:
    """Return the form of a time of day, or of a counter that passes 24 hours or counts days."""
    if all(m["second"] is None for m in clocks):
        raise _UnclearError(
            "hours and minutes, or minutes and seconds?",
            "state time_format='%H:%M' or '%M:%S'",
            clocks[0].string,
        )
    counts = any(m["days"] or int(m["hour"]) > _LAST_HOUR for m in clocks)
    return TimeForm(TimeKind.DURATION if counts else TimeKind.TIME_OF_DAY)


def _stamp_form(stamps: Sequence[re.Match[str]]) -> TimeForm:
    """Return the form of stamps: the order of the date, and whether there is a zone."""
    order = "basic" if stamps[0].re.pattern == BASIC_PATTERN else _date_order(stamps)
    zoned = [bool(match["zone"]) for match in stamps]
    if any(zoned) and not all(zoned):
        bare = stamps[zoned.index(False)].string
        fix = "write all with their zone"
        raise _UnclearError("some times have a zone, others have none", fix, bare)
    return TimeForm(TimeKind.ZONED if zoned[0] else TimeKind.STAMP, order=order)


def _number_form(
    cells: Sequence[str], mark: str, unit: Unit | None, time_unit: str | None
) -> TimeForm:
    """Return the form of counters or epochs, by unit or by size."""
    stated = parse_unit(time_unit) if time_unit else unit
    digits = {len(cell.strip().lstrip("+").split(mark)[0]) for cell in cells}
    lead = digits.pop() if len(digits) == 1 else 0
    scale = _EPOCH_SCALES.get(lead, 0.0)
    least = min(parse_number(cell, mark) or 0.0 for cell in cells)
    # A stated unit decides: ten digits of milliseconds are a long uptime, not a date.
    if least * scale > 9e8 and (stated is None or stated.scale == scale):
        return TimeForm(TimeKind.EPOCH, scale=scale, mark=mark)
    if stated is None and re.fullmatch(_COMPACT, cells[0].strip()):
        fix = "state time_format='%Y%m%d%H%M%S', or time_unit= for a counter"
        raise _UnclearError("a date without separators?", fix, cells[0])
    if stated is None and _are_day_numbers([parse_number(cell, mark) or 0.0 for cell in cells]):
        return TimeForm(TimeKind.ELAPSED, scale=86_400.0, mark=mark)
    if stated is None:
        fix = "state time_unit='s' or time_unit='ms'"
        raise _UnclearError("a time without unit: seconds or milliseconds?", fix, cells[0])
    return TimeForm(TimeKind.ELAPSED, scale=stated.scale, mark=mark)


def _are_day_numbers(values: Sequence[float]) -> bool:
    """Return whether numbers are days and their fractions, as spreadsheets store times."""
    steps = [b - a for a, b in pairwise(values)]
    in_days = min(values) > _FIRST_DAY and max(values) < _LAST_DAY
    return in_days and bool(steps) and 0.0 < sorted(steps)[len(steps) // 2] < _LONGEST_STEP_DAYS


def _proved_mark(cells: Sequence[str], mark: str, file_mark: str | None) -> str:
    """Return the decimal mark under which a counter does not fall, else the file's."""
    if not any(map(is_ambiguous, cells)):
        return mark
    rising = []
    for candidate in MARKS:
        values = [parse_number(cell, candidate) for cell in cells]
        known = [value for value in values if value is not None]
        if len(known) == len(cells) and all(a <= b for a, b in pairwise(known)):
            rising.append(candidate)
    if len(rising) == 1:
        return rising[0]
    example = next(filter(is_ambiguous, cells))
    # A comma may group thousands in a log of decimal commas; a point never does beside points.
    if file_mark == "." or (file_mark == "," and "," not in example):
        return file_mark
    fix = "state decimal={'time': '.'} or decimal={'time': ','}"
    raise _UnclearError(two_readings(example), fix, example)


def _date_order(stamps: Sequence[re.Match[str]]) -> str:
    """Return the order of day, month and year that the dates prove."""
    year_first = [len(m["first"]) == 4 for m in stamps]
    year_last = [len(m["last"]) == 4 for m in stamps]
    if all(year_first):
        return "ymd"
    if any(year_first) and any(year_last):
        raise _UnclearError(
            f"dates in two forms, such as '{stamps[year_first.index(True)].string}'",
            "write all in one form",
            stamps[year_last.index(True)].string,
        )
    if not all(year_last):
        fix = f"state time_format=, such as '{_as_format(stamps[0], '%d', '%m', '%y')}'"
        message = "the year has two digits: which part is it?"
        raise _UnclearError(message, fix, stamps[0].string)
    day_first = any(int(m["first"]) > 12 for m in stamps)
    month_first = any(int(m["middle"]) > 12 for m in stamps)
    if day_first and not month_first:
        return "dmy"
    if month_first and not day_first:
        return "mdy"
    raise _UnclearError(
        "day and month change their order" if day_first else "day and month have two readings",
        f"state time_format='{_as_format(stamps[0], '%d', '%m', '%Y')}' or "
        f"'{_as_format(stamps[0], '%m', '%d', '%Y')}', whichever applies",
        stamps[0].string,
    )


def _as_format(stamp: re.Match[str], first: str, middle: str, last: str) -> str:
    """Return the format that reads a stamp."""
    codes = {
        "first": first,
        "middle": middle,
        "last": last,
        "hour": "%I" if stamp["half"] else "%H",
        "minute": "%M",
        "second": "%S",
        "part": "%f",
        "zone": "%z",
    }
    text = stamp.string
    # From the end, so that the positions before stay valid.
    for start, end, code in sorted(
        ((*stamp.span(name), code) for name, code in codes.items() if stamp[name]), reverse=True
    ):
        text = text[:start] + code + text[end:]
    return re.sub(r"[AaPp]\.?[Mm]\.?", "%p", text) if stamp["half"] else text
