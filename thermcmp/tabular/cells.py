"""One cell of a hand-kept table: numbers, decimal marks, units and blanks."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

from thermcmp.errors import Fault
from thermcmp.tabular.coercion import CONVERTERS, FIXES, converter_of, is_missing
from thermcmp.tabular.column import Column, Kind
from thermcmp.tabular.dates import parse_date
from thermcmp.tabular.numbers import POINT, Mark, both_readings, mark_of, parse_number, split_cell
from thermcmp.tabular.units import UnitError, find_conversion, is_unit
from thermcmp.tabular.words import BLANK, MISSING

#: Signs of 'give or take' and 'about'.
_DOUBT: Final = re.compile(r"±|\+/-|\+-|^\s*(?:~|≈|ca\.)")


class UnprovedMarkError(ValueError):
    """A number that reads both ways while the decimal mark is unknown."""


class DoubtfulNumberError(ValueError):
    """A number with its own doubt beside it, such as '62±1' or '~62'."""


class StrayMarkError(ValueError):
    """A number with another decimal mark than the others."""


@dataclass(frozen=True, slots=True)
class Reader:
    """How the cells of one column are read."""

    column: Column
    unit: str = ""  #: unit from the heading; "" for that of the column
    #: The decimal mark of the file or column, or None where neither declared nor proved.
    decimal: str | None = None
    dates: Sequence[str] = ()  #: formats of dates that are not ISO 8601

    def read(self, value: Any) -> Any:
        """Return the value of a cell in the column's unit, or None for a blank."""
        if is_blank(value, self.column.kind):
            return None
        if self.column.kind not in (Kind.NUMBER, Kind.COUNT):
            if self.column.kind is Kind.TIME and isinstance(value, str):
                value = parse_date(value, self.dates) or value
            return converter_of(self.column)(value)
        unit = self.unit
        if isinstance(value, str):
            if _DOUBT.search(value):
                raise DoubtfulNumberError("a number with its doubt beside it")
            written, cell_unit = split_cell(value)
            if any(sign.isdigit() for sign in cell_unit) and not is_unit(cell_unit):
                # No unit holds figures but the known ones: a slip such as '22O.4'.
                raise ValueError(f"not a number ('{cell_unit}' behind '{written}')")
            value = to_float(written, self.decimal)
            convert = partial(find_conversion, wanted=self.column.unit)
            if cell_unit and unit and convert(cell_unit) != convert(unit):
                raise UnitError(f"the cell has '{cell_unit}', the heading '{unit}'")
            unit = cell_unit or unit
        number = CONVERTERS[self.column.kind](value)
        if not unit:
            return number
        factor, offset = find_conversion(unit, self.column.unit)
        return number if (factor, offset) == (1.0, 0.0) else number * factor + offset


def is_blank(value: Any, kind: Kind) -> bool:
    """Return whether a cell states that there is no value."""
    if is_missing(value):
        return True
    words = BLANK if kind is Kind.TEXT else MISSING
    return isinstance(value, str) and value.strip().lower() in words


def prove_decimal(numbers: Iterable[str]) -> tuple[str | None, tuple[str, str] | None]:
    """Return the decimal mark that all numbers agree on, and two numbers that contradict."""
    proof: dict[Mark, str] = {}
    for number in numbers:
        proof.setdefault(mark_of(number), number)
    if Mark.POINT in proof and Mark.COMMA in proof:
        return None, (proof[Mark.POINT], proof[Mark.COMMA])
    return next((mark.value for mark in proof if mark in (Mark.POINT, Mark.COMMA)), None), None


def mark_of_table(cells: Iterable[Any], separator: str | None) -> tuple[str | None, Fault | None]:
    """Return the decimal mark of a table's numeric cells, and a fault if it is not proved."""
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


def marks_of_columns(
    columns: Mapping[int, Sequence[Any]], separator: str | None
) -> dict[int, str | None]:
    """Return the decimal mark of each column: that of most of its own numbers, else of the file."""
    numbers = [
        [split_cell(cell)[0] for cell in cells if isinstance(cell, str)]
        for cells in columns.values()
    ]
    proofs = [
        Counter(mark for mark in map(mark_of, written) if mark in (Mark.POINT, Mark.COMMA))
        for written in numbers
    ]
    # A column with both marks proves nothing for others.
    sure = {mark.value for counts in proofs if len(counts) == 1 for mark in counts}
    of_file = sure.pop() if len(sure) == 1 else None
    if not any(proofs) and separator == "," and not any("," in n for w in numbers for n in w):
        of_file = POINT
    return {
        place: counts.most_common(1)[0][0].value if counts else of_file
        for place, counts in zip(columns, proofs, strict=True)
    }


def fix_of(error: ValueError, column: Column) -> str:
    """Return how a cell that could not be read is fixed."""
    if isinstance(error, UnprovedMarkError):
        return "declare decimal='.' or decimal=','"
    if isinstance(error, StrayMarkError):
        return "write it with the decimal mark of the others"
    if isinstance(error, DoubtfulNumberError):
        return "write the number alone, and its standard error into a column of its own"
    if isinstance(error, UnitError):
        return f"give the value in {column.unit or 'plain numbers'}, and its unit once"
    return FIXES[column.kind]


def to_float(number: str, decimal: str | None) -> float:
    """Parse a number under the file's decimal mark."""
    mark = mark_of(number)
    if mark is Mark.BROKEN:
        raise ValueError("not a number")
    if mark is Mark.EITHER and decimal is None:
        point, comma = both_readings(number)
        raise UnprovedMarkError(
            f"reads both as {point} and as {comma}, and nothing in the file shows which"
        )
    proved = mark.value if mark in (Mark.POINT, Mark.COMMA) else decimal or POINT
    value = parse_number(number, proved)
    if value is None or (decimal is not None and proved != decimal):
        raise StrayMarkError(f"does not fit the decimal mark '{decimal}' of the others")
    return value
