"""Thermal resistance, chains of it, and how much of a rise airflow can buy.

References
----------
JESD51-2A, JESD51-8, JESD51-12 (JEDEC): theta = (T - T_reference) / P. A theta to
ambient compares devices in one environment; it does not predict another one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermcmp.physics._checks import floats, require_positive


def thermal_resistance_k_per_w(
    temperature_c: ArrayLike, ambient_c: ArrayLike, power_w: ArrayLike
) -> NDArray[np.float64]:
    """Thermal resistance to ambient: rise over power.

    Parameters
    ----------
    temperature_c : array_like, any shape
        Steady sensor temperature [°C].
    ambient_c : array_like, broadcastable
        Local air temperature at the cooler's intake [°C].
    power_w : array_like, broadcastable
        Power that the resistance is referred to, here the board's [W].

    Returns
    -------
    numpy.ndarray, broadcast shape
        Resistance [K/W].

    Raises
    ------
    InputError
        If a power is zero, negative or infinite.

    References
    ----------
    JESD51-2A: theta_JA = (T_J - T_A) / P_H.
    """
    require_positive(
        "A thermal resistance needs power:", "give the mean power of the window", power_w=power_w
    )
    return (floats(temperature_c) - floats(ambient_c)) / floats(power_w)


def series_temperatures_c(
    ambient_c: float, power_w: float, resistances_k_per_w: ArrayLike
) -> NDArray[np.float64]:
    """Temperatures along resistances in series, from the ambient inwards.

    Parameters
    ----------
    ambient_c : float
        Ambient temperature [°C].
    power_w : float
        Heat flow through the whole chain [W].
    resistances_k_per_w : array_like, shape (k,)
        Resistances in the order met from the ambient [K/W].

    Returns
    -------
    numpy.ndarray, shape (k,)
        Temperature at the inner end of each resistance [°C]; the last one is the
        heat source's.

    References
    ----------
    Fourier's law for a chain without side paths (textbook).
    """
    return ambient_c + power_w * np.cumsum(floats(resistances_k_per_w))


def effective_exponent(
    rise_1_k: ArrayLike, rise_2_k: ArrayLike, speed_1: ArrayLike, speed_2: ArrayLike
) -> NDArray[np.float64]:
    """Exponent of the whole rise between two fan speeds: -ln(rise ratio) / ln(speed ratio).

    It is below the airflow exponent m, since conduction and contact do not
    change with the fan; near zero, more fan does not help.

    Parameters
    ----------
    rise_1_k, rise_2_k : array_like, broadcastable
        Rises over ambient at equal power and held hardware [K], above zero.
    speed_1, speed_2 : array_like, broadcastable
        Fan speeds [rpm], or flows in any one unit, above zero.

    Returns
    -------
    numpy.ndarray, broadcast shape
        Effective exponent [-]; NaN where the speeds are equal.

    Raises
    ------
    InputError
        If a rise or a speed is zero, negative or infinite.
    """
    _check_pair(rise_1_k=rise_1_k, rise_2_k=rise_2_k, speed_1=speed_1, speed_2=speed_2)
    rise = np.log(floats(rise_2_k) / floats(rise_1_k))
    return -_divided(rise, np.log(floats(speed_2) / floats(speed_1)))


def convective_share(
    rise_1_k: ArrayLike,
    rise_2_k: ArrayLike,
    speed_1: ArrayLike,
    speed_2: ArrayLike,
    *,
    exponent: ArrayLike,
) -> NDArray[np.float64]:
    """Share of the rise at `speed_1` that airflow can buy.

    With rise = F + C g(N), g = (N / N_1)^(-m), two speeds at equal power and
    held hardware give C / (F + C) = (1 - rise_2 / rise_1) / (1 - g(N_2)).

    Parameters
    ----------
    rise_1_k, rise_2_k : array_like, broadcastable
        Rises over ambient at equal power [K], above zero.
    speed_1, speed_2 : array_like, broadcastable
        Fan speeds [rpm], or flows in any one unit, above zero.
    exponent : array_like, broadcastable
        Airflow exponent m [-], above zero.

    Returns
    -------
    numpy.ndarray, broadcast shape
        Share at `speed_1` [-]; NaN where the speeds are equal. It is not
        clipped: a value outside 0 to 1 says that the two readings contradict
        the exponent, or that more than the speed was changed.

    Raises
    ------
    InputError
        If a rise, a speed or the exponent is zero, negative or infinite.
    """
    _check_pair(
        rise_1_k=rise_1_k, rise_2_k=rise_2_k, speed_1=speed_1, speed_2=speed_2, exponent=exponent
    )
    factor = (floats(speed_2) / floats(speed_1)) ** (-floats(exponent))
    return _divided(1.0 - floats(rise_2_k) / floats(rise_1_k), 1.0 - factor)


def _check_pair(**values: ArrayLike) -> None:
    """Refuse values without a logarithm."""
    require_positive(
        "Two fan speeds cannot be compared:",
        "give rises over ambient in K, speeds and exponent above zero",
        **values,
    )


def _divided(top: NDArray[np.float64], bottom: NDArray[np.float64]) -> NDArray[np.float64]:
    """Divide, giving NaN where the denominator is zero."""
    return top / np.where(bottom == 0.0, np.nan, bottom)
