"""From blocks of text to canonical columns: a fast path, and the careful one behind it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pyarrow as pa

from thermcmp._types import Array
from thermcmp.telemetry.quantities import DATE, TIME, Role
from thermcmp.telemetry.reading.cell_patterns import BLANKS, WIDE_BLANKS
from thermcmp.telemetry.reading.column_matching import Field
from thermcmp.telemetry.reading.conversion import Columns, Converter, has_infinite
from thermcmp.telemetry.reading.field_plan import Plan
from thermcmp.telemetry.reading.layout import Layout
from thermcmp.telemetry.reading.line_sorter import RowSorter
from thermcmp.telemetry.reading.notes import Notebook
from thermcmp.telemetry.reading.options import Reading
from thermcmp.telemetry.reading.text_file import Block
from thermcmp.telemetry.reading.time_formats import TimeKind

#: A block of more lines is halved before it is read line by line.
_CAREFUL_LINES: Final = 4_000
_RUNS: Final = {BLANKS: re.compile(rb"[ \t]+"), WIDE_BLANKS: re.compile(rb" {2,}")}
_EDGES: Final = re.compile(rb"(?m)^[ \t]+|[ \t]+$")

Cells = Mapping[str, "pa.Array | Array"]


@dataclass(slots=True)
class BlockParser:
    """Reads the blocks of one log in order.

    Attributes
    ----------
    layout : Layout
        Layout of the log.
    plan : Plan
        What is read.
    reading : Reading
        What the user states.
    book : Notebook
        Where notes and faults go.
    """

    layout: Layout
    plan: Plan
    reading: Reading
    book: Notebook
    _sorter: RowSorter = field(init=False)
    _converter: Converter = field(init=False)

    def __post_init__(self) -> None:
        self._sorter = RowSorter(self.layout, self.plan.fields, self.book)
        self._converter = Converter(self.plan, self.reading, self.book)

    def parse(self, block: Block) -> list[Columns]:
        """Read one block."""
        columns = self._fast(block)
        if columns is not None:
            return [columns]
        halves = block.halves() if block.n_lines > _CAREFUL_LINES else ()
        if halves and all(half.n_lines for half in halves):
            # Only the part that holds the odd line is worth the careful path.
            return [part for half in halves for part in self.parse(half)]
        return self._careful(block)

    def _fast(self, block: Block) -> Columns | None:
        """Read a block by the fast path; None if it holds more than readings."""
        table = self._fast_cells(block)
        if table is None:
            return None
        lines = np.arange(block.first_line, block.first_line + table.num_rows, dtype=np.int64)
        positions = self._sorter.positions
        flat = {f.name: _flat(table[str(positions[f.name])]) for f in self.plan.fields}
        # Arrow takes 'inf' for a number; the careful path names it as a fault.
        if any(isinstance(v, np.ndarray) and has_infinite(v) for v in flat.values()):
            return None
        return self._converter.attempt(flat, lines)

    def _careful(self, block: Block) -> list[Columns]:
        """Read a block line by line."""
        parts: list[Columns] = []
        for positions, numbers, rows in self._sorter.sort(block):
            cells = {f.name: _column(rows, positions.get(f.name)) for f in self.plan.fields}
            parts.append(self._converter.convert(cells, np.array(numbers, dtype=np.int64)))
        return parts

    def finish(self) -> None:
        """End the log: judge what was left open, and raise all faults."""
        self._sorter.finish()
        self._converter.finish()
        self.book.raise_faults()

    def _fast_cells(self, block: Block) -> pa.Table | None:
        """Read a block that holds nothing but readings; None if it holds more."""
        import pyarrow.csv as pc

        sorter = self._sorter
        if sorter.waiting or len(sorter.positions) < len(self.plan.fields):
            return None
        delimiter, data = self.layout.delimiter, block.data
        if b"\x00" in data or self._may_hide_comments(block):
            return None
        source = pa.py_buffer(data).slice(block.start)
        if delimiter in _RUNS:
            data, delimiter = _RUNS[delimiter].sub(b"\t", _EDGES.sub(b"", block.text)), "\t"
            source = pa.py_buffer(data)
        marks = [s.mark for s in self.plan.styles.values() if s.plain]
        mark = max(marks, key=marks.count) if marks else "."
        types = {
            str(sorter.positions[f.name]): pa.float64() if self._is_plain(f, mark) else pa.string()
            for f in self.plan.fields
        }
        try:
            table = pc.read_csv(
                pa.BufferReader(source),
                pc.ReadOptions(column_names=[str(i) for i in range(sorter.n_fields)]),
                pc.ParseOptions(delimiter=delimiter, invalid_row_handler=None),
                pc.ConvertOptions(
                    column_types=types,
                    include_columns=list(types),
                    null_values=self._null_words(),
                    strings_can_be_null=False,
                    decimal_point=mark,
                ),
            )
        except pa.ArrowInvalid:
            return None
        return table if table.num_rows == block.n_lines else None

    def _may_hide_comments(self, block: Block) -> bool:
        """Return whether a comment sign may stand in a first column that is not read."""
        if 0 in self._sorter.positions.values():
            return False
        data = block.text
        return b"\n#" in data or data.startswith(b"#") or b"\n//" in data

    def _is_plain(self, f: Field, mark: str) -> bool:
        """Return whether the fast path may read a field's numbers."""
        form = self.plan.time
        if f.name == TIME and form is not None and not self.plan.has(DATE):
            return form.kind is TimeKind.ELAPSED and form.mark == mark
        style = self.plan.styles.get(f.name)
        return f.role is Role.NUMBER and style is not None and style.plain and style.mark == mark

    def _null_words(self) -> list[str]:
        """All spellings of "no reading" that the fast path knows."""
        words = self.reading.missing_words
        spelled = {form for w in words for form in (w, w.upper(), w.capitalize(), w.title())}
        return sorted(spelled | {" " + word for word in spelled})


def _flat(column: pa.ChunkedArray) -> pa.Array | Array:
    """Return a column as floats, or as one array of text."""
    if pa.types.is_floating(column.type):
        return column.to_numpy()
    return column.combine_chunks()


def _column(rows: list[list[str]], position: int | None) -> pa.Array:
    """Return one column of split rows; empty cells where the log no longer has it."""
    if position is None:
        return pa.array([""] * len(rows), pa.string())
    return pa.array([row[position] for row in rows], pa.string())
