"""Air density by altitude, and the effect of thin air on convection.

References
----------
ISO 2533:1975, Standard Atmosphere: lowest layer, -2 to 11 km of geopotential
altitude, lapse rate 6.5 K/km.
"""

from __future__ import annotations

from typing import Final

from numpy.typing import ArrayLike

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.physics._checks import floats, require_positive

SEA_LEVEL_TEMPERATURE_K: Final = 288.15
SEA_LEVEL_PRESSURE_PA: Final = 101_325.0
LAPSE_RATE_K_PER_M: Final = 0.0065
STANDARD_GRAVITY_M_PER_S2: Final = 9.80665
GAS_CONSTANT_J_PER_KG_K: Final = 287.05287
LOWEST_ALTITUDE_M: Final = -2000.0
HIGHEST_ALTITUDE_M: Final = 11_000.0
ZERO_CELSIUS_K: Final = 273.15


def standard_pressure_pa(altitude_m: ArrayLike) -> Array:
    """Return the pressure of the standard atmosphere at a geopotential altitude.

    Parameters
    ----------
    altitude_m : array_like, any shape
        Geopotential altitude, -2000 to 11 000 [m]. The height on a map
        is close enough: at 2000 m the two differ by less than 1 m.

    Returns
    -------
    numpy.ndarray, same shape
        Pressure [Pa].

    Raises
    ------
    InputError
        If an altitude is outside the layer.

    References
    ----------
    ISO 2533:1975, lowest layer.
    """
    altitude = floats(altitude_m)
    outside = altitude[(altitude < LOWEST_ALTITUDE_M) | (altitude > HIGHEST_ALTITUDE_M)]
    if outside.size:
        fix = f"give metres in [{LOWEST_ALTITUDE_M:g}, {HIGHEST_ALTITUDE_M:g}]"
        fault = Fault("outside the lowest layer", fix, column="altitude_m", value=f"{outside[0]:g}")
        raise InputError("The standard atmosphere is not defined at this altitude:", [fault])
    power = STANDARD_GRAVITY_M_PER_S2 / (GAS_CONSTANT_J_PER_KG_K * LAPSE_RATE_K_PER_M)
    temperature_k = SEA_LEVEL_TEMPERATURE_K - LAPSE_RATE_K_PER_M * altitude
    ratio = temperature_k / SEA_LEVEL_TEMPERATURE_K
    return SEA_LEVEL_PRESSURE_PA * ratio**power


def air_density_kg_per_m3(pressure_pa: ArrayLike, temperature_c: ArrayLike) -> Array:
    """Return the density of dry air as an ideal gas.

    Parameters
    ----------
    pressure_pa : array_like, any shape
        Station pressure, not reduced to sea level [Pa].
    temperature_c : array_like, broadcastable
        Air temperature [°C], above -273.15.

    Returns
    -------
    numpy.ndarray, broadcast shape
        Density [kg/m³]. Humid air is lighter: by 0.9 % at 20 °C and 1.6 % at
        30 °C when saturated (from memory).

    Raises
    ------
    InputError
        If a pressure or an absolute temperature is zero, negative or infinite.

    References
    ----------
    Ideal gas law with the gas constant of ISO 2533:1975.
    """
    temperature_k = floats(temperature_c) + ZERO_CELSIUS_K
    require_positive(
        "Air cannot have this state:",
        "give the pressure in Pa and the temperature in °C",
        pressure_pa=pressure_pa,
        temperature_k=temperature_k,
    )
    return floats(pressure_pa) / (GAS_CONSTANT_J_PER_KG_K * temperature_k)


def density_factor(
    density_kg_per_m3: ArrayLike, reference_kg_per_m3: ArrayLike, *, exponent: ArrayLike
) -> Array:
    """Return the convective resistance relative to that at the reference density.

    At a fixed fan speed the fan moves the same volume in thin air (fan law:
    flow ~ speed), so the velocity is the same, Re ~ density, and with Nu ~ Re^m the
    convective resistance is proportional to (density / reference)^(-m). Viscosity
    and conductivity of air do not depend on pressure.

    Parameters
    ----------
    density_kg_per_m3, reference_kg_per_m3 : array_like, broadcastable
        Air densities [kg/m³].
    exponent : array_like, broadcastable
        Airflow exponent m [-].

    Returns
    -------
    numpy.ndarray, broadcast shape
        Factor on the convective part only [-]. The warming of the air along the
        fins, inversely proportional to density, is not included, so the true
        effect lies between this and exponent 1.

    Raises
    ------
    InputError
        If a density is zero, negative or infinite.

    References
    ----------
    Fan laws (textbook); Pohlhausen 1921, m = 0.5, and Dittus & Boelter 1930,
    m = 0.8, as cited in `thermcmp.physics.airflow`.
    """
    require_positive(
        "Air cannot have this density:",
        "give densities in kg/m³",
        density_kg_per_m3=density_kg_per_m3,
        reference_kg_per_m3=reference_kg_per_m3,
    )
    return (floats(density_kg_per_m3) / floats(reference_kg_per_m3)) ** (-floats(exponent))
