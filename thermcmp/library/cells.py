"""Reading one cell of a hand-kept table: numbers, decimal marks, units and blanks."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from typing import Any, Final, NamedTuple

from thermcmp.library.coercion import CONVERTERS, is_missing
from thermcmp.library.schema import Column, Kind
from thermcmp.library.units import UnitError, find_conversion

#: Words for "nothing here" in any column, and further ones where a number is due.
_BLANKS: Final = {"", "n/a", "-", "–", "—"}
_NUMBER_BLANKS: Final = _BLANKS | {"na", "nan", "null", "none"}

# U+2212 is the minus sign that spreadsheets and word processors put in.
_NUMBER: Final = re.compile(
    r"(?P<digits>[+\-\u2212]?(?:[0-9][0-9.,'\u2019\u00a0\u2009\u202f ]*|[.,][0-9]+)"
    r"(?:(?<=[0-9.,])[eE][+\-]?[0-9]+)?)(?P<unit>.*)",
    re.DOTALL,
)
#: A space or apostrophe that does not stand before three digits.
_BAD_GROUP: Final = re.compile(r"['\u2019\u00a0\u2009\u202f ](?![0-9]{3}(?![0-9]))")
_SPACES: Final = str.maketrans("", "", "'\u2019\u00a0\u2009\u202f ")


class UnprovedMarkError(ValueError):
    """A number that reads both ways while the decimal mark is unknown."""


class Mark(Enum):
    """What one number's writing says of the decimal mark."""

    POINT = "."
    COMMA = ","
    NONE = "no mark"
    EITHER = "reads both ways"
    BROKEN = "no number"


class Parts(NamedTuple):
    """A cell's text split into its number and its unit."""

    number: str
    unit: str


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
        """Read one cell.

        Parameters
        ----------
        value : object
            Text of a text file, or a typed value of a sheet or Parquet file.

        Returns
        -------
        object
            The value in the schema's unit, or None for a blank.

        Raises
        ------
        ValueError
            If the cell cannot be read; the message says why.
        """
        if is_blank(value, self.column.kind):
            return None
        if self.column.kind not in (Kind.NUMBER, Kind.COUNT):
            return CONVERTERS[self.column.kind](value)
        unit = self.unit
        if isinstance(value, str):
            parts = split_number(value)
            if parts is None:
                raise ValueError("not a number")
            value = to_plain(parts.number, self.decimal)
            unit = self._one_unit(parts.unit)
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
    """Tell whether a cell says that there is no value.

    Parameters
    ----------
    value : object
        One cell.
    kind : Kind
        Kind of its column: in a text column "none" and "NA" are words.

    Returns
    -------
    bool
        Whether it stands for nothing.
    """
    if is_missing(value):
        return True
    words = _BLANKS if kind is Kind.TEXT else _NUMBER_BLANKS
    return isinstance(value, str) and value.strip().lower() in words


def split_number(text: str) -> Parts | None:
    """Split a cell's text into number and unit.

    Parameters
    ----------
    text : str
        Such as "87,5 °C".

    Returns
    -------
    Parts or None
        Number with its marks and unit; None if it does not begin with a number.
    """
    found = _NUMBER.fullmatch(text.strip())
    if found is None:
        return None
    return Parts(found["digits"].strip().replace("\u2212", "-"), found["unit"].strip())


def mark_of(number: str) -> Mark:
    """Tell which decimal mark a number's writing proves.

    Parameters
    ----------
    number : str
        A number with its marks, as `split_number` gives it.

    Returns
    -------
    Mark
        EITHER for one mark before exactly three digits, such as "1,730": that is
        1730 with a grouping comma and 1.73 with a decimal comma.
    """
    if _BAD_GROUP.search(number):
        return Mark.BROKEN
    whole, *exponent = re.split("[eE]", number.lstrip("+-").translate(_SPACES))
    points, commas = whole.count("."), whole.count(",")
    if not points and not commas:
        return Mark.NONE
    fits = {mark: _reads_with(whole, mark.value) for mark in (Mark.POINT, Mark.COMMA)}
    if exponent:
        # A number with an exponent is never grouped.
        fits = {
            mark: fit and whole.count(mark.value) == 1 and points + commas == 1
            for mark, fit in fits.items()
        }
    if all(fits.values()):
        return Mark.EITHER
    return next((mark for mark, fit in fits.items() if fit), Mark.BROKEN)


def _reads_with(whole: str, decimal: str) -> bool:
    """Tell whether digits read as a number with this decimal mark and the other grouping."""
    group = "," if decimal == "." else "."
    # A leading zero is never grouped: 0,123 is a fraction.
    grouped = rf"[1-9][0-9]{{0,2}}(?:{re.escape(group)}[0-9]{{3}})+"
    pattern = rf"(?:[0-9]*|{grouped})(?:{re.escape(decimal)}[0-9]*)?"
    return re.fullmatch(pattern, whole) is not None


def prove_decimal(numbers: Iterable[str]) -> tuple[str | None, tuple[str, str] | None]:
    """Find the decimal mark that all numbers of a file agree on.

    Parameters
    ----------
    numbers : iterable of str
        Every number of the file, with its marks.

    Returns
    -------
    decimal : str or None
        "." or "," where at least one number proves it and none contradicts.
    contradiction : tuple of str or None
        A number that proves the point and one that proves the comma, if both exist.
    """
    proof: dict[Mark, str] = {}
    for number in numbers:
        proof.setdefault(mark_of(number), number)
    if Mark.POINT in proof and Mark.COMMA in proof:
        return None, (proof[Mark.POINT], proof[Mark.COMMA])
    found = [mark.value for mark in (Mark.POINT, Mark.COMMA) if mark in proof]
    return (found[0] if found else None), None


def to_plain(number: str, decimal: str | None) -> str:
    """Write a number with a point as decimal mark and without grouping.

    Parameters
    ----------
    number : str
        A number with its marks.
    decimal : str or None
        The file's decimal mark, or None where unknown.

    Returns
    -------
    str
        Text that float() reads.

    Raises
    ------
    UnprovedMarkError
        If the number reads both ways and the mark is unknown.
    ValueError
        If it is no number, or does not fit the mark.
    """
    mark = mark_of(number)
    bare = number.translate(_SPACES)
    if mark is Mark.NONE:
        return bare
    if mark is Mark.BROKEN:
        raise ValueError("not a number")
    if mark is Mark.EITHER and decimal is None:
        grouped = re.sub("[.,]", "", bare)
        raise UnprovedMarkError(
            f"reads both as {grouped} and as {bare.replace(',', '.')}, "
            "and nothing in the file tells which"
        )
    used = decimal if mark is Mark.EITHER else mark.value
    if decimal is not None and used != decimal:
        raise ValueError(f"does not fit the decimal mark '{decimal}' of the file")
    group = "," if used == "." else "."
    return bare.replace(group, "").replace(",", ".")
