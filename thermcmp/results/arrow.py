"""Results frames as Arrow tables: one declared schema, with units in its metadata."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final

import pandas as pd
import pyarrow as pa

from thermcmp.errors import Fault, InputError
from thermcmp.results.schema import BY_NAME, COLUMNS, SCHEMA_VERSION
from thermcmp.tabular.coercion import DTYPES, is_missing
from thermcmp.tabular.column import Kind

#: Key of the schema version in a file's metadata.
VERSION_KEY: Final = b"thermcmp.schema_version"

_TYPES: Final = {
    Kind.TEXT: pa.string(),
    Kind.NUMBER: pa.float64(),
    Kind.COUNT: pa.int64(),
    Kind.FLAG: pa.bool_(),
    Kind.TIME: pa.timestamp("us", "UTC"),
}

#: The declared schema: unit and meaning of each column in its field's metadata.
SCHEMA: Final = pa.schema(
    [
        pa.field(
            column.name,
            _TYPES[column.kind],
            nullable=not (column.required or column.kind is Kind.FLAG),
            metadata={"unit": column.unit, "meaning": column.meaning},
        )
        for column in COLUMNS
    ],
    metadata={VERSION_KEY: str(SCHEMA_VERSION).encode()},
)

#: Canonical dtype of an extra column, by the type it is stored with.
_EXTRA_DTYPES: Final = {
    pa.string(): "string",
    pa.float64(): "float64",
    pa.int64(): "Int64",
    pa.bool_(): "boolean",
    pa.timestamp("us", "UTC"): pd.DatetimeTZDtype("us", "UTC"),
    pa.timestamp("us"): "datetime64[us]",
}


def to_arrow(frame: pd.DataFrame) -> pa.Table:
    """Return a checked results frame as a table of the declared schema."""
    extras = [name for name in frame.columns if name not in BY_NAME]
    plain = canonical_extras(frame)
    fields, arrays = list(SCHEMA), []
    for field in SCHEMA:
        arrays.append(pa.array(plain[field.name], type=field.type, from_pandas=True))
    for name in extras:
        array = pa.array(plain[name], from_pandas=True)
        if pa.types.is_large_string(array.type):
            array = array.cast(pa.string())
        arrays.append(array)
        fields.append(pa.field(name, array.type))
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=SCHEMA.metadata))


def from_arrow(table: pa.Table, columns: Sequence[str] | None = None) -> pd.DataFrame:
    """Return the results frame of a stored table, or some of its columns."""
    if columns is None:
        table = migrated(table)
        check_schema(table.schema)
        columns = [*BY_NAME, *(name for name in table.schema.names if name not in BY_NAME)]
    return pd.DataFrame({name: _series(table[name], name) for name in columns})


def _series(stored: pa.ChunkedArray, name: str) -> pd.Series:
    """Return a stored column in its canonical dtype."""
    extra = name not in BY_NAME
    dtype: Any = _EXTRA_DTYPES[stored.type] if extra else DTYPES[BY_NAME[name].kind]
    if stored.null_count == len(stored) and dtype in ("Int64", "string"):
        return pd.Series(pd.NA, index=range(len(stored)), dtype=dtype)
    # Integers and flags with gaps must not pass through floats.
    with_gaps = pa.types.is_integer(stored.type) or pa.types.is_boolean(stored.type)
    if with_gaps and stored.null_count:
        return pd.Series(stored.to_pylist(), dtype=dtype)
    return stored.to_pandas().astype(dtype)


def migrated(table: pa.Table) -> pa.Table:
    """Return a table of an older layout with the columns that came later, blank.

    What may be blank is that of this layout.
    """
    version = int((table.schema.metadata or {}).get(VERSION_KEY, SCHEMA_VERSION))
    for column in COLUMNS:
        if column.since > version and column.name not in table.schema.names:
            field = SCHEMA.field(column.name)
            blank = pa.nulls(len(table), field.type)
            # A flag that was never stated is not set.
            table = table.append_column(field, blank if field.nullable else blank.fill_null(False))
    if version == SCHEMA_VERSION:
        return table
    declared = {field.name: field.nullable for field in SCHEMA}
    fields = [f.with_nullable(declared.get(f.name, f.nullable)) for f in table.schema]
    return table.cast(pa.schema(fields, metadata=table.schema.metadata))


def check_schema(schema: pa.Schema) -> None:
    """Check a table's schema against the declared one."""
    faults = [
        Fault("the declared column is absent", "write files with this library only", column=name)
        for name in BY_NAME
        if name not in schema.names
    ]
    for field in schema:
        if field.name not in BY_NAME and field.type not in _EXTRA_DTYPES:
            fix = "write files with this library only"
        elif field.name in BY_NAME and field.type != SCHEMA.field(field.name).type:
            fix = f"write it as {SCHEMA.field(field.name).type}"
        else:
            continue
        faults.append(Fault(f"stored as {field.type}", fix, column=field.name))
    if faults:
        raise InputError("The table does not follow the results schema:", faults)


