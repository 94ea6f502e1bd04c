"""Splitting lines into cells, and recognising what a cell or row looks like."""

from __future__ import annotations

import csv
import re
from contextlib import suppress
from functools import lru_cache
from typing import Final

from thermcmp.tabular.numbers import COMMA, POINT, both_readings, parse_number, split_cell
from thermcmp.tabular.units import parse_unit
from thermcmp.tabular.words import FLAG_WORDS, MISSING

#: Stands for any run of blanks between fields.
BLANKS: Final = " "
#: Stands for two or more blanks between fields, as in visually aligned tables.
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
    """Split a line into its cells, stripped of blanks."""
    if delimiter == BLANKS:
        return line.split()
    if delimiter == WIDE_BLANKS:
        return re.split(r" {2,}", line.strip())
    row = line.split(delimiter)
    if '"' in line:
        with suppress(csv.Error):
            row = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    return [cell.strip() for cell in row]


def is_missing(cell: str) -> bool:
    """Return whether a cell is one of the usual words for "no reading"."""
    return cell.strip().lower() in MISSING


# Logs repeat their cells, and each delimiter tried looks at them again.
@lru_cache(maxsize=8192)
def is_number(cell: str) -> bool:
    """Return whether a cell is a number under either decimal mark, with or without a unit."""
    number, unit = split_cell(cell)
    if unit and parse_unit(unit) is None:
        return False
    return any(parse_number(number, mark) is not None for mark in (POINT, COMMA))


@lru_cache(maxsize=8192)
def is_time(cell: str) -> bool:
    """Return whether a cell looks like a date, a time of day or both."""
    return _TIME.fullmatch(cell.strip()) is not None


def is_date(cell: str) -> bool:
    """Return whether a cell looks like a date without a time of day."""
    return re.fullmatch(_DAY, cell.strip()) is not None


@lru_cache(maxsize=8192)
def is_reading(cell: str) -> bool:
    """Return whether a cell looks like data: missing, a number, a time or a flag."""
    return is_missing(cell) or is_number(cell) or is_time(cell) or is_flag(cell)


def is_flag(cell: str) -> bool:
    """Return whether a cell is a flag word, or a bit mask of flags."""
    return cell.strip().lower() in FLAG_WORDS or is_bit_mask(cell)


def is_bit_mask(cell: str) -> bool:
    """Return whether a cell is a hexadecimal number, such as 0x0004."""
    return _BIT_MASK.fullmatch(cell.strip().lower()) is not None


def is_rule(row: list[str]) -> bool:
    """Return whether a row is a ruled line between headings and readings."""
    first = next((cell for cell in row if cell), "")
    # Most rows are readings, as their first character shows.
    if first[:1] not in _RULE_SIGNS or not first:
        return False
    return all(_RULE.fullmatch(cell) for cell in row if cell)


def is_comment(row: list[str]) -> bool:
    """Return whether a row is a comment."""
    return bool(row) and row[0].startswith(("#", "//"))


def two_readings(number: str) -> str:
    """Describe the two values of a number whose decimal mark is not known."""
    point, comma = both_readings(number)
    return f"two readings: {point} with decimal point, {comma} with decimal comma"
