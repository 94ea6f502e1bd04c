"""Parsing blocks of text: a fast path, and a line-by-line path where it does not apply."""

from __future__ import annotations

import re
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

#: A longer block is halved before it is read line by line.
_CAREFUL_LINES: Final = 4_000
_RUNS: Final = {BLANKS: re.compile(rb"[ \t]+"), WIDE_BLANKS: re.compile(rb" {2,}")}
_EDGES: Final = re.compile(rb"(?m)^[ \t]+|[ \t]+$")


@dataclass(slots=True)
class BlockParser:
    """Parser for the blocks of one log, in order."""

    layout: Layout
    plan: Plan
    reading: Reading
    book: Notebook
    _sorter: RowSorter = field(init=False)
    _converter: Converter = field(init=False)

    def __post_init__(self) -> None:
        self._sorter = RowSorter(
            self.layout, self.plan.fields, self.book, self.reading.skip_bad_lines
        )
        self._converter = Converter(self.plan, self.reading, self.book)

    def parse(self, block: Block) -> list[Columns]:
        """Parse one block into parts of equal layout."""
        columns = self._fast(block)
        if columns is not None:
            return [columns]
        halves = block.halves() if block.n_lines > _CAREFUL_LINES else ()
        if halves and all(half.n_lines for half in halves):
            # Only the half that holds the irregular line needs the slow path.
            return [part for half in halves for part in self.parse(half)]
        parts: list[Columns] = []
        for positions, lines, rows in self._sorter.sort(block):
            # Cells are empty where the log no longer has the column.
            cells = {
                f.name: pa.array(
                    [row[positions[f.name]] if f.name in positions else "" for row in rows],
                    pa.string(),
                )
                for f in self.plan.fields
            }
            parts.append(self._converter.convert(cells, np.array(lines, dtype=np.int64)))
        return parts

    def _fast(self, block: Block) -> Columns | None:
        """Parse a block by the fast path; None if it holds more than readings."""
        table = self._fast_cells(block)
        if table is None:
            return None
        cells: dict[str, pa.Array | Array] = {}
        for f in self.plan.fields:
            column = table[str(self._sorter.positions[f.name])]
            if not pa.types.is_floating(column.type):
                cells[f.name] = column.combine_chunks()
                continue
            values = cells[f.name] = column.to_numpy()
            # Arrow accepts 'inf' as a number; the slow path reports it as a fault.
            if has_infinite(values):
                return None
        lines = np.arange(block.first_line, block.first_line + table.num_rows, dtype=np.int64)
        return self._converter.attempt(cells, lines)

    def finish(self) -> None:
        """Judge what was left open at the end of the log, and raise all faults."""
        self._sorter.finish()
        self._converter.finish()
        self.book.raise_faults()

    def _fast_cells(self, block: Block) -> pa.Table | None:
        """Return the cells of a block of readings only; None if it holds anything else."""
        import pyarrow.csv as pc

        sorter = self._sorter
        if sorter.waiting or len(sorter.positions) < len(self.plan.fields):
            return None
        delimiter, data = self.layout.delimiter, block.data
        # The fast path would miss a comment sign in a first column that is not read.
        text = block.text if 0 not in sorter.positions.values() else b""
        if b"\x00" in data or text.startswith((b"#", b"//")) or b"\n#" in text or b"\n//" in text:
            return None
        source = pa.py_buffer(data).slice(block.start)
        if delimiter in _RUNS:
            data, delimiter = _RUNS[delimiter].sub(b"\t", _EDGES.sub(b"", block.text)), "\t"
            source = pa.py_buffer(data)
        words = self.reading.missing_words
        spelled = {form for w in words for form in (w, w.upper(), w.capitalize(), w.title())}
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
                    null_values=sorted(spelled | {" " + word for word in spelled}),
                    strings_can_be_null=False,
                    decimal_point=mark,
                ),
            )
        except pa.ArrowInvalid:
            return None
        return table if table.num_rows == block.n_lines else None

    def _is_plain(self, f: Field, mark: str) -> bool:
        """Return whether the fast path can read a field's numbers."""
        form = self.plan.time
        if f.name == TIME and form is not None and not self.plan.has(DATE):
            return form.kind is TimeKind.ELAPSED and form.mark == mark
        style = self.plan.styles.get(f.name)
        return f.role is Role.NUMBER and style is not None and style.plain and style.mark == mark