def canonical_extras(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame with its extra columns in the few types that are stored."""
    extras = {str(name): _extra_dtype(frame[name]) for name in frame if name not in BY_NAME}
    mixed = [name for name, dtype in extras.items() if dtype is None]
    if mixed:
        fix = "make it all text or all numbers, or drop it"
        faults = [Fault("mixes kinds of value", fix, column=name) for name in mixed]
        raise InputError("These extra columns cannot be stored:", faults)
    changed = {}
    for name, dtype in extras.items():
        series = frame[name]
        if pd.api.types.is_object_dtype(series.dtype):
            series = series.where(~series.map(is_missing).astype(bool), None)
        if isinstance(dtype, pd.DatetimeTZDtype):
            series = series.dt.tz_convert("UTC")
        try:
            changed[name] = series.astype(dtype)
        except (ValueError, TypeError, OverflowError) as error:
            fault = Fault(str(error), "make it text, or drop it", column=name)
            raise InputError("An extra column cannot be stored:", [fault]) from error
    return frame.assign(**changed)


def concat(frames: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Return canonical frames, whose extra columns may differ, as one frame.

    All have the same declared columns, as a rule all of them. An extra column that is text in
    one frame and something else in another becomes text; one that is empty in a frame takes the
    type it has in the others.
    """
    parts = list(frames)
    declared = [name for name in BY_NAME if name in parts[0]]
    extras = dict.fromkeys(str(name) for part in parts for name in part if name not in BY_NAME)
    dtypes: dict[str, Any] = {}
    for name in extras:
        held = [part[name] for part in parts if name in part]
        filled = {str(series.dtype): series.dtype for series in held if series.notna().any()}
        if len(filled) < 2:
            dtypes[name] = next(iter(filled.values()), held[0].dtype)
        else:
            dtypes[name] = "float64" if set(filled) == {"Int64", "float64"} else "string"
    whole = [
        part.assign(
            **{
                name: part[name].astype(dtype)
                if name in part and part[name].notna().any()
                else pd.Series(pd.NA, index=part.index, dtype="string").astype(dtype)
                for name, dtype in dtypes.items()
            }
        )
        for part in parts
    ]
    return pd.concat([part[[*declared, *extras]] for part in whole], ignore_index=True)


def _extra_dtype(series: pd.Series) -> Any:
    """Return the canonical dtype of an extra column, or None where it mixes kinds."""
    dtype = series.dtype
    if isinstance(dtype, pd.DatetimeTZDtype):
        return pd.DatetimeTZDtype("us", "UTC")
    if pd.api.types.is_datetime64_dtype(dtype):
        return "datetime64[us]"
    kind = pd.api.types.infer_dtype(series, skipna=True)
    if kind == "categorical":
        kind = pd.api.types.infer_dtype(series.astype(object), skipna=True)
    by_kind = {
        "string": "string",
        "empty": "string",
        "boolean": "boolean",
        "integer": "Int64",
        "floating": "float64",
        "mixed-integer-float": "float64",
    }
    return by_kind.get(kind)
