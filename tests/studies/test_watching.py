"""Watched runs: an error stated at the stop is honest although one looks again and again.

The study by hand: ``python -m pytest -m study tests/studies/test_watching.py -s``;
a fifth of THERMCMP_STUDY_SIZE, where that is set, is the number of runs of each kind.
"""

from __future__ import annotations

import os

import numpy as np
import pytest
import watched_worlds
from scipy.stats import binom

from thermcmp.telemetry.steady_state.protocol import Protocol
from thermcmp.telemetry.watching.assessment import Wish, assess

STATED = os.environ.get("THERMCMP_STUDY_SIZE")
SIZE = 200 if STATED is None else max(int(STATED) // 5, 4)
#: Largest share of stops with the truth beyond two standard errors, and of steady runs that
#: are not good enough within an hour.
BEYOND, NEVER = 0.05, 0.10
#: A protocol with a fixed soak and window, for comparison [s].
FIXED_S = 900.0 + 300.0


def watched(kind, size, wanted_k, seed=0):
    """Errors over standard errors at the stops, times at load, and forecasts over needs."""
    ratios, loads, forecasts = [], [], []
    wish = Wish(wanted_k=wanted_k, protocol=Protocol(truncated=()))
    for i in range(size):
        world = kind(np.random.default_rng([i, seed, sum(map(ord, kind.__name__))]))
        said = []
        for end_s in np.arange(world.start_s + 390.0, len(world.frame), wish.every_s):
            state = assess(world.frame[world.frame["time_s"] < end_s], wish)
            said.append((end_s, state.minutes_left))
            if not state.good_enough:
                continue
            loads.append(end_s - world.start_s)
            forecasts += [(left, (end_s - at) / 60.0) for at, left in said if np.isfinite(left)]
            air = dict(state.reduction.rows[["sensor", "ambient_c"]].itertuples(index=False))
            for row in state.steady_c.itertuples():
                rise_k = row.steady_c - air[row.sensor]
                true_k = world.truth[row.sensor][int(end_s) - 1]
                ratios.append((rise_k - true_k) / row.standard_error_k)
            break
    return np.array(ratios), np.array(loads), np.array(forecasts)


def most(size, share):
    """Largest count that 99.9 % of studies with a share have."""
    return binom.ppf(0.999, size, share)


@pytest.mark.study
@pytest.mark.parametrize("wanted_k", [0.3, 0.5])
@pytest.mark.parametrize("kind", watched_worlds.STEADY + watched_worlds.CYCLING)
def test_errors_at_the_stop_are_honest(kind, wanted_k):
    ratios, loads, forecasts = watched(kind, SIZE, wanted_k)
    beyond = int(np.sum(np.abs(ratios) > 2.0))
    saved = (FIXED_S - loads) / 60.0
    off = forecasts[:, 0] - forecasts[:, 1] if len(forecasts) else np.array([np.nan])
    print(
        f"{kind.__name__}, {wanted_k} K: stopped {len(loads)} of {SIZE}, beyond two errors "
        f"{beyond} of {len(ratios)}, saved {np.mean(saved):.1f} min "
        f"({', '.join(f'{q:.1f}' for q in np.percentile(saved, [10, 50, 90]))}), "
        f"minutes forecast too many {np.mean(off):+.1f} ± {np.std(off):.1f}"
        if len(loads)
        else f"{kind.__name__}, {wanted_k} K: never stopped"
    )
    assert beyond <= most(max(len(ratios), 1), BEYOND)
    if kind in watched_worlds.STEADY:
        assert SIZE - len(loads) <= most(SIZE, NEVER)


def test_a_few_watched_runs():
    ratios, loads, forecasts = watched(watched_worlds.usual, 4, 0.5, seed=1)
    assert len(loads) == 4
    assert np.sum(np.abs(ratios) > 2.0) <= most(8, BEYOND)
    assert np.max(loads) < 3000.0
    # What is forecast must fall as the run goes on.
    assert np.corrcoef(forecasts.T)[0, 1] > 0.5
