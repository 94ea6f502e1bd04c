"""Posterior predictive check: quiet where the model made the rows, loud where it did not."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.posterior_predictive import predictive_features
from thermcmp.inference.fitting import fit

ASSEMBLIES, RUNS = 6, 5


def campaign(make_rows, rng, *, assembly_k=0.6, drift_k=0.0, odd_k=0.0):
    """Assemblies of one card in six sessions, made by the model itself but for what is planted."""
    n = ASSEMBLIES * RUNS
    assembly = np.repeat(np.arange(ASSEMBLIES), RUNS)
    rise = 50.0 + rng.normal(0.0, assembly_k, ASSEMBLIES)[assembly] + rng.normal(0.0, 0.3, n)
    rise += drift_k * np.tile(np.linspace(-0.5, 0.5, RUNS), ASSEMBLIES)
    rise[7] += odd_k
    return make_rows(
        temperature_c=22.0 + rise,
        assembly=[f"m{i}" for i in assembly],
        session=[f"s{i}" for i in assembly],
        started_at=pd.date_range("2031-03-03", periods=n, freq="h", tz="UTC"),
    )


def features(rows, terms=("assembly",), seed=0):
    model = fit(rows, terms=list(terms), expand="none", draws=800, seed=1)
    return {one.name: one for one in predictive_features(model, seed=seed)}


def test_features_are_what_their_names_say(make_rows):
    rows = campaign(make_rows, np.random.default_rng(1))
    model = fit(rows, terms=["assembly"], draws=400, seed=1)
    found = {one.name: one for one in predictive_features(model)}
    assert set(found) == {
        "spread of the residuals", "largest residual", "spread within assemblies",
        "spread between assemblies", "drift over a session",
    }  # fmt: skip
    rise = model.design.rise_k
    groups = pd.Series(rise).groupby(units_of(model, "assembly").codes)
    within = np.sqrt(groups.var().mean())
    between = groups.mean().std()
    # One card at one setting: its constant drops out of both.
    assert found["spread within assemblies"].measured == pytest.approx(within, rel=1e-9)
    assert found["spread between assemblies"].measured == pytest.approx(between, rel=1e-9)
    place = np.tile(np.linspace(-0.5, 0.5, RUNS), ASSEMBLIES)
    slope = np.polyfit(place, rise - groups.transform("mean"), 1)[0]
    assert np.mean(found["drift over a session"].measured) == pytest.approx(slope, abs=1e-9)
    rest = (
        rise
        - model.draws("baseline")[:, None]
        - model.draws("assembly")[:, model.design.index[:, 0]]
    )
    assert found["largest residual"].measured == pytest.approx(np.abs(rest).max(axis=1), rel=1e-9)


@pytest.mark.filterwarnings("ignore:repeats follow their order")
@pytest.mark.parametrize(
    ("planted", "feature", "more"),
    [
        ({"drift_k": 1.5}, "drift over a session", True),
        ({"drift_k": -1.5}, "drift over a session", False),
    ],
)
def test_what_the_model_has_not_is_found(make_rows, planted, feature, more):
    found = features(campaign(make_rows, np.random.default_rng(2), **planted))
    assert found[feature].surprising
    assert (found[feature].p_larger < 0.01) is more
    plain = features(campaign(make_rows, np.random.default_rng(2)))
    assert not any(one.surprising for one in plain.values())


def test_one_odd_run_lies_far_out(make_rows):
    """It widens the scatter that the made campaigns have, so this sees less than `outlying`."""
    found = features(campaign(make_rows, np.random.default_rng(2), odd_k=5.0))
    assert found["largest residual"].p_larger < 0.05
    plain = features(campaign(make_rows, np.random.default_rng(2)))
    assert plain["largest residual"].p_larger > 0.1


def test_a_missing_term_is_found(make_rows):
    rows = campaign(make_rows, np.random.default_rng(3), assembly_k=2.0)
    assert features(rows, terms=[])["spread between assemblies"].surprising
    assert not features(rows)["spread between assemblies"].surprising


def test_readings_at_the_limit_are_completed(clamped_fit):
    found = {one.name: one for one in predictive_features(clamped_fit, campaigns=400)}
    # Half of the hot cooler's readings are cut at 95 °C: taken as exact, their spread would
    # be far too small; completed, it is that of the made campaigns.
    assert 0.02 < found["spread of the residuals"].p_larger < 0.98


def test_p_values_where_the_model_holds(make_rows):
    """Meng, Ann. Statist. 22 (1994) 1142: mean one half, and P(p <= a) at most 2a."""
    rng, count = np.random.default_rng(4), 40
    p = {}
    for _ in range(count):
        for name, one in features(campaign(make_rows, rng), seed=int(rng.integers(1e6))).items():
            p.setdefault(name, []).append(one.p_larger)
    for name, values in p.items():
        values = np.array(values)
        # Less spread than a uniform number, whose mean of 40 has a standard error of 0.046.
        assert abs(values.mean() - 0.5) < 4 * 0.046, name
        for tail in (values, 1.0 - values):
            assert np.sum(tail <= 0.05) <= binom.ppf(0.999, count, 0.1), name
    # What the draws have not fitted away is as spread as a uniform number (sd 0.289).
    assert np.std(p["drift over a session"]) > 0.2
