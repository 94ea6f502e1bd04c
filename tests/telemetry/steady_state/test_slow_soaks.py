"""Bias and coverage of reduced rises over many simulated soaks with one and two constants.

The study by hand: ``python -m pytest -m study tests/telemetry/steady_state/test_slow_soaks.py``;
THERMCMP_STUDY_SIZE sets the number of runs of each kind.
"""

from __future__ import annotations

import itertools
import os
import re

import numpy as np
import pandas as pd
import pytest
from scipy.signal import lfilter
from scipy.stats import binom, norm

from thermcmp.telemetry.steady_state.relaxation import fit_relaxation
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry

SIZE = int(os.environ.get("THERMCMP_STUDY_SIZE", "200"))
#: Standard deviation [K] and autocorrelation at one second of the sensor's noise.
NOISES = ((0.1, 0.0), (0.15, 0.9), (0.4, 0.9))


def one_constant(rng):
    """Fast parts of seconds, and one constant of 40 to 150 s."""
    fast = rng.uniform(0.0, 0.5)
    return [(1.0 - fast, rng.uniform(40.0, 150.0)), (fast, rng.uniform(5.0, 25.0))]


def one_slow_constant(rng):
    """Fast parts of seconds, and one constant of 150 to 400 s."""
    fast = rng.uniform(0.0, 0.5)
    return [(1.0 - fast, rng.uniform(150.0, 400.0)), (fast, rng.uniform(5.0, 25.0))]


def two_constants(rng):
    """80 s, and 3 to 20 % of the rise with 300 to 400 s."""
    slow = rng.uniform(0.03, 0.2)
    return [(1.0 - slow, 80.0), (slow, rng.uniform(300.0, 400.0))]


def two_far_constants(rng):
    """40 to 100 s, and 2 to 10 % of the rise with 400 to 700 s."""
    slow = rng.uniform(0.02, 0.1)
    return [(1.0 - slow, rng.uniform(40.0, 100.0)), (slow, rng.uniform(400.0, 700.0))]


def soak(rng, parts, rise_k, seconds, step_k, noise_k, phi, idle_s=60):
    """A run whose rise approaches its end by parts of (share, time constant)."""
    t = np.arange(float(seconds))
    load = np.maximum(t - idle_s, 0.0)
    left = sum(share * np.exp(-load / constant) for share, constant in parts)
    shocks = noise_k * np.sqrt(1.0 - phi**2) * rng.standard_normal(seconds + 100)
    memory = 21.0 + rise_k * (1.0 - left) + lfilter([1.0], [1.0, -phi], shocks)[100:]
    return pd.DataFrame(
        {
            "time_s": t,
            "memory_c": np.round(memory / step_k) * step_k if step_k else memory,
            "ambient_c": 21.0 + 0.02 * rng.standard_normal(seconds),
            "power_w": np.where(t >= idle_s, 250.0, 20.0) + 0.5 * rng.standard_normal(seconds),
            "fan_rpm": 1800.0 + 4.0 * rng.standard_normal(seconds),
        }
    )


def study(kind, seconds, step_k, size, seed):
    """Errors, standard errors [K] and verdicts of the runs that were not refused."""
    rng = np.random.default_rng(seed)
    errors, stated, verdicts = [], [], []
    for i in range(size):
        rise_k = rng.uniform(40.0, 65.0)
        frame = soak(rng, kind(rng), rise_k, seconds, step_k, *NOISES[i % len(NOISES)])
        rows = reduce_telemetry(frame).rows
        if len(rows):
            row = rows.iloc[0]
            errors.append(row["temperature_c"] - row["ambient_c"] - rise_k)
            stated.append(row["standard_error_k"])
            verdicts.append(row["protocol_verdict"])
    return np.array(errors), np.array(stated), verdicts


def coverage_floor(size):
    """Share of intervals of 95 % that 0.1 % of studies fall below, if 90 % hold the truth.

    The prior of slow parts is no truth about any one kind of cooler, and errors are
    taken as normal: some kinds are held a little less often than stated, others more.
    """
    return binom.ppf(0.001, size, 0.9) / size


