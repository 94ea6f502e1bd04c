"""The fan laws: what flow, pressure and shaft power do when speed or density change.

References
----------
Fan laws for one fan in an unchanged air path (standard; ISO 5801 gives them as
conversion rules, from memory): Q ~ N, p ~ rho N^2, P ~ rho N^3.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermcmp.physics._checks import floats, require_positive


class FanRatios(NamedTuple):
    """New over old of one fan in an unchanged air path [-].

    Attributes
    ----------
    flow : numpy.ndarray
        Volume flow.
    pressure : numpy.ndarray
        Pressure rise.
    shaft_power : numpy.ndarray
        Power that the fan takes from its motor.
    """

    flow: NDArray[np.float64]
    pressure: NDArray[np.float64]
    shaft_power: NDArray[np.float64]


def fan_law_ratios(speed_ratio: ArrayLike, density_ratio: ArrayLike = 1.0) -> FanRatios:
    """Flow, pressure and shaft power of a fan by speed and air density.

    Parameters
    ----------
    speed_ratio : array_like, any shape
        New fan speed over old [-], above zero.
    density_ratio : array_like, broadcastable
        New air density over old [-], above zero.

    Returns
    -------
    FanRatios
        New over old, in broadcast shape [-]. Volume flow does not depend on density.

    Raises
    ------
    InputError
        If a ratio is zero, negative or infinite.
    """
    require_positive(
        "The fan laws need a turning fan in air:",
        "give new over old, above zero",
        speed_ratio=speed_ratio,
        density_ratio=density_ratio,
    )
    speed, density = np.broadcast_arrays(floats(speed_ratio), floats(density_ratio))
    return FanRatios(speed[()], (density * speed**2)[()], (density * speed**3)[()])
