"""Air against the printed tables of the standard atmosphere."""

import numpy as np
import pytest

from thermcmp.errors import InputError
from thermcmp.physics.air import (
    air_density_kg_per_m3,
    density_factor,
    standard_pressure_pa,
)

ALTITUDES_M = np.array([0.0, 500.0, 1000.0, 1500.0, 2000.0])


def geopotential_m(geometric_m):
    """ISO 2533:1975: H = r h / (r + h), r = 6 356 766 m."""
    return 6_356_766.0 * geometric_m / (6_356_766.0 + geometric_m)


def standard_density(altitude_m):
    """Density where the air cools by 6.5 K/km from 15 °C, as the standard has it."""
    pressure = standard_pressure_pa(altitude_m)
    return air_density_kg_per_m3(pressure, 15.0 - 0.0065 * altitude_m)


def test_density_by_geopotential_altitude():
    # ISO 2533:1975 table (printed to 5 decimals; the print is from memory).
    printed = [1.22500, 1.16727, 1.11164, 1.05807, 1.00649]
    np.testing.assert_allclose(standard_density(ALTITUDES_M), printed, atol=5.1e-6)


def test_density_and_pressure_by_geometric_height():
    # ISO 2533:1975 / U.S. Standard Atmosphere 1976 by geometric height, as two open
    # packages (ambiance 1.3.1 and fluids, class ATMOSPHERE_1976) print it.
    heights = geopotential_m(ALTITUDES_M)
    density = [1.225000, 1.167273, 1.111660, 1.058104, 1.006554]
    pressure = [101325.0, 95461.3, 89876.3, 84559.7, 79501.4]
    np.testing.assert_allclose(standard_density(heights), density, atol=6e-7)
    np.testing.assert_allclose(standard_pressure_pa(heights), pressure, atol=0.06)


def test_top_of_the_layer():
    # U.S. Standard Atmosphere 1976: 22 632.06 Pa and 0.36392 kg/m3 at 11 km.
    assert standard_pressure_pa(11_000.0) == pytest.approx(22_632.06, rel=2e-6)
    assert standard_density(11_000.0) == pytest.approx(0.36392, rel=2e-5)


def test_room_at_altitude_is_thinner_by_pressure_alone():
    low = air_density_kg_per_m3(standard_pressure_pa(0.0), 21.0)
    high = air_density_kg_per_m3(standard_pressure_pa(1500.0), 21.0)
    assert high / low == pytest.approx(84_556.0 / 101_325.0, rel=1e-5)
    # Ideal gas at 15 °C and sea level is the standard's own 1.225 kg/m3.
    assert air_density_kg_per_m3(101_325.0, 15.0) == pytest.approx(1.225, rel=1e-6)


def test_density_factor_is_reynolds_number_to_the_exponent():
    # At half the density Re halves: laminar plate 2^0.5 (Pohlhausen 1921), turbulent
    # duct 2^0.8 (Dittus & Boelter 1930).
    factor = density_factor(0.6125, 1.225, exponent=[0.5, 0.8])
    np.testing.assert_allclose(factor, [1.4142135623730951, 1.7411011265922482], rtol=1e-12)


@pytest.mark.parametrize("altitude", [-2001.0, 11_001.0])
def test_other_layers_are_refused(altitude):
    with pytest.raises(InputError, match="altitude_m"):
        standard_pressure_pa([0.0, altitude])


def test_impossible_air_is_refused():
    with pytest.raises(InputError, match="temperature_k"):
        air_density_kg_per_m3(101_325.0, -300.0)
    with pytest.raises(InputError, match="reference_kg_per_m3"):
        density_factor(1.2, 0.0, exponent=0.65)
