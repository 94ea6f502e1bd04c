"""The exact algebra against dense linear algebra done the long way round."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2, multivariate_normal

from thermcmp.inference.conditional.marginal_likelihood import Kernel, Points
from thermcmp.inference.conditional.problem import GaussianProblem, thermal_problem
from thermcmp.model.design import build_design
from thermcmp.model.terms import BUILT_IN
from thermcmp.physics.airflow import airflow_law
from thermcmp.results.validation import check_results


@pytest.fixture(scope="module")
def problem(make_rows):
    """Eighteen runs, three coolers on two boards, speeds and powers that vary."""
    rng = np.random.default_rng(11)
    cooler, board = rng.integers(0, 3, 18), rng.integers(0, 2, 18)
    specimen, assembly = rng.integers(0, 2, 18), rng.integers(0, 2, 18)
    rows = make_rows(
        cooler_model=[f"C{i}" for i in cooler],
        cooler_id=[f"C{i}-{j}" for i, j in zip(cooler, specimen, strict=True)],
        board_model=[f"B{i}" for i in board],
        board_id=[f"B{i}-1" for i in board],
        assembly=[str(v) for v in 1000 * cooler + 100 * specimen + 10 * board + assembly],
        temperature_c=rng.normal(75.0, 5.0, 18),
        fan_rpm=rng.uniform(1200.0, 2600.0, 18),
        power_w=rng.uniform(150.0, 250.0, 18),
        resolution_k=0.5,
        n=[1] * 16 + [5, 5],
        standard_error_k=[np.nan] * 16 + [0.3, 0.4],
    )
    design = build_design(
        check_results(rows), sensor=None, terms=BUILT_IN, law=airflow_law("power law")
    )
    return thermal_problem(design)[0]


@pytest.fixture(scope="module")
def points(problem):
    rng = np.random.default_rng(5)
    count = len(problem.spreads) - 1
    return Points.of_one_set(
        rng.uniform(0.4, 0.9, 7), rng.uniform(0.1, 4.0, (7, count)), rng.uniform(0.1, 1.0, 7)
    )


def dense(problem, exponent, spread, residual):
    """Coefficients W, row variances, prior mean and variance of the effects."""
    n, q = len(problem.y), problem.effect_count
    flow = np.zeros((n, 1)) if problem.airflow is None else problem.airflow(np.array([[exponent]]))
    w = np.zeros((n, q))
    for i in range(n):
        for place, column in enumerate(problem.columns[i]):
            factor = flow[i, 0] if problem.flow[place] else 1.0
            w[i, column] += problem.values[i, place] * factor
    v = problem.run_scatter * residual**2 + problem.known_variance
    prior = np.array(
        [
            sd if k < 0 else spread[k]
            for k, sd in zip(problem.scale_of, problem.fixed_sd, strict=True)
        ]
    )
    return w, v, problem.fixed_mean, prior**2


def each(points):
    return zip(points.exponent[:, 0], points.spread, points.residual[:, 0], strict=True)


def test_log_likelihood_is_that_of_a_multivariate_normal(problem, points):
    expected = []
    for point in each(points):
        w, v, mean, prior = dense(problem, *point)
        law = multivariate_normal(w @ mean, (w * prior) @ w.T + np.diag(v))
        expected.append(law.logpdf(problem.y))
    # Baselines of 50 K sd against scatter of 0.1 K: some 1e-10 of a few hundred is lost.
    assert Kernel(problem).log_likelihood(points) == pytest.approx(expected, rel=1e-9)


def test_flat_effects_give_the_restricted_likelihood(problem, points):
    """The likelihood of n - p residual contrasts (Patterson & Thompson 1971), plus log|X'X|/2."""
    flat = replace(problem, fixed_sd=np.where(problem.scale_of < 0, np.inf, 1.0))
    expected = []
    for point in each(points):
        w, v, _, prior = dense(problem, *point)
        fixed, random = w[:, problem.scale_of < 0], problem.scale_of >= 0
        u, s, _ = np.linalg.svd(fixed)
        contrasts = u[:, fixed.shape[1] :]
        cov = (w[:, random] * prior[random]) @ w[:, random].T + np.diag(v)
        reduced = contrasts.T @ cov @ contrasts
        law = multivariate_normal(np.zeros(len(reduced)), reduced)
        expected.append(law.logpdf(contrasts.T @ problem.y) - np.sum(np.log(s)))
    assert Kernel(flat).log_likelihood(points) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("flat", [False, True])
def test_gradient_is_the_slope_of_the_log_likelihood(problem, points, flat):
    if flat:
        problem = replace(problem, fixed_sd=np.where(problem.scale_of < 0, np.inf, 1.0))
    kernel = Kernel(problem)
    count = points.spread.shape[1]
    for i in range(len(points)):
        one = points.part(slice(i, i + 1))
        value, slope = kernel.gradient(one)
        assert value == pytest.approx(kernel.log_likelihood(one), rel=1e-12)
        x = np.concatenate([one.exponent[0], one.spread[0], one.residual[0]])
        found = np.concatenate([slope.exponent[0], slope.spread[0], slope.residual[0]])

        def at(x):
            point = Points.of_one_set(x[:1], x[None, 1 : 1 + count], x[-1:])
            return kernel.log_likelihood(point)[0]

        step = 1e-5
        numeric = [(at(x + step * e) - at(x - step * e)) / (2 * step) for e in np.eye(len(x))]
        # Central differences: rounding 1e-12/1e-5 and curvature 1e-10, both below 1e-6.
        assert found == pytest.approx(numeric, rel=1e-5, abs=1e-5)


