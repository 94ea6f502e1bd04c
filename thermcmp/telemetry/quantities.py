"""Canonical names of logged columns, and their recognition in headings.

A canonical name ends with its unit: ``memory_c``, ``fan_rpm``, ``power_w``. Every
temperature other than the ambient one is a sensor.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection
from enum import StrEnum
from typing import Final

from thermcmp.tabular.units import CANONICAL, Dimension, Unit, parse_unit, split_heading

AMBIENT: Final = "ambient_c"
FAN_SPEED: Final = "fan_rpm"
FAN_DUTY: Final = "fan_percent"
POWER: Final = "power_w"
NOISE: Final = "noise_dba"
LOAD: Final = "load_percent"
THROTTLED: Final = "throttled"
DEVICE: Final = "device"
FIRMWARE: Final = "firmware"
BLOCK: Final = "block"
TIME: Final = "time"
DATE: Final = "date"
ELAPSED: Final = "elapsed_s"

#: Columns that a telemetry frame may hold beside the quantities.
FRAME_COLUMNS: Final = ("time_s", "recorded_at", "device", "block", "segment", "line")


class Role(StrEnum):
    """How a column's cells are read."""

    NUMBER = "number"
    TIME = "time"
    TEXT = "text"
    FLAG = "flag"


_PLAIN: Final[dict[str, Role]] = {
    TIME: Role.TIME,
    DATE: Role.TIME,
    THROTTLED: Role.FLAG,
    DEVICE: Role.TEXT,
    FIRMWARE: Role.TEXT,
    BLOCK: Role.TEXT,
}

_TIME_HEADINGS: Final = {
    "time", "timestamp", "time stamp", "datetime", "date time", "date and time", "elapsed",
    "elapsed time", "recorded at", "epoch", "unix time", "time of day", "utc",
}  # fmt: skip
_SECONDS_HEADINGS: Final = {"", "t", "s", "sec", "secs", "seconds"}
_ISO_DATE: Final = re.compile(r"\b\d{4} [01]\d [0-3]\d\b")
# 'UTC+1' names a zone and is left to the user.
_UTC: Final = re.compile(r"\b(?:utc|gmt)\b(?!\s*[+-]?\s*\d)")
_COUNTER_HEADINGS: Final = {"elapsed", "elapsed time", "uptime", "up time"}
_CARD: Final = re.compile(
    r"\b(gpu|card|device)[ _#]*(\d+(?=$|[^0-9a-z])|[a-d](?=[ _]+[a-z]{2}))", re.IGNORECASE
)
_FLAG_HEADINGS: Final = {"throttled", "throttling", "throttle"}
_DEVICE_HEADINGS: Final = {"device", "device id", "card", "card id"}
_FILLERS: Final = {"temperature", "temp", "temperatures", "reading", "t"}
_FAN_WORDS: Final = {"fan", "fans", "speed", "tacho", "tachometer", "rpm"}
_DUTY_WORDS: Final = _FAN_WORDS | {"duty", "pwm"}
_POWER_WORDS: Final = {"power", "board", "card", "total", "draw"}
_NOISE_WORDS: Final = {"noise", "sound", "level", "pressure", "spl", "meter"}
_LOAD_WORDS: Final = {"load", "utilisation", "utilization", "usage"}
_AIR_WORDS: Final = {"ambient", "air", "intake", "inlet", "room", "case"}
#: Words of columns that state a set point, a limit or an extreme, and measure nothing.
_EXTREME_WORDS: Final = {"max", "maximum", "min", "minimum", "peak"}
_AVERAGES: Final = {"avg", "average", "mean"}
_SET_POINT_WORDS: Final = _EXTREME_WORDS | {
    "target", "limit", "setpoint", "set", "threshold", "shutdown", "slowdown", "critical", "crit",
    "alarm", "warning", "trip", "allowed", "hysteresis",
}  # fmt: skip
#: Words of columns that hold differences of temperatures; 'Übertemperatur' is German.
_DIFFERENCE: Final = re.compile(
    r"[δ∆]|\b(?:rise|delta|d ?t|diff|difference|ue?bertemperatur|(?:over|above|minus|less) "
    r"(?:the )?(?:ambient|air|room|intake|inlet))\b"
)
#: Value that a digital probe returns for a broken line [°C], and all that stand for no reading:
#: no answer, the first value after power-up, an overflow (common practice, no source).
BROKEN_LINE_C: Final = -127.0
PROBE_VALUES: Final = (0.0, 85.0, BROKEN_LINE_C, 127.0, 127.9375, 128.0, -55.0)
#: Symbols of units in sentences.
SYMBOLS: Final = {dimension: unit.symbol for dimension, unit in CANONICAL.items()}


def role_of(name: str) -> Role | None:
    """Return how a canonical column is read."""
    if name in _PLAIN:
        return _PLAIN[name]
    return Role.NUMBER if dimension_of(name) else None


def dimension_of(name: str) -> Dimension | None:
    """Return what a canonical column measures, by the name's ending."""
    stem, _, ending = name.rpartition("_")
    if not stem or not re.fullmatch(r"[a-z][a-z0-9_]*", stem):
        return None
    try:
        return Dimension(ending)
    except ValueError:
        return None


