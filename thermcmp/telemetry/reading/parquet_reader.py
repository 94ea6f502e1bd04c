"""The reader of Parquet telemetry, whose way to canonical columns a plug-in's reader takes too."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from thermcmp.errors import Fault, InputError
from thermcmp.tabular.units import parse_unit
from thermcmp.telemetry.quantities import Role, dimension_of, name_and_unit
from thermcmp.telemetry.reading.clock import TIME_COLUMNS
from thermcmp.telemetry.reading.column_matching import Field, match_fields
from thermcmp.telemetry.reading.conversion import Converter, has_infinite
from thermcmp.telemetry.reading.field_plan import Plan
from thermcmp.telemetry.reading.notes import Notebook
from thermcmp.telemetry.reading.number_formats import NumberStyle
from thermcmp.telemetry.reading.options import Reading
from thermcmp.telemetry.reading.time_formats import TimeForm, find_form
from thermcmp.telemetry.reading.time_parsing import Calendar, add_times, parse_times, scale_times

#: Few large batches: joining many takes longer than decoding them.
_BATCH_ROWS = 1 << 22
_SAMPLE = 200
#: Tests of the types that can be read as numbers.
_NUMERIC = (pa.types.is_integer, pa.types.is_floating, pa.types.is_boolean, pa.types.is_null)


@dataclass(frozen=True, slots=True)
class ParquetReader:
    """Reader of Parquet telemetry; a column's name or field metadata may state its unit."""

    name: str = "parquet"
    suffixes: tuple[str, ...] = (".parquet", ".pq")

    def read(self, path: Path, reading: Reading, book: Notebook) -> Iterator[pd.DataFrame]:
        """Read a Parquet log batch by batch."""
        import pyarrow.parquet as pq

        try:
            with pq.ParquetFile(path) as file:
                schema = file.schema_arrow
                fields = fields_of(schema, reading, path.name)
                names = list(dict.fromkeys(schema.names[f.position] for f in fields))
                batches = file.iter_batches(batch_size=_BATCH_ROWS, columns=names)
                yield from frames_of(batches, schema, fields, reading, book)
        except (pa.ArrowException, OSError) as error:
            fault = Fault(f"not a readable Parquet file: {error}", "export it again", path.name)
            raise InputError("This log cannot be read:", [fault]) from None


def fields_of(schema: pa.Schema, reading: Reading, file: str) -> tuple[Field, ...]:
    """Match the columns, with units from names or metadata."""
    units = [(field.metadata or {}).get(b"unit", b"").decode() for field in schema]
    # The metadata's unit takes the place of the cells' unit in a text log.
    samples = {i: [f"0 {unit}"] for i, unit in enumerate(units) if parse_unit(unit)}
    matched = match_fields(schema.names, reading, samples, file)
    fields = tuple(
        replace(f, unit=parse_unit(units[f.position]))
        if f.role is Role.NUMBER
        and f.name not in reading.units
        and parse_unit(units[f.position])
        and name_and_unit(f.heading)[1] is None
        else f
        for f in matched
    )
    faults = [
        Fault("text where numbers are expected", "store it as numbers", file, None, f.heading)
        for f in fields
        if f.role in (Role.NUMBER, Role.FLAG)
        and not any(holds(schema.field(f.position).type) for holds in _NUMERIC)
    ]
    if not any(dimension_of(f.name) for f in fields):
        faults.append(Fault("no column with a known unit", "name them with columns={…}", file))
    if faults:
        raise InputError("The columns of this log cannot be identified:", faults)
    return fields


