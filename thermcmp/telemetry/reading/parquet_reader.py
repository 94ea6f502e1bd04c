"""The reader of Parquet telemetry."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from thermcmp.errors import Fault, InputError
from thermcmp.tabular.units import parse_unit
from thermcmp.telemetry.quantities import Role, dimension_of, name_and_unit
from thermcmp.telemetry.reading.column_matching import Field, match_fields
from thermcmp.telemetry.reading.conversion import Columns, Converter, has_infinite
from thermcmp.telemetry.reading.field_plan import Plan
from thermcmp.telemetry.reading.notes import Notebook
from thermcmp.telemetry.reading.number_formats import NumberStyle
from thermcmp.telemetry.reading.options import Reading
from thermcmp.telemetry.reading.time_formats import TimeForm, TimeKind, find_form
from thermcmp.telemetry.reading.time_parsing import parse_times, scale_times

#: Few large batches: joining many takes longer than decoding them.
_BATCH_ROWS = 1 << 22
_SAMPLE = 200


@dataclass(frozen=True, slots=True)
class ParquetReader:
    """Reads Parquet telemetry; a unit may stand in a name or in its field metadata.

    Attributes
    ----------
    name : str
        "parquet".
    suffixes : tuple of str
        Endings read unasked.
    """

    name: str = "parquet"
    suffixes: tuple[str, ...] = (".parquet", ".pq")

    def read(self, path: Path, reading: Reading, book: Notebook) -> Iterator[pd.DataFrame]:
        """Read a Parquet log batch by batch."""
        import pyarrow.parquet as pq

        try:
            with pq.ParquetFile(path) as file:
                schema = file.schema_arrow
                fields = _fields(schema, reading, path.name)
                names = list(dict.fromkeys(schema.names[f.position] for f in fields))
                table_of = file.iter_batches(batch_size=_BATCH_ROWS, columns=names)
                yield from _frames(table_of, schema, fields, reading, book)
        except (pa.ArrowException, OSError) as error:
            raise InputError(
                "This log cannot be read:",
                [Fault(f"no readable Parquet file: {error}", "export it again", path.name)],
            ) from None


def _fields(schema: pa.Schema, reading: Reading, file: str) -> tuple[Field, ...]:
    """Match the columns, with units from names or metadata."""
    units = [(field.metadata or {}).get(b"unit", b"").decode() for field in schema]
    # The unit of the metadata stands where a text log has it in its cells.
    samples = {i: [f"0 {unit}"] for i, unit in enumerate(units) if parse_unit(unit)}
    found = match_fields(schema.names, reading, samples, file)
    fields = tuple(
        replace(f, unit=parse_unit(units[f.position]))
        if f.role is Role.NUMBER
        and f.name not in reading.units
        and parse_unit(units[f.position])
        and name_and_unit(f.heading)[1] is None
        else f
        for f in found
    )
    faults = [
        Fault("text where numbers are expected", "store it as numbers", file, None, f.heading)
        for f in fields
        if f.role in (Role.NUMBER, Role.FLAG) and not _numeric(schema.field(f.position).type)
    ]
    if not any(dimension_of(f.name) for f in fields):
        faults.append(Fault("no column with a known unit", "name them with columns={…}", file))
    if faults:
        raise InputError("The columns of this log are not clear:", faults)
    return fields


def _numeric(kind: Any) -> bool:
    """Return whether a type can be read as a number."""
    return (
        pa.types.is_integer(kind)
        or pa.types.is_floating(kind)
        or pa.types.is_boolean(kind)
        or pa.types.is_null(kind)
    )


def _frames(
    batches: Iterator[pa.RecordBatch],
    schema: pa.Schema,
    fields: Sequence[Field],
    reading: Reading,
    book: Notebook,
) -> Iterator[pd.DataFrame]:
    """Convert the batches."""
    timed = next((f for f in fields if f.name == "time"), None)
    others = tuple(f for f in fields if f.name not in ("time", "date"))
    styles = {f.name: NumberStyle(".", True, True) for f in others if f.role is Role.NUMBER}
    converter = Converter(Plan(others, styles, None), reading, book)
    form: TimeForm | None = None
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
            _add_time(columns, column, form)
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


def _add_time(columns: Columns, column: pa.Array, form: TimeForm | None) -> None:
    """Add the time as one of the columns that the clock takes."""
    if form is None:
        columns["recorded_at"] = column.to_pandas()
        return
    if pa.types.is_floating(column.type) or pa.types.is_integer(column.type):
        seconds = scale_times(column, form)
    else:
        seconds = parse_times(pc.fill_null(column.cast(pa.string()), ""), form)
    if form.kind in (TimeKind.ELAPSED, TimeKind.DURATION):
        columns["elapsed_s"] = seconds
    elif form.kind is TimeKind.TIME_OF_DAY:
        columns["time_of_day_s"] = seconds
    else:
        stamps = pd.to_datetime(pd.Series(seconds), unit="s").astype("datetime64[us]")
        in_utc = form.kind in (TimeKind.EPOCH, TimeKind.ZONED)
        columns["recorded_at"] = stamps.dt.tz_localize("UTC") if in_utc else stamps
