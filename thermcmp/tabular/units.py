"""Units of logged quantities: how they are written, and their conversion.

Each dimension has one canonical unit, which is part of every canonical column
name (`memory_c`, `fan_rpm`). What is not in the table is no unit: it is never
guessed.

Factors are exact: SI Brochure (9th edition, 2019) for prefixes, time and the kelvin;
NIST SP 811 (2008), appendix B, for the degree Fahrenheit.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import Final

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
    """A unit, and how its values become canonical: ``value * scale + offset``.

    Attributes
    ----------
    symbol : str
        How it is shown.
    dimension : Dimension
        What it measures.
    scale, offset : float
        Factor and offset to the canonical unit.
    """

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
# decoded wrongly once before the file was written, U+FFFD one that was lost. Symbols
# whose case carries meaning (mW against MW) are told apart below.
_SPELLINGS: Final[tuple[tuple[Unit, str], ...]] = (
    (
        Unit("°C", _T),
        "°c degc c ℃ ºc ˚c Â°c \ufffdc gradc celsius degreecelsius degreescelsius °celsius",
    ),
    (Unit("°F", _T, 5 / 9, -160 / 9), "°f degf f ℉ ºf ˚f Â°f \ufffdf fahrenheit degreesfahrenheit"),
    (Unit("K", _T, 1.0, -273.15), "k kelvin"),
    (Unit("mK", _T, 1e-3, -273.15), "mk"),
    (Unit("rpm", _R), "rpm 1/min min-1 min^-1 min⁻¹ r/min u/min rev/min"),
    (Unit("1/s", _R, 60.0), "1/s rps r/s rev/s"),
    (Unit("W", _P), "w watt watts"),
    (Unit("mW", _P, 1e-3), "mw milliwatt milliwatts"),
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

_BRACKETED: Final = re.compile(r"^(?P<name>.*?)\s*[\[({]\s*(?P<unit>.+?)\s*[\])}]+\s*$", re.S)
_BEFORE_UNIT: Final = re.compile(r"\s*[/,:]\s*|_|\s+in\s+|\s+")
_WEAK: Final = ("min", "h")
#: Words that let a lone letter after a blank count as a unit: 'Temp C' but not 'Zone C'.
_WORDS: Final[dict[Dimension, tuple[str, ...]]] = {
    Dimension.TEMPERATURE: ("temp", "ambient", "junction"),
    Dimension.POWER: ("power",),
    Dimension.VOLTAGE: ("volt",),
    Dimension.CURRENT: ("current",),
    Dimension.TIME: ("time", "elapsed"),
}


@lru_cache(maxsize=1024)
def parse_unit(text: str) -> Unit | None:
    """Read a unit."""
    plain = re.sub(r"\s+", "", text)
    known = _spelled(plain)
    if known is None and len(plain) > 2 and plain[0] in "[({" and plain[-1] in "])}":
        return _spelled(plain[1:-1])
    return known


def _spelled(plain: str) -> Unit | None:
    """Look a spelling up, without blanks and brackets."""
    return None if _NO_UNITS.fullmatch(plain) else _BY_SPELLING.get(plain.lower())


def split_heading(heading: str) -> tuple[str, Unit | None]:
    """Split a heading into its name and its unit.

    Understood are ``name [unit]``, ``name (unit)``, ``name / unit``, ``name, unit``,
    ``name_unit`` and ``name unit``.

    Returns name, unit.
    """
    text = heading.strip()
    for mark in _BEFORE_UNIT.finditer(text):
        name, behind = text[: mark.start()], text[mark.end() :]
        unit = parse_unit(behind) if name else None
        if unit is None:
            continue
        # A lone letter behind a blank is a unit only beside a word of its quantity, and
        words = _WORDS.get(unit.dimension, ())
        # so is 'min', which is mostly the smallest reading.
        weak = unit.symbol in _WEAK or (len(behind) == 1 and unit.symbol != "%")
        joint = mark.group().strip()
        sure = not weak or bool(joint and (joint != "_" or unit.symbol not in _WEAK))
        if sure or any(word in text.lower() for word in words):
            return name, unit
    bracketed = _BRACKETED.match(text)
    unit = parse_unit(bracketed["unit"]) if bracketed else None
    return (bracketed["name"], unit) if bracketed and unit else (text, None)


def heading_key(heading: str) -> tuple[str, Unit | None]:
    """Return what makes two spellings of a heading the same: name and unit."""
    name, unit = split_heading(heading)
    return name.lower(), unit


def stated_bracket(heading: str) -> str | None:
    """Return what stands in brackets at a heading's end, known unit or not."""
    bracketed = _BRACKETED.match(heading.strip())
    return bracketed["unit"] if bracketed else None
