"""Fan laws against the worked examples of handbooks."""

import pytest

from thermcmp.errors import InputError
from thermcmp.physics.fan_laws import fan_law_ratios


def test_worked_example_of_a_faster_fan():
    # Standard example: 1200 -> 1500 rpm, 10 000 -> 12 500, 2.0 -> 3.125, 5 -> 9.765625.
    found = fan_law_ratios(1500.0 / 1200.0)
    assert 10_000.0 * found.flow == pytest.approx(12_500.0, rel=1e-12)
    assert 2.0 * found.pressure == pytest.approx(3.125, rel=1e-12)
    assert 5.0 * found.shaft_power == pytest.approx(9.765625, rel=1e-12)
    # At 80 % of the speed 51.2 % of the power (same source).
    assert fan_law_ratios(0.8).shaft_power == pytest.approx(0.512, rel=1e-12)


def test_thin_air_leaves_the_flow_and_takes_pressure_and_power():
    # ISO 2533:1975, 2000 m: 1.00649 / 1.22500 kg/m³ (print from memory).
    ratio = 1.00649 / 1.22500
    found = fan_law_ratios([1.0, 1.0 / ratio], ratio)
    assert found.flow[0] == 1.0
    assert found.pressure[0] == found.shaft_power[0] == pytest.approx(0.82162, abs=5e-6)
    # A fan that makes up for the lost density in speed moves the same mass.
    assert found.flow[1] * ratio == pytest.approx(1.0, rel=1e-12)


def test_a_stopped_fan_has_no_ratio():
    with pytest.raises(InputError, match="speed_ratio"):
        fan_law_ratios(0.0)
