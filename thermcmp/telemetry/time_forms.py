"""The forms in which logs tell the time, found from a sample.

A date such as 03/04/2026 has two readings. The order of day and month is taken
from dates that allow only one, else it must be stated.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from thermcmp.errors import Fault, InputError
from thermcmp.telemetry.numerals import parse_number
from thermcmp.telemetry.units import Unit, parse_unit


class TimeKind(StrEnum):
    """How a log tells the time."""

    ELAPSED = "elapsed"
    EPOCH = "epoch"
    STAMP = "stamp"
    ZONED = "zoned stamp"
    TIME_OF_DAY = "time of day"
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
        Order of the date's parts: "ymd", "dmy", "mdy".
    stated : str
        Format stated by the user.
    mark : str
        Decimal mark of plain numbers.
    """

    kind: TimeKind
    scale: float = 1.0
    order: str = "ymd"
    stated: str = ""
    mark: str = "."


_CLOCK: Final = (
    r"(?P<hour>[0-9]{1,3}):(?P<minute>[0-9]{2})(?::(?P<second>[0-9]{2})(?:[.,:](?P<part>[0-9]+))?)?"
    r"(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?"
)
_DATE: Final = r"(?P<first>[0-9]{1,4})[-/.](?P<middle>[0-9]{1,2})[-/.](?P<last>[0-9]{1,4})"
STAMP_PATTERN: Final = (
    rf"^\s*{_DATE}[T ,]\s*{_CLOCK}\s*(?P<zone>Z|UTC|[+-][0-9]{{2}}:?[0-9]{{2}})?\s*$"
)
OF_DAY_PATTERN: Final = rf"^\s*{_CLOCK}\s*$"
#: Digits before the decimal mark of an epoch of this century, and its unit in seconds.
_EPOCH_SCALES: Final = {10: 1.0, 13: 1e-3, 16: 1e-6, 19: 1e-9}
#: A form explains a log's times only if this share of a sample has it.
_MOST: Final = 0.9


def find_form(
    cells: Sequence[str],
    unit: Unit | None,
    time_unit: str | None,
    stated: str | None,
    file: str | None = None,
) -> TimeForm:
    """Find the form of times from a sample of them.

    Parameters
    ----------
    cells : sequence of str
        Times from the log's head and tail, not missing.
    unit : Unit or None
        Unit of the heading.
    time_unit, stated : str or None
        Unit and format that the user states.
    file : str, optional
        File name to show in faults.

    Returns
    -------
    TimeForm
        The form that the cells have, but for a few that are named when they are read.

    Raises
    ------
    InputError
        If there is no such form, or two.
    """
    try:
        return _find_form(cells, unit, time_unit, stated)
    except _UnclearError as found:
        fault = Fault(found.message, found.mend, file, column="time", value=found.value)
        raise InputError("The times of this log are not clear:", [fault]) from None


class _UnclearError(Exception):
    """Why times have no single form."""

    def __init__(self, message: str, mend: str, value: str | None = None) -> None:
        self.message, self.mend, self.value = message, mend, value
        super().__init__(message)


def _find_form(
    cells: Sequence[str], unit: Unit | None, time_unit: str | None, stated: str | None
) -> TimeForm:
    """Find the form that the times have; a few odd ones are named when they are read."""
    if not cells:
        raise _UnclearError("the time column is empty", "name the time column, or give period_s=")
    if stated:
        return TimeForm(TimeKind.FORMAT, stated=stated)
    for mark in (".", ","):
        numbers = {cell: parse_number(cell, mark) for cell in cells}
        if _most(list(numbers.values())):
            known = [cell for cell in cells if numbers[cell] is not None]
            values = [n for n in numbers.values() if n is not None]
            return _number_form(known, values, mark, unit, time_unit)
    of_day = [cell for cell in cells if re.match(OF_DAY_PATTERN, cell)]
    if len(of_day) >= _MOST * len(cells):
        if all(cell.count(":") == 1 for cell in of_day):
            raise _UnclearError(
                "hours and minutes, or minutes and seconds?",
                "state time_format='%H:%M' or '%M:%S'",
                cells[0],
            )
        return TimeForm(TimeKind.TIME_OF_DAY)
    matches = [re.match(STAMP_PATTERN, cell) for cell in cells]
    if not _most(matches):
        odd = cells[[match is None for match in matches].index(True)]
        mend = "state time_format=, such as '%d %b %Y %H:%M:%S'"
        raise _UnclearError("not a time in a known form", mend, odd)
    found = [match for match in matches if match is not None]
    order = _date_order([(m["first"], m["middle"], m["last"]) for m in found], cells[0])
    zoned = [bool(match["zone"]) for match in found]
    if any(zoned) and not all(zoned):
        bare = found[zoned.index(False)].string
        raise _UnclearError(
            "some times have a zone, some have none", "write all with their zone", bare
        )
    return TimeForm(TimeKind.ZONED if zoned[0] else TimeKind.STAMP, order=order)


def _most(found: Sequence[object]) -> bool:
    """Tell whether most of a sample was understood."""
    return sum(one is not None for one in found) >= _MOST * len(found)


def _number_form(
    cells: Sequence[str], numbers: list[float], mark: str, unit: Unit | None, time_unit: str | None
) -> TimeForm:
    """Tell counters from epochs, by unit or by size."""
    stated = parse_unit(time_unit) if time_unit else unit
    digits = {len(cell.strip().lstrip("+").split(mark)[0]) for cell in cells}
    lead = digits.pop() if len(digits) == 1 else 0
    scale = _EPOCH_SCALES.get(lead, 0.0)
    # A stated unit decides: ten digits of milliseconds are a long uptime, not a date.
    if min(numbers) * scale > 9e8 and (stated is None or stated.scale == scale):
        return TimeForm(TimeKind.EPOCH, scale=scale, mark=mark)
    if stated is None:
        raise _UnclearError(
            "a time without unit: seconds or milliseconds?",
            "state time_unit='s' or time_unit='ms'",
            cells[0],
        )
    return TimeForm(TimeKind.ELAPSED, scale=stated.scale, mark=mark)


def _date_order(dates: list[tuple[str, str, str]], example: str) -> str:
    """Find the order of day, month and year, by proof."""
    if all(len(first) == 4 for first, _, _ in dates):
        return "ymd"
    if not all(len(last) == 4 for _, _, last in dates):
        raise _UnclearError(
            "the year has two digits: which part is it?",
            "state time_format=, such as '%d.%m.%y %H:%M:%S'",
            example,
        )
    day_first = any(int(first) > 12 for first, _, _ in dates)
    month_first = any(int(middle) > 12 for _, middle, _ in dates)
    if day_first and not month_first:
        return "dmy"
    if month_first and not day_first:
        return "mdy"
    raise _UnclearError(
        "day and month have two readings" if not day_first else "day and month change their order",
        "state time_format='%d/%m/%Y %H:%M:%S' or '%m/%d/%Y %H:%M:%S' as it is written",
        example,
    )
