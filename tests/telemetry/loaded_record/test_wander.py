"""Cycles that are longer than a window, against their closed form."""

from __future__ import annotations

import numpy as np
import pytest

from thermcmp.errors import InputError
from thermcmp.telemetry.loaded_record.wander import cycle_mean, end_departure_k, wander_over
from thermcmp.telemetry.steady_state.protocol import Protocol, Verdict
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry


def test_the_wander_of_a_sine_is_its_closed_form():
    t = np.arange(12_000.0)
    level = 2.0 * np.cos(2.0 * np.pi * (t - t[-1] + 150.0) / 800.0)
    wander = wander_over(t, level, 300.0, 300.0, 0.0)
    # The last window is centred on a peak; a window keeps sin(x)/x of a sine, x = pi 300/800.
    kept = 2.0 * np.sinc(300.0 / 800.0)
    assert wander.rms_k == pytest.approx(kept * np.sqrt(1.5), rel=0.03)
    assert wander.period_s == pytest.approx(800.0, rel=0.05)


def test_noise_does_not_wander():
    rng = np.random.default_rng(0)
    t = np.arange(2_000.0)
    noise = np.sqrt(1.0 / 300.0)
    seen = [
        wander_over(t, rng.standard_normal(2_000), 300.0, 300.0, noise).rms_k for _ in range(50)
    ]
    assert np.median(seen) < 0.7 * noise
    assert np.max(seen) < 4.0 * noise


def test_the_mean_over_whole_cycles():
    t = np.arange(5_000.0)
    rise = 50.0 + 3.0 * np.sin(2.0 * np.pi * t / 900.0 + 1.0)
    mean = cycle_mean(t, rise, 880.0)
    assert mean.cycles == 5
    assert abs(mean.mean_k - 50.0) < 2.0 * mean.standard_error_k < 0.2
    assert cycle_mean(t[:1000], rise[:1000], 900.0) is None


@pytest.mark.parametrize("period", [350.0, 700.0, 1200.0])
def test_a_slow_limit_cycle_is_seen_at_every_cut(clean_run, period):
    frame = clean_run(seconds=5000)
    frame["memory_c"] += np.round(2.0 * np.sin(2.0 * np.pi * frame["time_s"] / period), 1)
    ratios = []
    for end in range(3000, 5000, 80):
        reduction = reduce_telemetry(frame.iloc[:end])
        assert reduction.verdict is not Verdict.PASS
        row = reduction.rows.iloc[0] if len(reduction.rows) else None
        if row is not None:
            rise = row["temperature_c"] - row["ambient_c"]
            ratios.append((rise - 55.0) / row["standard_error_k"])
    assert np.all(np.abs(ratios) < 2.0)
    # A window of 300 s nearly averages a cycle of 350 s; others are refused.
    assert len(ratios) <= (25 if period == 350.0 else 2)


def test_the_mean_of_a_cycle_where_it_is_asked_for(clean_run):
    frame = clean_run(seconds=5000)
    frame["memory_c"] += np.round(2.0 * np.sin(2.0 * np.pi * frame["time_s"] / 800.0), 1)
    assert 'Protocol(cycles="mean") takes that' in reduce_telemetry(frame).reason
    reduction = reduce_telemetry(frame, Protocol(cycles="mean"))
    row = reduction.rows.iloc[0]
    assert row["protocol_verdict"] == "corrected"
    assert "the mean is that of" in row["protocol_reason"]
    assert "whole cycles" in row["protocol_reason"]
    rise = row["temperature_c"] - row["ambient_c"]
    assert abs(rise - 55.0) < 2.0 * row["standard_error_k"]
    assert row["standard_error_k"] < 0.5
    with pytest.raises(InputError, match="use 'refuse' or 'mean'"):
        Protocol(cycles="average")


@pytest.mark.parametrize("phase", [0.0, 1.0, 2.0, 4.0])
def test_a_cycle_that_is_longer_than_its_record_is_no_steady_state(clean_run, phase):
    frame = clean_run(seconds=1100)
    frame["memory_c"] += np.round(2.0 * np.sin(2.0 * np.pi * frame["time_s"] / 700.0 + phase), 1)
    reduction = reduce_telemetry(frame)
    rows = reduction.rows
    rise = rows["temperature_c"] - rows["ambient_c"] - 55.0
    assert (abs(rise) < 2.0 * rows["standard_error_k"]).all()
    assert reduction.verdict is not Verdict.PASS


def test_noise_is_seldom_a_hidden_cycle():
    rng = np.random.default_rng(1)
    t = np.arange(800.0)
    seen = [wander_over(t, rng.standard_normal(800), 300.0, 300.0, 0.1) for _ in range(200)]
    assert np.mean([wander.too_long for wander in seen]) < 0.02
    half = np.sin(2.0 * np.pi * t / 900.0)
    assert wander_over(t, half + 0.1 * rng.standard_normal(800), 300.0, 300.0, 0.1).too_long


@pytest.mark.parametrize("step_k", [0.1, 1.0])
def test_what_fails_in_the_last_minute_refuses_the_run(clean_run, step_k):
    frame = clean_run(seconds=1800)
    late = np.clip(frame["time_s"] - 1760.0, 0.0, None)
    frame["memory_c"] += 10.0 * -np.expm1(-late / 90.0)
    frame["memory_c"] = np.round(np.round(frame["memory_c"] / step_k) * step_k, 1)
    reduction = reduce_telemetry(frame)
    assert reduction.rows.empty
    assert "in the last seconds the rise leaves its level by +" in reduction.reason
    assert len(reduce_telemetry(frame[frame["time_s"] < 1760.0]).rows) == 1


def test_a_few_readings_after_the_load_and_a_step_do_not(clean_run):
    frame = clean_run(seconds=1800)
    cooled = frame.assign(memory_c=frame["memory_c"].where(frame["time_s"] < 1797.0, 55.0))
    assert len(reduce_telemetry(cooled).rows) == 1
    flat = np.where(frame["time_s"] < 1790.0, 76.0, 77.0)
    assert end_departure_k(frame["time_s"].to_numpy(), flat, 1.0) == 0.0
