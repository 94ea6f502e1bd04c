"""Numbers as people write them: decimal mark, thousands mark, unit.

``1,850`` is 1850 to one reader and 1.85 to another. A column's decimal mark is
therefore proved by its cells, or by the range of its quantity; where both
readings stay possible the user must state the mark.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from typing import Final

from thermcmp.tabular.units import RANGES, Dimension, Unit, parse_unit

POINT: Final = "."
COMMA: Final = ","
MARKS: Final = (POINT, COMMA)

_SPACES: Final = "'’\N{NO-BREAK SPACE}\N{THIN SPACE}\N{NARROW NO-BREAK SPACE} "


def _pattern(decimal: str, thousands: str) -> re.Pattern[str]:
    """Build the pattern of a number with these marks.

    All groups have the same separator, the first never starts with 0 (0,123 is a
    fraction), and a number with an exponent is never grouped.
    """
    mark, group = re.escape(decimal), f"[{re.escape(thousands)}{_SPACES}]"
    grouped = rf"[1-9][0-9]{{0,2}}(?P<group>{group})[0-9]{{3}}(?:(?P=group)[0-9]{{3}})*"
    # '71.' is a number, '71,' is a cell and a comma.
    least = "*" if decimal == POINT else "+"
    plain = rf"(?:[0-9]+(?:{mark}[0-9]{least})?|{mark}[0-9]+)(?:[eE][+-]?[0-9]+)?"
    return re.compile(rf"[+\-−]?(?:{grouped}(?:{mark}[0-9]{least})?|{plain})")


_NUMBER: Final = {POINT: _pattern(POINT, COMMA), COMMA: _pattern(COMMA, POINT)}


# A plan asks several times about the cells of its sample, under both marks.
@lru_cache(maxsize=8192)
def parse_number(text: str, mark: str = POINT) -> float | None:
    """Parse a number written with a decimal mark."""
    plain = text.strip()
    if not _NUMBER[mark].fullmatch(plain):
        return None
    other = COMMA if mark == POINT else POINT
    for sign in (other, *_SPACES):
        plain = plain.replace(sign, "")
    return float(plain.replace(mark, POINT).replace("−", "-"))


# The figure of '1/min' belongs to the unit.
_DRESSED: Final = re.compile(
    r"^\s*(?P<number>[+\-−]?[0-9.,](?:(?!\s1/)[0-9.,'’\s])*(?:[eE][+-]?[0-9]+)?)(?P<unit>.*?)\s*$",
    re.DOTALL,
)


@lru_cache(maxsize=8192)
def split_cell(text: str) -> tuple[str, str]:
    """Return number and unit of a cell such as ``72 °C``."""
    match = _DRESSED.match(text)
    if match is None:
        return text.strip(), ""
    return match["number"].strip(), match["unit"].strip()


class Mark(Enum):
    """What the spelling of a number shows about the decimal mark."""

    POINT = "."
    COMMA = ","
    NONE = "no mark"
    EITHER = "reads both ways"
    BROKEN = "no number"


@lru_cache(maxsize=8192)
def mark_of(number: str) -> Mark:
    """Return the decimal mark that a number's spelling proves."""
    point, comma = parse_number(number, POINT), parse_number(number, COMMA)
    if point is None:
        return Mark.BROKEN if comma is None else Mark.COMMA
    if comma is None:
        return Mark.POINT
    return Mark.NONE if point == comma else Mark.EITHER


def is_ambiguous(number: str) -> bool:
    """Return whether a number has two readings, such as 1,850 or 1.850."""
    return mark_of(number) is Mark.EITHER


def both_readings(number: str) -> tuple[str, str]:
    """Return an ambiguous number as it reads with a decimal point and with a decimal comma."""
    return number.replace(COMMA, ""), number.replace(POINT, "").replace(COMMA, POINT)


@dataclass(frozen=True, slots=True)
class MarkEvidence:
    """What a column's cells show about its decimal mark."""

    possible: tuple[str, ...]  #: marks under which every cell is a number in the quantity's range
    neutral: bool  #: whether both marks give the same values
    example: str = ""  #: a cell whose two readings differ, or empty


def weigh_marks(
    cells: Sequence[str], dimension: Dimension, unit: Unit | None, marks: tuple[str, ...] = MARKS
) -> MarkEvidence:
    """Return the decimal marks that a column's cells allow."""
    if len(marks) == 1:
        # A mark that is stated, or sure by the delimiter, needs no proof but a number.
        is_number = any(_rating(cell, marks[0], dimension, unit) for cell in cells)
        return MarkEvidence(marks if is_number or not cells else (), False)
    possible = list(marks)
    example = ""
    numbers = 0
    for cell in dict.fromkeys(cells):
        ratings = {mark: _rating(cell, mark, dimension, unit) for mark in marks}
        numbers += any(ratings.values())
        # A cell that is not a number, or out of range both ways, proves nothing here:
        # the reading of the whole log names it with its line.
        best = max(ratings.values())
        possible = [mark for mark in possible if ratings[mark] == best]
        if not example and is_ambiguous(split_cell(cell)[0]):
            example = cell
    if cells and not numbers:
        possible = []
    neutral = not example and len(possible) == len(marks) > 1
    return MarkEvidence(tuple(possible), neutral, example)


def _rating(cell: str, mark: str, dimension: Dimension, unit: Unit | None) -> int:
    """Rate a cell under a mark: 2 in range, 1 out of range, 0 not a number."""
    number, behind = split_cell(cell)
    value = parse_number(number, mark)
    if value is None:
        return 0
    unit = parse_unit(behind) if behind else unit
    low, high = RANGES[dimension]
    if unit is not None and unit.dimension is dimension:
        value = float(unit.to_canonical(value))
    return 2 if low <= value <= high else 1
