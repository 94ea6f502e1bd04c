"""Do the intervals of the reassembly penalty hold the true one as often as they say?

Run with ``-m study``: 40 simulated revision studies, THERMCMP_STUDY_SIZE sets another
number. The truth is the simulator's: what a bench assembly adds as such, and the very
assemblies of the new parts. The bound is the binomial's 0.5 % point.
"""

import os

import numpy as np
import pytest
from scipy.stats import binom

from thermcmp.inference.fitting import fit
from thermcmp.model.conditions import Conditions
from thermcmp.prediction.builds import build_of
from thermcmp.questions.several_sensors.remounting import (
    REMOUNT_ANY,
    REMOUNT_NEW,
    peer_weights,
    remount_weights,
)
from thermcmp.simulation import RevisionStudy, Scenario, simulate

pytestmark = pytest.mark.study

SIZE = int(os.environ.get("THERMCMP_STUDY_SIZE", "40"))
STATED = 0.90
SCENARIO = Scenario(bad_mount_probability=0.0)
REFERENCE = Conditions(power_w=SCENARIO.reference_power_w, fan_rpm=SCENARIO.reference_fan_rpm)
PAIR = "Alder-C2-1 on Alder-B2-1"


@pytest.fixture(scope="module", autouse=True)
def asked_for(request):
    """Some minutes are spent only where studies were asked for."""
    if not request.config.getoption("markexpr"):
        pytest.skip("a study: run it with -m study")


def inside(model, weights, truth):
    low, high = np.quantile(model.effects @ weights, [0.05, 0.95])
    return bool(low <= truth <= high)


def outcome(seed):
    """Whether the intervals hold the bench as such, the new parts' own, and one assembly."""
    study = RevisionStudy(remounts=3, fan_speeds_rpm=(1400.0, 2200.0), equal_noise_dba=None)
    made = simulate(study, seed=seed, scenario=SCENARIO)
    model = fit(made.results, "junction", reference=REFERENCE, seed=seed)
    builds = tuple(build_of(model, name) for name in ("Alder r1 / fw 1", "Alder r2 / fw 2"))
    effects = made.truth.effects["junction"]
    kinds, own = effects["assembly_kind"], effects["assembly"]
    as_such = kinds["factory"] - kinds["bench"]
    bench = [own[f"{PAIR}, bench {k}"] for k in (1, 2, 3)]
    new = as_such + own[f"{PAIR}, factory"] - float(np.mean(bench))
    peers = (own[f"{PAIR}, factory"] + bench[1] + bench[2]) / 3.0 - bench[0]
    found = remount_weights(model, builds)
    return (
        inside(model, found[REMOUNT_ANY], as_such),
        inside(model, found[REMOUNT_NEW], new),
        inside(model, peer_weights(model, builds)[f"{PAIR}, bench 1"], peers),
    )


def test_intervals_of_the_penalty_hold_it_as_often_as_they_say(record_property, capsys):
    held = np.array([outcome(seed) for seed in range(8000, 8000 + SIZE)])
    for what, column in zip(
        ("bench assembly as such", "new parts' own assemblies", "one assembly against its peers"),
        held.T,
        strict=True,
    ):
        share = float(column.mean())
        record_property(what, share)
        with capsys.disabled():
            print(f"\n{what}: {share:.0%} of {SIZE}")
        assert share >= binom.ppf(0.005, SIZE, STATED) / SIZE, what
