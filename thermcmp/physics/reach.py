"""The one rule about extrapolation of a law that was fitted to measured values.

Inside the measured range a law is used, outside it is used and marked, and beyond a
factor it is refused.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermcmp.errors import Fault, InputError
from thermcmp.physics._checks import floats, require_positive

#: A law is extrapolated beyond its measured range by this factor at most (common
#: practice, no source): a quarter more fan speed is about 5 dB.
FARTHEST: Final = 1.25


class Reach(StrEnum):
    """Position of a value relative to the measured range."""

    MEASURED = "measured"
    EXTRAPOLATED = "extrapolated"
    REFUSED = "refused"


def reach_of(
    value: ArrayLike, lowest: float, highest: float, *, farthest: float = FARTHEST
) -> NDArray[np.object_]:
    """Return whether values are inside the measured range, outside it, or too far outside.

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
        single draws far out only mean that the interval is wide.

    Raises
    ------
    InputError
        If the range is empty or not above zero, or `farthest` below 1.
    """
    fix = "give the lowest and the highest measured value, and a factor of 1 or more"
    require_positive("This is not a measured range:", fix, lowest=lowest, highest=highest)
    if not (lowest <= highest and farthest >= 1.0):
        name, wrong = ("lowest", lowest) if lowest > highest else ("farthest", farthest)
        fault = Fault("does not form a range", fix, column=name, value=f"{wrong:g}")
        raise InputError("This is not a measured range:", [fault])
    values = floats(value)
    reach = np.empty(values.shape, dtype=object)
    reach[...] = Reach.REFUSED
    near = (values >= lowest / farthest) & (values <= highest * farthest)
    reach[near] = Reach.EXTRAPOLATED
    reach[(values >= lowest) & (values <= highest)] = Reach.MEASURED
    return reach[()]
