"""Single cells: splitting a line into them and telling what they look like."""

from __future__ import annotations

import csv
import re
from functools import lru_cache
from typing import Final

from thermcmp.telemetry.numerals import COMMA, POINT, parse_number, split_cell
from thermcmp.telemetry.reading import MISSING
from thermcmp.telemetry.units import parse_unit

#: Stands for any run of blanks between fields.
BLANKS: Final = " "

_CLOCK: Final = r"[0-9]{1,3}:[0-9]{2}(?::[0-9]{2}(?:[.,:][0-9]+)?)?(?:\s*[AaPp]\.?[Mm]\.?)?"
_DAY: Final = (
    r"(?:[0-9]{1,4}[-/.][0-9]{1,2}[-/.][0-9]{1,4}|[0-9]{1,2}[ -][A-Za-z]{3,9}[ -][0-9]{2,4})"
)
_TIME: Final = re.compile(
    rf"(?:{_CLOCK}|{_DAY}(?:[T ,]\s*{_CLOCK})?)\s*(?:Z|UTC|[+-][0-9]{{2}}:?[0-9]{{2}})?"
)


def split_line(line: str, delimiter: str) -> list[str]:
    """Split a line into its cells, without blanks around them.

    Parameters
    ----------
    line : str
        One line.
    delimiter : str
        Field delimiter; a blank stands for any run of blanks.

    Returns
    -------
    list of str
        The cells.
    """
    if delimiter == BLANKS:
        return line.split()
    if '"' in line:
        try:
            row = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
        except csv.Error:
            row = line.split(delimiter)
    else:
        row = line.split(delimiter)
    return [cell.strip() for cell in row]


def is_missing(cell: str) -> bool:
    """Tell whether a cell is one of the usual words for "no reading"."""
    return cell.strip().lower() in MISSING


# Logs repeat their cells, and each dialect tried asks about them again.
@lru_cache(maxsize=8192)
def is_number(cell: str) -> bool:
    """Tell whether a cell is a number under some decimal mark, a unit allowed."""
    number, behind = split_cell(cell)
    if behind and parse_unit(behind) is None:
        return False
    return any(parse_number(number, mark) is not None for mark in (POINT, COMMA))


@lru_cache(maxsize=8192)
def is_time(cell: str) -> bool:
    """Tell whether a cell looks like a date, a time of day or both."""
    return _TIME.fullmatch(cell.strip()) is not None


def is_reading(cell: str) -> bool:
    """Tell whether a cell looks like data: missing, a number or a time."""
    return is_missing(cell) or is_number(cell) or is_time(cell)
