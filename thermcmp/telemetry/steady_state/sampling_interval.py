"""The usual time between readings."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

#: So many steps show the usual one as well as all do.
_SAMPLE: Final = 2_000


def usual_step_s(time_s: npt.ArrayLike) -> float:
    """Return the usual time between readings.

    Shapes: time_s (n,).
    """
    times = np.asarray(time_s, dtype=np.float64)
    if len(times) < 2:
        return 1.0
    every = max(len(times) // _SAMPLE, 1)
    steps = times[1::every] - times[:-1:every]
    middle = len(steps) // 2
    # As numpy's median, which takes far longer over a short sample.
    ordered = np.sort(steps)
    return float((ordered[middle] + ordered[-middle - 1]) / 2.0) or 1.0
