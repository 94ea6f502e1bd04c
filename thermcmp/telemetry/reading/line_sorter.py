"""The line-by-line path: readings among headings, cut lines, comments and footers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from thermcmp.tabular.units import Unit
from thermcmp.telemetry.quantities import Role, name_and_unit
from thermcmp.telemetry.reading.cell_patterns import is_comment, is_reading, is_rule, split_line
from thermcmp.telemetry.reading.column_matching import Field
from thermcmp.telemetry.reading.layout import Layout
from thermcmp.telemetry.reading.notes import Notebook
from thermcmp.telemetry.reading.text_file import Block

#: Most lines of a footer, or of a preamble in the middle of a log.
_FOOTER_LINES: Final = 5
#: More unexplained lines than this are neither a footer nor a preamble.
_MOST_PENDING: Final = 50


#: Positions of the fields, line numbers and rows of readings of equal layout.
Part = tuple[dict[str, int], list[int], list[list[str]]]


@dataclass(slots=True)
class RowSorter:
    """Separates a log's readings from its other lines."""

    layout: Layout
    fields: tuple[Field, ...]
    book: Notebook
    skips: bool = False  #: whether lines that are no readings are left out with a note
    #: Current position of each field; changes with the headings.
    positions: dict[str, int] = field(init=False)
    n_fields: int = field(init=False)  #: current fields per line
    _pending: list[tuple[int, list[str]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.positions = {f.name: f.position for f in self.fields}
        self.n_fields = self.layout.n_fields

    @property
    def waiting(self) -> bool:
        """Whether lines are pending until what follows shows what they are."""
        return bool(self._pending)

    def sort(self, block: Block) -> list[Part]:
        """Return the readings of a block, in parts of equal layout."""
        parts: list[Part] = []
        part: Part = (self.positions, [], [])
        for line, text in enumerate(block.lines(), start=block.first_line):
            row = split_line(text, self.layout.delimiter)
            if not any(row):
                continue
            if "\x00" in text:
                self.book.note("lines with zero bytes, as a crash leaves them, were left out", line)
            elif is_rule(row):
                self.book.note("ruled lines were left out", line)
            elif is_comment(row):
                self.book.note("comment lines were left out", line)
            elif self._is_heading(row, line):
                if self.positions != part[0]:
                    parts.append(part)
                    part = (self.positions, [], [])
            elif self._is_reading(row):
                self._fault_pending()
                part[1].append(line)
                part[2].append(row[: self.n_fields])
            else:
                self._pending.append((line, row))
                if len(self._pending) > _MOST_PENDING:
                    self._fault_pending()
        parts.append(part)
        return [p for p in parts if p[1]]

    def finish(self) -> None:
        """Judge the lines after the last reading: a cut line, a footer or a fault."""
        lines = self._pending
        is_cut = len(lines) == 1 and len(lines[0][1]) < self.n_fields
        words = all(not any(map(_is_number_or_time, row)) for _, row in lines)
        if lines and not is_cut and not (words and len(lines) <= _FOOTER_LINES):
            self._fault_pending()
        elif lines:
            what = "a cut last line was" if is_cut else "lines after the readings were"
            self.book.note(f"{what} left out", lines[0][0], len(lines))

    def _is_reading(self, row: list[str]) -> bool:
        """Return whether a row has the fields, and a digit where numbers or times are due."""
        if len(row) < self.n_fields or any(row[self.n_fields :]):
            return False
        return any(
            character.isdigit()
            for f in self.fields
            if f.role in (Role.NUMBER, Role.TIME) and f.name in self.positions
            for character in row[self.positions[f.name]]
        )

    def _is_heading(self, row: list[str], line: int) -> bool:
        """Recognise headings that recur, unchanged or changed."""
        if tuple(row) in self.layout.heading_rows:
            self._note_heading(line, "the headings are repeated")
            if row == list(self.layout.heading_rows[-1]):
                self.positions = {f.name: f.position for f in self.fields}
                self.n_fields = self.layout.n_fields
            return True
        if any(map(_is_number_or_time, row)):
            return False
        keys = [_heading_key(cell) for cell in row]
        named = [f for f in self.fields if f.heading and _heading_key(f.heading) in keys]
        if len(named) * 2 < len(self.fields) or not named:
            return False
        self._note_heading(line, "the headings change")
        # A new mapping, since parts keep the old one.
        self.positions = {f.name: keys.index(_heading_key(f.heading)) for f in named}
        for f in self.fields:
            if f.name not in self.positions:
                self.book.note(f"column '{f.heading}' ends", line)
        known = {_heading_key(heading) for heading in self.layout.headings}
        for heading, key in zip(row, keys, strict=True):
            if heading and key not in known:
                words = f"column '{heading}' begins and is not read; to read it, cut the log there"
                self.book.note(words, line)
        self.n_fields = len(row)
        return True

    def _note_heading(self, line: int, what: str) -> None:
        """Note a heading line; pending lines before it were cut or are a preamble."""
        self.book.note(what, line)
        wider = any(len(row) > self.n_fields for _, row in self._pending)
        if wider or len(self._pending) > _FOOTER_LINES:
            self._fault_pending()
        elif self._pending:
            line, count = self._pending[0][0], len(self._pending)
            self.book.note("lines before the headings were left out", line, count)
            self._pending = []

    def _fault_pending(self) -> None:
        """Report the pending lines as faults."""
        for line, row in self._pending:
            if len(row) < self.n_fields and not any(map(_is_number_or_time, row)):
                self.book.note("remarks between the readings were left out", line)
                continue
            if self.skips:
                self.book.note("lines with other fields than the headings' were left out", line)
                continue
            message = f"{len(row)} fields where {self.n_fields} are expected"
            fix = "complete the line, or state skip_bad_lines=True to leave such lines out"
            if any(cell.count('"') % 2 for cell in row):
                message = "a quoted cell does not end on its line"
                fix = "remove line breaks from cells, and close every quote"
            elif len(row) > self.n_fields:
                fix = "a column was added without headings: cut the log there"
            elif len(row) == self.n_fields:
                message = "no reading in this line"
            self.book.fault(message, fix, line, None, self.layout.delimiter.join(row))
        self._pending = []


def _heading_key(heading: str) -> tuple[str, Unit | None]:
    """Return what makes two spellings of a heading the same: name and unit."""
    name, unit = name_and_unit(heading)
    return name.lower(), unit


def _is_number_or_time(cell: str) -> bool:
    """Return whether a cell is a reading that is not missing."""
    return bool(cell) and is_reading(cell) and any(c.isdigit() for c in cell)
