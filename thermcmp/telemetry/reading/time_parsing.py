"""Times of a known form as seconds, and as the column that the clock takes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from thermcmp._types import Array, BoolArray
from thermcmp.tabular.numbers import parse_number
from thermcmp.telemetry.reading.notes import unclear_times
from thermcmp.telemetry.reading.time_formats import (
    BASIC_PATTERN,
    DURATION_PATTERN,
    OF_DAY_PATTERN,
    STAMP_PATTERN,
    TimeForm,
    TimeKind,
)

_DAY_S: Final = 86_400.0


@dataclass(slots=True)
class Calendar:
    """Dates times of day, counting midnights over the pieces of a log."""

    day_s: float
    last_s: float = 0.0

    @classmethod
    def of(cls, date: str | None) -> Calendar | None:
        """Start on a date; None where none is known."""
        return cls(float(np.datetime64(date, "s").astype(np.int64))) if date else None

    def date(self, of_day_s: Array) -> Array:
        """Return seconds since 1970 of times of day [s]."""
        midnights = np.diff(of_day_s, prepend=self.last_s) < -_DAY_S / 2
        dated = self.day_s + np.cumsum(midnights) * _DAY_S + of_day_s
        self.day_s += float(np.count_nonzero(midnights)) * _DAY_S
        self.last_s = float(of_day_s[-1])
        return dated


def add_times(
    columns: dict[str, Any], seconds: Array, form: TimeForm, calendar: Calendar | None
) -> None:
    """Add times [s] as the column that the clock takes."""
    if form.kind in (TimeKind.ELAPSED, TimeKind.DURATION):
        columns.setdefault("elapsed_s", seconds)
        return
    dated = any(code in form.stated for code in ("%d", "%j", "%x", "%c", "%D", "%F"))
    if form.kind is TimeKind.TIME_OF_DAY or (form.kind is TimeKind.FORMAT and not dated):
        of_day = seconds % _DAY_S
        if calendar is None or np.isnan(of_day).any():
            columns["time_of_day_s"] = of_day
            return
        seconds = calendar.date(of_day)
    known = ~np.isnan(seconds)
    micro = np.where(known, np.round(np.nan_to_num(seconds) * 1e6), 0.0).astype(np.int64)
    times = micro.astype("datetime64[us]")
    times[~known] = np.datetime64("NaT", "us")
    stamps = pd.Series(times)
    in_utc = form.utc or form.kind in (TimeKind.EPOCH, TimeKind.ZONED) or "%z" in form.stated
    columns["recorded_at"] = stamps.dt.tz_localize("UTC") if in_utc else stamps


def seconds_since_1970(times: pd.Series) -> Array:
    """Return recorded times in seconds, NaN where missing."""
    plain = times.dt.tz_localize(None) if times.dt.tz is not None else times
    micro = plain.astype("datetime64[us]").astype("int64").to_numpy() / 1e6
    return np.where(times.isna().to_numpy(), np.nan, micro)


def parse_times(cells: pa.Array, form: TimeForm) -> Array:
    """Return times [s], NaN where a cell has another form."""
    if form.kind in (TimeKind.ELAPSED, TimeKind.EPOCH):
        return _numbers(cells, form)
    if form.kind is TimeKind.FORMAT:
        texts = pd.Series(cells.to_pylist(), dtype="object")
        try:
            times = pd.to_datetime(
                texts, format=form.stated, errors="coerce", utc="%z" in form.stated
            )
        except ValueError as error:
            message = f"time_format is not a format of times: {error}"
            raise unclear_times(message, "give a strptime format", value=form.stated) from None
        return seconds_since_1970(times)
    text = pc.utf8_trim_whitespace(cells)
    if form.order == "ymd" and form.kind in (TimeKind.STAMP, TimeKind.ZONED):
        kind = pa.timestamp("us", "UTC" if form.kind is TimeKind.ZONED else None)
        try:
            stamps = text.cast(kind)
        except pa.ArrowInvalid:
            pass  # Not the strict ISO form; the pattern below accepts more.
        else:
            return _in_seconds(stamps, 1_000_000)
    return _by_pattern(text, form)


def scale_times(values: pa.Array, form: TimeForm) -> Array:
    """Return times stored as numbers in seconds."""
    if pa.types.is_integer(values.type) and form.kind is TimeKind.EPOCH:
        return _in_seconds(values, round(1.0 / form.scale))
    if values.type != pa.float64():
        values = values.cast(pa.float64(), safe=False)
    plain = values.to_numpy(zero_copy_only=False)
    return plain if form.scale == 1.0 else np.asarray(plain * form.scale, dtype=np.float64)


def _numbers(cells: pa.Array, form: TimeForm) -> Array:
    """Return plain numbers in seconds; whole epochs as integers, so that no digit is lost."""
    if form.mark == ",":
        cells = pc.replace_substring(cells, ",", ".")
    text = pc.utf8_trim_whitespace(cells)
    try:
        if form.kind is TimeKind.EPOCH:
            return _in_seconds(text.cast(pa.int64()), round(1.0 / form.scale))
        return np.asarray(text.cast(pa.float64()), dtype=np.float64) * form.scale
    except pa.ArrowInvalid:
        values = [parse_number(cell or "") for cell in text.to_pylist()]
        return np.array([np.nan if v is None else v for v in values]) * form.scale


def _in_seconds(values: pa.Array, per_second: int) -> Array:
    """Divide whole numbers so that no digit of the fraction is lost; NaN where null."""
    whole = np.asarray(pc.fill_null(values.cast(pa.int64()), 0))
    fraction = (whole % per_second) / per_second
    seconds = np.asarray(whole // per_second + fraction, dtype=np.float64)
    seconds[np.asarray(values.is_null())] = np.nan
    return seconds


def _by_pattern(text: pa.Array, form: TimeForm) -> Array:
    """Return stamps, times of day and durations, read part by part."""
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
        seconds += number("days") * _DAY_S
    if form.kind is TimeKind.TIME_OF_DAY:
        # Beyond the end of a day it is a counter, recognised too late.
        bad |= seconds > _DAY_S
    if dated:
        bad |= hour > 24
        order = "ymd" if form.order == "basic" else form.order
        days, impossible = _days(number("first"), number("middle"), number("last"), order)
        seconds += days * _DAY_S - _zone_seconds(pc.struct_field(parts, "zone"))
        bad |= impossible
    seconds[bad] = np.nan
    return seconds


def _days(first: Array, middle: Array, last: Array, order: str) -> tuple[Array, BoolArray]:
    """Return days since 1970, and which dates do not exist."""
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
