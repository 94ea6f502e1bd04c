"""Units in headings and cells of logs and tables, and their conversion.

Factors are exact: SI Brochure (9th edition, 2019) for prefixes, time and the kelvin; NIST SP 811
(2008), appendix B, for the degree Fahrenheit, the inch and the foot.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from thermcmp._types import Array


class Dimension(StrEnum):
    """Dimension of a logged quantity; the value is the canonical name's ending."""

    TEMPERATURE = "c"
    SPEED = "rpm"
    POWER = "w"
    LEVEL = "dba"
    SHARE = "percent"
    FREQUENCY = "mhz"
    VOLTAGE = "v"
    CURRENT = "a"
    TIME = "s"


#: Readings outside are no readings of that dimension [canonical unit]: wider than
#: any bench, so that a wrong unit or a sensor's error code stands out
#: (common practice, no source).
RANGES: Final[dict[Dimension, tuple[float, float]]] = {
    Dimension.TEMPERATURE: (-60.0, 200.0),
    Dimension.SPEED: (0.0, 60_000.0),
    Dimension.POWER: (0.0, 5_000.0),
    Dimension.LEVEL: (0.0, 140.0),
    Dimension.SHARE: (0.0, 1_000.0),
    Dimension.FREQUENCY: (0.0, 100_000.0),
    Dimension.VOLTAGE: (-1_000.0, 1_000.0),
    Dimension.CURRENT: (-1_000.0, 1_000.0),
    Dimension.TIME: (-np.inf, np.inf),
}


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit, and how its values become canonical: ``value * scale + offset``."""

    symbol: str
    dimension: Dimension
    scale: float = 1.0
    offset: float = 0.0

    def to_canonical(self, values: npt.ArrayLike) -> Array:
        """Convert values to the dimension's canonical unit."""
        array = np.asarray(values, dtype=np.float64)
        if self.scale == 1.0 and self.offset == 0.0:
            return array
        return array * self.scale + self.offset


_T, _R, _P, _L = Dimension.TEMPERATURE, Dimension.SPEED, Dimension.POWER, Dimension.LEVEL
_F, _S = Dimension.FREQUENCY, Dimension.TIME

# Spellings are compared in lower case without blanks; 'Â°' is a degree sign that was
# decoded wrongly before the file was written, U+FFFD a degree sign that was lost. Symbols
# whose case carries meaning (mW against MW) are distinguished below.
_SPELLINGS: Final[tuple[tuple[Unit, str], ...]] = (
    (
        Unit("°C", _T),
        "°c degc c ℃ ºc ˚c Â°c \ufffdc gradc celsius degreecelsius degreescelsius °celsius",
    ),
    (Unit("°F", _T, 5 / 9, -160 / 9), "°f degf f ℉ ºf ˚f Â°f \ufffdf fahrenheit degreesfahrenheit"),
    (Unit("m°C", _T, 1e-3), "m°c mdegc millidegc millicelsius millidegreec"),
    (Unit("K", _T, 1.0, -273.15), "k kelvin"),
    (Unit("mK", _T, 1e-3, -273.15), "mk"),
    (
        Unit("rpm", _R),
        "rpm 1/min min-1 min^-1 min⁻¹ r/min u/min rev/min tr/min giri/min obr/min ot/min omw/min "
        "varv/min dev/dk об/мин 转/分 转/分钟 轉/分 回転/分",
    ),
    (Unit("1/s", _R, 60.0), "1/s rps r/s rev/s"),
    (Unit("W", _P), "w watt watts вт 瓦"),
    (Unit("mW", _P, 1e-3), "mw milliwatt milliwatts"),
    (Unit("µW", _P, 1e-6), "uw µw μw microwatt microwatts"),
    (Unit("kW", _P, 1e3), "kw kilowatt"),
    (Unit("dB(A)", _L), "db(a) dba db[a]"),
    (Unit("%", Dimension.SHARE), "% percent pct prozent"),
    (Unit("MHz", _F), "mhz"),
    (Unit("GHz", _F, 1e3), "ghz"),
    (Unit("V", Dimension.VOLTAGE), "v volt volts"),
    (Unit("mV", Dimension.VOLTAGE, 1e-3), "mv"),
    (Unit("A", Dimension.CURRENT), "a amp amps ampere"),
    (Unit("mA", Dimension.CURRENT, 1e-3), "ma"),
    (Unit("s", _S), "s sec secs second seconds"),
    (Unit("ms", _S, 1e-3), "ms msec millisecond milliseconds"),
    (Unit("µs", _S, 1e-6), "us µs μs microsecond microseconds"),
    (Unit("ns", _S, 1e-9), "ns nanosecond nanoseconds"),
    (Unit("min", _S, 60.0), "min mins minute minutes"),
    (Unit("h", _S, 3600.0), "h hr hour hours"),
)

