"""Airflow laws against handbook exponents and their own derivative."""

from dataclasses import dataclass

import numpy as np
import pytest

from thermcmp.errors import InputError
from thermcmp.physics.airflow import AirflowLaw, PowerLaw, check_airflow_law

SPEEDS = np.array([600.0, 1200.0, 1730.0, 2200.0, 3400.0])


@pytest.mark.parametrize(
    ("exponent", "doubled"),
    [
        # Pohlhausen 1921, laminar flat plate, Nu ~ Re^0.5: half the speed, 2^0.5 the resistance.
        (0.5, 1 / np.sqrt(2.0)),
        # Dittus & Boelter 1930, turbulent duct, Nu ~ Re^0.8: Nu(2e5)/Nu(1e5) = 2^0.8.
        (0.8, 1 / 1.7411011265922482),
    ],
)
def test_doubling_the_speed_follows_the_handbook_exponent(exponent, doubled):
    assert PowerLaw().factor(2400.0, 1200.0, exponent) == pytest.approx(doubled, rel=1e-12)


def test_prior_covers_laminar_plate_and_turbulent_duct():
    law = PowerLaw()
    for handbook in (0.5, 0.8):
        assert abs(handbook - law.exponent_prior_mean) <= 1.5 * law.exponent_prior_sd + 1e-12


def test_factor_and_slope_broadcast_over_draws():
    draws = np.array([[0.5], [0.65], [0.8]])
    factor = PowerLaw().factor(SPEEDS, 1730.0, draws)
    assert factor.shape == PowerLaw().slope(SPEEDS, 1730.0, draws).shape == (3, 5)
    assert np.all(np.diff(factor, axis=1) < 0)
    assert np.all(factor[:, 2] == 1.0)


def test_unknown_speed_gives_unknown_factor():
    assert np.isnan(PowerLaw().factor([np.nan, 1000.0], 1000.0, 0.6)).tolist() == [True, False]


@pytest.mark.parametrize("speed", [0.0, -100.0, np.inf])
def test_speeds_not_above_zero_are_refused(speed):
    for method in (PowerLaw().factor, PowerLaw().slope):
        with pytest.raises(InputError, match="turning fans") as caught:
            method([speed, 1000.0], [speed], 0.6)
        assert [fault.column for fault in caught.value.faults] == ["flow_speed", "reference"]


def test_power_law_passes_the_check_of_a_law_in_numbers_and_in_pytensor():
    assert isinstance(PowerLaw(), AirflowLaw)
    check_airflow_law(PowerLaw(), SPEEDS, 1730.0)


@dataclass(frozen=True)
class Broken(PowerLaw):
    scale: float = 1.0
    slope_scale: float = 1.0

    def factor(self, flow_speed, reference, exponent):
        return self.scale * super().factor(flow_speed, reference, exponent)

    def slope(self, flow_speed, reference, exponent):
        return self.slope_scale * super().slope(flow_speed, reference, exponent)


@pytest.mark.parametrize(
    ("law", "message"),
    [
        (Broken(scale=1.01, slope_scale=1.01), "at the reference"),
        (Broken(slope_scale=1.001), "derivative"),
        (Broken(exponent_prior_sd=0.0), "prior"),
    ],
)
def test_check_names_what_is_wrong(law, message):
    with pytest.raises(InputError, match=message) as caught:
        check_airflow_law(law, SPEEDS, 1730.0)
    assert len(caught.value.faults) == 1
