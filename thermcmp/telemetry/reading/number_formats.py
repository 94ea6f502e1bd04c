"""How each column of a log writes its numbers: decimal mark, units, thousands marks."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from thermcmp.errors import Fault, InputError
from thermcmp.tabular.numbers import (
    COMMA,
    MARKS,
    POINT,
    MarkEvidence,
    both_readings,
    split_cell,
    weigh_marks,
)
from thermcmp.telemetry.quantities import dimension_of
from thermcmp.telemetry.reading.cell_patterns import is_number
from thermcmp.telemetry.reading.column_matching import Field
from thermcmp.telemetry.reading.layout import Layout
from thermcmp.telemetry.reading.options import Reading

_BARE: Final = {
    mark: re.compile(rf"(?:[+-]?[0-9]+(?:{re.escape(mark)}[0-9]*)?(?:\n(?!\Z)|\Z))*")
    for mark in MARKS
}


@dataclass(frozen=True, slots=True)
class NumberStyle:
    """How a column's numbers are written.

    Attributes
    ----------
    mark : str
        Decimal mark.
    plain : bool
        Whether cells are bare numbers, without units and thousands marks, whose mark
        is proved, so that the fast path may read them.
    proved : bool
        Whether the mark is proved or stated; else a cell with two readings is a fault.
    """

    mark: str
    plain: bool
    proved: bool


def find_styles(
    fields: Sequence[Field],
    samples: Mapping[int, Sequence[str]],
    layout: Layout,
    reading: Reading,
    file: str,
) -> tuple[dict[str, NumberStyle], str | None]:
    """Decide each number column's decimal mark, by its own cells or by the file's.

    Returns styles, file_mark.
    """
    evidence = {}
    comma_sure = comma_free(layout, samples)
    for field in fields:
        dimension = dimension_of(field.name)
        stated = reading.mark_of(field.name)
        cells = samples[field.position]
        marks = (stated,) if stated else (POINT,) if comma_sure else MARKS
        if dimension is not None:
            evidence[field.name] = weigh_marks(cells, dimension, field.unit, marks)
    marks_seen = {e.possible[0] for e in evidence.values() if len(e.possible) == 1}
    file_mark = marks_seen.pop() if len(marks_seen) == 1 else None
    faults: list[Fault] = []
    styles = {}
    for field in fields:
        found = evidence[field.name]
        if not found.possible:
            faults.append(_no_number(field, samples[field.position], file))
            continue
        mark = _decide(found, file_mark)
        if mark is None:
            faults.append(_two_readings(field, found.example, file))
            continue
        proved = len(found.possible) == 1 or file_mark == POINT or not found.neutral
        bare = _all_bare(samples[field.position], mark)
        styles[field.name] = NumberStyle(mark, bare and (proved or comma_sure), proved)
    if faults:
        raise InputError("The numbers of this log are not clear:", faults)
    return styles, file_mark


def comma_free(layout: Layout, samples: Mapping[int, Sequence[str]]) -> bool:
    """Return whether the comma can be nothing but the delimiter: no quoted number has one."""
    if layout.delimiter != COMMA:
        return False
    quoted = (cell for cells in samples.values() for cell in cells if COMMA in cell)
    return not any(map(is_number, quoted))


def _decide(found: MarkEvidence, file_mark: str | None) -> str | None:
    """Choose a column's mark; None where two readings stay possible."""
    if len(found.possible) == 1:
        return found.possible[0]
    if found.neutral:
        return file_mark or POINT
    if file_mark is None:
        return None
    # One writer may use the comma both ways in a row (decimals here, thousands there),
    # so a comma that could be either is not settled by the other columns.
    return None if COMMA in found.example and file_mark == COMMA else file_mark


def _all_bare(cells: Sequence[str], mark: str) -> bool:
    """Return whether all cells are bare numbers: no unit, no thousands marks."""
    # Mostly they are, and one look at all of them tells.
    if _BARE[mark].fullmatch("\n".join(cells)):
        return True
    return not any(split_cell(cell)[1] or _grouped(cell, mark) for cell in set(cells))


def _grouped(cell: str, mark: str) -> bool:
    """Return whether a number carries thousands marks or other signs than the fast path takes."""
    number, _ = split_cell(cell)
    allowed = set("0123456789+-eE" + mark)
    return not set(number) <= allowed


def _two_readings(field: Field, example: str, file: str) -> Fault:
    """Offer the two readings of a number."""
    number, _ = split_cell(example)
    point, comma = both_readings(number)
    return Fault(
        f"two readings: {point} with decimal point, {comma} with decimal comma",
        f"state decimal='.' or decimal=',', or decimal={{'{field.name}': …}} for this column alone",
        file,
        None,
        field.heading or field.name,
        example,
    )


def _no_number(field: Field, cells: Sequence[str], file: str) -> Fault:
    """Describe that a column's cells are not numbers in range."""
    return Fault(
        f"cells are not numbers in the range of {field.name} "
        f"({field.unit.symbol if field.unit else 'no unit'})",
        "check column, unit and decimal mark; name further words for no reading with missing=",
        file,
        None,
        field.heading or field.name,
        cells[0] if cells else None,
    )