_BY_SPELLING: Final = {
    spelling.lower(): unit for unit, spellings in _SPELLINGS for spelling in spellings.split()
}
#: The canonical unit of each dimension.
CANONICAL: Final[dict[Dimension, Unit]] = {
    unit.dimension: unit
    for unit in reversed([u for u, _ in _SPELLINGS])
    if (unit.scale, unit.offset) == (1.0, 0.0)
}
# Megawatt, megavolt, megaampere, megasecond and megakelvin differ from milli- by case
# alone, and 'US' and 'NS' are no units of time.
_NO_UNITS: Final = re.compile(r"M[WVAsK]|[UN]S")

_BRACKETED: Final = re.compile(
    r"(?P<name>.*?)\s*"
    r"(?:\[(?P<square>[^\[\]]+)\]|\((?P<round>(?:[^()]|\([^()]*\))+)\)|\{(?P<curly>[^{}]+)\})",
    re.DOTALL,
)
_BEFORE_UNIT: Final = re.compile(r"\s*[/,:]\s*|_|\s+in\s+|\s+")
#: Units that are more often words: the smallest reading, an air inlet.
_WEAK: Final = ("min", "h", "in")
#: Words that let a lone letter after a blank count as a unit: 'Temp C' but not 'Zone C'.
_WORDS: Final[dict[Dimension, tuple[str, ...]]] = {
    Dimension.TEMPERATURE: ("temp", "ambient", "junction"),
    Dimension.POWER: ("power",),
    Dimension.VOLTAGE: ("volt",),
    Dimension.CURRENT: ("current",),
    Dimension.TIME: ("time", "elapsed"),
}


_LENGTHS: Final = {
    "m": 1.0, "metre": 1.0, "meter": 1.0, "cm": 1e-2, "mm": 1e-3,
    "in": 0.0254, "inch": 0.0254, "″": 0.0254, "ft": 0.3048, "foot": 0.3048, "feet": 0.3048,
}  # fmt: skip
#: Dimension of a table column's unit; differences, drifts and lengths are converted apart.
_DIMENSIONS: Final = {
    "°C": Dimension.TEMPERATURE,
    "rpm": Dimension.SPEED,
    "%": Dimension.SHARE,
    "W": Dimension.POWER,
    "dB(A)": Dimension.LEVEL,
    "s": Dimension.TIME,
}
#: Units of quantities that neither logs nor tables hold, so that they are known as wrong.
_OTHERS: Final = ("db", "db(c)", "dbc", "sone", "pwm", "pa", "hz", "j")
#: Why a unit that is often written does not fit: the column's unit and the unit as written.
_REASONS: Final = {
    ("rpm", "%"): "a fan's duty is not its speed: give the tachometer's reading in rpm",
    ("rpm", "pwm"): "a fan's duty is not its speed: give the tachometer's reading in rpm",
    ("rpm", "k"): "thousands are written out, 1.6k as 1600",
    ("%", "rpm"): "a fan's speed is not its duty: put it into the column fan_rpm",
    ("W", "%"): "a share of a limit is not a power: give the board power in W",
    ("dB(A)", "db"): "an unweighted level is not an A-weighted one: give dB(A)",
    ("dB(A)", "sone"): "loudness is not a level: give dB(A)",
}


class UnitError(ValueError):
    """A unit that is unknown, or measures something else than its column."""


class Conversion(NamedTuple):
    """value in the column's unit = value * factor + offset."""

    factor: float
    offset: float = 0.0


@lru_cache(maxsize=1024)
def parse_unit(text: str) -> Unit | None:
    """Parse a unit of a logged quantity, with or without brackets around it."""
    plain = re.sub(r"\s+", "", text)
    for spelling in (plain, _unbracketed(plain)):
        if spelling.lower() in _BY_SPELLING and not _NO_UNITS.fullmatch(spelling):
            return _BY_SPELLING[spelling.lower()]
    return None