def conditional(problem, point):
    """Mean and covariance of the effects by the formula for a joint normal."""
    w, v, mean, prior = dense(problem, *point)
    cross = prior[:, None] * w.T
    gain = cross @ np.linalg.inv(w @ cross + np.diag(v))
    return mean + gain @ (problem.y - w @ mean), np.diag(prior) - gain @ cross.T


def test_effect_moments_are_those_of_gaussian_conditioning(problem, points):
    kernel = Kernel(problem)
    for i, point in enumerate(each(points)):
        mean, cov = kernel.effect_moments(points.part(slice(i, i + 1)))
        expected_mean, expected_cov = conditional(problem, point)
        assert mean == pytest.approx(expected_mean, rel=1e-8, abs=1e-8)
        assert cov == pytest.approx(expected_cov, rel=1e-6, abs=1e-7)


def test_drawn_effects_have_the_exact_mean_and_covariance(problem, points):
    """4000 draws at one point, whitened: Hotelling's T² and the Wishart trace."""
    size = 4000
    one = points.part(slice(0, 1))
    drawn = Kernel(problem).draw_effects(one, np.zeros(size, np.intp), np.random.default_rng(3))
    mean, cov = Kernel(problem).effect_moments(one)
    values, vectors = np.linalg.eigh(cov)
    kept = values > 1e-10 * values[-1]
    z = (drawn - mean) @ vectors[:, kept] / np.sqrt(values[kept])
    d = int(kept.sum())
    # Each bound is passed by chance once in a thousand seeds; this seed is fixed.
    assert size * np.sum(z.mean(axis=0) ** 2) < chi2.ppf(0.999, d)
    low, high = chi2.ppf([0.0005, 0.9995], size * d)
    assert low < np.sum(z**2) < high
    off = (z.T @ z / size)[np.triu_indices(d, 1)]
    assert size * np.sum(off**2) < chi2.ppf(0.999, len(off))


def test_results_do_not_depend_on_how_points_are_batched(problem, points, monkeypatch):
    whole = Kernel(problem)
    assert whole.batch >= len(points)
    monkeypatch.setattr("thermcmp.inference.conditional.marginal_likelihood.BATCH_NUMBERS", 1)
    split = Kernel(problem)
    assert split.batch == 1
    assert split.log_likelihood(points) == pytest.approx(whole.log_likelihood(points), rel=1e-12)
    one = whole.draw_effects(points, np.arange(7), np.random.default_rng(0))
    other = split.draw_effects(points, np.arange(7), np.random.default_rng(0))
    assert other == pytest.approx(one, rel=1e-9, abs=1e-9)
    # One system at a time goes by loops of its own.
    for ours, theirs in zip(split.gradient(points)[1:], whole.gradient(points)[1:], strict=True):
        for name in ("exponent", "spread", "residual"):
            assert getattr(ours, name) == pytest.approx(getattr(theirs, name), rel=1e-9, abs=1e-9)


def test_a_spread_of_zero_removes_its_effects(problem, points):
    spread = points.spread.copy()
    spread[:, 2] = 0.0
    none = replace(points, spread=spread)
    kernel = Kernel(problem)
    expected = []
    for point in each(none):
        w, v, mean, prior = dense(problem, *point)
        law = multivariate_normal(w @ mean, (w * prior) @ w.T + np.diag(v))
        expected.append(law.logpdf(problem.y))
    assert kernel.log_likelihood(none) == pytest.approx(expected, rel=1e-9)
    drawn = kernel.draw_effects(none, np.arange(7), np.random.default_rng(0))
    assert np.all(drawn[:, problem.scale_of == 2] == 0.0)
    assert np.all(np.isfinite(kernel.gradient(none.part(slice(0, 1)))[1].spread))


def test_a_residual_of_zero_stays_finite(points):
    """Exact repeats and no stated error: the likelihood has a pole, the algebra has none."""
    problem = GaussianProblem(
        y=np.array([60.0, 60.0, 62.0, 62.0]),
        known_variance=np.zeros(4),
        run_scatter=np.ones(4),
        columns=np.array([[0, 1], [0, 1], [0, 2], [0, 2]], np.intp),
        values=np.ones((4, 2)),
        flow=np.zeros(2, bool),
        scale_of=np.array([-1, 0, 0], np.intp),
        fixed_mean=np.array([50.0, 0.0, 0.0]),
        fixed_sd=np.array([50.0, 1.0, 1.0]),
        spreads=("part sd", "residual sd"),
    )
    point = Points.of_one_set(np.zeros(1), np.ones((1, 1)), np.zeros(1))
    value, slope = Kernel(problem).gradient(point)
    assert np.isfinite(value)
    assert np.all(np.isfinite(slope.spread))
    assert slope.residual[0, 0] == 0.0
