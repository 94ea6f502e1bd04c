"""Settled or not: the test of drift and the mean's standard error."""

from __future__ import annotations

import numpy as np
import pytest

from thermcmp.telemetry.steady_state.run_data import time_weights
from thermcmp.telemetry.steady_state.soak import soak_end, soak_tail
from thermcmp.telemetry.steady_state.window_mean import Settled, window_mean

T = np.arange(300.0)


def judge(y, *, step=0.1, t=T, limit=0.1, reading=None):
    return window_mean(
        t, y, step_k=step, drift_limit_k_per_min=limit, swing_limit_k=5.0, reading_c=reading
    )


def test_white_noise_settles_with_the_textbook_error():
    y = 50.0 + 0.2 * np.random.default_rng(0).standard_normal(300)
    mean = judge(y)
    assert mean.settled is Settled.SETTLED
    assert mean.mean_k == pytest.approx(50.0, abs=0.05)
    assert mean.standard_error_k == pytest.approx(0.2 / np.sqrt(300), rel=0.35)


def test_one_value_for_five_minutes_has_the_steps_error():
    # JCGM 100, F.2.2.1: a reading known to a step has u = step / sqrt(12).
    mean = judge(np.full(300, 50.0), step=1.0)
    assert mean.standard_error_k == pytest.approx(1.0 / np.sqrt(12.0), rel=1e-6)
    # A whole step could have passed unseen in the window: 1 K in 5 min is 0.2 K/min.
    assert mean.drift_high_k_per_min == pytest.approx(0.2, rel=0.01)
    assert mean.settled is Settled.UNDECIDED


def test_ambient_noise_does_not_pass_for_noise_of_the_sensor():
    reading = np.full(300, 71.0)
    rise = reading - (21.0 + 0.6 * np.random.default_rng(1).standard_normal(300))
    assert judge(rise, step=1.0, reading=reading).standard_error_k > 0.28
    assert judge(rise, step=1.0).standard_error_k < 0.1


def test_alternating_converter_steps_settle():
    y = 50.0 + 0.5 * (np.random.default_rng(2).random(300) > 0.5)
    mean = judge(y, step=0.5)
    assert mean.settled is Settled.SETTLED
    assert mean.mean_k == pytest.approx(50.25, abs=0.05)


def test_a_ramp_behind_coarse_steps_is_not_settled():
    mean = judge(np.round(50.0 + 0.2 * T / 60.0), step=1.0)
    assert mean.settled is not Settled.SETTLED
    assert mean.drift_high_k_per_min > 0.3


def test_a_drift_that_shows_is_called_drifting():
    y = 50.0 + 0.3 * T / 60.0 + 0.1 * np.random.default_rng(3).standard_normal(300)
    mean = judge(y)
    assert mean.settled is Settled.DRIFTING
    assert mean.drift_k_per_min == pytest.approx(0.3, abs=0.03)


def test_hunting_is_averaged_over_whole_cycles():
    rng = np.random.default_rng(4)
    for phase in (0.0, 1.5, 3.0):
        y = 50.0 + 1.5 * np.sin(2 * np.pi * T / 42.0 + phase) + 0.1 * rng.standard_normal(300)
        mean = judge(y)
        assert mean.settled is Settled.SETTLED
        assert mean.mean_k == pytest.approx(50.0, abs=0.06)
        assert mean.cycle_s == pytest.approx(42.0, abs=2.0)


def test_fan_switching_on_and_off_is_no_steady_state():
    t = np.arange(1200.0)
    saw = 60.0 * np.abs(((t / 150.0) % 1.0) - 0.5)
    assert judge(20.0 + 2.0 * saw, t=t, step=1.0).settled is Settled.CYCLING


def test_few_readings_have_no_mean():
    mean = judge(np.ones(10), t=T[:10])
    assert mean.settled is Settled.TOO_FEW
    assert np.isnan(mean.mean_k)


def test_weights_do_not_stand_for_a_gap():
    weights = time_weights([0.0, 1.0, 2.0, 60.0, 61.0])
    assert weights == pytest.approx([1.0, 1.0, 1.25, 1.25, 1.0])


def test_stated_errors_cover_the_truth():
    # Autocorrelated noise on 0.5 K steps: the mean's error over its standard error.
    from scipy.signal import lfilter

    rng = np.random.default_rng(9)
    ratios = []
    for _ in range(300):
        noise = lfilter([0.3], [1.0, -0.85], rng.standard_normal(600))[300:]
        truth = 50.0 + rng.random()
        mean = judge(np.round((truth + noise) * 2.0) / 2.0, step=0.5)
        ratios.append((mean.mean_k - truth) / mean.standard_error_k)
    inside = np.mean(np.abs(ratios) < 1.96)
    # 300 draws bind a coverage of 0.95 to 0.013; a size estimated from 300 correlated
    # readings costs some more.
    assert inside > 0.9


@pytest.mark.parametrize(("step", "seed"), [(0.1, 0), (0.1, 1), (1.0, 2), (1.0, 3)])
def test_a_run_that_stopped_early_is_extrapolated_within_its_error(step, seed):
    t = np.arange(600.0)
    rng = np.random.default_rng(seed)
    y = 55.0 - 40.0 * np.exp(-t / 150.0) - 8.0 * np.exp(-t / 12.0)
    y = np.round((y + 0.15 * rng.standard_normal(600)) / step) * step
    end = soak_end(soak_tail(t, y, 300, creep=False), error_limit_k=1.0)
    assert end.refusal == ""
    assert abs(end.remaining_k - 40.0 * np.exp(-4.0)) < 3.0 * end.standard_error_k
    assert abs(end.final_k - 55.0) < 3.0 * end.standard_error_k


def test_two_slow_time_constants_are_refused_or_reported_as_uncertain():
    t = np.arange(600.0)
    y = 55.0 - 30.0 * np.exp(-t / 90.0) - 12.0 * np.exp(-t / 900.0)
    end = soak_end(soak_tail(t, y, 300), error_limit_k=1.0)
    assert end.refusal


def test_a_soak_that_has_just_begun_is_refused():
    t = np.arange(300.0)
    tail = soak_tail(t, 55.0 - 40.0 * np.exp(-t / 400.0), 300)
    end = soak_end(tail, error_limit_k=1.0)
    assert "time constants" in end.refusal
    assert np.isnan(end.final_k)
