"""Rows and designs that the model tests share."""

import pytest
from plain_rows import plain_rows

from thermcmp.model.design import build_design
from thermcmp.model.terms import BUILT_IN
from thermcmp.physics.airflow import airflow_law
from thermcmp.results.validation import check_results


def bench_rows(**columns):
    """Checked results rows with sensible values in every required column."""
    return check_results(plain_rows(**columns))


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
