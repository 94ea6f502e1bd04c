"""Plan for reading a text log: its fields, number styles and form of time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from thermcmp.errors import Fault, InputError
from thermcmp.tabular.numbers import POINT
from thermcmp.telemetry.quantities import DATE, TIME, Role, dimension_of, is_utc
from thermcmp.telemetry.reading.cell_patterns import (
    is_comment,
    is_reading,
    is_rule,
    is_time,
    split_line,
)
from thermcmp.telemetry.reading.column_matching import Field, match_fields, unread_notes
from thermcmp.telemetry.reading.interleaved_devices import refuse_interleaved
from thermcmp.telemetry.reading.layout import Layout
from thermcmp.telemetry.reading.notes import unclear_times
from thermcmp.telemetry.reading.number_formats import NumberStyle, comma_free, find_styles
from thermcmp.telemetry.reading.options import Reading
from thermcmp.telemetry.reading.text_file import TextFile
from thermcmp.telemetry.reading.time_formats import TimeForm, find_form

_HEAD_LINES: Final = 120
_TAIL_LINES: Final = 40
#: Most headings that a message lists.
_SHOWN: Final = 12


@dataclass(frozen=True, slots=True)
class Plan:
    """What is read from a text log, and how."""

    fields: tuple[Field, ...]
    styles: dict[str, NumberStyle]
    time: TimeForm | None  #: None if the log has no times and its period is stated
    notes: tuple[str, ...] = ()  #: unread columns that a user may miss

    def has(self, name: str) -> bool:
        """Return whether a column is read."""
        return any(field.name == name for field in self.fields)


def make_plan(text: TextFile, layout: Layout, reading: Reading) -> Plan:
    """Plan the reading of a text log from samples of its head and tail."""
    samples = _samples(text, layout, reading)
    fields = match_fields(layout.headings, reading, samples, text.path.name)
    numbers = [f for f in fields if f.role is Role.NUMBER]
    refuse_interleaved(fields, samples, layout, reading, text.path.name)
    if not any(dimension_of(f.name) for f in numbers):
        named = [heading for heading in layout.headings if heading]
        shown = ", ".join(named[:_SHOWN]) + (" …" if named[_SHOWN:] else "") or "empty"
        fix = f"name the columns with columns={{…}}; the headings are {shown}"
        if not named:
            fix = "name the columns by position, such as columns={'time': 0, 'memory_c': 1}"
        elif sum(map(is_reading, named)) > max(_SHOWN, len(named) / 2):
            fix = "each line holds one quantity: turn the table, so that each holds one time"
        fault = Fault("no heading with a known unit", fix, text.path.name)
        raise InputError("This log has no column that can be read:", [fault])
    styles, file_mark = find_styles(numbers, samples, layout, reading, text.path.name)
    form = _time_form(fields, samples, reading, text.path.name, layout, file_mark)
    stated = reading.columns is not None
    unread = unread_notes(layout.headings, fields, samples, stated=stated)
    return Plan(fields, styles, form, unread)


def _samples(text: TextFile, layout: Layout, reading: Reading) -> dict[int, list[str]]:
    """Collect the cells of each field in head and tail, except missing ones."""
    missing = reading.missing_words
    heading_rows = set(layout.heading_rows)
    rows = []
    head = text.head[layout.data_line - 1 :][:_HEAD_LINES]
    for line in (*head, *text.tail[-_TAIL_LINES:]):
        row = split_line(line, layout.delimiter)
        if len(row) != layout.n_fields or "\x00" in line or is_comment(row):
            continue
        if not is_rule(row) and tuple(row) not in heading_rows:
            rows.append(row)
    columns = zip(*rows, strict=True) if rows else ((),) * layout.n_fields
    return {
        position: [cell for cell in cells if cell.lower() not in missing]
        for position, cells in enumerate(columns)
    }


def _time_form(
    fields: Sequence[Field],
    samples: Mapping[int, Sequence[str]],
    reading: Reading,
    file: str,
    layout: Layout,
    file_mark: str | None,
) -> TimeForm | None:
    """Return the form of the log's times; None where the period is stated instead."""
    by_name = {f.name: f for f in fields}
    time, date = by_name.get(TIME), by_name.get(DATE)
    if time is None and date is None:
        if reading.period_s is None and "elapsed_s" not in by_name:
            timed = [i for i, cells in samples.items() if cells and all(map(is_time, cells))]
            names = ", ".join(f"'{layout.headings[i] or i}'" for i in timed[:4])
            hint = f" (times are in {names})" if names else ""
            raise unclear_times(
                "no time column was found",
                f"name it with columns={{'time': …}}{hint}, or give period_s=, the seconds "
                "between readings",
                file,
                column=None,
            )
        return None
    form_field = time or by_name[DATE]
    cells = list(samples[form_field.position])
    if time is not None and date is not None:
        cells = [f"{day} {c}" for day, c in zip(samples[date.position], cells, strict=False)]
    form = find_form(
        cells,
        form_field.unit,
        reading.time_unit,
        reading.time_format,
        file,
        reading.mark_of(form_field.name),
        POINT if comma_free(layout, samples) else file_mark,
    )
    return replace(form, utc=is_utc(form_field.heading))
