"""Sources of an estimate's variance against closed forms, a solved system and the GUM."""

import numpy as np
import pytest
from plain_rows import plain_rows

from thermcmp.inference.checks.variance_sources import (
    PARAMETERS,
    VarianceSources,
    effective_degrees,
    variance_sources,
)
from thermcmp.inference.fitting import fit
from thermcmp.model.priors import HalfNormal, Known, Normal
from thermcmp.prediction.builds import Scope, build_of
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.results.validation import check_results
from thermcmp.simulation import simulate


def test_the_end_gauge_of_the_gum():
    """JCGM 100:2008, H.1: 25, 9.7, 2.9 and 16.6 nm give 32 nm with 16 degrees of freedom."""
    errors = np.array([25.0, 9.68194, 2.9, 16.599])
    degrees = np.array([18.0, 25.447, 50.0, 2.0])
    sources = VarianceSources(("s", "d", "alpha", "theta"), errors**2, degrees)
    assert np.sqrt(sources.variance.sum()) == pytest.approx(31.66, abs=0.05)
    assert int(effective_degrees(sources)) == 16
    assert effective_degrees(sources) == pytest.approx(16.75, abs=0.02)


def test_what_is_stated_has_endless_degrees():
    sources = VarianceSources(("a",), np.array([4.0]), np.array([np.inf]))
    assert effective_degrees(sources) == np.inf


@pytest.fixture(scope="module")
def balanced():
    """Three laboratories with four runs each of one card, of known spreads."""
    rng = np.random.default_rng(2)
    labs = np.repeat(["Ash", "Birch", "Cedar"], 4)
    rows = plain_rows(temperature_c=np.round(72.0 + rng.normal(0.0, 0.5, 12), 2), lab=labs)
    rows = check_results(rows.assign(product="Heron"))
    priors = {
        "baseline": Normal(50.0, 1e4),
        "airflow baseline": Normal(20.0, 1e-6),
        "constant part": Normal(0.0, 1e-6),
        "airflow exponent": Normal(0.65, 1e-6),
        "lab sd": Known(2.0),
        "residual sd": HalfNormal(1.0),
    }
    return fit(rows, terms=["lab"], priors=priors, draws=4000, seed=1, expand="none")


def test_a_balanced_mean(balanced):
    """Its variance is that of laboratories over 3 plus that of runs over 12."""
    line = FittedBuild(balanced, build_of(balanced, "Heron"), Scope.PRODUCT_LINE)
    reference = balanced.reference
    sources = variance_sources(
        balanced, lambda m: line.weights(m, reference.flow_speed, reference.power_w)
    )
    found = dict(zip(sources.names, sources.variance, strict=True))
    sigma_squared = np.mean(balanced.draws("residual sd")[balanced.thinned(100)] ** 2)
    assert found["lab"] == pytest.approx(4.0 / 3.0, rel=1e-3)
    assert found["residual sd"] == pytest.approx(sigma_squared / 12.0, rel=1e-3)
    assert found["baseline"] == pytest.approx(0.0, abs=1e-3)
    assert found[PARAMETERS] == pytest.approx(0.0, abs=1e-3)
    assert sources.variance.sum() == pytest.approx(np.var(line.rise(1800.0, 200.0)), rel=0.06)


def test_the_sum_is_the_posterior_variance():
    """Any contrast of an unbalanced fit: the parts add up to the variance of its draws."""
    model = fit(simulate(seed=3).results, "memory", draws=4000, seed=3)
    rng = np.random.default_rng(5)
    for _ in range(5):
        weights = rng.normal(0.0, 1.0, model.design.effect_count)
        weights[rng.random(len(weights)) < 0.5] = 0.0
        sources = variance_sources(model, lambda _, w=weights: w)
        drawn = np.var(model.combined(weights[None])[:, 0])
        assert sources.variance.sum() == pytest.approx(drawn, rel=0.2)
        assert np.all(sources.variance >= 0.0)
