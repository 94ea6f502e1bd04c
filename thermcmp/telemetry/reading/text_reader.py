"""The reader of delimited text."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from thermcmp.tabular.packed_files import PACKED, as_text
from thermcmp.telemetry.reading.block_parser import BlockParser
from thermcmp.telemetry.reading.field_plan import make_plan
from thermcmp.telemetry.reading.layout import find_layout
from thermcmp.telemetry.reading.notes import Notebook
from thermcmp.telemetry.reading.options import Reading
from thermcmp.telemetry.reading.text_file import TextFile
from thermcmp.telemetry.reading.time_parsing import Calendar, add_times

_ISO_DATE = re.compile(r"(?<![0-9])[0-9]{4}-[01][0-9]-[0-3][0-9](?![0-9])")


@dataclass(frozen=True, slots=True)
class DelimitedReader:
    """Reader of delimited text, whose layout is detected or stated."""

    name: str = "delimited text"
    suffixes: tuple[str, ...] = (".csv", ".tsv", ".txt", ".log", ".dat", *PACKED)

    def read(self, path: Path, reading: Reading, book: Notebook) -> Iterator[pd.DataFrame]:
        """Read a text log block by block, also a packed one."""
        with as_text(path) as plain:
            yield from self._read_text(plain, reading, book)

    def _read_text(self, path: Path, reading: Reading, book: Notebook) -> Iterator[pd.DataFrame]:
        """Read a file of delimited text."""
        text = TextFile.open(path, reading.encoding)
        layout = find_layout(text, reading)
        plan = make_plan(text, layout, reading)
        parser = BlockParser(layout, plan, reading, book)
        if text.cut:
            book.note("the last line has no line end and was left out, as it may be cut")
        for note in plan.notes:
            book.note(note)
        dates = {date for line in layout.preamble for date in _ISO_DATE.findall(line)}
        calendar = Calendar.of(reading.date or (dates.pop() if len(dates) == 1 else None))
        for block in text.blocks():
            readings = block.from_line(layout.data_line)
            for columns in parser.parse(readings) if readings.n_lines else ():
                if plan.time is not None:
                    add_times(columns, columns.pop("seconds"), plan.time, calendar)
                yield pd.DataFrame(columns, copy=False)
        parser.finish()
