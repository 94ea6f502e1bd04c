"""Fixtures that tests of several folders share: fits with known truth, and hand-made rows."""

from dataclasses import dataclass, fields, replace
from itertools import count, product
from typing import Any

import numpy as np
import pandas as pd
import pytest
from made_once import fit_once
from plain_rows import CARD, SPECIMENS

from thermcmp.inference.posterior import Fit
from thermcmp.model.conditions import Conditions
from thermcmp.simulation import Campaign, Peers, RevisionStudy, Scenario, SensorScenario, simulate

REFERENCE = Conditions(power_w=200.0, fan_rpm=1800.0)
DRAWS = 2000


@dataclass(frozen=True)
class Known:
    """A fit and the truth behind its rows."""

    fit: Fit
    truth: Any
    campaign: Campaign


def known(design, scenario=None, *, seed=11, **options):
    usual = Scenario(bad_mount_probability=0.0) if scenario is None else scenario
    campaign = simulate(design, seed=seed, scenario=usual, **options)
    model = fit_once(campaign.results, "memory", reference=REFERENCE, draws=DRAWS, seed=5)
    return Known(model, campaign.truth, campaign)


def quiet(sensor=None, **world):
    """A world in which nothing strays but 0.02 K of a run's reading."""
    still = {f.name: 0.0 for f in fields(Scenario) if "_sd" in f.name or "_step_" in f.name}
    memory = replace(
        SensorScenario(),
        **{f.name: 0.0 for f in fields(SensorScenario) if f.name.endswith("_sd_k")},
        **(sensor or {}),
    )
    still |= {"standard_error_k": 0.02, "bad_mount_probability": 0.0}
    return Scenario(sensors={"memory": memory}, **(still | world))


def bench_frame(runs):
    """Results rows from dicts, with sensible values where a run says nothing."""
    usual = {
        **CARD,
        **SPECIMENS,
        "product": "Heron",
        "assembly_kind": "bench",
        "fan_mode": "fixed",
        "ambient_c": 21.0,
        "standard_error_k": 0.02,
    }
    numbers = count(1)
    return pd.DataFrame([usual | {"run": f"r{next(numbers)}"} | run for run in runs])


def sweep(resistance_k_per_w, airflow_k_per_w, *, exponent, speeds, powers, seed=1, **names):
    """Runs of one card over speeds and powers, by the series law and 0.02 K of noise."""
    rng = np.random.default_rng(seed)
    found = []
    for rpm, watts, ambient in product(speeds, powers, (20.0, 25.0)):
        factor = (rpm / speeds[0]) ** -exponent - 1.0
        rise = watts * (resistance_k_per_w + airflow_k_per_w * factor)
        shown = ambient + rise + 0.02 * rng.standard_normal()
        found.append(
            names | {"fan_rpm": rpm, "power_w": watts, "ambient_c": ambient, "temperature_c": shown}
        )
    return found


@pytest.fixture(scope="session")
def bench():
    return bench_frame


@pytest.fixture(scope="session")
def card_sweep():
    return sweep


@pytest.fixture(scope="session")
def quiet_world():
    return quiet


@pytest.fixture(scope="session")
def fit_known():
    return known


@pytest.fixture(scope="session")
def aliased():
    return known(RevisionStudy(remounts=2))


@pytest.fixture(scope="session")
def crossed():
    return known(RevisionStudy(remounts=2, vendors="crossed"))


@pytest.fixture(scope="session")
def specimens():
    return known(RevisionStudy(remounts=2, specimens=2, fan_speeds_rpm=(1400.0, 2200.0)))


@pytest.fixture(scope="session")
def peers():
    return known(Peers(products=4, specimens=1, remounts=1, sessions=2))
