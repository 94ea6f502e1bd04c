"""Reading times of a known form into seconds."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from thermcmp._types import Array, BoolArray, Int64Array
from thermcmp.errors import Fault, InputError
from thermcmp.tabular.numbers import parse_number
from thermcmp.telemetry.reading.time_formats import (
    BASIC_PATTERN,
    DURATION_PATTERN,
    OF_DAY_PATTERN,
    STAMP_PATTERN,
    TimeForm,
    TimeKind,
)


def parse_times(cells: pa.Array, form: TimeForm) -> Array:
    """Read times.

    Shapes: cells (n,). Returns (n,).
    """
    if form.kind in (TimeKind.ELAPSED, TimeKind.EPOCH):
        return _numbers(cells, form)
    if form.kind is TimeKind.FORMAT:
        return _by_format(cells, form.stated)
    text = pc.utf8_trim_whitespace(cells)
    if form.order == "ymd" and form.kind in (TimeKind.STAMP, TimeKind.ZONED):
        kind = pa.timestamp("us", "UTC" if form.kind is TimeKind.ZONED else None)
        try:
            stamps = text.cast(kind)
        except pa.ArrowInvalid:
            pass  # Not the strict ISO form; the pattern below takes more.
        else:
            return _stamp_seconds(stamps)
    return _by_pattern(text, form)


def scale_times(values: pa.Array, form: TimeForm) -> Array:
    """Turn times that are stored as numbers into seconds.

    Shapes: values (n,). Returns (n,).
    """
    if pa.types.is_integer(values.type) and form.kind is TimeKind.EPOCH:
        whole = np.asarray(pc.fill_null(values.cast(pa.int64()), 0))
        seconds = _in_seconds(whole, round(1.0 / form.scale))
        seconds[np.asarray(values.is_null())] = np.nan
        return seconds
    if values.type != pa.float64():
        values = values.cast(pa.float64(), safe=False)
    plain = values.to_numpy(zero_copy_only=False)
    return plain if form.scale == 1.0 else np.asarray(plain * form.scale, dtype=np.float64)


def _numbers(cells: pa.Array, form: TimeForm) -> Array:
    """Read plain numbers; whole epochs as integers, so that no digit is lost."""
    if form.mark == ",":
        cells = pc.replace_substring(cells, ",", ".")
    text = pc.utf8_trim_whitespace(cells)
    try:
        if form.kind is TimeKind.EPOCH:
            return _in_seconds(np.asarray(text.cast(pa.int64())), round(1.0 / form.scale))
        return np.asarray(text.cast(pa.float64()), dtype=np.float64) * form.scale
    except pa.ArrowInvalid:
        values = [parse_number(cell or "") for cell in text.to_pylist()]
        return np.array([np.nan if v is None else v for v in values]) * form.scale


def _in_seconds(whole: Int64Array, per_second: int) -> Array:
    """Divide whole numbers so that no digit of the fraction is lost."""
    fraction = (whole % per_second) / per_second
    return np.asarray(whole // per_second + fraction, dtype=np.float64)


def _stamp_seconds(stamps: pa.Array) -> Array:
    """Return seconds since 1970 of timestamps, NaN where null."""
    micro = np.asarray(pc.fill_null(stamps.cast(pa.int64()), 0))
    seconds = _in_seconds(micro, 1_000_000)
    seconds[np.asarray(stamps.is_null())] = np.nan
    return seconds


def _by_format(cells: pa.Array, stated: str) -> Array:
    """Read times by the user's own format."""
    texts = pd.Series(cells.to_pylist(), dtype="object")
    try:
        times = pd.to_datetime(texts, format=stated, errors="coerce", utc="%z" in stated)
    except ValueError as error:
        fault = Fault(f"no format of times: {error}", "give a strptime format", value=stated)
        raise InputError("The times of this log are not clear:", [fault]) from None
    plain = times.dt.tz_localize(None) if "%z" in stated else times
    micro = plain.astype("datetime64[us]").astype("int64").to_numpy()
    seconds = np.array(micro / 1e6, dtype=np.float64)
    seconds[plain.isna().to_numpy()] = np.nan
    return seconds


def _by_pattern(text: pa.Array, form: TimeForm) -> Array:
    """Read stamps and times of day part by part."""
    dated = form.kind in (TimeKind.STAMP, TimeKind.ZONED)
    pattern = BASIC_PATTERN if form.order == "basic" else STAMP_PATTERN
    if not dated:
        pattern = DURATION_PATTERN if form.kind is TimeKind.DURATION else OF_DAY_PATTERN
    parts = pc.extract_regex(text, pattern)
    bad = np.asarray(parts.is_null())

    def number(name: str) -> Array:
        field = pc.struct_field(parts, name)
        known = pc.if_else(pc.equal(field, ""), None, field).cast(pa.float64())
        return np.asarray(pc.fill_null(known, 0.0), dtype=np.float64).copy()

    hour, minute, second = number("hour"), number("minute"), number("second")
    part = pc.fill_null(pc.struct_field(parts, "part"), "")
    digits = np.asarray(pc.utf8_length(part), dtype=np.float64)
    fraction = number("part") / 10.0**digits
    half = pc.fill_null(pc.utf8_lower(pc.struct_field(parts, "half")), "")
    noon, afternoon = np.asarray(pc.not_equal(half, "")), np.asarray(pc.equal(half, "p"))
    bad |= (minute > 59) | (second > 60) | (noon & ((hour < 1) | (hour > 12)))
    hour = np.where(noon, hour % 12 + 12 * afternoon, hour)
    seconds = hour * 3600.0 + minute * 60.0 + second + fraction
    if form.kind is TimeKind.DURATION:
        seconds += number("days") * 86_400.0
    if form.kind is TimeKind.TIME_OF_DAY:
        # One before the day's end is a counter's second, found too late to be told apart.
        bad |= seconds > 86_400.0
    if dated:
        bad |= hour > 24
        order = "ymd" if form.order == "basic" else form.order
        days, impossible = _days(number("first"), number("middle"), number("last"), order)
        seconds += days * 86_400.0 - _zone_seconds(pc.struct_field(parts, "zone"))
        bad |= impossible
    seconds[bad] = np.nan
    return seconds


def _days(first: Array, middle: Array, last: Array, order: str) -> tuple[Array, BoolArray]:
    """Return days since 1970 and which dates are none."""
    by_name = dict(zip(order, (first, middle, last), strict=True))
    year, month, day = (by_name[c].astype(np.int64) for c in "ymd")
    bad = (year < 1900) | (year > 2200) | (month < 1) | (month > 12) | (day < 1) | (day > 31)
    months = (np.where(bad, 1970, year) - 1970) * 12 + np.where(bad, 1, month) - 1
    start = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    days = start + np.where(bad, 1, day) - 1
    # The 30th of February lies in March.
    bad |= days.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) != months
    return days.astype(np.float64), bad


def _zone_seconds(zone: pa.Array) -> Array:
    """Return the offsets of zones such as +0200 [s]."""
    lengths = {}
    for text in pc.unique(zone).to_pylist():
        if text and text[0] in "+-":
            digits = text[1:].replace(":", "")
            sign = -1.0 if text[0] == "-" else 1.0
            lengths[text] = sign * (int(digits[:2]) * 3600 + int(digits[2:] or 0) * 60)
    return np.array([lengths.get(text, 0.0) for text in zone.to_pylist()])
