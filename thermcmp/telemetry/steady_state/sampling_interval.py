"""The usual time between readings, and what follows from it."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

#: Number of steps from which the usual one is taken.
_SAMPLE: Final = 2_000
#: A step of more than this many medians is a gap and no part of the period.
_NO_GAP: Final = 2.5


def usual_step_s(time_s: npt.ArrayLike) -> float:
    """Return the usual time between readings [s]."""
    times = np.asarray(time_s, dtype=np.float64)
    if len(times) < 2:
        return 1.0
    every = max(len(times) // _SAMPLE, 1)
    steps = times[1::every] - times[:-1:every]
    middle = len(steps) // 2
    # As NumPy's median, which is far slower on a short sample.
    ordered = np.sort(steps)
    median = float((ordered[middle] + ordered[-middle - 1]) / 2.0)
    # Stamps in whole seconds alternate between two steps, and only their mean is the period;
    # gaps are left out.
    near = ordered[: int(np.searchsorted(ordered, _NO_GAP * median, side="right"))]
    return round(float(near.mean()), 9) or 1.0


def readings_in(span_s: float, time_s: npt.ArrayLike) -> int:
    """Return the usual number of readings in a span of time, at least one."""
    return max(int(span_s / usual_step_s(time_s)), 1)


def longest_step_s(time_s: npt.ArrayLike, gap_s: float) -> float:
    """Return the longest time between readings that is not a gap [s]."""
    # Readings that are further apart by their own period leave no gap.
    return max(gap_s, 1.5 * usual_step_s(time_s))
