"""Variance components by maximum likelihood, slopes and split plots included.

Sources: Davies & Goldsmith (1972), ch. 6; Belenky et al. (2003), the worked example of
Bates, Mächler, Bolker & Walker, J. Stat. Software 67(1) (2015), section 5; Cochran & Cox,
Experimental Designs, 2nd ed. (1957), p. 300; Pinheiro & Bates (2000), ch. 1. The digits
are those of R's lme4 on the same data; MixedModels.jl publishes the same criteria.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from restricted import profile_log_likelihood, restricted_mode
from scipy.optimize import minimize

from thermcmp.inference.conditional.marginal_likelihood import Kernel, Points


def maximum_likelihood(problem):
    """Variances, residual last, and the criterion -2 log L at its minimum."""
    kernel, size = Kernel(problem), float(np.std(problem.y))

    def criterion(x):
        x = np.abs(x)
        point = Points.of_one_set(np.zeros(1), size * x[None, :-1], size * x[-1:])
        return -2.0 * profile_log_likelihood(kernel, point)[0]

    start = restricted_mode(problem)
    x = np.append(start.spread[0], start.residual[0]) / size
    for _ in range(2):
        found = minimize(criterion, x, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-9})
        x = found.x
    return (size * np.abs(found.x)) ** 2, found.fun


SETS = {
    # data: (package, response, groups, variances, criterion)
    "Dyestuff": ("lme4", "Yield", ("Batch",), (4165 / 3, 2451.25), 327.3270599),
    "Dyestuff2": ("lme4", "Yield", ("Batch",), (0.0, 13.34609930666667), 162.8730367),
    "Penicillin": (
        "lme4",
        "diameter",
        ("plate", "sample"),
        (0.7149923, 3.1351888, 0.3024254),
        332.1883487,
    ),
    "Pastes": (
        "lme4",
        "strength",
        ("batch", "batch cask"),
        (1.1991555556, 8.4336666667, 0.678),
        247.9944659,
    ),
}


@pytest.mark.parametrize("name", SETS)
def test_published_maximum_likelihood_estimates(outside, components, name):
    package, response, groups, expected, crit = SETS[name]
    data = outside.r_data(package, name)
    ones = np.ones((len(data), 1))
    problem = components(data[response], ones, outside.grouping(data, groups))
    variances, found = maximum_likelihood(problem)
    assert found == pytest.approx(crit, abs=1e-5)
    # At the boundary the likelihood falls off linearly in a variance, so zero is sharp there.
    assert variances == pytest.approx(expected, rel=1e-4, abs=1e-5)


def slopes(data, components):
    """Intercept and slope of each subject, independent of one another."""
    days = data["Days"].to_numpy(float)
    fixed = np.stack([np.ones(len(data)), days], axis=1)
    problem = components(data["Reaction"], fixed, [data["Subject"], data["Subject"]])
    values = problem.values.copy()
    values[:, -1] = days
    return replace(problem, values=values)


def test_independent_intercepts_and_slopes(outside, components):
    """lme4 `Days + (Days || Subject)`: criteria 1743.669294 (REML) and 1752.003255 (ML)."""
    problem = slopes(outside.r_data("lme4", "sleepstudy"), components)
    mode = restricted_mode(problem)
    restricted = np.append(mode.spread[0], mode.residual[0]) ** 2
    assert restricted == pytest.approx((627.5691, 35.85820, 653.5838), rel=1e-5)
    assert -2.0 * Kernel(problem).log_likelihood(mode)[0] == pytest.approx(1743.669294, abs=1e-5)
    mean, _ = Kernel(problem).effect_moments(mode)
    assert mean[:2] == pytest.approx((251.405105, 10.467286), rel=1e-7)
    variances, crit = maximum_likelihood(problem)
    assert crit == pytest.approx(1752.003255, abs=1e-5)
    assert variances == pytest.approx((584.2501, 33.63314, 653.1160), rel=1e-4)


def test_split_plot_with_a_covariate(outside, components):
    """cake, `recipe + temp + (1 | recipe:replicate)`: lme4, both criteria and the slope."""
    data = outside.r_data("lme4", "cake")
    recipe = pd.get_dummies(data["recipe"], drop_first=True).to_numpy(float)
    temperature = data["temp"].to_numpy(float)[:, None]
    fixed = np.hstack([np.ones((len(data), 1)), recipe, temperature])
    problem = components(data["angle"], fixed, outside.grouping(data, ("recipe replicate",)))
    mode = restricted_mode(problem)
    assert np.append(mode.spread[0], mode.residual[0]) ** 2 == pytest.approx(
        (41.7976174, 20.7074178), rel=1e-5
    )
    assert -2.0 * Kernel(problem).log_likelihood(mode)[0] == pytest.approx(1693.844312, abs=1e-5)
    mean, cov = Kernel(problem).effect_moments(mode)
    assert mean[3] == pytest.approx(0.1580317, rel=1e-6)
    assert np.sqrt(cov[3, 3]) == pytest.approx(0.01621577, rel=1e-5)
    variances, crit = maximum_likelihood(problem)
    assert crit == pytest.approx(1696.157752, abs=1e-5)
    assert variances == pytest.approx((38.7963659, 20.6153848), rel=1e-4)


def test_treatments_beside_nested_groups(outside, components):
    """Machines, `Machine + (1 | Worker / Machine)`: lme4 maximum likelihood."""
    data = outside.r_data("nlme", "Machines")
    fixed = np.stack([np.ones(len(data)), data["Machine"].eq("B"), data["Machine"].eq("C")], axis=1)
    problem = components(data["score"], fixed, outside.grouping(data, ("Worker", "Worker Machine")))
    variances, crit = maximum_likelihood(problem)
    assert crit == pytest.approx(225.2694469, abs=1e-5)
    assert variances == pytest.approx((19.0487027, 11.5398462, 0.9246296), rel=1e-4)
