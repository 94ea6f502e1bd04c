"""The forms in which logs tell the time, found from a sample.

A date such as 03/04/2026 has two readings. The order of day and month is taken
from dates that allow only one, else it must be stated.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import Final

from thermcmp.errors import Fault, InputError
from thermcmp.tabular.numbers import MARKS, both_readings, is_ambiguous, parse_number
from thermcmp.tabular.units import Unit, parse_unit


class TimeKind(StrEnum):
    """How a log tells the time."""

    ELAPSED = "elapsed"
    EPOCH = "epoch"
    STAMP = "stamp"
    ZONED = "zoned stamp"
    TIME_OF_DAY = "time of day"
    DURATION = "duration"
    FORMAT = "stated format"


@dataclass(frozen=True, slots=True)
class TimeForm:
    """The form of a log's times.

    Attributes
    ----------
    kind : TimeKind
        What the times are.
    scale : float
        Seconds per unit of a plain number.
    order : str
        Order of the date's parts: "ymd", "dmy", "mdy"; "basic" for ISO dates without marks.
    stated : str
        Format stated by the user.
    mark : str
        Decimal mark of plain numbers.
    utc : bool
        Whether the heading says that the times are in UTC.
    """

    kind: TimeKind
    scale: float = 1.0
    order: str = "ymd"
    stated: str = ""
    mark: str = "."
    utc: bool = False


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
_COMPACT: Final = r"20[0-9]{2}[01][0-9][0-3][0-9][0-2][0-9][0-5][0-9][0-6][0-9]"
#: A day may end at 24:00:00; what counts further is no time of day.
_LAST_HOUR: Final = 24
#: A form explains a log's times if more than this share of a sample has it; the odd ones
#: are named with their lines when they are read.
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
    """Find the form of times from a sample of them."""
    try:
        if stated:
            return TimeForm(TimeKind.FORMAT, stated=stated)
        return _find_form(cells, unit, time_unit, decimal, file_mark)
    except _UnclearError as found:
        fault = Fault(found.message, found.fix, file, column="time", value=found.value)
        raise InputError("The times of this log are not clear:", [fault]) from None


class _UnclearError(Exception):
    """Why times have no single form."""

    def __init__(self, message: str, fix: str, value: str | None = None) -> None:
        self.message, self.fix, self.value = message, fix, value
        super().__init__(message)


def _find_form(
    cells: Sequence[str],
    unit: Unit | None,
    time_unit: str | None,
    decimal: str | None,
    file_mark: str | None,
) -> TimeForm:
    """Find the form that the times have; a few odd ones are named when they are read."""
    if not cells:
        raise _UnclearError("the time column is empty", "name the time column, or give period_s=")
    numbers: list[str] = []
    for mark in (decimal,) if decimal else (".", ","):
        known = [cell for cell in cells if parse_number(cell, mark) is not None]
        numbers = max(numbers, known, key=len)
        if _most(known, cells):
            proved = decimal or _proved_mark(known, mark, file_mark)
            return _number_form(known, proved, unit, time_unit)
    clocks = [m for cell in cells if (m := re.match(DURATION_PATTERN, cell))]
    if _most(clocks, cells):
        return _clock_form(clocks)
    basic = [m for cell in cells if (m := re.match(BASIC_PATTERN, cell))]
    if _most(basic, cells):
        return _stamp_form(basic, basic=True)
    stamps = [m for cell in cells if (m := re.match(STAMP_PATTERN, cell))]
    if _most(stamps, cells):
        return _stamp_form(stamps, basic=False)
    groups = (numbers, *([m.string for m in found] for found in (clocks, basic, stamps)))
    raise _unknown_form(cells, max(groups, key=len))


def _most(known: Sequence[object], cells: Sequence[str]) -> bool:
    """Return whether most of a sample was understood."""
    return len(known) > _MOST * len(cells)


def _unknown_form(cells: Sequence[str], known: Sequence[str]) -> _UnclearError:
    """Describe what may help with times that have no known form, or several."""
    cell = next(cell for cell in cells if cell not in known)
    if known:
        fix = "correct it, or take its line out"
        return _UnclearError(f"not a time in the form of '{known[0]}'", fix, cell)
    named = re.fullmatch(r"(?P<bare>.*[0-9])\s*(?P<zone>[A-Za-z]{3,5})", cell)
    if named and re.match(STAMP_PATTERN, named["bare"]):
        return _UnclearError(
            f"the zone '{named['zone']}' is no offset, and such names are not unique",
            f"state time_format= with {named['zone']} in it as a word, and zone='+01:00' or "
            "'Europe/Berlin' as it was",
            cell,
        )
    if re.fullmatch(r"[0-9]{1,3}:[0-9]{2}[.,][0-9]+", cell):
        mark = "." if "." in cell else ","
        fix = f"if it is minutes and seconds, state time_format='%M:%S{mark}%f'"
        return _UnclearError("a time without hours", fix, cell)
    return _UnclearError(
        "not a time in a known form", "state time_format=, such as '%d %b %Y %H:%M:%S'", cell
    )


def _clock_form(clocks: Sequence[re.Match[str]]) -> TimeForm:
    """Return a time of day from a counter, which passes 24 hours or counts days."""
    if all(m["second"] is None for m in clocks):
        raise _UnclearError(
            "hours and minutes, or minutes and seconds?",
            "state time_format='%H:%M' or '%M:%S'",
            clocks[0].string,
        )
    counts = any(m["days"] or int(m["hour"]) > _LAST_HOUR for m in clocks)
    return TimeForm(TimeKind.DURATION if counts else TimeKind.TIME_OF_DAY)


def _stamp_form(found: Sequence[re.Match[str]], *, basic: bool) -> TimeForm:
    """Find the order of a date and whether there is a zone."""
    order = "ymd" if basic else _date_order(found)
    zoned = [bool(match["zone"]) for match in found]
    if any(zoned) and not all(zoned):
        bare = found[zoned.index(False)].string
        raise _UnclearError(
            "some times have a zone, some have none", "write all with their zone", bare
        )
    kind = TimeKind.ZONED if zoned[0] else TimeKind.STAMP
    return TimeForm(kind, order="basic" if basic else order)


def _number_form(
    cells: Sequence[str], mark: str, unit: Unit | None, time_unit: str | None
) -> TimeForm:
    """Return counters from epochs, by unit or by size."""
    stated = parse_unit(time_unit) if time_unit else unit
    digits = {len(cell.strip().lstrip("+").split(mark)[0]) for cell in cells}
    lead = digits.pop() if len(digits) == 1 else 0
    scale = _EPOCH_SCALES.get(lead, 0.0)
    least = min(parse_number(cell, mark) or 0.0 for cell in cells)
    # A stated unit decides: ten digits of milliseconds are a long uptime, not a date.
    if least * scale > 9e8 and (stated is None or stated.scale == scale):
        return TimeForm(TimeKind.EPOCH, scale=scale, mark=mark)
    if stated is None and re.fullmatch(_COMPACT, cells[0].strip()):
        raise _UnclearError(
            "a date written without marks?",
            "state time_format='%Y%m%d%H%M%S', or time_unit= for a counter",
            cells[0],
        )
    if stated is None:
        raise _UnclearError(
            "a time without unit: seconds or milliseconds?",
            "state time_unit='s' or time_unit='ms'",
            cells[0],
        )
    return TimeForm(TimeKind.ELAPSED, scale=stated.scale, mark=mark)


def _proved_mark(cells: Sequence[str], mark: str, file_mark: str | None) -> str:
    """Return the decimal mark under which a counter does not fall, else the file's."""
    if not any(map(is_ambiguous, cells)):
        return mark
    rising = []
    for one in MARKS:
        values = [parse_number(cell, one) for cell in cells]
        known = [value for value in values if value is not None]
        if len(known) == len(cells) and all(a <= b for a, b in pairwise(known)):
            rising.append(one)
    if len(rising) == 1:
        return rising[0]
    example = next(filter(is_ambiguous, cells))
    # A comma may group in a log of decimal commas; a point never groups beside points.
    if file_mark == "." or (file_mark == "," and "," not in example):
        return file_mark
    point, comma = both_readings(example)
    raise _UnclearError(
        f"two readings: {point} with decimal point, {comma} with decimal comma",
        "state decimal={'time': '.'} or decimal={'time': ','}",
        example,
    )