def sensor_names(columns: list[str]) -> list[str]:
    """Return the sensors among a frame's columns, in order; a set point or an average is none."""
    return [
        name.removesuffix("_c")
        for name in columns
        if name != AMBIENT
        and dimension_of(name) is Dimension.TEMPERATURE
        and not is_set_point(name)
        and not is_difference(name)
        and not is_average(name, columns)
    ]


def is_average(name: str, columns: Collection[str]) -> bool:
    """Return whether a column is the average of another one, which lags behind it."""
    plain = "_".join(word for word in name.split("_") if word not in _AVERAGES)
    return plain != name and plain in columns


def is_set_point(name: str) -> bool:
    """Return whether a column states a set point or a limit, by the words of its name."""
    return not _SET_POINT_WORDS.isdisjoint(name.lower().split("_"))


def is_difference(name: str) -> bool:
    """Return whether a column holds differences of temperatures, by the words of its name."""
    return _DIFFERENCE.search(re.sub(r"[_\W]+", " ", plain_letters(name))) is not None


def is_of_air(name: str) -> bool:
    """Return whether a temperature may be that of the air, by the words of its name."""
    return dimension_of(name) is Dimension.TEMPERATURE and not _AIR_WORDS.isdisjoint(
        name.split("_")
    )


def card_of(name: str) -> str:
    """Return the mark of one of several cards in a name, like 'gpu1'; empty without one."""
    mark = _CARD.search(name)
    return "".join(mark.groups()).lower() if mark else ""


def without_card(name: str) -> str:
    """Return a name or heading without the mark of its card; as it is where nothing is left."""
    return _CARD.sub("", name).strip(" _-:") or name


def name_and_unit(heading: str) -> tuple[str, Unit | None]:
    """Split a log's heading; a unit of no logged quantity stays part of the name."""
    name, written = split_heading(heading)
    unit = parse_unit(written)
    return (name, unit) if unit else (heading.strip(), None)


def bare_time_unit(heading: str) -> Unit | None:
    """Return the unit of time that is all a heading says; 'min' may as well be a minimum."""
    unit = None if heading.strip().lower() in _SET_POINT_WORDS else parse_unit(heading)
    return unit if unit is not None and unit.dimension is Dimension.TIME else None


def is_extreme(name: str) -> bool:
    """Return whether a column states a running minimum or maximum, by the words of its name."""
    return not _EXTREME_WORDS.isdisjoint(re.split(r"[^a-z]+", name.lower()))


def recognise(name: str, unit: Unit | None) -> str | None:
    """Return the canonical name of a heading, where it is beyond doubt."""
    words = [word for word in re.split(r"[^0-9a-zμ]+", plain_letters(name)) if word]
    text = " ".join(words)
    if unit is not None and unit.dimension is Dimension.TIME:
        if text in _COUNTER_HEADINGS:
            return ELAPSED
        return TIME if text in _TIME_HEADINGS | _SECONDS_HEADINGS else f"{_slug(words)}_s"
    if unit is None:
        return _recogniseplain_letters(text)
    if unit.dimension is Dimension.TEMPERATURE:
        if is_difference(name):
            return None
        if "ambient" in words:
            return AMBIENT
        words = [word for word in words if word not in _FILLERS] or words
    measured = {
        Dimension.SPEED: lambda w: FAN_SPEED if w and _FAN_WORDS.issuperset(w) else None,
        Dimension.POWER: lambda w: POWER if "power" in w and _POWER_WORDS.issuperset(w) else None,
        Dimension.LEVEL: lambda w: NOISE if w and _NOISE_WORDS.issuperset(w) else None,
        Dimension.SHARE: lambda w: (
            FAN_DUTY if w and _DUTY_WORDS.issuperset(w) else LOAD if text in _LOAD_WORDS else None
        ),
    }.get(unit.dimension, lambda w: None)(words)
    return measured or f"{_slug(words) or 'unnamed'}_{unit.dimension.value}"


def plain_letters(name: str) -> str:
    """Return a name in lower case, its letters without their marks: 'lufter' for 'Lüfter'."""
    letters = unicodedata.normalize("NFKD", name.lower())
    return "".join(c for c in letters if not unicodedata.combining(c))


def _recogniseplain_letters(text: str) -> str | None:
    """Recognise a heading without a unit, ignoring a date or zone behind its name."""
    text = _UTC.sub("", _ISO_DATE.sub("", text)).strip() or text
    if text in _TIME_HEADINGS:
        return TIME
    if text == "date":
        return DATE
    if text in _FLAG_HEADINGS:
        return THROTTLED
    if text in _DEVICE_HEADINGS:
        return DEVICE
    return FIRMWARE if text == "firmware" else None


def is_utc(heading: str) -> bool:
    """Return whether a heading states that its times are in UTC."""
    return _UTC.search(heading.lower()) is not None


def _slug(words: list[str]) -> str:
    """Join words into a name that starts with a letter."""
    joined = "_".join(words)
    return f"n{joined}" if joined[:1].isdigit() else joined
