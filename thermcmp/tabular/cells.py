"""Reading one cell of a hand-kept table: numbers, decimal marks, units and blanks."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from thermcmp.errors import Fault
from thermcmp.tabular.coercion import CONVERTERS, FIXES, is_missing
from thermcmp.tabular.column import Column, Kind
from thermcmp.tabular.column_units import UnitError, find_conversion, is_unit
from thermcmp.tabular.numbers import (
    POINT,
    Mark,
    both_readings,
    mark_of,
    parse_number,
    split_cell,
)
from thermcmp.tabular.words import BLANK, MISSING


class UnprovedMarkError(ValueError):
    """A number that reads both ways while the decimal mark is unknown."""


@dataclass(frozen=True, slots=True)
class Reader:
    """How the cells of one column are read.

    Attributes
    ----------
    column : Column
        What the schema says of the column.
    unit : str
        Unit from the heading; "" for the schema's own.
    decimal : str or None
        The file's decimal mark, or None where neither declared nor proved.
    """

    column: Column
    unit: str = ""
    decimal: str | None = None

    def read(self, value: Any) -> Any:
        """Read one cell."""
        if is_blank(value, self.column.kind):
            return None
        if self.column.kind not in (Kind.NUMBER, Kind.COUNT):
            return CONVERTERS[self.column.kind](value)
        unit = self.unit
        if isinstance(value, str):
            written, own = split_cell(value)
            if any(sign.isdigit() for sign in own) and not is_unit(own):
                # No unit holds figures but the known ones: a slip such as '22O.4'.
                raise ValueError(f"not a number ('{own}' behind '{written}')")
            value = to_float(written, self.decimal)
            unit = self._one_unit(own)
        number = CONVERTERS[self.column.kind](value)
        if not unit:
            return number
        factor, offset = find_conversion(unit, self.column.unit)
        return number if (factor, offset) == (1.0, 0.0) else number * factor + offset

    def _one_unit(self, own: str) -> str:
        """Return the cell's unit, or the heading's where the cell has none."""
        if not own or not self.unit:
            return own or self.unit
        wanted = self.column.unit
        if find_conversion(own, wanted) != find_conversion(self.unit, wanted):
            raise UnitError(f"the cell says '{own}', the heading '{self.unit}'")
        return own


def is_blank(value: Any, kind: Kind) -> bool:
    """Return whether a cell says that there is no value."""
    if is_missing(value):
        return True
    words = BLANK if kind is Kind.TEXT else MISSING
    return isinstance(value, str) and value.strip().lower() in words


def prove_decimal(numbers: Iterable[str]) -> tuple[str | None, tuple[str, str] | None]:
    """Find the decimal mark that all numbers of a file agree on.

    Returns decimal, contradiction.
    """
    proof: dict[Mark, str] = {}
    for number in numbers:
        proof.setdefault(mark_of(number), number)
    if Mark.POINT in proof and Mark.COMMA in proof:
        return None, (proof[Mark.POINT], proof[Mark.COMMA])
    found = [mark.value for mark in (Mark.POINT, Mark.COMMA) if mark in proof]
    return (found[0] if found else None), None


def mark_of_table(cells: Iterable[Any], separator: str | None) -> tuple[str | None, Fault | None]:
    """Find the decimal mark of a table.

    Returns decimal, fault.
    """
    numbers = [split_cell(cell)[0] for cell in cells if isinstance(cell, str)]
    mark, contradiction = prove_decimal(numbers)
    if contradiction is not None:
        return None, Fault(
            f"numbers with both decimal marks: '{contradiction[0]}', '{contradiction[1]}'",
            "write them alike, or declare decimal= to see which do not fit",
        )
    if mark is None and separator == "," and not any("," in number for number in numbers):
        mark = "."
    return mark, None


def fix_of(error: ValueError, column: Column) -> str:
    """Describe how a cell that could not be read is fixed."""
    if isinstance(error, UnprovedMarkError):
        return "declare decimal='.' or decimal=','"
    if isinstance(error, UnitError):
        return f"give the value in {column.unit or 'plain numbers'}, and its unit once"
    return FIXES[column.kind]


def to_float(number: str, decimal: str | None) -> float:
    """Read a number under the file's decimal mark."""
    mark = mark_of(number)
    if mark is Mark.BROKEN:
        raise ValueError("not a number")
    if mark is Mark.EITHER and decimal is None:
        point, comma = both_readings(number)
        raise UnprovedMarkError(
            f"reads both as {point} and as {comma}, and nothing in the file tells which"
        )
    proved = mark.value if mark in (Mark.POINT, Mark.COMMA) else decimal or POINT
    value = parse_number(number, proved)
    if value is None or (decimal is not None and proved != decimal):
        raise ValueError(f"does not fit the decimal mark '{decimal}' of the file")
    return value
