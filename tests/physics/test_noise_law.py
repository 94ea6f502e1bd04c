"""The fan sound law against makers' notes, its inverse, and its extrapolation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermcmp.errors import InputError
from thermcmp.physics.noise_law import (
    FAN_SOUND_LAW,
    NoiseLaw,
    density_shift_db,
    fan_noise_dba,
    fan_speed_at_level_rpm,
    noise_law_named,
)
from thermcmp.physics.reach import FARTHEST, Reach, reach_of

MEASURED, FURTHER, REFUSED = Reach.MEASURED, Reach.EXTRAPOLATED, Reach.REFUSED


@pytest.mark.parametrize(("ratio", "change"), [(2.0, 15.05), (1.1, 2.07), (0.8, -4.85)])
def test_fan_sound_law(ratio, change):
    # Fan makers' notes: "50 log10(rpm1/rpm2); speed -20 % = -5 dB"; "+10 % = +2 dB".
    law = {"level_dba": 38.0, "reference_rpm": 1500.0}
    assert fan_noise_dba(1500.0 * ratio, **law) == pytest.approx(38.0 + change, abs=0.005)
    assert fan_speed_at_level_rpm(38.0 + change, **law) == pytest.approx(1500.0 * ratio, rel=3e-4)


@given(
    slope=st.floats(15.0, 80.0),
    level=st.floats(10.0, 70.0),
    rpm=st.floats(300.0, 6000.0),
)
def test_the_inverse_undoes_the_law(slope, level, rpm):
    law = {"level_dba": level, "slope_db": slope, "reference_rpm": 1800.0}
    assert fan_speed_at_level_rpm(fan_noise_dba(rpm, **law), **law) == pytest.approx(rpm, rel=1e-9)


def test_every_draw_has_its_own_speed():
    rng = np.random.default_rng(2)
    level, slope = rng.normal(38.0, 0.5, 5000), rng.normal(55.0, 2.0, 5000)
    speed = fan_speed_at_level_rpm(40.0, level_dba=level, slope_db=slope, reference_rpm=1800.0)
    assert speed.shape == (5000,)
    # First order: sd(ln N) = ln(10) sd(L - a) / b, and the slope adds ln(N/N_ref) sd(b) / b.
    spread = np.log(10.0) / 55.0 * np.hypot(0.5, (40.0 - 38.0) / 55.0 * 2.0)
    # 5000 draws give a standard deviation to 1 % (one sigma); second order is below 1 %.
    assert np.std(np.log(speed)) == pytest.approx(spread, rel=0.05)


def test_a_law_that_does_not_rise_has_no_inverse():
    found = fan_speed_at_level_rpm(
        40.0, level_dba=38.0, slope_db=[55.0, 0.0, -5.0], reference_rpm=1800.0
    )
    assert np.isnan(found).tolist() == [False, True, True]


def hum_and_air(fan_rpm):
    # A hum as loud as the air at 1200 rpm, and the air by the fan sound law: levels add as energy.
    return 10.0 * np.log10(1.0 + (np.asarray(fan_rpm) / 1200.0) ** 5)


def test_any_law_has_the_reference_and_the_slope_of_the_fan_sound_law():
    law = NoiseLaw("hum and air", hum_and_air)
    at = {"level_dba": 38.0, "slope_db": 50.0, "reference_rpm": 1800.0, "law": law}
    here, ahead, behind = fan_noise_dba(1800.0 * np.array([1.0, 1.001, 0.999]), **at)
    assert here == pytest.approx(38.0, abs=1e-12)
    assert (ahead - behind) / np.log10(1.001 / 0.999) == pytest.approx(50.0, rel=1e-5)
    speeds = np.geomspace(400.0, 5000.0, 7)
    assert fan_speed_at_level_rpm(fan_noise_dba(speeds, **at), **at) == pytest.approx(speeds)
    # The hum stays when the fan slows down, so no speed is as quiet as this.
    assert np.isnan(fan_speed_at_level_rpm(10.0, **at))


def test_a_law_in_another_unit_is_the_same_law():
    for shape in (lambda n: 50.0 * np.log10(n) - 90.0, np.log):
        law = NoiseLaw("the same", shape)
        assert law.decades(900.0, 1800.0) == pytest.approx(np.log10(0.5), rel=1e-9)


def test_the_built_in_law_goes_by_its_name():
    assert noise_law_named("fan sound law") is FAN_SOUND_LAW
    with pytest.raises(InputError, match="did you mean 'fan sound law'"):
        noise_law_named("fan sound lw")


def test_stopped_fans_have_no_fan_law():
    with pytest.raises(InputError, match="fan_rpm"):
        fan_noise_dba(0.0, level_dba=38.0, reference_rpm=1800.0)
    with pytest.raises(InputError, match="reference_rpm"):
        fan_speed_at_level_rpm(40.0, level_dba=38.0, reference_rpm=-1.0)


def test_outside_the_measured_speeds_is_marked_and_far_outside_refused():
    speeds = [1119.9, 1120.0, 1399.9, 1400.0, 2200.0, 2200.1, 2750.0, 2750.1, np.nan]
    expected = [REFUSED, FURTHER, FURTHER, MEASURED, MEASURED, FURTHER, FURTHER, REFUSED, REFUSED]
    assert FARTHEST == 1.25
    assert reach_of(speeds, 1400.0, 2200.0).tolist() == expected
    assert reach_of(2300.0, 1400.0, 2200.0) is FURTHER
    assert reach_of(2300.0, 1400.0, 2200.0, farthest=1.0) is REFUSED
    assert reach_of([[2200.0], [6000.0]], 1400.0, 2200.0, farthest=3.0).shape == (2, 1)


@pytest.mark.parametrize(
    ("bad_range", "named"),
    [((2200.0, 1400.0, 1.25), "lowest"), ((1400.0, 2200.0, 0.9), "farthest"),
     ((0.0, 2200.0, 1.25), "lowest")],
)  # fmt: skip
def test_an_invalid_range_is_refused(bad_range, named):
    low, high, farthest = bad_range
    with pytest.raises(InputError, match=f"column '{named}'"):
        reach_of(1500.0, low, high, farthest=farthest)


def test_thin_air_makes_a_fan_quieter():
    # Sound pressure goes with density (fan makers' sound law, from memory): half of it is
    # -6.02 dB. ISO 2533:1975: 84 556 Pa at 1500 m over 101 325 Pa, at one room temperature.
    assert density_shift_db(0.5) == pytest.approx(-6.02, abs=0.005)
    ratios = [1.0, 84_556.0 / 101_325.0]
    np.testing.assert_allclose(density_shift_db(ratios), [0.0, -1.571], atol=5e-4)
    with pytest.raises(InputError, match="density_ratio"):
        density_shift_db(0.0)
