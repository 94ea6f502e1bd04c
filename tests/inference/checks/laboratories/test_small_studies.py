"""Results of laboratories and their asymmetry, against published and general regressions."""

import numpy as np
import pytest
import statsmodels.api as sm
from published_rows import SCALE, VAGUE, summaries
from scipy import stats

from thermcmp.inference.checks.laboratories.small_studies import asymmetry, lab_results
from thermcmp.inference.fitting import fit
from thermcmp.model.priors import HalfCauchy


@pytest.fixture(scope="module")
def vaccine(outside):
    """Log relative risks of thirteen vaccine trials and their standard errors."""
    data = outside.r_data("HSAUR", "BCG")
    # In this table the columns BCGVacc and NoVacc are totals.
    y = np.log((data["BCGTB"] / data["BCGVacc"]) / (data["NoVaccTB"] / data["NoVacc"])).to_numpy()
    variance = 1 / data["BCGTB"] - 1 / data["BCGVacc"] + 1 / data["NoVaccTB"] - 1 / data["NoVacc"]
    return y, np.sqrt(variance.to_numpy())


def test_eggers_regression_of_the_vaccine_trials(vaccine):
    """t = -1.4013 on 11 degrees, p = 0.1887, as R's metafor has it.

    Viechtbauer, J. Stat. Software 36(3) (2010) (from memory); statsmodels' weighted least squares.
    """
    y, error = vaccine
    found = asymmetry(y, error, np.zeros(13, int), range(13), np.diag(error**2))
    assert found.slope / found.error == pytest.approx(-1.4013, abs=5e-5)
    assert found.degrees == 11
    assert found.p == pytest.approx(0.1887, abs=5e-5)
    general = sm.WLS(y, sm.add_constant(error), weights=error**-2.0).fit()
    assert found.slope == pytest.approx(general.params[1], rel=1e-9)
    assert found.error == pytest.approx(general.bse[1], rel=1e-9)
    # The form of the paper: standardised effects against precision, of which it is the intercept.
    paper = sm.OLS(y / error, sm.add_constant(1.0 / error)).fit()
    assert found.slope == pytest.approx(paper.params[0], rel=1e-9)
    assert found.p == pytest.approx(paper.pvalues[0], rel=1e-9)


def test_levels_and_shared_spreads_are_those_of_generalised_least_squares():
    rng = np.random.default_rng(3)
    level, lab = np.repeat([4, 7, 9], 6), np.tile(np.arange(6), 3)
    error = rng.uniform(0.2, 2.0, 18)
    covariance = np.diag(error**2) + 0.8 * (lab[:, None] == lab)
    y = rng.multivariate_normal(level + 0.5 * error, covariance)
    found = asymmetry(y, error, level, lab, covariance)
    columns = np.column_stack([error, *(level == each for each in (4, 7, 9))]).astype(float)
    general = sm.GLS(y, columns, sigma=covariance).fit()
    assert found.slope == pytest.approx(general.params[0], rel=1e-8)
    assert found.error == pytest.approx(general.bse[0], rel=1e-8)
    # Of six laboratories, whose results are not free of each other.
    assert found.degrees == 4
    assert found.p == pytest.approx(2.0 * stats.t.sf(abs(general.tvalues[0]), 4), rel=1e-6)


@pytest.mark.parametrize(("count", "ratio"), [(9, 3.0), (20, 1.4)])
def test_few_results_or_errors_alike_are_not_regressed(count, ratio):
    """Fewer than ten, or all of like errors: Sterne et al., BMJ 343 (2011) d4002."""
    error = np.linspace(1.0, ratio, count)
    y = np.sin(np.arange(count))
    assert asymmetry(y, error, np.zeros(count, int), range(count), np.diag(error**2)) is None
    # A level of its own for each of two products takes one more result.
    assert asymmetry(y[:9], error[:9], np.arange(9) % 2, range(9), np.diag(error[:9] ** 2)) is None


def test_a_published_result_is_its_laboratorys_own(vaccine):
    """Results of one product differ as published, with the published errors."""
    y, error = vaccine
    labs = [f"trial {i:02d}" for i in range(13)]
    rows = summaries(y, error**2, lab=labs)
    priors = VAGUE | {"lab sd": HalfCauchy(3.0, 1000.0)}
    model = fit(rows, terms=["lab"], priors=priors, draws=1000, seed=1, expand="none")
    results = lab_results(model, [np.ones(13, bool)])
    order = [labs.index(lab) for lab in results.lab]
    off = results.off_k / SCALE
    assert off - off.mean() == pytest.approx(y[order] - y.mean(), abs=1e-6)
    assert np.sqrt(np.diag(results.own)) / SCALE == pytest.approx(error[order], rel=1e-6)
    tau = float(np.mean(model.draws("lab sd")))
    assert np.sqrt(np.diag(results.between)) == pytest.approx(tau, rel=0.05)


def test_an_own_result_is_that_of_its_rows(vaccine):
    """With assemblies in a laboratory its own error is that of generalised least squares."""
    y = np.array([1.0, 1.4, 3.0, 2.0, 2.2])
    rows = summaries(
        y / SCALE,
        np.array([0.2, 0.3, 0.1, 0.2, 0.2]) ** 2 / SCALE**2,
        lab=["A", "A", "A", "B", "B"],
        assembly=["a", "a", "b", "c", "d"],
    )
    model = fit(rows, terms=["lab", "assembly"], priors=VAGUE, draws=1000, seed=1, expand="none")
    results = lab_results(model, [np.ones(5, bool)])
    place = results.lab.index("A")
    spread = float(np.mean(model.draws("assembly sd")))
    variance = np.array([0.2, 0.3, 0.1]) ** 2
    covariance = np.diag(variance) + spread**2 * np.array([[1, 1, 0], [1, 1, 0], [0, 0, 1]])
    general = sm.GLS(y[:3], np.ones(3), sigma=covariance).fit(cov_type="fixed scale")
    assert np.sqrt(results.own[place, place]) == pytest.approx(general.bse[0], rel=0.02)
    other = sm.GLS(y[3:], np.ones(2), sigma=np.diag([0.04 + spread**2] * 2)).fit(
        cov_type="fixed scale"
    )
    gap = results.off_k[place] - results.off_k[1 - place]
    assert gap == pytest.approx(general.params[0] - other.params[0], abs=0.02)
