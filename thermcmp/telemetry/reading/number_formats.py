"""How the numbers of each column are written: decimal mark, units, thousands marks."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from thermcmp.errors import Fault, InputError
from thermcmp.tabular.numbers import COMMA, MARKS, POINT, MarkEvidence, split_cell, weigh_marks
from thermcmp.telemetry.quantities import dimension_of
from thermcmp.telemetry.reading.cell_patterns import is_number, two_readings
from thermcmp.telemetry.reading.column_matching import Field
from thermcmp.telemetry.reading.layout import Layout
from thermcmp.telemetry.reading.options import Reading

_BARE: Final = {
    mark: re.compile(rf"(?:[+-]?[0-9]+(?:{re.escape(mark)}[0-9]*)?(?:\n(?!\Z)|\Z))*")
    for mark in MARKS
}


@dataclass(frozen=True, slots=True)
class NumberStyle:
    """How a column's numbers are written."""

    mark: str  #: decimal mark
    plain: bool  #: whether the fast path can read the cells: bare numbers whose mark is proved
    proved: bool  #: whether the mark is proved or stated; else an ambiguous cell is a fault


def find_styles(
    fields: Sequence[Field],
    samples: Mapping[int, Sequence[str]],
    layout: Layout,
    reading: Reading,
    file: str,
) -> tuple[dict[str, NumberStyle], str | None]:
    """Return each number column's style, by its own cells or the file's, and the file's mark."""
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
        known, heading = evidence[field.name], field.heading or field.name
        if not known.possible:
            message = (
                f"cells are not numbers in the range of {field.name} "
                f"({field.unit.symbol if field.unit else 'no unit'})"
            )
            fix = "check column, unit and decimal mark; add words for no reading to missing="
            cells = samples[field.position]
            faults.append(Fault(message, fix, file, None, heading, cells[0] if cells else None))
            continue
        mark = _decide(known, file_mark)
        if mark is None:
            message = two_readings(split_cell(known.example)[0])
            fix = (
                "state decimal='.' or decimal=',', or "
                f"decimal={{'{field.name}': …}} for this column alone"
            )
            faults.append(Fault(message, fix, file, None, heading, known.example))
            continue
        proved = len(known.possible) == 1 or file_mark == POINT or not known.neutral
        # Usually all cells are bare numbers, and one match over all of them shows it.
        cells, allowed = samples[field.position], set("0123456789+-eE" + mark)
        bare = _BARE[mark].fullmatch("\n".join(cells)) is not None or all(
            not unit and set(number) <= allowed for number, unit in map(split_cell, set(cells))
        )
        styles[field.name] = NumberStyle(mark, bare and (proved or comma_sure), proved)
    if faults:
        raise InputError("The numbers of this log are ambiguous or out of range:", faults)
    return styles, file_mark


def comma_free(layout: Layout, samples: Mapping[int, Sequence[str]]) -> bool:
    """Return whether the comma is only the delimiter, as no quoted number has one."""
    if layout.delimiter != COMMA:
        return False
    quoted = (cell for cells in samples.values() for cell in cells if COMMA in cell)
    return not any(map(is_number, quoted))


def _decide(known: MarkEvidence, file_mark: str | None) -> str | None:
    """Return a column's decimal mark; None where two remain possible."""
    if len(known.possible) == 1:
        return known.possible[0]
    if known.neutral:
        return file_mark or POINT
    # One writer may use the comma both ways in a row (decimals here, thousands there),
    # so the other columns do not settle a comma that could be either.
    return None if file_mark == COMMA and COMMA in known.example else file_mark
