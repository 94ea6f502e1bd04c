"""Problems and rows that the engine tests share."""

import json
from pathlib import Path

import numpy as np
import pytest
from plain_rows import CARD, SPECIMENS, plain_rows

DEMO = Path(__file__).parents[2] / "datasets" / "demo"


def bench_rows(**columns):
    """Results rows with sensible values in every required column."""
    return plain_rows({**CARD, **SPECIMENS}, **columns)


@pytest.fixture(scope="session")
def make_rows():
    return bench_rows


@pytest.fixture(scope="session")
def demo():
    from thermcmp.results.results_table import read_results

    columns = json.loads((DEMO / "columns.json").read_text(encoding="utf-8"))
    return read_results(DEMO / "campaign.csv", columns=columns)


@pytest.fixture(scope="session")
def revision(demo):
    """The demo's revision study at fixed fan speeds: a 2 x 2 swap with remounts."""
    rows = demo[demo["sensor"].eq("memory") & demo["cooler_model"].str.startswith("Alder-C")]
    return rows.reset_index(drop=True)


TRUE_DIFFERENCE_K = 25.0


@pytest.fixture(scope="session")
def clamped_rows():
    """Forty runs of two coolers; the hotter one's sensor cannot show more than 95 °C.

    True means 70 and 95 °C, so half of the hotter cooler's readings are clamped.
    """
    rng = np.random.default_rng(12)
    truth = np.concatenate([np.full(20, 70.0), np.full(20, 70.0 + TRUE_DIFFERENCE_K)])
    true = truth + rng.normal(0.0, 2.0, 40)
    hot = np.repeat([False, True], 20)
    return bench_rows(
        cooler_model=np.where(hot, "Heron-C2", "Heron-C1"),
        cooler_id=np.where(hot, "Heron-C2-1", "Heron-C1-1"),
        assembly=np.where(hot, "m2", "m1"),
        temperature_c=np.minimum(true, 95.0),
        at_limit=true >= 95.0,
    )


@pytest.fixture(scope="session")
def clamped_fit(clamped_rows):
    """The clamped readings fitted as "at least 95 °C"."""
    from thermcmp.inference.fitting import fit
    from thermcmp.model.priors import HalfNormal

    return fit(
        clamped_rows,
        terms=["cooler_model"],
        priors={"residual sd": HalfNormal(3.0)},
        draws=2000,
        seed=4,
    )
