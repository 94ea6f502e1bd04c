"""The noise law's posterior on runs with a known law."""

import numpy as np
import pytest

from thermcmp.inference.diagnostics import Health
from thermcmp.inference.noise_fit import fit_noise
from thermcmp.results.validation import check_results


@pytest.fixture(scope="module")
def noise(make_rows):
    """Two coolers: 38 dB at 1800 rpm and 54 dB a decade; 41 dB and 60 dB a decade."""
    rng = np.random.default_rng(6)
    loud = np.repeat([False, True], 12)
    speed = np.tile([1200.0, 1500.0, 1800.0, 2200.0, 2700.0, 3200.0], 4)
    level = np.where(loud, 41.0, 38.0) + np.where(loud, 60.0, 54.0) * np.log10(speed / 1800.0)
    rows = make_rows(
        cooler_model=np.where(loud, "B", "A"),
        cooler_id=np.where(loud, "B-1", "A-1"),
        assembly=np.where(loud, "m2", "m1"),
        fan_rpm=speed,
        noise_dba=level + rng.normal(0.0, 0.2, 24),
        mic_distance_m=0.5,
    )
    return fit_noise(check_results(rows), reference_rpm=1800.0, draws=2000, seed=1)


@pytest.mark.parametrize(("model", "level", "slope"), [("A", 38.0, 54.0), ("B", 41.0, 60.0)])
def test_the_law_put_in_comes_back(noise, model, level, slope):
    assert noise.diagnostics.health is Health.OK
    for draws, truth, widest in zip(noise.law(model), (level, slope), (0.6, 1.5), strict=True):
        low, high = np.quantile(draws, [0.005, 0.995])
        assert low < truth < high
        assert draws.std() < widest


def test_speed_at_a_level_is_the_inverse_of_the_level(noise):
    speed = noise.speed_rpm("A", 42.0)
    assert noise.level_dba("A", speed) == pytest.approx(np.full(len(speed), 42.0), abs=1e-9)
    assert noise.speed_rpm("A", 38.0).mean() == pytest.approx(1800.0, rel=0.02)
    assert np.mean(noise.speed_rpm("B", 42.0) < noise.speed_rpm("A", 42.0)) > 0.99


def test_a_model_that_was_not_measured_has_no_law(noise):
    assert noise.law("C") is None
    assert noise.level_dba("C", 1800.0) is None
    assert noise.speed_rpm("C", 40.0) is None


def test_without_levels_there_is_no_fit(make_rows):
    rows = check_results(make_rows(noise_dba=[np.nan, np.nan]))
    assert fit_noise(rows, reference_rpm=1800.0) is None


def test_a_newly_bought_cooler_strays_from_its_line_by_the_specimens_spread(noise):
    level, slope = noise.law("A")
    fresh_level, fresh_slope = noise.law("A", fresh_seed=3)
    np.testing.assert_array_equal(slope, fresh_slope)
    # One specimen tested: its own deviation is taken off, a new one put on, both of the
    # spread's size; the mean stays within what 2000 draws tell.
    apart = fresh_level - level
    assert fresh_level.std() > level.std()
    assert abs(apart.mean()) < 0.5
    again = noise.law("A", fresh_seed=3)[0]
    np.testing.assert_array_equal(again, fresh_level)
    strays = [noise.law("A", fresh_seed=seed)[0] for seed in range(40)]
    found = np.var(np.stack(strays), axis=0).mean()
    # 40 seeds of 2000 draws; heavy-tailed in the spread.
    assert found == pytest.approx(np.mean(noise.specimen_sd**2), rel=0.05)