@lru_cache(maxsize=1024)
def split_heading(heading: str) -> tuple[str, str]:
    """Return a heading's name and its unit as written, "" where it states none.

    Understood are ``name [unit]``, ``name (unit)``, ``name / unit``, ``name, unit``,
    ``name in unit``, ``name unit`` and ``name_unit``. In square brackets anything is a unit.
    """
    text = heading.strip()
    for mark in _BEFORE_UNIT.finditer(text):
        name, behind = text[: mark.start()], text[mark.end() :]
        written = _unbracketed(behind)
        if not name or not is_unit(written):
            continue
        unit = parse_unit(written)
        # A lone letter behind a blank is a unit only beside a word of its quantity, and so is a
        # unit that is more often a word.
        is_word = (unit.symbol if unit else written.lower()) in _WEAK
        weak = is_word or (len(behind) == 1 and behind != "%")
        joint = mark.group().strip()
        sure = not weak or bool(joint and (joint != "_" or not is_word))
        words = _WORDS.get(unit.dimension, ()) if unit else ()
        if sure or any(word in text.lower() for word in words):
            return name, written
    bracketed = _BRACKETED.fullmatch(text)
    unit_text = (stated_bracket(text) or "") if bracketed else ""
    if bracketed and (bracketed["square"] or is_unit(unit_text)):
        return bracketed["name"], unit_text
    return text, ""


def stated_bracket(heading: str) -> str | None:
    """Return what stands in brackets at a heading's end, known unit or not."""
    bracketed = _BRACKETED.fullmatch(heading.strip())
    if bracketed is None:
        return None
    return (bracketed["square"] or bracketed["round"] or bracketed["curly"]).strip()


def is_unit(text: str) -> bool:
    """Return whether a text is a unit of any kind."""
    known = parse_unit(text) is not None or _fold(text) in (*_LENGTHS, *_OTHERS)
    return known or _drift(text) is not None


def find_conversion(unit: str, wanted: str) -> Conversion:
    """Return how values in a unit become values in a column's unit, or raise `UnitError`."""
    conversion = _conversion(unit, wanted)
    if conversion is not None:
        return conversion
    if (wanted, _fold(unit)) in _REASONS:
        raise UnitError(_REASONS[wanted, _fold(unit)])
    if not wanted:
        raise UnitError(f"'{unit}' is a unit, but this column has none")
    kind = "measures something else than" if is_unit(unit) else "is not known as a unit of"
    raise UnitError(f"'{unit}' {kind} this column, which is in {wanted}")


def is_convertible(unit: str, wanted: str) -> bool:
    """Return whether values in a unit can be converted to a column's unit."""
    return _conversion(unit, wanted) is not None


def _conversion(unit: str, wanted: str) -> Conversion | None:
    """Return the conversion between two units where there is one."""
    if wanted == "K/min":
        return _drift(unit)
    if wanted == "m":
        length = _LENGTHS.get(_fold(unit))
        return None if length is None else Conversion(length)
    known = parse_unit(unit)
    if known is None:
        return None
    if wanted == "K" and known.dimension is Dimension.TEMPERATURE:
        # Temperature differences: a degree's size counts, its zero does not.
        return Conversion(known.scale)
    if known.dimension is not _DIMENSIONS.get(wanted):
        return None
    return Conversion(known.scale, known.offset)


def _drift(text: str) -> Conversion | None:
    """Parse a temperature per time, such as K/min or °F/h."""
    above, _, below = text.partition("/")
    degree, time = parse_unit(above), parse_unit(below)
    if degree is None or time is None:
        return None
    if (degree.dimension, time.dimension) != (Dimension.TEMPERATURE, Dimension.TIME):
        return None
    return Conversion(degree.scale * 60.0 / time.scale)


def _fold(unit: str) -> str:
    """Return a unit in the spelling that is compared."""
    return unit.replace(" ", "").lower()


def _unbracketed(unit: str) -> str:
    """Return a unit without brackets around it."""
    bracketed = len(unit) > 2 and unit[0] in "[({" and unit[-1] in "])}"
    return unit[1:-1].strip() if bracketed else unit
