"""Scatter of instruments about a set point is not read as a slope."""

import numpy as np
import pandas as pd
import pytest
from errors_in_variables import (
    FULLER_ERROR_VARIANCE,
    FULLER_LINE,
    FULLER_NITROGEN,
    FULLER_YIELD,
)

from thermcmp.errors import InputError
from thermcmp.model import measurement_error
from thermcmp.model.measurement_error import (
    MeasurementError,
    fan_set_points,
    power_set_points,
    shared_errors,
    stated_errors,
)


def runs(speed, *, mode="fixed", power=200.0, ambient=21.0, temperature=80.0, **names):
    n = len(speed)
    return pd.DataFrame(
        {
            "lab": "L", "cooler_model": "C", "board_model": "B", "firmware": "fw",
            "fan_mode": mode, "fan_rpm": np.asarray(speed, float),
            "power_w": np.broadcast_to(power, n).astype(float),
            "ambient_c": np.broadcast_to(ambient, n).astype(float),
            "temperature_c": np.broadcast_to(temperature, n).astype(float),
        }
    ).assign(**names)  # fmt: skip


def set_speeds(rows, error=0.01):
    return fan_set_points(rows, "fan_rpm", error, np.zeros(len(rows), bool))


def set_powers(rows, held=None, error=0.01):
    held = np.zeros(len(rows), bool) if held is None else held
    return power_set_points(rows, error, held, fan_set_points(rows, "fan_rpm", error, held))


def test_scatter_within_the_tachometers_class_goes_to_the_mean():
    rng = np.random.default_rng(1)
    speed = 1500.0 * (1.0 + 0.01 * rng.standard_normal(12))
    found = set_speeds(runs(speed))
    np.testing.assert_allclose(found.values, speed.mean())
    assert set(found.code) == {0}


def test_speeds_set_apart_stay_apart():
    speed = np.array([1200.0, 1210.0, 1500.0, 1490.0, 1900.0])
    found = set_speeds(runs(speed))
    np.testing.assert_allclose(found.values, [1205.0, 1205.0, 1495.0, 1495.0, 1900.0])
    assert found.code.tolist() == [0, 0, 1, 1, 2]


def test_wander_far_beyond_the_class_is_kept_but_for_the_errors_share():
    rng = np.random.default_rng(2)
    wander = 0.05 * rng.standard_normal(200)
    read = 1500.0 * (1.0 + wander + 0.01 * rng.standard_normal(200))
    found = set_speeds(runs(read))
    # Slope of the true wander on the calibrated one is 1 (regression calibration); on the
    # raw reading it is the attenuation factor 0.05² / (0.05² + 0.01²).
    calibrated = found.values / found.values.mean() - 1.0
    raw = read / read.mean() - 1.0
    assert np.polyfit(calibrated, wander, 1)[0] == pytest.approx(1.0, abs=0.02)
    assert np.polyfit(raw, wander, 1)[0] == pytest.approx(25.0 / 26.0, abs=0.02)


def test_the_slope_on_calibrated_readings_is_fullers(monkeypatch):
    """Maize yield on soil nitrogen whose error is known, Fuller (1987), 1.2: 67.56 + 0.4232 x."""
    # Their error is 11 % and their scatter 2.3 errors: less than counts as real of a fan.
    monkeypatch.setattr(measurement_error, "REAL_SCATTER", 2.0)
    relative = np.sqrt(FULLER_ERROR_VARIANCE) / FULLER_NITROGEN.mean()
    one_point, no_loop = np.zeros(11, np.intp), np.zeros(11, bool)
    calibrated = measurement_error._calibrated(
        FULLER_NITROGEN, one_point, relative, np.zeros(11), no_loop
    )
    slope, intercept = np.polyfit(calibrated.values, FULLER_YIELD, 1)
    assert slope == pytest.approx(FULLER_LINE[1], abs=5e-5)
    assert intercept == pytest.approx(FULLER_LINE[0], abs=5e-3)
    # Least squares on the nitrogen as read: 0.3440 of the moments 104.8818 / 304.8545.
    assert np.polyfit(FULLER_NITROGEN, FULLER_YIELD, 1)[0] == pytest.approx(0.3440, abs=5e-5)


#: Log risk ratios and their variances of thirteen vaccine trials (Colditz et al., JAMA 271 (1994)
#: 698), as an open package prints them, and the variance between trials by Hedges' estimator:
#: Viechtbauer, J. Stat. Software 36(3) (2010), from memory.
TRIALS = np.array([-0.8893, -1.5854, -1.3481, -1.4416, -0.2175, -0.7861, -1.6209, 0.0120, -0.4694,
                   -1.3713, -0.3394, 0.4459, -0.0173])  # fmt: skip
