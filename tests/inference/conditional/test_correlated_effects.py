"""Correlated effects: the algebra by brute force, and published variance components.

Sources: Belenky et al. (2003) as worked by Bates, Mächler, Bolker & Walker, J. Stat.
Software 67(1) (2015), section 5; Pinheiro & Bates, Mixed-Effects Models in S and S-PLUS
(2000), 1.3. The digits are those of R's lme4 on the same data; MixedModels.jl publishes
the same criteria.
"""

from dataclasses import replace

import numpy as np
import pytest
from restricted import profile_log_likelihood, restricted_mode
from scipy.stats import beta, multivariate_normal

from thermcmp.inference.conditional.correlated_effects import correlation
from thermcmp.inference.conditional.marginal_likelihood import Kernel, Points
from thermcmp.inference.conditional.problem import Link
from thermcmp.model.priors import Correlation, correlation_priors


def linked(problem, starts, levels):
    """The problem with effects of several spreads correlated, level by level."""
    effects = np.arange(levels)[:, None] + np.asarray(starts)
    link = Link(len(starts), ((np.arange(len(starts)), effects),))
    return replace(problem, links=(link,))


def estimates(problem):
    mode = restricted_mode(problem)
    size = problem.links[0].size
    omega = correlation(mode.partial, size)[0]
    crit = -2.0 * Kernel(problem).log_likelihood(mode)[0]
    return mode, omega, crit


def test_correlated_intercepts_and_slopes(outside, components):
    """lme4 `Days + (Days | Subject)`, REML: printed 612.1002, 35.0717, 654.9400, corr 0.066."""
    data = outside.r_data("lme4", "sleepstudy")
    days = data["Days"].to_numpy(float)
    fixed = np.stack([np.ones(len(data)), days], axis=1)
    problem = components(data["Reaction"], fixed, [data["Subject"], data["Subject"]])
    values = problem.values.copy()
    values[:, -1] = days
    problem = linked(replace(problem, values=values), (2, 20), 18)
    mode, omega, crit = estimates(problem)
    variances = np.append(mode.spread[0], mode.residual[0]) ** 2
    assert variances == pytest.approx((612.0897, 35.07166, 654.9410), rel=1e-5)
    assert omega[0, 1] == pytest.approx(0.0655513, rel=1e-4)
    assert crit == pytest.approx(1743.628272, abs=1e-5)
    mean, cov = Kernel(problem).effect_moments(mode)
    assert mean[:2] == pytest.approx((251.405105, 10.467286), rel=1e-7)
    assert np.sqrt(np.diag(cov)[:2]) == pytest.approx((6.824556, 1.545789), rel=1e-5)
    # Maximum likelihood: the criterion at lme4's estimates, 1751.93934446 by MixedModels.jl too.
    at_best = replace(
        mode,
        spread=np.sqrt([[565.5153, 32.68220]]),
        residual=np.sqrt([[654.9410]]),
        partial=np.array([[0.08132]]),
    )
    best = -2.0 * profile_log_likelihood(Kernel(problem), at_best)[0]
    assert best == pytest.approx(1751.939344, abs=1e-5)
    # Predicted effects of the first two subjects (308 and 309), in the order of the levels.
    assert mean[[2, 20]] == pytest.approx((2.258566, 9.198972), rel=1e-4)
    assert mean[[3, 21]] == pytest.approx((-40.398577, -8.619703), rel=1e-4)


