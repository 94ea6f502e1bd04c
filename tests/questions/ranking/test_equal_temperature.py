"""Noise at equal temperature: the inverse of a ranking at equal noise."""

import numpy as np
import pytest

from thermcmp.errors import InputError
from thermcmp.questions.ranking.question import rank


@pytest.fixture(scope="module")
def ranking(peers):
    return rank(peers.fit, power_w=200.0, ambient_c=21.0)


@pytest.fixture(scope="module")
def middle_c(ranking):
    """A temperature that all products reach within their fan speeds."""
    return float(ranking.table["mean_c"].median())


def test_the_noise_of_a_temperature_is_the_temperature_of_that_noise(peers, ranking, middle_c):
    table = ranking.noise_at(middle_c).set_index("product")
    assert table["noise_dba"].dropna().is_monotonic_increasing
    served = table.index[table["health"].eq("ok")]
    assert len(served) >= 2
    for name in served:
        again = rank(peers.fit, power_w=200.0, ambient_c=21.0,
                     noise_dba=table.loc[name, "noise_dba"])  # fmt: skip
        row = again.table.set_index("product").loc[name]
        # A mean against a median of one law, which bends within the interval.
        width_k = row["high_c"] - row["low_c"]
        assert row["mean_c"] == pytest.approx(middle_c, abs=0.1 * width_k)
        assert row["fan_rpm"] == pytest.approx(table.loc[name, "fan_rpm"], rel=0.01)


def test_the_order_is_that_of_the_truth(peers, ranking, middle_c):
    """A product that is cooler at one speed needs less fan, found by the simulated law itself."""
    table = ranking.noise_at(middle_c).dropna(subset=["noise_dba"])
    assert table["p_quietest"].sum() == pytest.approx(1.0, abs=0.01)
    speeds = table.set_index("product")["fan_rpm"]
    ranked = [name for name in ranking.table["product"] if name in speeds.index]
    assert speeds[ranked[0]] < speeds[ranked[-1]]


def test_kelvin_per_decibel_is_the_slope_between_two_noises(peers, ranking, middle_c):
    table = ranking.noise_at(middle_c).set_index("product")
    name = table.index[table["health"].eq("ok")][0]
    warm, cool = (
        rank(peers.fit, power_w=200.0, ambient_c=21.0,
             noise_dba=table.loc[name, "noise_dba"] + step).table.set_index("product").loc[name]
        for step in (-0.5, 0.5)
    )  # fmt: skip
    found = table.loc[name, "kelvin_per_db"]
    assert found == pytest.approx(warm["mean_c"] - cool["mean_c"], rel=0.1)
    assert table.loc[name, "kelvin_per_db_low"] < found < table.loc[name, "kelvin_per_db_high"]


def test_what_is_out_of_reach_is_said(ranking):
    cold = ranking.noise_at(30.0)
    assert cold["noise_dba"].isna().all()
    assert (
        cold["health"].str.contains("not surely reached: warmer at .* with 100% probability").all()
    )
    hot = ranking.noise_at(150.0)
    assert hot["health"].str.contains("it may be quieter").all()
    assert np.isfinite(hot["noise_dba"]).all()


@pytest.mark.parametrize("temperature_c", [21.0, float("nan")])
def test_a_temperature_below_the_air_is_refused(ranking, temperature_c):
    with pytest.raises(InputError, match="state more than 21 °C"):
        ranking.noise_at(temperature_c)


def test_without_levels_there_is_no_noise(peers):
    from thermcmp.inference.fitting import fit

    silent = fit(peers.fit.results.drop(columns="noise_dba"), "memory", draws=400, seed=1)
    with pytest.raises(InputError, match="no usable noise reading"):
        rank(silent).noise_at(70.0)
