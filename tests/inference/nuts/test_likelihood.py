"""Likelihoods of exact, clamped and stepped readings against published estimates.

Where a published estimate is of the lower tail (a purchase cannot be below nothing), the
signs are turned, since a reading at the limit is "at least this".
"""

import numpy as np
import pytensor
import pytensor.tensor as pt
import pytest
from scipy import stats
from scipy.optimize import minimize

from thermcmp.inference.nuts import likelihood


def greatest(log_likelihood, start):
    """Parameters of the greatest likelihood, and its log; gradients by PyTensor."""
    p = pt.dvector("p")
    value = -log_likelihood(p)
    both = pytensor.function([p], [value, pytensor.grad(value, p)], mode="FAST_COMPILE")
    options = {"gtol": 1e-7, "maxiter": 2000}
    found = minimize(lambda at: both(at), start, jac=True, method="BFGS", options=options)
    return found.x, -found.fun


def tobit(y, x, sign, limited):
    """Regression on x with rows at the limit; the last parameter is log scale."""
    x = np.column_stack([np.ones(len(y)), x])
    least = np.linalg.lstsq(x, y, rcond=None)[0]
    start = np.append(least, np.log(np.std(y - x @ least)))

    def log_likelihood(p):
        away = sign * (y - pt.dot(x, p[:-1]))
        variance = pt.exp(2.0 * p[-1]) * np.ones(len(y))
        exact = likelihood.normal(away[~limited], variance[~limited])
        return pt.sum(exact) + pt.sum(likelihood.at_least(away[limited], variance[limited]))

    found, best = greatest(log_likelihood, start)
    return np.append(found[:-1], np.exp(found[-1])), best


def test_tobit_of_tobin(outside):
    """Tobin, Econometrica 26 (1958) 24-36; digits from R's survreg on the same data."""
    data = outside.r_data("survival", "tobin")
    y = data["durable"].to_numpy(float)
    found, best = tobit(y, data[["age", "quant"]].to_numpy(float), -1.0, y <= 0.0)
    # Half of the last digit of those kept.
    assert found == pytest.approx([15.144866, -0.129059, -0.045542, 5.572540], abs=2e-5)
    assert best == pytest.approx(-28.940133, abs=1e-6)


def test_tobit_of_fair(outside):
    """Fair, Journal of Political Economy 86 (1978) 45-61; Greene, Econometric Analysis,
    5th ed. (2003), Table 22.4 (page from memory); digits from R's censReg output."""
    data = outside.r_data("AER", "Affairs")
    names = ["age", "yearsmarried", "religiousness", "occupation", "rating"]
    y = data["affairs"].to_numpy(float)
    found, best = tobit(y, data[names].to_numpy(float), -1.0, y <= 0.0)
    expected = [8.174197, -0.179333, 0.554142, -1.686220, 0.326053, -2.284973, 8.247080]
    assert found == pytest.approx(expected, abs=1e-4)
    assert best == pytest.approx(-705.576223, abs=1e-5)


def test_a_normal_read_in_steps_of_ten(outside):
    """`faithful$waiting` in cells of 10 minutes; R's survreg(type = "interval2"), by us.

    Sheppard's correction gives 13.69 here, the midpoints alone 13.99.
    """
    data = outside.r_data("datasets", "faithful")["waiting"].to_numpy(float)
    middle = 10.0 * np.floor((data + 0.5) / 10.0) + 4.5
    step = np.full(len(data), 10.0)

    def log_likelihood(p):
        variance = pt.exp(2.0 * p[1]) * np.ones(len(data))
        return pt.sum(likelihood.within_step(middle - p[0], variance, step))

    found, best = greatest(log_likelihood, [middle.mean(), np.log(middle.std())])
    assert found[0] == pytest.approx(70.931743, abs=1e-5)
    assert np.exp(found[1]) == pytest.approx(13.684202, abs=1e-5)
    assert best == pytest.approx(-477.264136, abs=1e-5)


def test_student_scatter_is_that_of_statsmodels():
    """Regression of the stack-loss data (Brownlee 1965) with Student's t errors."""
    from statsmodels.datasets import stackloss
    from statsmodels.miscmodels.tmodel import TLinearModel

    data = stackloss.load_pandas()
    x = np.column_stack([np.ones(21), data.exog.to_numpy(float)])
    y = data.endog.to_numpy(float)
    theirs = TLinearModel(y, x).fit(disp=0, maxiter=5000, method="bfgs", gtol=1e-7)
    *coefficients, degrees, scale = theirs.params

    def log_likelihood(p):
        variance = pt.exp(2.0 * p[-1]) * np.ones(21)
        return pt.sum(likelihood.student(y - pt.dot(x, p[:4]), variance, pt.exp(p[4])))

    start = [*coefficients, np.log(degrees) + 0.1, np.log(scale) - 0.1]
    found, best = greatest(log_likelihood, start)
    assert best == pytest.approx(theirs.llf, abs=1e-5)
    assert found[:4] == pytest.approx(coefficients, rel=1e-3, abs=1e-3)
    assert np.exp(found[4:]) == pytest.approx([degrees, scale], rel=1e-3)


Z = np.concatenate([-np.logspace(2, -2, 30), [0.0], np.logspace(-2, 2, 30)])


def evaluated(graph, at):
    """Values and their slopes at the points `at`, one by one."""
    z = pt.dvector("z")
    values = graph(z)
    slopes = pytensor.grad(pt.sum(values), z)
    return pytensor.function([z], [values, slopes], mode="FAST_COMPILE")(at)


def test_both_tails_keep_their_digits_and_slopes():
    values, slopes = evaluated(lambda z: likelihood.at_least(z, pt.ones_like(z)), Z)
    assert values == pytest.approx(stats.norm.logsf(Z), rel=1e-12, abs=1e-300)
    # The hazard, from SciPy's logs.
    hazard = np.exp(stats.norm.logpdf(Z) - stats.norm.logsf(Z))
    assert slopes == pytest.approx(-hazard, rel=1e-9, abs=1e-300)


@pytest.mark.parametrize("step", [1e-3, 0.5, 10.0])
def test_a_step_is_a_difference_of_tails(step):
    values, slopes = evaluated(
        lambda z: likelihood.within_step(z, pt.ones_like(z), step * np.ones(len(Z))), Z
    )
    near, far = stats.norm.logsf(np.abs(Z) - step / 2), stats.norm.logsf(np.abs(Z) + step / 2)
    assert values == pytest.approx(near + np.log(-np.expm1(far - near)), rel=1e-9)
    assert np.all(np.isfinite(slopes))
    assert np.all(slopes[Z > 0.5] < 0)
    # A narrow step is the density times its width.
    if step == 1e-3:
        inner = np.abs(Z) < 5
        assert values[inner] == pytest.approx(stats.norm.logpdf(Z[inner]) + np.log(step), abs=1e-5)


def test_exact_rows_have_the_densities_of_scipy():
    ones = np.ones(len(Z))
    values, _ = evaluated(lambda z: likelihood.normal(z, 4.0 * ones), Z)
    assert values == pytest.approx(stats.norm.logpdf(Z, scale=2.0), rel=1e-12)
    values, _ = evaluated(
        lambda z: likelihood.student(z, 4.0 * ones, pt.constant(3.5, dtype="float64")), Z
    )
    assert values == pytest.approx(stats.t.logpdf(Z, 3.5, scale=2.0), rel=1e-12)
