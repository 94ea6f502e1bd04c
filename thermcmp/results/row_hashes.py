"""Hashes of rows, 64 bits each, computed by column: equal for equal rows, whatever their types.

They serve to find rows; two rows of one run that share a hash by chance are as good as unheard of
(one in 1.8e19 pairs).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from thermcmp.results.schema import KEY

if TYPE_CHECKING:
    from collections.abc import Sequence

Hashes = NDArray[np.uint64]
NO_HASHES: Final = np.zeros(0, dtype=np.uint64)

_TEXT, _NUMBER, _WHOLE, _FLAG, _TIME, _ZONED = (np.uint64(tag) for tag in range(1, 7))
_STEP: Final = np.uint64(0x9E3779B97F4A7C15)
_FIRST: Final = np.uint64(0xBF58476D1CE4E5B9)
_SECOND: Final = np.uint64(0x94D049BB133111EB)
#: Whole numbers up to this one equal a float.
_EXACT: Final = 2**53


def text_hash(text: str) -> int:
    """Return the hash of one text."""
    return int(pd.util.hash_array(np.array([text], dtype=object), categorize=False)[0])


def mixed(first: Hashes | np.uint64, second: Hashes | np.uint64) -> Hashes:
    """Combine two hashes, in this order, by the finaliser of splitmix64."""
    with np.errstate(over="ignore"):
        x = np.asarray(first * _STEP + second, dtype=np.uint64)
        x = (x ^ (x >> np.uint64(30))) * _FIRST
        x = (x ^ (x >> np.uint64(27))) * _SECOND
        return np.asarray(x ^ (x >> np.uint64(31)), dtype=np.uint64)


def value_hashes(series: pd.Series) -> Hashes:
    """Return the hash of each value of a column of a canonical frame; 0 where it states nothing."""
    dtype = series.dtype
    missing = series.isna().to_numpy(dtype=bool)
    if pd.api.types.is_bool_dtype(dtype):
        stated = series.fillna(False).to_numpy(dtype=bool)
        return np.where(stated, _FLAG, np.uint64(0))
    if pd.api.types.is_datetime64_any_dtype(dtype):
        zoned = isinstance(dtype, pd.DatetimeTZDtype)
        plain = series.dt.tz_convert("UTC").dt.tz_localize(None) if zoned else series
        hashes = mixed(
            plain.to_numpy(dtype="datetime64[us]").view(np.uint64), _ZONED if zoned else _TIME
        )
    elif pd.api.types.is_numeric_dtype(dtype):
        numbers = series.to_numpy(dtype=np.float64, na_value=np.nan) + 0.0
        hashes = mixed(numbers.view(np.uint64), _NUMBER)
        if pd.api.types.is_integer_dtype(dtype):
            whole = series.fillna(0).to_numpy(dtype=np.int64)
            large = np.abs(whole) > _EXACT
            hashes[large] = mixed(whole[large].view(np.uint64), _WHOLE)
    else:
        codes, known = _text_hashes(series)
        return known[codes]
    hashes[missing] = 0
    return hashes


def _text_hashes(series: pd.Series) -> tuple[NDArray[np.int32], Hashes]:
    """Return the place of each text's hash among those of the distinct ones, the last a 0."""
    codes, distinct = pd.factorize(series)
    texts = np.asarray(distinct, dtype=object)
    known = pd.util.hash_array(texts, categorize=False) if len(texts) else NO_HASHES
    # A blank has the code -1.
    hashes = np.append(mixed(np.asarray(known, dtype=np.uint64), _TEXT), np.uint64(0))
    return codes.astype(np.int32), hashes


class Hashed:
    """Rows whose texts are hashed once each, for several questions about them."""

    def __init__(self, frame: pd.DataFrame) -> None:
        self.frame = frame
        self._known: dict[str, tuple[NDArray[np.int32], Hashes]] = {}

    def of(self, name: str) -> Hashes:
        """Return the hash of each value of a column, 0 where it states nothing."""
        column = self.frame[name]
        if not pd.api.types.is_string_dtype(column.dtype):
            # As quick as to keep them, which would take a long table's memory.
            return value_hashes(column)
        if name not in self._known:
            self._known[name] = _text_hashes(column)
        codes, known = self._known[name]
        return known[codes]


def hashed(rows: pd.DataFrame | Hashed) -> Hashed:
    """Return rows whose texts are hashed once."""
    return rows if isinstance(rows, Hashed) else Hashed(rows)


def row_hashes(rows: pd.DataFrame | Hashed, *, without: Sequence[str] = ()) -> Hashes:
    """Return the hash of each row; the order of columns and blank ones do not count."""
    columns = hashed(rows)
    total = np.zeros(len(columns.frame), dtype=np.uint64)
    for name in columns.frame.columns:
        if name not in without and columns.frame[name].notna().any():
            hashes = columns.of(name)
            total += np.where(hashes == 0, np.uint64(0), mixed(hashes, np.uint64(text_hash(name))))
    return total


def group_hashes(rows: pd.DataFrame | Hashed, name: str, columns: Sequence[str]) -> Hashes:
    """Return the hash of each row's values in some columns, under a name."""
    of = hashed(rows)
    total = np.full(len(of.frame), text_hash(name), dtype=np.uint64)
    for column in columns:
        total = mixed(total, of.of(column))
    return total


def key_hashes(rows: pd.DataFrame | Hashed) -> Hashes:
    """Return the hash of each row's key: lab, run, sensor."""
    return group_hashes(rows, "row", KEY)


def do_agree(frame: pd.DataFrame, keys: Sequence[str], columns: Sequence[str]) -> bool:
    """Return whether rows with the same keys state the same in each column, blanks apart.

    Rows without the last key count for nothing.
    """
    rows = Hashed(frame)
    owned = rows.of(keys[-1]) != 0
    codes, groups = pd.factorize(group_hashes(rows, "", keys))
    for column in columns:
        # Each is looked at once, and keeping them would take a long table's memory.
        hashes = value_hashes(frame[column])
        stated = owned & (hashes != 0)
        of_group = np.zeros(len(groups), dtype=np.uint64)
        of_group[codes[stated]] = hashes[stated]
        if not np.array_equal(of_group[codes[stated]], hashes[stated]):
            return False
    return True
