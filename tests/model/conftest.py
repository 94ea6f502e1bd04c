"""Rows and designs that the model tests share."""

import numpy as np
import pandas as pd
import pytest

from thermcmp.model.design import build_design
from thermcmp.model.terms import BUILT_IN
from thermcmp.physics.airflow import airflow_law
from thermcmp.results.validation import check_results


def bench_rows(**columns):
    """Checked results rows with sensible values in every required column."""
    size = max(len(np.atleast_1d(value)) for value in columns.values())
    usual = {
        "run": [f"r{i}" for i in range(size)],
        "sensor": "memory",
        "cooler_model": "Heron-C1",
        "board_model": "Heron-B1",
        "lab": "North",
        "temperature_c": 70.0,
        "ambient_c": 22.0,
        "fan_rpm": 1800.0,
        "power_w": 200.0,
    }
    return check_results(pd.DataFrame({**usual, **columns}, index=range(size)))


@pytest.fixture(scope="session")
def make_rows():
    return bench_rows


@pytest.fixture(scope="session")
def make_design():
    def make(terms=BUILT_IN, **columns):
        return build_design(
            bench_rows(**columns), sensor=None, terms=terms, law=airflow_law("power law")
        )

    return make