def test_slow_parts_are_covered_and_leave_little_bias():
    ratios = []
    for seed, (kind, seconds, step) in enumerate(
        [
            (two_constants, 1000, 0.0),
            (two_constants, 1000, 1.0),
            (two_constants, 1500, 0.5),
            (two_far_constants, 1000, 0.5),
            (two_far_constants, 1500, 0.0),
        ]
    ):
        errors, stated, _ = study(kind, seconds, step, 24, seed)
        # One exponential alone is low by 0.4 K (1,000 s) and 0.1 to 0.3 K (1,500 s) here.
        assert abs(errors.mean()) < 3.0 * np.sqrt(np.mean(stated**2) / len(errors)) + 0.1
        ratios.extend(errors / stated)
    assert len(ratios) > 100
    assert np.mean(np.abs(ratios) < 1.96) >= coverage_floor(len(ratios))
    assert np.sqrt(np.mean(np.square(ratios))) < 1.3


def test_runs_with_one_constant_stay_sharp():
    errors, stated, verdicts = study(one_constant, 1500, 0.0, 30, 10)
    assert verdicts.count("pass") >= 26
    # The mean of 600 readings with these noises is known to 0.005, 0.027 and 0.07 K.
    # A creep that they hardly exclude adds some hundredths.
    assert np.median(stated) < 0.10
    assert np.mean(np.abs(errors / stated) < 1.96) >= coverage_floor(len(errors))
    _, coarse, _ = study(one_constant, 1000, 1.0, 15, 11)
    # Half a step, rectangular, is 0.29 K; so it is where digits may be cut off.
    assert np.median(coarse) < 0.55


def ramp(seconds, k_per_min, step_k):
    """A soak of 80 s with a straight line on it that no logged quantity explains."""
    frame = soak(np.random.default_rng(0), [(1.0, 80.0)], 50.0, seconds, 0.0, 0.1, 0.0)
    climb = np.maximum(frame["time_s"] - 300.0, 0.0) * k_per_min / 60.0
    frame["memory_c"] = np.round((frame["memory_c"] + climb) / step_k) * step_k
    return reduce_telemetry(frame)


@pytest.mark.parametrize("step", [0.1, 1.0])
def test_a_straight_line_is_no_soak_to_extrapolate(step):
    reduction = ramp(1500, 0.2, step)
    assert reduction.rows.empty
    assert re.search("goes on in a straight line|still drifting", reduction.reason)


def test_a_straight_line_below_the_limit_is_reported_and_carried():
    row = ramp(1500, 0.025, 0.1).rows.iloc[0]
    assert row["protocol_verdict"] == "corrected"
    assert "straight line: nothing is added" in row["protocol_reason"]
    # 0.025 K/min over the 2,000 s of the slowest part that is looked for.
    assert row["standard_error_k"] == pytest.approx(0.83, rel=0.15)


def test_a_straight_line_that_may_add_more_than_the_limit_is_refused():
    reduction = ramp(1500, 0.06, 0.1)
    assert reduction.rows.empty
    assert "straight line" in reduction.reason or "run longer" in reduction.reason


