"""Units that hand-kept tables use, and their conversion to the schema's units.

What logs measure too is looked up in `thermcmp.tabular.units`; here stand temperature
differences and drifts, which follow from it, and lengths. Factors are exact: NIST SP 811
(2008), appendix B, for the inch and the foot.
"""

from __future__ import annotations

import re
from typing import Final, NamedTuple

from thermcmp.tabular.units import Dimension, parse_unit


class UnitError(ValueError):
    """A unit that is unknown, or measures something else than its column."""


class Conversion(NamedTuple):
    """value in the schema's unit = value · factor + offset."""

    factor: float
    offset: float = 0.0


_LENGTHS: Final = {
    "m": 1.0, "metre": 1.0, "meter": 1.0, "cm": 1e-2, "mm": 1e-3,
    "in": 0.0254, "inch": 0.0254, "″": 0.0254, "ft": 0.3048, "foot": 0.3048, "feet": 0.3048,
}  # fmt: skip
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

_UNIT: Final = re.compile(
    r"(?P<name>.*?)\s*(?:\[(?P<square>[^\[\]]*)\]|\((?P<round>(?:[^()]|\([^()]*\))*)\)"
    r"|(?:/\s*|,\s+|\bin\s+)(?P<bare>\S+)"
    # Behind a mere space only what can be nothing but a unit: "Fan %", "Memory °C".
    r"|(?<=\s)(?P<plain>%|[°º℃℉]\S*|rpm|dB\S*|[mk]W))"
)
#: Why a unit that is often written does not fit: schema unit and unit as written.
_REASONS: Final = {
    ("rpm", "%"): "a fan's duty is not its speed: give the tachometer's reading in rpm",
    ("rpm", "pwm"): "a fan's duty is not its speed: give the tachometer's reading in rpm",
    ("%", "rpm"): "a fan's speed is not its duty: put it into the column fan_rpm",
    ("W", "%"): "a share of a limit is no power: give the board power in W",
    ("dB(A)", "db"): "an unweighted level is not an A-weighted one: give dB(A)",
    ("dB(A)", "sone"): "loudness is not a level: give dB(A)",
}


def is_unit(text: str) -> bool:
    """Return whether a text is a unit of any kind."""
    return (
        parse_unit(text) is not None
        or _fold(text) in _LENGTHS
        or _fold(text) in _OTHERS
        or _drift(text) is not None
    )


def find_conversion(unit: str, wanted: str) -> Conversion:
    """Find how values in a unit become values in the schema's unit."""
    found = _convert(unit, wanted)
    if found is not None:
        return found
    if (wanted, _fold(unit)) in _REASONS:
        raise UnitError(_REASONS[wanted, _fold(unit)])
    if not wanted:
        raise UnitError(f"'{unit}' is a unit, but this column has none")
    kind = "measures something else than" if is_unit(unit) else "is not known as a unit of"
    raise UnitError(f"'{unit}' {kind} this column, which is in {wanted}")


def split_heading(heading: str) -> tuple[str, str]:
    """Split a heading into its name and its unit.

    Returns name, unit.
    """
    found = _UNIT.fullmatch(heading.strip())
    if found is None:
        return heading.strip(), ""
    unit = (found["square"] or found["round"] or found["bare"] or found["plain"] or "").strip()
    if found["square"] is None and not is_unit(unit):
        return heading.strip(), ""
    return found["name"], unit


def _convert(unit: str, wanted: str) -> Conversion | None:
    """Find the conversion where there is one."""
    if wanted == "K":
        # Temperature differences: a degree's size counts, its zero does not.
        degree = parse_unit(unit)
        fits = degree is not None and degree.dimension is Dimension.TEMPERATURE
        return Conversion(degree.scale) if degree and fits else None
    if wanted == "K/min":
        return _drift(unit)
    if wanted == "m":
        length = _LENGTHS.get(_fold(unit))
        return None if length is None else Conversion(length)
    known = parse_unit(unit)
    if known is None or known.dimension is not _DIMENSIONS.get(wanted):
        return None
    return Conversion(known.scale, known.offset)


def _drift(text: str) -> Conversion | None:
    """Read a temperature per time, such as K/min or °F/h."""
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
