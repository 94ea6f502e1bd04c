"""Units that hand-kept tables use, and their conversion to the schema's units.

Factors are exact: SI Brochure (9th edition, 2019) for prefixes, time and the kelvin;
NIST SP 811 (2008), appendix B, for the degree Fahrenheit, the inch and the foot.
"""

from __future__ import annotations

from typing import Final, NamedTuple


class UnitError(ValueError):
    """A unit that is unknown, or measures something else than its column."""


class Conversion(NamedTuple):
    """value in the schema's unit = value · factor + offset."""

    factor: float
    offset: float = 0.0


_CELSIUS: Final = ("°C", "℃", "degC", "deg C", "C", "Celsius")
_FAHRENHEIT: Final = ("°F", "℉", "degF", "deg F", "F", "Fahrenheit")
_KELVIN: Final = ("K", "kelvin")
_SECOND: Final = ("s", "sec", "second", "seconds")
_MINUTE: Final = ("min", "minute", "minutes")
_HOUR: Final = ("h", "hr", "hour", "hours")

_TABLE: Final[dict[str, dict[tuple[str, ...], Conversion]]] = {
    "°C": {
        _CELSIUS: Conversion(1.0),
        _FAHRENHEIT: Conversion(5 / 9, -160 / 9),
        _KELVIN: Conversion(1.0, -273.15),
    },
    # Temperature differences: a degree's size counts, its zero does not.
    "K": {
        (*_KELVIN, *_CELSIUS): Conversion(1.0),
        _FAHRENHEIT: Conversion(5 / 9),
        ("mK",): Conversion(1e-3),
    },
    "K/min": {
        ("K/min", "°C/min"): Conversion(1.0),
        ("°F/min",): Conversion(5 / 9),
        ("K/s", "°C/s"): Conversion(60.0),
        ("K/h", "°C/h"): Conversion(1 / 60),
    },
    "rpm": {
        ("rpm", "r/min", "rev/min", "1/min", "min-1", "min⁻¹", "U/min"): Conversion(1.0),
        ("r/s", "rev/s", "rps"): Conversion(60.0),
    },
    "%": {("%", "percent"): Conversion(1.0)},
    "W": {
        ("W", "watt", "watts"): Conversion(1.0),
        ("mW",): Conversion(1e-3),
        ("kW",): Conversion(1e3),
    },
    "dB(A)": {("dB(A)", "dBA", "dB A", "dB (A)"): Conversion(1.0)},
    "m": {
        ("m", "metre", "meter"): Conversion(1.0),
        ("cm",): Conversion(1e-2),
        ("mm",): Conversion(1e-3),
        ("in", "inch", "″"): Conversion(0.0254),
        ("ft", "foot", "feet"): Conversion(0.3048),
    },
    "s": {
        _SECOND: Conversion(1.0),
        ("ms",): Conversion(1e-3),
        _MINUTE: Conversion(60.0),
        _HOUR: Conversion(3600.0),
    },
}

#: Units of quantities that no results column holds, so that they are known as wrong.
_OTHERS: Final = ("%", "dB", "dB(C)", "dBC", "sone", "PWM", "V", "mV", "A", "mA", "Pa", "Hz", "J")

#: Why a unit that is often written does not fit: schema unit and unit as written.
_REASONS: Final = {
    ("rpm", "%"): "a fan's duty is not its speed: give the tachometer's reading in rpm",
    ("rpm", "pwm"): "a fan's duty is not its speed: give the tachometer's reading in rpm",
    ("%", "rpm"): "a fan's speed is not its duty: put it into the column fan_rpm",
    ("W", "%"): "a share of a limit is no power: give the board power in W",
    ("dB(A)", "db"): "an unweighted level is not an A-weighted one: give dB(A)",
    ("dB(A)", "sone"): "loudness is not a level: give dB(A)",
}


def _fold(unit: str) -> str:
    """Return a unit in the spelling that is compared; case matters only where it must."""
    bare = unit.strip().replace(" ", "").replace("º", "°").replace("˚", "°").replace("deg", "°")
    # A megawatt is no milliwatt; elsewhere the case of a unit carries nothing here.
    return bare if bare in ("MW", "MK") else bare.lower()


_BY_SPELLING: Final[dict[str, dict[str, Conversion]]] = {
    unit: {_fold(word): conversion for words, conversion in rows.items() for word in words}
    for unit, rows in _TABLE.items()
}
_KNOWN: Final = {spelling for rows in _BY_SPELLING.values() for spelling in rows} | {
    _fold(word) for word in _OTHERS
}


def is_unit(text: str) -> bool:
    """Tell whether a text is a unit of any kind.

    Parameters
    ----------
    text : str
        Text such as "rpm" or "°C".

    Returns
    -------
    bool
        Whether it is known as a unit.
    """
    return _fold(text) in _KNOWN


def find_conversion(unit: str, wanted: str) -> Conversion:
    """Find how values in a unit become values in the schema's unit.

    Parameters
    ----------
    unit : str
        The unit as written.
    wanted : str
        The schema's unit; "" for columns without one.

    Returns
    -------
    Conversion
        Factor and offset.

    Raises
    ------
    UnitError
        If the unit is unknown or measures something else; the message says why.
    """
    found = _BY_SPELLING.get(wanted, {}).get(_fold(unit))
    if found is not None:
        return found
    if (wanted, _fold(unit)) in _REASONS:
        raise UnitError(_REASONS[wanted, _fold(unit)])
    if not wanted:
        raise UnitError(f"'{unit}' is a unit, but this column has none")
    kind = "measures something else than" if is_unit(unit) else "is not known as a unit of"
    raise UnitError(f"'{unit}' {kind} this column, which is in {wanted}")