def test_three_correlated_effects(outside, components):
    """Machines, one effect per worker and machine: `Machine + (Machine - 1 | Worker)`, REML."""
    data = outside.r_data("nlme", "Machines")
    worker = data["Worker"].astype(str)
    is_on = np.stack([data["Machine"].eq(m) for m in "ABC"], axis=1).astype(float)
    fixed = np.column_stack([np.ones(len(data)), is_on[:, 1:]])
    problem = components(data["score"], fixed, [worker, worker, worker])
    values = problem.values.copy()
    values[:, 3:] = is_on
    problem = linked(replace(problem, values=values), (3, 9, 15), 6)
    mode, omega, crit = estimates(problem)
    assert crit == pytest.approx(208.3112183, abs=1e-5)
    assert mode.spread[0] ** 2 == pytest.approx((16.64053, 74.39561, 19.26752), rel=1e-4)
    assert mode.residual[0, 0] ** 2 == pytest.approx(0.92463, rel=1e-5)
    found = (omega[0, 1], omega[0, 2], omega[1, 2])
    assert found == pytest.approx((0.80275, 0.62250, 0.77083), abs=2e-5)


@pytest.fixture(scope="module")
def two_sets():
    """Two sets of rows, three linked spreads, of which one level lacks the second."""
    rng = np.random.default_rng(2)
    from thermcmp.inference.conditional.problem import GaussianProblem

    n, levels = 24, 4
    columns = np.empty((n, 3), np.intp)
    set_of = np.repeat([0, 1], n // 2)
    level = np.tile(np.arange(n // 2) % levels, 2)
    columns[:, 0] = set_of
    # Spread 0 on the first set; spreads 1 (on airflow) and 2 on the second.
    columns[:, 1] = np.where(set_of == 0, 2 + level, 6 + np.minimum(level, 2))
    columns[:, 2] = np.where(set_of == 0, 2 + level, 9 + level)
    values = rng.uniform(0.8, 1.2, (n, 3))
    values[:12, 2] = 0.0
    whole, part = np.array([0, 1, 2]), np.array([0, 2])
    full_levels = np.array([[2 + i, 6 + i, 9 + i] for i in range(3)])
    short_level = np.array([[5, 12]])
    ratio = rng.uniform(0.7, 1.4, n)[:, None]
    return GaussianProblem(
        y=rng.normal(50.0, 3.0, n),
        known_variance=np.full(n, 0.01),
        run_scatter=np.ones(n),
        columns=columns,
        values=values,
        flow=np.array([False, True, False]),
        scale_of=np.repeat([-1, 0, 1, 2], [2, 4, 3, 4]).astype(np.intp),
        fixed_mean=np.concatenate([[50.0, 48.0], np.zeros(11)]),
        fixed_sd=np.concatenate([[20.0, 15.0], np.ones(11)]),
        spreads=("a", "b", "c", "residual 1", "residual 2"),
        airflow=lambda m: ratio**-m - 1.0,
        airflow_slope=lambda m: -np.log(ratio) * ratio**-m,
        set_of=set_of,
        links=(Link(3, ((whole, full_levels), (part, short_level))),),
    )


@pytest.fixture(scope="module")
def points():
    rng = np.random.default_rng(9)
    return Points(
        rng.uniform(0.4, 0.9, (5, 2)),
        rng.uniform(0.3, 3.0, (5, 3)),
        rng.uniform(0.2, 1.0, (5, 2)),
        rng.uniform(-0.9, 0.9, (5, 3)),
    )


def dense(problem, points, i):
    """Prior mean, prior covariance, coefficients and row variances at one point."""
    factor = problem.airflow(points.exponent[i][problem.set_of][:, None])[:, 0]
    w = np.zeros((len(problem.y), problem.effect_count))
    for place, flow in enumerate(problem.flow):
        np.add.at(
            w,
            (np.arange(len(w)), problem.columns[:, place]),
            problem.values[:, place] * (factor if flow else 1.0),
        )
    v = points.residual[i][problem.set_of] ** 2 + problem.known_variance
    sd = np.where(problem.scale_of < 0, problem.fixed_sd, points.spread[i][problem.scale_of])
    omega = np.eye(problem.effect_count)
    matrix = correlation(points.partial[[i]], 3)[0]
    for members, effects in problem.links[0].blocks:
        for level in effects:
            omega[np.ix_(level, level)] = matrix[np.ix_(members, members)]
    return problem.fixed_mean, sd[:, None] * omega * sd, w, v


def test_likelihood_and_moments_are_those_of_a_multivariate_normal(two_sets, points):
    kernel = Kernel(two_sets)
    found = kernel.log_likelihood(points)
    for i in range(len(points)):
        mean, cov, w, v = dense(two_sets, points, i)
        whole = w @ cov @ w.T + np.diag(v)
        assert found[i] == pytest.approx(
            multivariate_normal(w @ mean, whole).logpdf(two_sets.y), rel=1e-10
        )
        gain = cov @ w.T @ np.linalg.inv(whole)
        got_mean, got_cov = kernel.effect_moments(points.part(slice(i, i + 1)))
        assert got_mean == pytest.approx(mean + gain @ (two_sets.y - w @ mean), rel=1e-8, abs=1e-8)
        assert got_cov == pytest.approx(cov - gain @ w @ cov, rel=1e-6, abs=1e-8)


def test_gradient_is_the_slope(two_sets, points):
    kernel = Kernel(two_sets)
    _, slope = kernel.gradient(points)
    for name in ("exponent", "spread", "residual", "partial"):
        values = getattr(points, name)
        for j in range(values.shape[1]):
            step = 1e-5 * np.eye(values.shape[1])[j]
            ahead = kernel.log_likelihood(replace(points, **{name: values + step}))
            behind = kernel.log_likelihood(replace(points, **{name: values - step}))
            expected = (ahead - behind) / 2e-5
            assert getattr(slope, name)[:, j] == pytest.approx(expected, rel=1e-5, abs=1e-5)


def test_drawn_effects_of_a_level_have_their_covariance(two_sets, points):
    one = points.part(slice(0, 1))
    kernel, size = Kernel(two_sets), 20_000
    drawn = kernel.draw_effects(one, np.zeros(size, np.intp), np.random.default_rng(4))
    mean, cov = kernel.effect_moments(one)
    # Five standard errors of a mean and, by the Wishart law, of a covariance.
    sd = np.sqrt(np.diag(cov))
    assert np.abs(drawn.mean(axis=0) - mean).max() < 5 * sd.max() / np.sqrt(size)
    bound = 5 * np.sqrt((sd[:, None] * sd) ** 2 + cov**2) / np.sqrt(size)
    assert np.all(np.abs(np.cov(drawn.T) - cov) < bound)


def test_correlations_drawn_from_their_prior_have_the_published_margins():
    """Under the prior every correlation has 2 Beta(a, a) - 1 with a = shape + K/2 - 1.

    Lewandowski, Kurowicka & Joe (2009), theorem in section 3: the margins are alike.
    """
    rng = np.random.default_rng(8)
    size, shape = 3, 2.0
    priors = correlation_priors(size, shape)
    partial = np.stack([p.from_standard(rng.standard_normal(40_000)) for p in priors], axis=1)
    omega = correlation(partial, size)
    assert np.linalg.eigvalsh(omega).min() > 0
    a = shape + size / 2 - 1
    for i, j in ((1, 0), (2, 0), (2, 1)):
        grid = np.linspace(-0.9, 0.9, 19)
        found = np.mean(omega[:, i, j][:, None] <= grid, axis=0)
        # Four standard errors of a share of 40,000.
        assert found == pytest.approx(beta(a, a).cdf((grid + 1) / 2), abs=0.01)


def test_prior_of_a_correlation_maps_back_and_forth():
    prior = Correlation(2.0)
    z = np.linspace(-7.0, 7.0, 57)
    value = prior.from_standard(z)
    assert np.all(np.diff(value) > 0)
    assert np.abs(value).max() < 1
    assert prior.to_standard(value) == pytest.approx(z, abs=1e-6)
    step = 1e-6
    numeric = (prior.from_standard(z + step) - prior.from_standard(z - step)) / (2 * step)
    assert prior.derivative(z) == pytest.approx(numeric, rel=1e-4, abs=1e-9)
    assert prior.standard_deviation == pytest.approx(2 * beta(2, 2).std())
