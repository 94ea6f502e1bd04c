"""Conversion of a column of any storage type to the canonical type."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from datetime import UTC, date, datetime
from decimal import Decimal
from numbers import Real
from typing import Any, Final

import numpy as np
import pandas as pd

from thermcmp.tabular.column import Column, Finding, Kind
from thermcmp.tabular.names import plain_name
from thermcmp.tabular.words import FLAG_WORDS

#: Canonical dtype of each kind of column.
DTYPES: Final[dict[Kind, Any]] = {
    Kind.TEXT: "string",
    Kind.NUMBER: "float64",
    Kind.COUNT: "Int64",
    Kind.FLAG: "bool",
    Kind.TIME: pd.DatetimeTZDtype("us", "UTC"),
}

FIXES: Final[dict[Kind, str]] = {
    Kind.TEXT: "give a word or a number",
    Kind.NUMBER: "give a finite number, or leave it blank",
    Kind.COUNT: "give a whole number, or leave it blank",
    Kind.FLAG: "give true or false (yes, no, 1, 0, x), or leave it blank",
    Kind.TIME: "write it as ISO 8601, such as 2026-03-09 14:05; a time without zone is UTC",
}

# float() alone would also take '1_000', 'infinity' and digits of other scripts.
_PLAIN_NUMBER: Final = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")


def is_missing(value: Any) -> bool:
    """Return whether a cell of any storage type is empty."""
    if isinstance(value, str):
        return not value.strip()
    return (
        value is None
        or value is pd.NA
        or value is pd.NaT
        or (isinstance(value, float) and math.isnan(value))
    )


def to_text(value: Any) -> str:
    """Write an id or a word as text: 7 and 7.0 become '7', '007' stays."""
    if isinstance(value, str):
        plain = plain_name(value)
        if not plain.isprintable():
            raise ValueError("holds a sign that cannot be shown")
        return plain
    if isinstance(value, datetime):
        midnight = value.time() == datetime.min.time()
        return value.date().isoformat() if midnight else value.isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, (bool, np.bool_)) or not isinstance(value, (Real, Decimal)):
        raise ValueError("not text")
    return f"{value:.0f}" if _float(value).is_integer() else str(value)


def to_verbatim(value: Any) -> str:
    """Write text as it is, without blanks around; bytes that are not text are escaped."""
    if not isinstance(value, str):
        return to_text(value)
    return value.strip().encode("utf-8", "backslashreplace").decode("utf-8")


def _float(value: Any) -> float:
    try:
        return float(value)
    except OverflowError:
        raise ValueError("too large a number") from None


def to_number(value: Any) -> float:
    """Read one value as a finite number."""
    if isinstance(value, str):
        if not _PLAIN_NUMBER.fullmatch(value.strip()):
            raise ValueError("not a number")
    elif isinstance(value, (bool, np.bool_)) or not isinstance(value, (Real, Decimal)):
        raise ValueError("not a number")
    number = _float(value)
    if not math.isfinite(number):
        raise ValueError("not a finite number")
    return number


def to_count(value: Any) -> int:
    """Read one value as a whole number."""
    number = to_number(value)
    if not number.is_integer() or abs(number) > 2**53:
        raise ValueError("not a whole number")
    return int(number)


def to_flag(value: Any) -> bool:
    """Read one value as true or false."""
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    word = value.strip().lower() if isinstance(value, str) else f"{to_number(value):g}"
    if word not in FLAG_WORDS:
        raise ValueError("neither true nor false")
    return FLAG_WORDS[word]


def to_time(value: Any) -> datetime:
    """Read one value as a time; without a zone it is taken as UTC."""
    if isinstance(value, str):
        try:
            value = datetime.fromisoformat(value.strip())
        except ValueError:
            raise ValueError("not an ISO 8601 time") from None
    elif isinstance(value, date) and not isinstance(value, datetime):
        value = datetime(value.year, value.month, value.day)
    if not isinstance(value, datetime):
        raise ValueError("not a time")
    return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


CONVERTERS: Final[dict[Kind, Callable[[Any], Any]]] = {
    Kind.TEXT: to_text,
    Kind.NUMBER: to_number,
    Kind.COUNT: to_count,
    Kind.FLAG: to_flag,
    Kind.TIME: to_time,
}


def converter_of(column: Column) -> Callable[[Any], Any]:
    """Return the function that reads one value of a column."""
    return to_verbatim if column.verbatim else CONVERTERS[column.kind]


def coerce(series: pd.Series, column: Column) -> tuple[pd.Series, list[Finding]]:
    """Return a column in its canonical dtype, and the values that do not convert."""
    kind, convert = column.kind, converter_of(column)
    typed = _typed(series, kind)
    if typed is not None:
        return typed.rename(column.name), []
    # Each value is converted once: a long table repeats few names.
    codes = None
    is_text = isinstance(series.dtype, pd.StringDtype)
    if is_text or pd.api.types.infer_dtype(series, skipna=True) == "string":
        codes, distinct = pd.factorize(series)
        stated = distinct.tolist()
    else:
        stated = series.to_list()
    values: list[Any] = [None] * len(stated)
    unread: dict[int, str] = {}
    for position, value in enumerate(stated):
        if not is_missing(value):
            try:
                values[position] = convert(value)
            except ValueError as error:
                unread[position] = str(error)
    if codes is None:
        places = {position: [position] for position in unread}
    else:
        places = {code: np.flatnonzero(codes == code).tolist() for code in unread}
    findings = [
        Finding(unread[code], FIXES[kind], column.name, position, stated[code])
        for code, found in places.items()
        for position in found
    ]
    if kind is Kind.TEXT:
        # A name of hidden signs alone is blank.
        values = [value or None for value in values]
    if codes is None:
        read = build(values, column)
    elif kind is Kind.TEXT and values == stated:
        # Names in their one spelling share the memory of the caller's.
        read = series.astype(DTYPES[kind]).rename(column.name)
    else:
        # A blank has the code -1: the last value.
        read = build([*values, None], column).take(codes).reset_index(drop=True)
    return read, sorted(findings, key=lambda finding: finding.position or 0)


def _typed(series: pd.Series, kind: Kind) -> pd.Series | None:
    """Return a column whose storage type is as good as canonical, or None."""
    dtype = series.dtype
    if kind is Kind.NUMBER and pd.api.types.is_float_dtype(dtype):
        plain = series.to_numpy(dtype=float, na_value=np.nan)
        return None if np.isinf(plain).any() else pd.Series(plain.copy())
    if kind is Kind.FLAG and isinstance(dtype, np.dtype) and dtype.kind == "b":
        return series.copy()
    if kind is Kind.COUNT and pd.api.types.is_integer_dtype(dtype):
        whole = series.astype("Int64")
        return whole if (whole.abs().fillna(0) <= 2**53).all() else None
    if kind is Kind.TIME and isinstance(dtype, pd.DatetimeTZDtype):
        return series.dt.tz_convert("UTC").astype(DTYPES[kind])
    return None


def build(values: list[Any], column: Column) -> pd.Series:
    """Return plain values as a column of its canonical dtype."""
    if column.kind is Kind.FLAG:
        return pd.Series([bool(v) for v in values], dtype="bool", name=column.name)
    if values.count(None) == len(values):
        # As most columns of most tables are.
        blank = np.nan if column.kind is Kind.NUMBER else pd.NA
        return pd.Series(blank, range(len(values)), dtype=DTYPES[column.kind], name=column.name)
    if column.kind is Kind.TIME:
        times = pd.DatetimeIndex(pd.to_datetime(values, utc=True)).as_unit("us")
        return pd.Series(times, name=column.name)
    return pd.Series(values, dtype=DTYPES[column.kind], name=column.name)
