"""Thermal resistance against published worked examples."""

import numpy as np
import pytest

from thermcmp.errors import InputError
from thermcmp.physics.airflow import PowerLaw
from thermcmp.physics.resistance import (
    convective_share,
    effective_exponent,
    series_temperatures_c,
    thermal_resistance_k_per_w,
)


@pytest.mark.parametrize(
    ("power", "inwards", "expected"),
    [
        # Open lecture page: 5 W; 3 + 1 + 8 K/W; 25 °C -> case 70 °C, junction 85 °C.
        (5.0, [8.0, 1.0, 3.0], [65.0, 70.0, 85.0]),
        # Open calculator page: 3.9 W; 3.125 + 13 K/W; 25 °C -> case 75.7 °C, junction 87.9 °C.
        (3.9, [13.0, 3.125], [75.7, 87.8875]),
    ],
)
def test_series_chain_worked_examples(power, inwards, expected):
    np.testing.assert_allclose(series_temperatures_c(25.0, power, inwards), expected, rtol=1e-12)


def test_resistance_is_rise_over_power():
    # JESD51-2A definition on the first chain above: (85 - 25) / 5 = 12 = 3 + 1 + 8 K/W.
    assert thermal_resistance_k_per_w(85.0, 25.0, 5.0) == 12.0
    assert thermal_resistance_k_per_w([85.0, np.nan], 25.0, 5.0).shape == (2,)


def test_resistance_without_power_is_refused():
    with pytest.raises(InputError, match="power_w"):
        thermal_resistance_k_per_w(85.0, 25.0, [5.0, 0.0])


def test_effective_exponent_and_share_of_a_speed_step():
    # 1730 -> 2200 rpm, memory 87.4 -> 80 °C at 21 °C: common practice, no source.
    rises = (87.4 - 21.0, 80.0 - 21.0)
    assert effective_exponent(*rises, 1730, 2200) == pytest.approx(0.49, abs=0.005)
    share = convective_share(*rises, 1730, 2200, exponent=0.7)
    assert 0.70 < share < 0.75
    # The split holds in both directions: fixed + convective x factor gives the second rise.
    fixed = rises[0] * (1 - share)
    second = fixed + rises[0] * share * PowerLaw().factor(2200, 1730, 0.7)
    assert second == pytest.approx(rises[1], rel=1e-12)


def test_wholly_convective_rise_has_the_airflow_exponent_and_share_one():
    rises = 60.0 * PowerLaw().factor([1500.0, 2500.0], 1500.0, 0.65)
    assert effective_exponent(*rises, 1500, 2500) == pytest.approx(0.65, rel=1e-12)
    assert convective_share(*rises, 1500, 2500, exponent=0.65) == pytest.approx(1.0, rel=1e-12)


def test_bad_contact_shows_as_no_share():
    assert convective_share(60.0, 60.0, 1500, 2500, exponent=0.65) == 0.0
    assert effective_exponent(60.0, 60.0, 1500, 2500) == 0.0


def test_equal_speeds_are_not_estimable_and_contradictions_are_not_hidden():
    assert np.isnan(effective_exponent(60.0, 55.0, 1500, 1500))
    assert np.isnan(convective_share(60.0, 55.0, 1500, 1500, exponent=0.65))
    assert convective_share(60.0, 20.0, 1500, 2500, exponent=0.65) > 1.0


def test_all_faults_are_listed():
    with pytest.raises(InputError) as caught:
        convective_share(0.0, 55.0, 1500, -1.0, exponent=0.0)
    assert [f.column for f in caught.value.faults] == ["rise_1_k", "speed_2", "exponent"]
