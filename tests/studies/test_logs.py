"""Simulated logs of many kinds: right rows are kept, and no reading is taken at its word.

The study by hand: ``python -m pytest -m study tests/studies/test_logs.py -s``;
THERMCMP_STUDY_SIZE sets the number of logs of each kind.
"""

from __future__ import annotations

import os
from collections import Counter

import log_worlds
import numpy as np
import pytest
from scipy.stats import binom

from thermcmp.telemetry.steady_state.protocol import Protocol
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry

SIZE = int(os.environ.get("THERMCMP_STUDY_SIZE", "200"))
#: Largest share of accepted rows beyond two standard errors, and of good rows refused.
BEYOND, REFUSED = 0.05, 0.10
#: Kinds of bad columns, some of which no reading can show: a freeze or a ceiling within a
#: kelvin or two of the end of the rise looks like a quiet sensor with coarse steps.
HIDDEN = {"frozen": 0.03, "clipped": 0.02}


def reduced(kind, size, sensors=("memory", "junction"), protocol=None, seed=0):
    """Errors over standard errors of accepted rows, and refusals by sensor."""
    ratios, refusals = [], Counter()
    for i in range(size):
        world = kind(np.random.default_rng([i, seed, sum(map(ord, kind.__name__))]))
        rows = reduce_telemetry(world.frame, protocol).rows
        for sensor in sensors:
            row = rows[rows["sensor"] == sensor] if len(rows) else rows
            if not len(row):
                refusals[sensor] += 1
                continue
            rise = float(row["temperature_c"].iloc[0] - row["ambient_c"].iloc[0])
            true = world.truth.get(sensor, rise)
            ratios.append((rise - true) / float(row["standard_error_k"].iloc[0]))
    return np.array(ratios), refusals


def most(size, share):
    """Largest count that 99.9 % of studies with a share have."""
    return binom.ppf(0.999, size, share)


@pytest.mark.study
@pytest.mark.parametrize("kind", log_worlds.GOOD)
def test_good_logs_are_kept_with_honest_errors(kind):
    ratios, refusals = reduced(kind, SIZE)
    count, beyond = 2 * SIZE, int(np.sum(np.abs(ratios) > 2.0))
    print(f"{kind.__name__}: accepted {len(ratios)} of {count}, beyond two errors {beyond}")
    assert sum(refusals.values()) <= most(count, REFUSED)
    assert beyond <= most(max(len(ratios), 1), BEYOND)


@pytest.mark.study
@pytest.mark.parametrize("kind", log_worlds.BAD)
def test_bad_columns_are_refused(kind):
    ratios, _ = reduced(kind, SIZE, ("memory",))
    silent = len(ratios) if kind is log_worlds.throttled else int(np.sum(np.abs(ratios) > 2.0))
    print(f"{kind.__name__}: refused {SIZE - len(ratios)} of {SIZE}, silently wrong {silent}")
    assert silent <= most(SIZE, HIDDEN.get(kind.__name__, 0.0))


@pytest.mark.study
@pytest.mark.parametrize("kind", log_worlds.MOVING)
@pytest.mark.parametrize("cycles", ["refuse", "mean"])
def test_rises_that_move_are_refused_or_have_it_in_their_error(kind, cycles):
    ratios, _ = reduced(kind, SIZE, protocol=Protocol(cycles=cycles))
    beyond = int(np.sum(np.abs(ratios) > 2.0))
    print(f"{kind.__name__}, {cycles}: accepted {len(ratios)} of {2 * SIZE}, beyond {beyond}")
    assert beyond <= most(max(len(ratios), 1), BEYOND)


@pytest.mark.parametrize(
    "kind",
    [log_worlds.good, log_worlds.good_whole_seconds, log_worlds.good_power_cut,
     log_worlds.good_fan_switched, log_worlds.dropouts],
)  # fmt: skip
def test_a_few_good_logs(kind):
    ratios, refusals = reduced(kind, 5, seed=1)
    assert sum(refusals.values()) <= 1
    assert np.sum(np.abs(ratios) > 2.0) <= most(10, BEYOND)


@pytest.mark.parametrize(
    "kind",
    [log_worlds.frozen_idle, log_worlds.clipped_noise, log_worlds.all_zero,
     log_worlds.warm_ambient, log_worlds.swapped, log_worlds.typed_sensor,
     log_worlds.throttled],
)  # fmt: skip
def test_a_few_bad_columns(kind):
    ratios, refusals = reduced(kind, 4, ("memory",), seed=1)
    assert not len(ratios)
    assert refusals["memory"] == 4
