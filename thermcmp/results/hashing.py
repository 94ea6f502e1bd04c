"""Hashes of results rows that depend on the values only.

They do not depend on the order of rows and columns, on the versions of pandas, pyarrow
and Parquet, or on whether an empty column is present.
"""

from __future__ import annotations

import hashlib
import json
from datetime import datetime
from typing import Any, Final

import pandas as pd

from thermcmp.tabular.coercion import is_missing

#: Columns that state where a row came from, and nothing about the run.
PROVENANCE: Final = ("source_file", "source_sha256")


def row_texts(frame: pd.DataFrame, *, without: tuple[str, ...] = ()) -> list[str]:
    """Return each row as canonical JSON text."""
    # Most columns of most imports are empty; they would only cost time.
    names = sorted(n for n in frame.columns if n not in without and frame[n].notna().any())
    columns = [[_plain(value) for value in frame[name].to_list()] for name in names]
    return [
        json.dumps(
            {name: value for name, value in zip(names, values, strict=True) if value is not None},
            ensure_ascii=True,
            separators=(",", ":"),
        )
        for values in (zip(*columns, strict=True) if columns else [()] * len(frame))
    ]


def content_hash(frame: pd.DataFrame, statement: dict[str, Any] | None = None) -> str:
    """Return the hash of a frame's rows and of what is stated about them."""
    digest = hashlib.sha256()
    digest.update(json.dumps(statement or {}, sort_keys=True, ensure_ascii=True).encode())
    for text in sorted(row_texts(frame)):
        digest.update(b"\n" + text.encode())
    return digest.hexdigest()


def _plain(value: Any) -> str | bool | list[str] | None:
    """Return a value as JSON holds it exactly, or None where it states nothing."""
    if is_missing(value) or value is False:
        return None
    if isinstance(value, (str, bool)):
        return value
    # Lists with a tag, so that no text can equal a time or a number.
    if isinstance(value, datetime):
        # Fixed digits: isoformat() drops the fraction where it is zero.
        return ["time", value.isoformat(timespec="microseconds")]
    if isinstance(value, int) and abs(value) > 2**53:
        return ["number", str(value)]
    # Whole numbers equal their floats, and -0.0 equals 0.0, so they are written alike.
    return ["number", float.hex(float(value) + 0.0)]
