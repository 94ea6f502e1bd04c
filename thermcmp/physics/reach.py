"""How far a law that was fitted to measured values may be followed beyond them.

The one rule of the house about extrapolation: inside the measured range a law is
used, outside it is used and marked, and beyond a factor it is refused.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermcmp.errors import Fault, InputError
from thermcmp.physics._checks import floats, require_positive

#: Beyond its measured range a law may be followed by this factor at most (common
#: practice, no source): a fourth more fan speed is about 5 dB.
FARTHEST: Final = 1.25


class Reach(StrEnum):
    """Where a value lies against the range that was measured."""

    MEASURED = "measured"
    EXTRAPOLATED = "extrapolated"
    REFUSED = "refused"


def reach_of(
    value: ArrayLike, lowest: float, highest: float, *, farthest: float = FARTHEST
) -> NDArray[np.object_]:
    """Return whether values lie inside what was measured, outside it, or too far outside.

    Parameters
    ----------
    value : array_like, any shape
        Values in the measured quantity's unit, above zero, such as fan speeds [rpm].
    lowest, highest : float
        Ends of the measured range, same unit.
    farthest : float
        Beyond `lowest` / `farthest` and `highest` · `farthest` a value is refused [-];
        1 allows no extrapolation.

    Returns
    -------
    numpy.ndarray of Reach, or Reach
        Same shape as `value`; NaN is refused. A posterior is judged by its median:
        single draws far out only say that the interval is wide.

    Raises
    ------
    InputError
        If the range is empty or not above zero, or `farthest` below 1.
    """
    fix = "give the lowest and the highest measured value, and a factor of 1 or more"
    require_positive("There is no such range:", fix, lowest=lowest, highest=highest)
    if not (lowest <= highest and farthest >= 1.0):
        name, wrong = ("lowest", lowest) if lowest > highest else ("farthest", farthest)
        fault = Fault("does not make a range", fix, column=name, value=f"{wrong:g}")
        raise InputError("There is no such range:", [fault])
    values = floats(value)
    found = np.empty(values.shape, dtype=object)
    found[...] = Reach.REFUSED
    near = (values >= lowest / farthest) & (values <= highest * farthest)
    found[near] = Reach.EXTRAPOLATED
    found[(values >= lowest) & (values <= highest)] = Reach.MEASURED
    return found[()]
