"""How a reading relates to the true temperature: scatter, reading step, limit."""

from __future__ import annotations

from enum import StrEnum
from typing import Final

import numpy as np

from thermcmp._types import Array

DEGREES: Final = "degrees of freedom"
#: A step above this many standard deviations of the scatter is coarse. Up to two, the
#: variance of a rounded normal reading is s² + step²/12 to 2.4 % wherever the mean lies
#: between two steps (summed over cells; Sheppard 1898 gives the correction itself).
COARSE: Final = 2.0


class Residuals(StrEnum):
    """Law of the run-to-run scatter."""

    NORMAL = "normal"
    STUDENT = "student"  #: Student's t: an outlier has little influence


class Steps(StrEnum):
    """How the sensor's reading step enters the likelihood."""

    AUTO = "auto"  #: chosen from the data: interval where the step is coarse against the scatter
    VARIANCE = "variance"  #: step²/12 joins the variance
    INTERVAL = "interval"  #: the true temperature is within half a step of the reading


def is_coarse(step_k: Array, scatter_k: float) -> bool:
    """Return whether any reading step, shape (n,), is coarse against the scatter."""
    return bool(np.max(step_k, initial=0.0) > COARSE * scatter_k)