@pytest.mark.study
@pytest.mark.parametrize("step", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("seconds", [650, 800, 1000, 1500, 2400])
@pytest.mark.parametrize(
    "kind", [one_constant, one_slow_constant, two_constants, two_far_constants]
)
def test_coverage_of_soaks(kind, seconds, step):
    errors, stated, verdicts = study(kind, seconds, step, SIZE, [seconds, int(10 * step)])
    if len(errors) < 5:
        pytest.skip("nearly all such runs are refused")
    ratios = errors / stated
    inside = np.mean(np.abs(ratios) < 1.96)
    print(
        f"{kind.__name__} {seconds} s, step {step} K: kept {len(errors)} of {SIZE}, "
        f"passed {verdicts.count('pass')}, bias {errors.mean():+.3f} K, "
        f"rms z {np.sqrt(np.mean(ratios**2)):.2f}, coverage {inside:.3f}, "
        f"median error {np.median(stated):.3f} K"
    )
    # Runs that stopped early hardly see constants of 400 to 700 s: some errors are too
    # small there, which docs/logs.md says.
    floor = 0.9 if kind is not two_far_constants else 0.85 if seconds >= 1000 else 0.75
    assert inside >= binom.ppf(0.001, len(errors), floor) / len(errors)
    if seconds >= 1000:
        # Bias of the kinds in docs/logs.md, and three standard errors of this study's mean.
        assert abs(errors.mean()) < 0.2 + 3.0 * errors.std() / np.sqrt(len(errors))


@pytest.mark.parametrize("slow_k", [2.0, 0.3])
def test_the_end_of_a_soak_against_quadrature(slow_k):
    """The posterior on a grid of both time constants, exact in all that is linear."""
    rng = np.random.default_rng(3)
    t = np.arange(200.0, 940.0, 8.0)
    y = 50.0 - 6.0 * np.exp(-(t - 200.0) / 110.0) - slow_k * np.exp(-(t - 200.0) / 350.0)
    y += 0.06 * rng.standard_normal(len(t))
    found = fit_relaxation(t, y, t[-30:], 110.0, 48.0)
    x, reach = t - t[0], 48.0
    fast = np.log(110.0) + np.linspace(-1.5, 1.5, 121)

    def moments(slow):
        """Log evidence, mean and variance of the final rise for each pair of constants."""
        out = []
        for u in fast:
            columns, precisions = [np.ones_like(x), -np.exp(-x / np.exp(u))], [0.0, 0.2 * reach]
            for centre, offset in slow:
                columns.append(-np.exp(-x / (centre * np.exp(offset))))
                precisions.append(0.1 * reach * np.exp(-t[0] / centre))
            precisions[1:] = [spread**-2.0 for spread in precisions[1:]]
            design = np.array(columns).T
            inverse = design.T @ design / 0.06**2 + np.diag(precisions)
            pull = design.T @ (y - 50.0) / 0.06**2
            mean = np.linalg.solve(inverse, pull)
            log = 0.5 * (pull @ mean + np.sum(np.log(precisions[1:])))
            log -= 0.5 * (np.linalg.slogdet(inverse)[1] + (u - np.log(110.0)) ** 2)
            cov = np.linalg.inv(inverse)
            guessed = 0.0
            if len(slow) == 2:
                # Two slow parts go one way; the prior has that in half of all.
                scores = mean[2:] / np.sqrt(np.diag(cov)[2:])
                ways = norm.logcdf(scores).sum(), norm.logcdf(-scores).sum()
                log += np.log(2.0) + np.logaddexp(*ways)
            if slow and slow[-1][0] == 2000.0:
                # Of what a creep still lacks in the window 0.7 are error.
                left = np.exp(-(t[-30:] - t[0]) / (2000.0 * np.exp(slow[-1][1]))).mean()
                guessed = 0.7 * mean[-1] * left
            out.append((log, 50.0 + mean[0], cov[0, 0] + guessed**2))
        return np.array(out).T

    parts = []
    models = ((), 0.5), ((350.0,), 0.2), ((700.0,), 0.2), ((2000.0,), 0.05), ((350.0, 2000.0), 0.05)
    for centres, share in models:
        offsets = np.linspace(-1.2, 1.2, 25 if len(centres) < 2 else 9)
        grid = list(itertools.product(offsets, repeat=len(centres)))
        weight = np.array([np.exp(-0.5 * np.sum((np.array(o) / 0.35) ** 2)) for o in grid])
        for places, w in zip(grid, share * weight / weight.sum(), strict=True):
            log, mean, variance = moments(list(zip(centres, places, strict=True)))
            parts.append((log + np.log(w), mean, variance))
    log, mean, variance = (np.concatenate(column) for column in zip(*parts, strict=True))
    w = np.exp(log - log.max())
    w /= w.sum()
    final = w @ mean
    sd = np.sqrt(w @ (variance + (mean - final) ** 2))
    # Laplace's approximation to a skew posterior: a third of its spread, and 30 % of that.
    assert abs(found.final_k - final) < sd / 3.0
    assert found.final_error_k == pytest.approx(sd, rel=0.3)
    assert found.slow_odds == pytest.approx(1.0 - w[: len(fast)].sum(), abs=0.1)
