"""Do a chain's 90 % intervals hold the true steps in about 90 % of simulated chains?

Run with ``-m study``: 40 chains of four builds with three assemblies each, and one
combination besides, so that three of eight are predicted. THERMCMP_STUDY_SIZE sets another
number. The bounds are the binomial's own 0.5 % point for all steps pooled as if they were
independent of each other in pairs: neighbouring steps share a build, so half of their
number counts.
"""

import os

import numpy as np
import pytest
from chain_campaigns import (
    ALL,
    BASE,
    BOTH,
    CHAIN,
    FEATURES,
    PADS,
    REFERENCE,
    SPRINGS,
    chain_results,
)
from scipy.stats import binom

from thermcmp.inference.fitting import fit
from thermcmp.questions.build_chain.question import chain

pytestmark = pytest.mark.study

SIZE = int(os.environ.get("THERMCMP_STUDY_SIZE", "40"))
STATED = 0.90


@pytest.fixture(scope="module", autouse=True)
def asked_for(request):
    """Some minutes are spent only where studies were asked for."""
    if not request.config.getoption("markexpr"):
        pytest.skip("a study: run it with -m study")


def drawn_values(rng):
    """Rises of all eight combinations: changes of normal size, departures of 0.5 K."""
    single = rng.normal(1.5, 1.0, 3)
    return {
        (a, b, c): -float(np.dot(single, (a, b, c))) + (0.25 * rng.normal() if a + b + c else 0.0)
        for a in (0, 1)
        for b in (0, 1)
        for c in (0, 1)
    }


def shares_of(value):
    """Shapley values of three players, written out (Shapley 1953)."""
    found = []
    for i in range(3):
        j, k = (p for p in range(3) if p != i)

        def at(*there):
            return value[tuple(int(p in there) for p in range(3))]

        found.append(
            (at() - at(i)) / 3
            + (at(j) - at(i, j)) / 6
            + (at(k) - at(i, k)) / 6
            + (at(j, k) - at(i, j, k)) / 3
        )
    return found


def outcome(seed):
    """Whether the intervals hold the three steps, the total and the three shares."""
    value = drawn_values(np.random.default_rng(seed))
    corner = {BASE: (0, 0, 0), PADS: (1, 0, 0), SPRINGS: (0, 1, 0), BOTH: (1, 1, 0), ALL: (1, 1, 1)}
    rise = {name: value[place] for name, place in corner.items()}
    results, _ = chain_results(rise, seed=seed)
    model = fit(results, "memory", reference=REFERENCE, seed=seed)
    table = chain(model, CHAIN, features=FEATURES).table
    table = table[table["kind"].ne("departure")]
    levels = np.array([rise[name] for name in CHAIN])
    truth = [*-np.diff(levels), levels[0] - levels[-1], *shares_of(value)]
    return (table["low_k"] <= truth) & (truth <= table["high_k"])


def test_intervals_hold_steps_and_shares_as_often_as_they_say(record_property, capsys):
    held = np.array([outcome(seed) for seed in range(7000, 7000 + SIZE)])
    for what, places in (("steps", slice(0, 3)), ("total", slice(3, 4)), ("shares", slice(4, 7))):
        pooled = held[:, places]
        share = float(pooled.mean())
        record_property(what, share)
        with capsys.disabled():
            print(f"\n{what} of a chain: {share:.0%} of {pooled.size}")
        independent = max(SIZE, pooled.size // 2)
        assert share >= binom.ppf(0.005, independent, STATED) / independent, what
