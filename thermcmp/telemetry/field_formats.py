"""The plan by which a text log's fields become canonical columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from thermcmp.errors import Fault, InputError
from thermcmp.telemetry.cells import split_line
from thermcmp.telemetry.columns import Field, match_fields
from thermcmp.telemetry.dialect import Layout
from thermcmp.telemetry.numerals import COMMA, MARKS, POINT, MarkEvidence, split_cell, weigh_marks
from thermcmp.telemetry.quantities import DATE, DEVICE, TIME, Role, dimension_of
from thermcmp.telemetry.reading import Reading
from thermcmp.telemetry.textfile import TextFile
from thermcmp.telemetry.time_forms import TimeForm, find_form

_HEAD_LINES: Final = 120
_TAIL_LINES: Final = 40
#: An id that comes again so often in the same order belongs to one of several devices.
_LEAST_CYCLES: Final = 5


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


@dataclass(frozen=True, slots=True)
class Plan:
    """What is read from a text log, and how.

    Attributes
    ----------
    fields : tuple of Field
        The fields, ordered by position.
    styles : dict of str to NumberStyle
        How each number column is written, by canonical name.
    time : TimeForm or None
        Form of the times; None if the log has none and its period is stated.
    """

    fields: tuple[Field, ...]
    styles: dict[str, NumberStyle]
    time: TimeForm | None

    def has(self, name: str) -> bool:
        """Tell whether a column is read."""
        return any(field.name == name for field in self.fields)


def make_plan(text: TextFile, layout: Layout, reading: Reading) -> Plan:
    """Plan the reading of a text log from samples of its head and tail.

    Parameters
    ----------
    text : TextFile
        The log.
    layout : Layout
        Its layout.
    reading : Reading
        What the user states.

    Returns
    -------
    Plan
        Fields, styles of numbers and the form of times.

    Raises
    ------
    InputError
        If columns, decimal marks or times are not clear.
    """
    samples = _samples(text, layout, reading)
    fields = match_fields(layout.headings, reading, samples, text.path.name)
    numbers = [f for f in fields if f.role is Role.NUMBER]
    if not any(dimension_of(f.name) for f in numbers):
        raise InputError(
            "This log has no column that can be read:",
            [
                Fault(
                    "no heading with a known unit",
                    "name the columns with columns={…}; the "
                    f"headings are {', '.join(h for h in layout.headings if h) or 'empty'}",
                    text.path.name,
                )
            ],
        )
    _refuse_interleaved(fields, samples, layout, reading, text.path.name)
    styles = _styles(numbers, samples, layout, reading, text.path.name)
    return Plan(fields, styles, _time_form(fields, samples, reading, text.path.name))


def _refuse_interleaved(
    fields: Sequence[Field],
    samples: Mapping[int, Sequence[str]],
    layout: Layout,
    reading: Reading,
    file: str,
) -> None:
    """Refuse rows of several devices that would be read as one."""
    read = {f.position for f in fields}
    if reading.one_device or any(f.name == DEVICE for f in fields):
        return
    for position in sorted(samples.keys() - read):
        cycle = _cycle(samples[position][:_HEAD_LINES])
        if cycle:
            shown = ", ".join(cycle[:8])
            raise InputError(
                "Whose readings are these?",
                [
                    Fault(
                        f"a column that was not read goes through {len(cycle)} values over and "
                        f"over ({shown}): rows of several devices",
                        f"name it with columns={{'device': {position}, …}}, or state "
                        "one_device=True",
                        file,
                        None,
                        layout.headings[position] or f"position {position}",
                    )
                ],
            )


def _cycle(cells: Sequence[str]) -> Sequence[str]:
    """Return the values that a column goes through over and over; empty if it does not."""
    again = next((i for i in range(1, len(cells)) if cells[i] == cells[0]), 0)
    first = cells[:again]
    if again < 2 or len(set(first)) < again or len(cells) < _LEAST_CYCLES * again:
        return ()
    same = sum(a == b for a, b in zip(cells, cells[again:], strict=False))
    return first if same >= 0.9 * (len(cells) - again) else ()


def _samples(text: TextFile, layout: Layout, reading: Reading) -> dict[int, list[str]]:
    """Collect cells of each field from the head and tail, without missing ones."""
    missing = reading.missing_words
    heading_rows = set(layout.heading_rows)
    samples: dict[int, list[str]] = {i: [] for i in range(layout.n_fields)}
    head = text.head[layout.data_line - 1 :][:_HEAD_LINES]
    for line in (*head, *text.tail[-_TAIL_LINES:]):
        row = split_line(line, layout.delimiter)
        if len(row) != layout.n_fields or tuple(row) in heading_rows:
            continue
        for position, cell in enumerate(row):
            if cell.lower() not in missing:
                samples[position].append(cell)
    return samples


def _time_form(
    fields: Sequence[Field], samples: Mapping[int, Sequence[str]], reading: Reading, file: str
) -> TimeForm | None:
    """Find the form of the log's times."""
    by_name = {f.name: f for f in fields}
    time, date = by_name.get(TIME), by_name.get(DATE)
    if time is None and date is None:
        if reading.period_s is None and "elapsed_s" not in by_name:
            raise InputError(
                "The times of this log are not clear:",
                [
                    Fault(
                        "no time column was found",
                        "name it with columns={'time': …}, or give "
                        "period_s=, the seconds between readings",
                        file,
                    )
                ],
            )
        return None
    if time is not None and date is not None:
        pairs = zip(samples[date.position], samples[time.position], strict=False)
        cells = [f"{day} {clock}" for day, clock in pairs]
    else:
        cells = list(samples[(time or by_name[DATE]).position])
    form_field = time or by_name[DATE]
    return find_form(cells, form_field.unit, reading.time_unit, reading.time_format, file)


