"""Rows at the edge of what can be fitted: a right answer, or a refusal that names why."""

import numpy as np
import pandas as pd
import pytest

from thermcmp.errors import EngineError, ModelError
from thermcmp.inference.fitting import fit
from thermcmp.questions.separation.question import separate


def rows(count, **changes):
    """Runs of two coolers 3 K apart in turn, four assemblies, two fan speeds."""
    rng, i = np.random.default_rng(0), np.arange(count)
    frame = pd.DataFrame(
        {
            "run": [f"r{k}" for k in i],
            "sensor": "memory",
            "cooler_model": [f"Heron-C{k % 2}" for k in i],
            "board_model": "Heron-B1",
            "assembly": [f"a{k % 4}" for k in i],
            "session": "s1",
            "temperature_c": 60.0 + rng.normal(0.0, 0.5, count) + 3.0 * (i % 2),
            "ambient_c": 22.0,
            "power_w": 200.0,
            "fan_rpm": np.where(i // 2 % 3 == 0, 1400.0, 1900.0),
        }
    )
    return frame.assign(**changes)


def effect(frame):
    found = separate(fit(frame, seed=1)).table
    return found[found["factor"].eq("cooler_model")].iloc[0]


def test_equal_readings_are_named_as_such():
    with pytest.raises(EngineError, match=r"All 12 readings of 'memory' are 38 K above the air"):
        fit(rows(12, temperature_c=60.0), seed=1)


@pytest.mark.filterwarnings("ignore:.*read no more than ambient")
@pytest.mark.parametrize("rise_k", [0.0, 1e-9])
def test_a_card_without_load_is_named_as_such(rise_k):
    with pytest.raises(ModelError, match="there is no rise to compare"):
        fit(rows(12, temperature_c=22.0 + rise_k * np.arange(12)), seed=1)


def test_one_row_is_refused_and_two_rows_allow_for_a_scatter_that_nothing_shows():
    with pytest.raises(ModelError, match="at least two"):
        fit(rows(1), seed=1)
    two = effect(rows(2))
    assert two["low_k"] < 3.0 < two["high_k"]
    # Two assemblies may lie as far apart as these two coolers (common practice, no source).
    assert two["low_k"] < 0.0


@pytest.mark.parametrize(
    "changes",
    [
        {"fan_rpm": 1800.0 + 1e-9 * np.arange(16)},
        {"power_w": 200.0 + 1e-10 * np.arange(16)},
        {"standard_error_k": 1e-12},
    ],
    ids=["speeds", "powers", "errors"],
)
def test_columns_that_all_but_coincide_do_no_harm(changes):
    found = effect(rows(16, **changes))
    assert found["low_k"] < 3.0 < found["high_k"]
    assert abs(found["mean_k"] - 3.0) < 2.0


def test_too_many_levels_are_refused_before_they_take_memory():
    count = 10_000
    one_each = {name: [f"{name}{k}" for k in range(count)] for name in ("cooler_model", "assembly")}
    frame = rows(count, **one_each)
    with pytest.raises(ModelError, match=r"10,000 levels of cooler"):
        fit(frame, seed=1)
