"""Invented per-second logs for the tests of this floor."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest


def make_run(
    *,
    seconds: int = 1500,
    idle_s: int = 60,
    rise_k: float = 55.0,
    time_constant_s: float = 110.0,
    step_k: float = 0.1,
    noise_k: float = 0.15,
    ambient_c: float = 21.0,
    ambient_drift_k: float = 0.0,
    fan_rpm: float = 1800.0,
    power_w: float = 250.0,
    seed: int = 0,
) -> pd.DataFrame:
    """A clean run of one card: idle, then load until the end."""
    rng = np.random.default_rng(seed)
    t = np.arange(float(seconds))
    load = t >= idle_s
    soak = np.where(load, 1.0 - np.exp(-np.maximum(t - idle_s, 0.0) / time_constant_s), 0.0)
    ambient = ambient_c + ambient_drift_k * t / seconds + 0.03 * rng.standard_normal(seconds)
    power = np.where(load, power_w, 20.0) + 0.5 * rng.standard_normal(seconds)
    memory = ambient + 6.0 + (rise_k - 6.0) * soak + noise_k * rng.standard_normal(seconds)
    return pd.DataFrame(
        {
            "time_s": t,
            "memory_c": np.round(memory / step_k) * step_k,
            "ambient_c": np.round(ambient, 2),
            "fan_rpm": np.round(fan_rpm + 4.0 * rng.standard_normal(seconds)),
            "power_w": np.round(power, 1),
            "noise_dba": np.round(38.0 + 0.1 * rng.standard_normal(seconds), 1),
        }
    )


@pytest.fixture
def clean_run():
    """Maker of clean runs."""
    return make_run


@pytest.fixture
def sheet_row():
    """A run sheet row with all parts."""
    return {
        "run": "R1",
        "product": "Alder",
        "cooler_model": "Alder r1",
        "cooler_id": "C1",
        "board_model": "Quarz",
        "board_id": "B1",
        "memory_vendor": "Nord",
        "assembly": "A1",
        "assembly_kind": "factory",
        "session": "S1",
        "bench": "bench 1",
        "lab": "our lab",
        "firmware": "fw 1",
        "fan_mode": "fixed",
    }