def _styles(
    fields: Sequence[Field],
    samples: Mapping[int, Sequence[str]],
    layout: Layout,
    reading: Reading,
    file: str,
) -> dict[str, NumberStyle]:
    """Decide each number column's decimal mark, by its own cells or by the file's."""
    evidence = {}
    for field in fields:
        dimension = dimension_of(field.name)
        stated = reading.mark_of(field.name)
        cells = samples[field.position]
        # Unquoted, a comma between commas can only be the delimiter.
        comma_free = layout.delimiter == COMMA and not any(COMMA in cell for cell in cells)
        marks = (stated,) if stated else (POINT,) if comma_free else MARKS
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
        bare = not any(split_cell(c)[1] or _grouped(c, mark) for c in samples[field.position])
        never_comma = layout.delimiter == COMMA and mark == POINT
        styles[field.name] = NumberStyle(mark, bare and (proved or never_comma), proved)
    if faults:
        raise InputError("The numbers of this log are not clear:", faults)
    return styles


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


def _grouped(cell: str, mark: str) -> bool:
    """Tell whether a number carries thousands marks or other signs than the fast path takes."""
    number, _ = split_cell(cell)
    allowed = set("0123456789+-eE" + mark)
    return not set(number) <= allowed


def _two_readings(field: Field, example: str, file: str) -> Fault:
    """Offer the two readings of a number."""
    number, _ = split_cell(example)
    point = number.replace(COMMA, "")
    comma = number.replace(POINT, "").replace(COMMA, POINT)
    return Fault(
        f"two readings: {point} with decimal point, {comma} with decimal comma",
        f"state decimal='.' or decimal=',', or decimal={{'{field.name}': …}} for this column alone",
        file,
        None,
        field.heading or field.name,
        example,
    )


def _no_number(field: Field, cells: Sequence[str], file: str) -> Fault:
    """Say that a column's cells are not numbers in range."""
    return Fault(
        f"cells are not numbers in the range of {field.name} "
        f"({field.unit.symbol if field.unit else 'no unit'})",
        "check column, unit and decimal mark; name further words for no reading with missing=",
        file,
        None,
        field.heading or field.name,
        cells[0] if cells else None,
    )
