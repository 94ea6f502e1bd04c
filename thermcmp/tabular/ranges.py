"""Cells that state a range, as published tables do: "22 to 24 °C", "215–225 W"."""

from __future__ import annotations

import re
from typing import Final

_FIGURES: Final = r"[0-9][0-9.,]*"
_RANGE: Final = re.compile(
    rf"^\s*(?P<low>[+\-−]?{_FIGURES})\s*(?P<own>[^\W\d]*|°[CF])\s*"
    rf"(?:to|bis|\.\.\.?|…|–|—|-)\s*(?P<high>[+−]?{_FIGURES})\s*(?P<unit>\D*?)\s*$"
)
#: Half widths of a range in a standard deviation, where every value in it is as likely (JCGM
#: 100:2008, 4.3.7).
HALF_WIDTHS: Final = 3.0**-0.5


def ends_of_range(cell: object) -> tuple[str, str] | None:
    """Return the ends of a range as cells with its unit each, or None where there is no range."""
    match = _RANGE.match(cell) if isinstance(cell, str) else None
    if match is None:
        return None
    unit = match["unit"] or match["own"]
    return f"{match['low']} {match['own'] or unit}".strip(), f"{match['high']} {unit}".strip()
