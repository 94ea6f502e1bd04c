"""The hash of a table of results by its columns, at the speed of memory."""

from __future__ import annotations

import hashlib
import json
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from thermcmp.results.schema import BY_NAME
from thermcmp.tabular.column import Kind


class TableHash:
    """The hash of a table's values, taken column by column, and of what is stated about them.

    It depends on the order of the rows, but not on blank columns, or on the versions of pyarrow
    and Parquet. Columns are added in the order of their names.
    """

    def __init__(self, statement: dict[str, Any]) -> None:
        text = json.dumps(statement, sort_keys=True, ensure_ascii=True)
        self._digest = hashlib.sha256(text.encode())

    def add(self, name: str, column: pa.ChunkedArray) -> None:
        """Add a column."""
        if column.null_count == len(column) or _is_unset_flag(name, column):
            return
        self._digest.update(json.dumps([name, str(column.type), len(column)]).encode())
        for piece in _pieces(column):
            self._digest.update(piece)

    @property
    def hex(self) -> str:
        """The hash of all columns added."""
        return self._digest.hexdigest()


def table_hash(table: pa.Table, statement: dict[str, Any]) -> str:
    """Return the hash of a table's values and of what is stated about them."""
    whole = TableHash(statement)
    for name in sorted(table.column_names):
        whole.add(name, table[name])
    return whole.hex


def _is_unset_flag(name: str, column: pa.ChunkedArray) -> bool:
    """Whether a flag that older files lack is set nowhere, which is as good as blank."""
    known = BY_NAME.get(name)
    is_late = known is not None and known.kind is Kind.FLAG and known.since > 1
    return is_late and not pc.any(column).as_py()


def _pieces(column: pa.ChunkedArray) -> list[Any]:
    """Return what a column holds as plain bytes: which rows are filled, and the filled values."""
    filled = column.is_valid().to_numpy().astype("u1")
    values = column.drop_null()
    if pa.types.is_string(column.type):
        lengths = pc.binary_length(values).to_numpy().astype("<i4")
        texts = (chunk.buffers()[2] for chunk in values.chunks)
        # A chunk may be a view of a longer buffer.
        spans = [
            memoryview(text)[int(_offsets(chunk)[0]) : int(_offsets(chunk)[-1])]
            for chunk, text in zip(values.chunks, texts, strict=True)
            if text is not None and len(chunk)
        ]
        return [filled, lengths, *spans]
    if pa.types.is_boolean(column.type):
        return [filled, values.to_numpy().astype("u1")]
    if pa.types.is_timestamp(column.type):
        values = values.cast(pa.int64())
    return [filled, values.to_numpy().astype("<i8" if values.type == pa.int64() else "<f8")]


def _offsets(chunk: pa.Array) -> Any:
    import numpy as np

    offsets = np.frombuffer(chunk.buffers()[1], dtype="<i4")
    return offsets[chunk.offset : chunk.offset + len(chunk) + 1]
