"""Single cells: splitting a line into them and telling what they look like."""

from __future__ import annotations

import csv
import re
from functools import lru_cache
from typing import Final

from thermcmp.tabular.numbers import COMMA, POINT, parse_number, split_cell
from thermcmp.tabular.units import parse_unit
from thermcmp.tabular.words import FLAG_WORDS, MISSING

#: Stands for any run of blanks between fields.
BLANKS: Final = " "
#: Stands for two or more blanks between fields, as in tables that are aligned by eye.
WIDE_BLANKS: Final = "  "

_BIT_MASK: Final = re.compile(r"0x[0-9a-f]+")
_RULE: Final = re.compile(r"[-+=_|: ]*(?:---|===|___|\+-)[-+=_|: ]*")
_RULE_SIGNS: Final = frozenset("-+=_|: ")
_CLOCK: Final = r"[0-9]{1,3}:[0-9]{2}(?::[0-9]{2}(?:[.,:][0-9]+)?)?(?:\s*[AaPp]\.?[Mm]\.?)?"
_DAY: Final = (
    r"(?:[0-9]{1,4}[-/.][0-9]{1,2}[-/.][0-9]{1,4}|[0-9]{1,2}[ -][A-Za-z]{3,9}[ -][0-9]{2,4})"
)
_TIME: Final = re.compile(
    rf"(?:{_CLOCK}|{_DAY}(?:[T ,]\s*{_CLOCK})?)\s*(?:Z|UTC|[+-][0-9]{{2}}:?[0-9]{{2}})?"
)


def split_line(line: str, delimiter: str) -> list[str]:
    """Split a line into its cells, without blanks around them."""
    if delimiter == BLANKS:
        return line.split()
    if delimiter == WIDE_BLANKS:
        return re.split(r" {2,}", line.strip())
    if '"' in line:
        try:
            row = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
        except csv.Error:
            row = line.split(delimiter)
    else:
        row = line.split(delimiter)
    return [cell.strip() for cell in row]


def is_missing(cell: str) -> bool:
    """Return whether a cell is one of the usual words for "no reading"."""
    return cell.strip().lower() in MISSING


# Logs repeat their cells, and each dialect tried asks about them again.
@lru_cache(maxsize=8192)
def is_number(cell: str) -> bool:
    """Return whether a cell is a number under some decimal mark, a unit allowed."""
    number, behind = split_cell(cell)
    if behind and parse_unit(behind) is None:
        return False
    return any(parse_number(number, mark) is not None for mark in (POINT, COMMA))


@lru_cache(maxsize=8192)
def is_time(cell: str) -> bool:
    """Return whether a cell looks like a date, a time of day or both."""
    return _TIME.fullmatch(cell.strip()) is not None


@lru_cache(maxsize=8192)
def is_reading(cell: str) -> bool:
    """Return whether a cell looks like data: missing, a number, a time or a flag."""
    return is_missing(cell) or is_number(cell) or is_time(cell) or is_flag(cell)


def is_flag(cell: str) -> bool:
    """Return whether a cell is a word of a flag, or a mask of several."""
    return cell.strip().lower() in FLAG_WORDS or is_bit_mask(cell)


def is_bit_mask(cell: str) -> bool:
    """Return whether a cell is a hexadecimal number, such as 0x0004."""
    return _BIT_MASK.fullmatch(cell.strip().lower()) is not None


def is_rule(row: list[str]) -> bool:
    """Return whether a row is a line that is drawn between headings and readings."""
    first = next((cell for cell in row if cell), "")
    # Most rows are readings, which their first character tells.
    if first[:1] not in _RULE_SIGNS or not first:
        return False
    return all(_RULE.fullmatch(cell) for cell in row if cell)


def is_comment(row: list[str]) -> bool:
    """Return whether a row is a comment."""
    return bool(row) and row[0].startswith(("#", "//"))