TRIAL_VARIANCE = np.array([0.3256, 0.1946, 0.4154, 0.0200, 0.0512, 0.0069, 0.2230, 0.0040, 0.0564,
                           0.0730, 0.0124, 0.5325, 0.0714])  # fmt: skip
HEDGES_VARIANCE = 0.3286


def test_the_real_variance_beside_stated_errors_is_hedges(monkeypatch):
    monkeypatch.setattr(measurement_error, "REAL_SCATTER", 0.0)
    # As relative scatter about 1000, so that errors in proportion are the stated ones.
    values = 1000.0 + TRIALS
    stated = np.sqrt(TRIAL_VARIANCE) / values.mean()
    one_point, no_loop = np.zeros(13, np.intp), np.zeros(13, bool)
    found = measurement_error._calibrated(values, one_point, 0.0, stated, no_loop)
    share = found.left / stated**2
    between = share * TRIAL_VARIANCE / (1.0 - share)
    np.testing.assert_allclose(between, HEDGES_VARIANCE, atol=1e-4)


def test_what_rows_state_of_their_error_decides_what_scatters():
    rng = np.random.default_rng(6)
    speed = 1500.0 * (1.0 + 0.04 * rng.standard_normal(30))
    rows = runs(speed)
    assert np.ptp(set_speeds(rows).values) > 0.8 * np.ptp(speed)
    np.testing.assert_allclose(np.ptp(set_speeds(rows.assign(fan_error_rpm=45.0)).values), 0.0)
    # Power likewise; an error of the fan's speed is none of another law's flow.
    power = runs([1500.0] * 30, power=speed / 7.5).assign(power_error_w=6.0)
    np.testing.assert_allclose(np.ptp(set_powers(power).values), 0)
    other = fan_set_points(
        rows.assign(fan_error_rpm=45.0, flow=speed), "flow", 0.01, np.zeros(30, bool)
    )
    assert np.ptp(other.values) > 0.8 * np.ptp(speed)


def test_a_reading_of_large_error_counts_less_in_its_set_point():
    rows = runs([1500.0, 1500.0, 1545.0]).assign(fan_error_rpm=[0.0, 0.0, 45.0])
    found = set_speeds(rows)
    # Weights 1 and 1 / (1 + 2.9²) by the errors of 1 % and, of the last, 2.9 % beside it.
    weight = 1.0 / (1.0 + (4500.0 / 1545.0) ** 2)
    np.testing.assert_allclose(found.values, 1500.0 + 45.0 * weight / (2.0 + weight))


def test_shared_errors_are_one_unknown_per_bench():
    rows = runs([1500.0] * 3).assign(bench=["a", "a", "b"])
    by_fan, by_power = np.array([-10.0, -12.0, -14.0]), np.array([60.0, 50.0, 40.0])
    errors = MeasurementError(ambient_offset_k=0.5, power_gain=0.02)
    shared = shared_errors(stated_errors(rows, errors), by_fan, by_power)
    assert shared.names == (
        "offset of ambient, L · a", "offset of ambient, L · b",
        "gain of power, L · a", "gain of power, L · b",
    )  # fmt: skip
    np.testing.assert_allclose(
        shared.effect_k, [[0.5, 0, 1.2, 0], [0.5, 0, 1.0, 0], [0, 0.5, 0, 0.8]]
    )
    np.testing.assert_allclose(shared.power_gain, [[0, 0, 0.02, 0]] * 2 + [[0, 0, 0, 0.02]])
    assert not shared.fan_gain.any()
    gain = MeasurementError(fan_speed_gain=0.01)
    fan = shared_errors(stated_errors(rows, gain), by_fan, by_power)
    np.testing.assert_allclose(fan.effect_k.sum(axis=1), 0.01 * by_fan)
    np.testing.assert_allclose(fan.fan_gain, [[0.01, 0]] * 2 + [[0, 0.01]])
    none = stated_errors(rows, MeasurementError())
    assert shared_errors(none, by_fan, by_power).effect_k.shape == (3, 0)


def test_a_stock_fan_counts_at_its_mean_however_far_it_wanders():
    speed = np.array([1400.0, 1500.0, 1600.0, 1700.0])
    found = set_speeds(runs(speed, mode="stock"))
    np.testing.assert_allclose(found.values, 1550.0)