def frames_of(
    batches: Iterator[pa.RecordBatch],
    schema: pa.Schema,
    fields: Sequence[Field],
    reading: Reading,
    book: Notebook,
) -> Iterator[pd.DataFrame]:
    """Convert the batches to frames."""
    timed = next((f for f in fields if f.name == "time"), None)
    others = tuple(f for f in fields if f.name not in ("time", "date"))
    styles = {f.name: NumberStyle(".", True, True) for f in others if f.role is Role.NUMBER}
    converter = Converter(Plan(others, styles, None), reading, book)
    form: TimeForm | None = None
    calendar = Calendar.of(reading.date)
    row = 1
    for batch in batches:
        lines = np.arange(row, row + len(batch), dtype=np.int64)
        row += len(batch)
        cells = {f.name: _cells(batch[schema.names[f.position]], f) for f in others}
        columns = converter.convert(cells, lines)
        if timed is not None:
            column = batch[schema.names[timed.position]]
            if form is None and not pa.types.is_timestamp(column.type):
                ends = (column.slice(0, _SAMPLE), column.slice(max(len(column) - _SAMPLE, 0)))
                sample = [t for end in ends for t in end.cast(pa.string()).drop_null().to_pylist()]
                form = find_form(
                    sample, timed.unit, reading.time_unit, reading.time_format, book.file
                )
            if form is None:
                columns["recorded_at"] = column.to_pandas()
            elif pa.types.is_floating(column.type) or pa.types.is_integer(column.type):
                add_times(columns, scale_times(column, form), form, calendar)
            else:
                texts = pc.fill_null(column.cast(pa.string()), "")
                add_times(columns, parse_times(texts, form), form, calendar)
        yield pd.DataFrame(columns, copy=False)
    converter.finish()
    book.raise_faults()


def _cells(column: pa.Array, f: Field) -> Any:
    """Return a column as the converter takes it."""
    if f.role is Role.NUMBER:
        if column.type != pa.float64():
            column = column.cast(pa.float64(), safe=False)
        values = column.to_numpy(zero_copy_only=False)
        return np.where(np.isinf(values), np.nan, values) if has_infinite(values) else values
    if f.role is Role.FLAG:
        return pc.fill_null(column.cast(pa.int8()).cast(pa.string()), "")
    return pc.fill_null(column.cast(pa.string()), "")


def sound_chunks(chunks: Iterator[pd.DataFrame]) -> Iterator[pd.DataFrame]:
    """Yield the chunks that have rows; raise where they are not what a reader must yield."""
    names: list[str] | None = None
    for chunk in chunks:
        if not isinstance(chunk, pd.DataFrame):
            raise TypeError(f"yielded a value of type {type(chunk).__name__}, not a DataFrame")
        if not len(chunk):
            continue
        names = names or [str(name) for name in chunk.columns]
        if [str(name) for name in chunk.columns] != names or len(set(names)) < len(names):
            raise ValueError(f"columns differ between chunks or repeat: {', '.join(names)}")
        if "line" in chunk:
            chunk = chunk.assign(line=chunk["line"].astype(int))
        for name in TIME_COLUMNS:
            if name in chunk and name != "recorded_at":
                chunk = chunk.assign(**{name: chunk[name].astype(float)})
            elif name in chunk and chunk[name].dtype.kind != "M":
                raise TypeError(f"{name} is of type {chunk[name].dtype}, not datetime64")
        # Here, where the plug-in is to blame: mixed types have no Arrow type.
        pa.RecordBatch.from_pandas(chunk, preserve_index=False)
        yield chunk


def canonical_frames(
    chunks: Iterator[pd.DataFrame], reading: Reading, book: Notebook
) -> Iterator[pd.DataFrame]:
    """Match the columns of sound chunks, convert their units and check their ranges."""
    first = next(chunks, None)
    if first is None:
        return
    own = [name for name in (*TIME_COLUMNS, "line") if name in first]
    kept: deque[pd.DataFrame] = deque()

    def batches() -> Iterator[pa.RecordBatch]:
        for chunk in chain([first], chunks):
            kept.append(chunk[own].reset_index(drop=True))
            yield pa.RecordBatch.from_pandas(chunk.drop(columns=own), preserve_index=False)

    schema = pa.Schema.from_pandas(first.drop(columns=own), preserve_index=False)
    fields = fields_of(schema, reading, book.file)
    for frame in frames_of(batches(), schema, fields, reading, book):
        known = kept.popleft()
        yield frame.drop(columns=own, errors="ignore").assign(**{name: known[name] for name in own})