def _date_order(found: Sequence[re.Match[str]]) -> str:
    """Find the order of day, month and year, by proof."""
    year_first = [len(m["first"]) == 4 for m in found]
    year_last = [len(m["last"]) == 4 for m in found]
    if all(year_first):
        return "ymd"
    if any(year_first) and any(year_last):
        raise _UnclearError(
            f"dates in two forms, such as '{found[year_first.index(True)].string}'",
            "write all in one form",
            found[year_last.index(True)].string,
        )
    if not all(year_last):
        raise _UnclearError(
            "the year has two digits: which part is it?",
            f"state time_format=, such as '{_as_format(found[0], '%d', '%m', '%y')}'",
            found[0].string,
        )
    day_first = any(int(m["first"]) > 12 for m in found)
    month_first = any(int(m["middle"]) > 12 for m in found)
    if day_first and not month_first:
        return "dmy"
    if month_first and not day_first:
        return "mdy"
    raise _UnclearError(
        "day and month have two readings" if not day_first else "day and month change their order",
        f"state time_format='{_as_format(found[0], '%d', '%m', '%Y')}' or "
        f"'{_as_format(found[0], '%m', '%d', '%Y')}' as it is written",
        found[0].string,
    )


def _as_format(found: re.Match[str], first: str, middle: str, last: str) -> str:
    """Write a stamp as the format that reads it."""
    codes = {
        "first": first,
        "middle": middle,
        "last": last,
        "hour": "%I" if found["half"] else "%H",
        "minute": "%M",
        "second": "%S",
        "part": "%f",
        "zone": "%z",
    }
    text, shift = found.string, 0
    for name, code in codes.items():
        if found[name]:
            start, end = (at + shift for at in found.span(name))
            text = text[:start] + code + text[end:]
            shift += len(code) - (end - start)
    return re.sub(r"[AaPp]\.?[Mm]\.?", "%p", text) if found["half"] else text