def test_a_stock_fan_that_wanders_by_itself_and_cools_keeps_its_wander():
    rng = np.random.default_rng(4)
    speed = 1500.0 * (1.0 + 0.05 * rng.standard_normal(16))
    cooled = 80.0 - 0.02 * (speed - 1500.0)
    found = set_speeds(runs(speed, mode="stock", temperature=cooled))
    share = np.polyfit(speed, found.values, 1)[0]
    assert 0.9 < share < 1.0


def test_an_unnamed_fan_that_runs_faster_when_hot_counts_as_one_that_answers():
    rng = np.random.default_rng(3)
    hot = rng.normal(80.0, 3.0, 20)
    speed = 1500.0 + 30.0 * (hot - 80.0)
    answered = set_speeds(runs(speed, mode=pd.NA, temperature=hot))
    np.testing.assert_allclose(answered.values, speed.mean())
    cause = set_speeds(runs(speed, mode=pd.NA, temperature=160.0 - hot))
    assert np.ptp(cause.values) > 0.9 * np.ptp(speed)


def test_stock_runs_in_other_air_or_at_other_power_are_other_set_points():
    speed = np.array([1400.0, 1420.0, 1700.0, 1720.0])
    warm = set_speeds(runs(speed, mode="stock", ambient=[21.0, 21.3, 35.0, 35.2]))
    np.testing.assert_allclose(warm.values, [1410.0, 1410.0, 1710.0, 1710.0])
    strong = set_speeds(runs(speed, mode="stock", power=[180.0, 181.0, 220.0, 221.0]))
    np.testing.assert_allclose(strong.values, [1410.0, 1410.0, 1710.0, 1710.0])


def test_rows_held_by_a_loop_stay_as_read():
    speed = np.array([1400.0, 1410.0, 1420.0])
    held = fan_set_points(runs(speed), "fan_rpm", 0.01, np.array([False, True, False]))
    assert held.values[1] == 1410.0
    assert held.values[0] == pytest.approx(1410.0)


def test_what_a_loop_moved_does_not_move_the_set_point_of_others():
    speed = np.array([1500.0, 1500.0, 1540.0, 1580.0, 1620.0])
    held = speed > 1500.0
    fan = fan_set_points(runs(speed), "fan_rpm", 0.01, held)
    np.testing.assert_array_equal(fan.values, speed)
    assert fan.code[0] == fan.code[1]
    assert len(set(fan.code)) == 4
    power = set_powers(runs([1500.0] * 5, power=speed / 7.5), held)
    np.testing.assert_allclose(power.values, speed / 7.5, rtol=1e-15)


def test_stock_runs_that_drew_a_little_more_throughout_keep_their_power():
    """A stock limit of 205 W beside runs at 200 W is 1.5 K of a rise of 60 K."""
    rng = np.random.default_rng(4)
    mode = np.repeat(["fixed", "stock"], [12, 4])
    speed = np.where(mode == "fixed", np.tile([1350.0, 1750.0, 2250.0, 1350.0], 4), 1650.0)
    power = np.where(mode == "fixed", 200.0, 205.0) * (1.0 + 0.004 * rng.standard_normal(16))
    found = set_powers(runs(speed, mode=mode, power=power))
    assert np.unique(found.code).size == 2
    for kind in ("fixed", "stock"):
        mine = mode == kind
        np.testing.assert_allclose(found.values[mine], power[mine].mean(), rtol=1e-3)


def test_power_that_scatters_alike_at_every_speed_is_one_set_point():
    rng = np.random.default_rng(5)
    for speeds in (np.repeat([1200.0, 1500.0, 1900.0, 2400.0], 3), np.linspace(1000, 2600, 8)):
        power = 200.0 * (1.0 + 0.01 * rng.standard_normal(len(speeds)))
        found = set_powers(runs(speeds, power=power))
        assert np.unique(found.code).size == 1


def test_power_scatter_goes_to_the_mean_and_levels_stay_apart():
    rows = runs([1500.0] * 4, power=[198.0, 202.0, 248.0, 252.0])
    found = set_powers(rows)
    np.testing.assert_allclose(found.values, [200.0, 200.0, 250.0, 250.0])


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("fan_speed", -0.1),
        ("power_gain", 0.6),
        ("ambient_offset_k", 20.0),
        ("power", float("nan")),
        ("ambient_k", 30.0),
    ],
)
def test_impossible_errors_are_refused_by_name(name, value):
    with pytest.raises(InputError, match=rf"'{name}'.*out of range. Fix: give a value from 0"):
        MeasurementError(**{name: value})
