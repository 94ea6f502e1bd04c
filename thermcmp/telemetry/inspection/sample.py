"""The beginning of a log as cells, with its layout."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Final

import pandas as pd

from thermcmp.errors import Fault, InputError
from thermcmp.tabular.packed_files import as_text
from thermcmp.telemetry.reading.cell_patterns import BLANKS, WIDE_BLANKS, split_line
from thermcmp.telemetry.reading.layout import find_layout
from thermcmp.telemetry.reading.options import Reading
from thermcmp.telemetry.reading.readers import require_file
from thermcmp.telemetry.reading.text_file import TextFile

if TYPE_CHECKING:
    import pyarrow as pa

#: A text file beyond this size is inspected up to it.
_MOST_BYTES: Final = 3_000_000
_MOST_ROWS: Final = 100_000
#: Lines whose cells are shown and counted.
_MOST_LINES: Final = 10_000
_NAMES: Final = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", BLANKS: "blanks",
                 WIDE_BLANKS: "two blanks or more"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Sample:
    """The beginning of a log."""

    path: Path  #: file that holds it
    headings: tuple[str, ...]
    cells: pd.DataFrame  #: text by position, named after the headings
    layout: str
    preamble: tuple[str, ...]
    part: str  #: which part of a large file it is; empty for the whole


@contextmanager
def sample_of(path: Path, reading: Reading) -> Iterator[Sample]:
    """Provide the beginning of a log while it is inspected."""
    try:
        size = path.stat().st_size
    except OSError as error:
        fault = Fault(f"the file cannot be opened: {error.strerror}", "check the path", path.name)
        raise InputError("This log cannot be inspected:", [fault]) from None
    require_file(path)
    with as_text(path) as path, TemporaryDirectory() as folder:
        size = path.stat().st_size
        if path.suffix.lower() in (".parquet", ".pq"):
            yield _parquet(path, Path(folder))
        elif size <= _MOST_BYTES:
            yield _text(path, reading, "")
        else:
            beginning = Path(folder) / path.name
            with path.open("rb") as handle:
                data = handle.read(_MOST_BYTES)
            beginning.write_bytes(data[: data.rfind(b"\n") + 1])
            part = f"Inspected: the first {100.0 * len(data) / size:.0f} % of it"
            yield _text(beginning, reading, part)


def _text(path: Path, reading: Reading, part: str) -> Sample:
    """Return the cells of a text log."""
    text = TextFile.open(path, reading.encoding)
    layout = find_layout(text, reading)
    rows = []
    for block in text.blocks():
        for line in block.from_line(layout.data_line).lines():
            row = split_line(line, layout.delimiter)
            if len(row) == layout.n_fields:
                rows.append(row)
        if len(rows) >= _MOST_LINES:
            break
    names = [heading or f"position {i}" for i, heading in enumerate(layout.headings)]
    words = (
        f"{text.encoding}, delimiter {_NAMES.get(layout.delimiter, repr(layout.delimiter))}, "
        f"{layout.n_fields} columns, first reading in line {layout.data_line}"
    )
    above = layout.preamble[: max(len(layout.preamble) - len(layout.heading_rows), 0)]
    cells = pd.DataFrame(rows[:_MOST_LINES], columns=names)
    return Sample(path, layout.headings, cells, words, above, part)


def _parquet(path: Path, folder: Path) -> Sample:
    """Return the cells of a Parquet log."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as file:
            total, batch = file.metadata.num_rows, next(file.iter_batches(_MOST_ROWS), None)
    except (pa.ArrowException, OSError) as error:
        fault = Fault(f"not a readable Parquet file: {error}", "export it again", path.name)
        raise InputError("This log cannot be inspected:", [fault]) from None
    if batch is None:
        fault = Fault("no readings in the log", "export the log again", path.name)
        raise InputError("This log cannot be inspected:", [fault])
    beginning = folder / path.name
    pq.write_table(pa.Table.from_batches([batch]), beginning)
    first = batch.slice(0, _MOST_LINES)
    # By value, since not every type has a text of its own: lists, times beyond all clocks.
    texts = [_texts(column) for column in first.columns]
    cells = pd.DataFrame(dict(enumerate(texts)), dtype=object).set_axis(
        [str(name) for name in first.schema.names], axis=1
    )
    part = "" if total <= len(batch) else f"Inspected: the first {len(batch)} of {total} rows"
    words = f"Parquet, {len(cells.columns)} columns, {total} rows"
    return Sample(beginning, tuple(cells.columns), cells, words, (), part)


def _texts(column: pa.Array) -> list[str]:
    """Return the values of a column as text; those beyond Python's clocks by their number."""
    try:
        values = column.to_pylist()
    except (ValueError, OverflowError):
        values = column.cast("int64", safe=False).to_pylist()
    return ["" if value is None or value != value else str(value) for value in values]
