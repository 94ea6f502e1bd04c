"""Spreads that may be zero, and parameters that the data hardly speak of."""

import numpy as np
import pytest
from scipy.stats import halfnorm, norm

from thermcmp.inference.fitting import fit
from thermcmp.inference.parameter_notes import ALLOWED, zero_likelihood
from thermcmp.model.priors import HalfNormal, Normal

WIDE = {"baseline": Normal(100.0, 500.0), "assembly sd": HalfNormal(10.0),
        "residual sd": HalfNormal(10.0)}  # fmt: skip


@pytest.mark.parametrize(("middle", "allowed"), [(0.0, True), (0.5, True), (4.0, False)])
def test_likelihood_at_zero_by_hand(middle, allowed):
    """A normal likelihood with sd 1 around `middle`: exp(-½ middle²) at zero."""
    grid = np.linspace(1e-4, 12.0, 40_000)
    density = halfnorm(scale=3.0).pdf(grid) * norm(middle, 1.0).pdf(grid)
    draws = np.random.default_rng(1).choice(grid, 40_000, p=density / density.sum())
    found = zero_likelihood(draws, HalfNormal(3.0))
    assert found == pytest.approx(np.exp(-0.5 * middle**2), abs=0.1)
    assert (found >= ALLOWED) is allowed


def test_a_small_spread_under_a_wide_prior_is_not_none():
    draws = np.abs(np.random.default_rng(1).normal(0.3, 0.03, 4000))
    assert zero_likelihood(draws, HalfNormal(10.0)) < 0.01


def test_the_limit_is_that_of_a_likelihood_ratio():
    from scipy.stats import chi2

    assert pytest.approx(np.exp(-0.5 * chi2.ppf(0.95, 1)), abs=5e-4) == ALLOWED


def batches(make_rows, data, scale):
    return make_rows(
        temperature_c=100.0 + data["Yield"].to_numpy() / scale,
        assembly=data["Batch"].astype(str).to_numpy(),
        ambient_c=20.0,
    )


def test_dyestuff2_allows_zero_and_dyestuff_does_not(outside, make_rows):
    """Box & Tiao 1973, 5.1.2: estimate 0; Davies 1972: F = 4.6, p = 0.004."""
    terms = ["assembly"]
    second = outside.r_data("lme4", "Dyestuff2")
    model = fit(batches(make_rows, second, 1.0), terms=terms, priors=WIDE, seed=1)
    note = model.note("assembly sd", small_k=1.0)
    assert note.allows_zero
    assert "boundary: the data allow zero" in note.words
    assert note.below == pytest.approx(np.mean(model.draws("assembly sd") < 1.0))
    assert note.below > 0.3
    # A boundary is no zero: the spread keeps its uncertainty.
    row = model.table.set_index("parameter").loc["assembly sd"]
    assert row["sd"] > 0.3
    assert "boundary" in row["note"]
    first = outside.r_data("lme4", "Dyestuff")
    first = first.assign(Yield=first["Yield"] / 10.0 - 120.0)
    model = fit(batches(make_rows, first, 1.0), terms=terms, priors=WIDE, seed=1)
    assert not model.note("assembly sd").allows_zero


def test_what_the_data_do_not_tell_is_mostly_prior(make_rows):
    rng = np.random.default_rng(3)
    rows = make_rows(
        temperature_c=70.0 + rng.normal(0.0, 0.2, 12), assembly=np.repeat(["m1", "m2"], 6)
    )
    model = fit(rows, terms=["assembly"], draws=2000, seed=1)
    # One fan speed: nothing is known of what fan speed buys.
    note = model.note("airflow exponent")
    assert note.words == "mostly prior"
    assert not note.is_spread
    assert np.isnan(note.below)
    assert abs(note.shrinkage) < 0.1
    assert model.note("residual sd").words == ""
