"""Checks of values that the formulas of this folder cannot use."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError


def floats(value: ArrayLike) -> Array:
    """Return `value` as an array of float64."""
    return np.asarray(value, dtype=np.float64)


def require_positive(message: str, fix: str, **values: ArrayLike) -> None:
    """Raise one `InputError` that lists every name with a value outside (0, inf).

    NaN passes: an unknown value has an unknown result.
    """
    faults = []
    for name, value in values.items():
        array = floats(value)
        bad = array[(array <= 0.0) | np.isinf(array)]
        if bad.size:
            faults.append(
                Fault("must be finite and above zero", fix, column=name, value=f"{bad[0]:g}")
            )
    if faults:
        raise InputError(message, faults)
