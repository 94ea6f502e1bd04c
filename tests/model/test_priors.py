"""Priors against SciPy's distributions."""

import numpy as np
import pytest
from scipy import stats

from thermcmp.errors import InputError
from thermcmp.model.priors import Gamma, HalfNormal, Normal, Prior, PriorSet

Z = np.linspace(-8.0, 8.0, 161)


def test_normal_coordinates_are_quantiles():
    prior, law = Normal(50.0, 20.0), stats.norm(50.0, 20.0)
    inner = Z[np.abs(Z) < 5]
    assert prior.from_standard(inner) == pytest.approx(law.ppf(stats.norm.cdf(inner)), rel=1e-8)
    assert prior.standard_deviation == law.std()
    assert prior.words == "normal(50, 20)"


def test_gamma_coordinates_are_quantiles_in_both_tails():
    prior, law = Gamma(2.0, 0.1), stats.gamma(2.0, scale=10.0)
    low, high = Z[Z <= 0], Z[Z >= 0]
    assert prior.from_standard(low) == pytest.approx(law.ppf(stats.norm.cdf(low)), rel=1e-8)
    assert prior.from_standard(high) == pytest.approx(law.isf(stats.norm.sf(high)), rel=1e-8)
    assert prior.standard_deviation == pytest.approx(law.std(), rel=1e-12)
    assert prior.words == "gamma(2, 0.1)"


def test_half_normal_coordinates_are_quantiles_in_both_tails():
    prior, law = HalfNormal(2.5), stats.halfnorm(scale=2.5)
    low, high = Z[Z <= 0], Z[Z >= 0]
    # SciPy's ppf near 0 and isf near the other end keep their digits; so must ours. Tiny
    # probabilities are taken straight from the normal density's integral by symmetry.
    assert prior.from_standard(high) == pytest.approx(law.isf(stats.norm.sf(high)), rel=1e-9)
    p = stats.norm.cdf(low)
    assert prior.from_standard(low) == pytest.approx(
        2.5 * -stats.norm.ppf(0.5 - p / 2), rel=1e-8, abs=1e-15
    )
    # For a small probability p the quantile is p sqrt(π/2) scale.
    assert prior.from_standard(np.array([-8.0]))[0] == pytest.approx(
        2.5 * stats.norm.cdf(-8.0) * np.sqrt(np.pi / 2), rel=1e-12
    )
    assert prior.standard_deviation == pytest.approx(law.std(), rel=1e-12)
    assert prior.words == "half-normal(2.5)"


@pytest.mark.parametrize(
    "prior", [Normal(-3.0, 0.2), HalfNormal(0.7), Gamma(2.0, 0.1), Gamma(0.6, 3.0)]
)
def test_there_and_back_again(prior):
    assert prior.to_standard(prior.from_standard(Z)) == pytest.approx(Z, abs=1e-9)
    assert isinstance(prior, Prior)


@pytest.mark.parametrize(
    "prior", [Normal(-3.0, 0.2), HalfNormal(0.7), Gamma(2.0, 0.1), Gamma(0.6, 3.0)]
)
def test_derivative_is_the_slope(prior):
    inner, step = Z[np.abs(Z) < 5], 1e-5
    slope = (prior.from_standard(inner + step) - prior.from_standard(inner - step)) / (2 * step)
    assert prior.derivative(inner) == pytest.approx(slope, rel=1e-7, abs=1e-9)


def test_standard_normal_draws_become_draws_of_the_prior():
    z = np.random.default_rng(0).standard_normal(20_000)
    found = stats.kstest(HalfNormal(3.0).from_standard(z), stats.halfnorm(scale=3.0).cdf)
    assert found.pvalue > 0.001


@pytest.mark.parametrize("value", [0.0, -1.0, np.nan, np.inf])
def test_a_scale_must_be_positive(value):
    with pytest.raises(InputError, match="positive"):
        HalfNormal(value)
    with pytest.raises(InputError, match="positive"):
        Normal(0.0, value)


@pytest.fixture
def priors():
    return PriorSet(
        (("baseline", Normal(50.0, 50.0), "the rise"), ("residual sd", HalfNormal(1.0), "scatter"))
    )


def test_a_set_is_a_mapping_with_a_table(priors):
    assert dict(priors) == {"baseline": Normal(50.0, 50.0), "residual sd": HalfNormal(1.0)}
    assert len(priors) == 2
    with pytest.raises(KeyError):
        priors["absent"]
    assert priors.table.to_dict("list") == {
        "parameter": ["baseline", "residual sd"],
        "prior": ["normal(50, 50)", "half-normal(1)"],
        "meaning": ["the rise", "scatter"],
    }


def test_changes_make_a_copy_and_every_fault_is_listed(priors):
    changed = priors.changed({"residual sd": HalfNormal(0.3)})
    assert changed["residual sd"] == HalfNormal(0.3)
    assert priors["residual sd"] == HalfNormal(1.0)
    assert priors.changed(None) == priors
    with pytest.raises(InputError) as error:
        priors.changed({"absent": HalfNormal(1.0), "residual sd": Normal(0, 1), "baseline": 3})
    assert sorted(fault.column for fault in error.value.faults) == [
        "absent",
        "baseline",
        "residual sd",
    ]
