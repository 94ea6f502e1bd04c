"""The polynomial that proposes points where a likelihood is dear."""

import numpy as np
import pytest

from thermcmp.inference.conditional import engine
from thermcmp.inference.conditional.engine import Target, find_mode, run_conditional
from thermcmp.inference.conditional.marginal_likelihood import Kernel
from thermcmp.inference.conditional.polynomial_surrogate import fit_surrogate
from thermcmp.inference.conditional.problem import thermal_problem
from thermcmp.model.design import build_design
from thermcmp.model.terms import BUILT_IN
from thermcmp.physics.airflow import airflow_law
from thermcmp.results.validation import check_results


def quartic(z):
    """A log density with all that the polynomial holds, and its gradient."""
    x, y = z.T
    value = -0.5 * (x**2 + y**2) + 0.1 * x**3 - 0.05 * x * y**2 - 0.02 * x**2 * y**2 - 0.03 * y**4
    slope = [
        -x + 0.3 * x**2 - 0.05 * y**2 - 0.04 * x * y**2,
        -y - 0.1 * x * y - 0.04 * x**2 * y - 0.12 * y**3,
    ]
    return value, np.stack(slope, axis=1)


def test_a_polynomial_density_is_met_exactly():
    rng = np.random.default_rng(1)
    factor = np.array([[0.8, 0.0], [0.3, 1.1]])
    found = fit_surrogate(quartic, np.zeros(2), factor, rng)
    z = rng.uniform(-0.6, 0.6, (50, 2))
    # In slanted coordinates u_i³ u_j appears, which the form lacks.
    straight = fit_surrogate(quartic, np.zeros(2), np.diag([0.8, 1.1]), rng)
    assert straight.log_density(z) == pytest.approx(quartic(z)[0], abs=2e-3)
    assert found.log_density(z) == pytest.approx(quartic(z)[0], abs=0.05)


def test_far_out_it_is_bounded_by_what_was_seen():
    found = fit_surrogate(quartic, np.zeros(2), np.eye(2), np.random.default_rng(1))
    far = np.array([[1e3, 0.0], [0.0, -1e3], [1e3, 1e3]])
    assert np.all(found.log_density(far) < -1e5)


@pytest.fixture(scope="module")
def peers(demo):
    rows = check_results(demo[demo["sensor"].eq("memory")])
    design = build_design(rows, sensor=None, terms=BUILT_IN, law=airflow_law("power law"))
    return thermal_problem(design)


@pytest.mark.study
def test_large_problems_give_the_same_posterior(peers, monkeypatch):
    """The demo's peers, told to be large: means and spreads as by the plain sampler."""
    problem, priors = peers
    plain = run_conditional(problem, priors, draws=4000, seed=1)
    monkeypatch.setattr(engine, "LARGE", 1)
    asked = []
    by_surrogate = engine._by_surrogate

    def watched(*args):
        asked.append(by_surrogate(*args))
        return asked[-1]

    monkeypatch.setattr(engine, "_by_surrogate", watched)
    large = run_conditional(problem, priors, draws=4000, seed=2)
    assert len(asked) == 1
    for first, second in (
        (plain.points.spread, large.points.spread),
        (plain.points.exponent, large.points.exponent),
        (plain.points.residual, large.points.residual),
        (plain.effects[:, :20], large.effects[:, :20]),
    ):
        sd = first.std(axis=0)
        # Some 100 of the large problem's points count at least: four standard errors.
        assert np.all(np.abs(first.mean(axis=0) - second.mean(axis=0)) < 0.4 * sd)


def test_one_factorisation_gives_likelihood_and_draws(peers):
    problem, priors = peers
    kernel = Kernel(problem)
    target = Target(kernel, priors)
    mode, _ = find_mode(target, np.random.default_rng(0))
    points = target.points(np.vstack([mode, mode + 0.1]))
    value, effects = kernel.likelihood_and_effects(points, 3000, np.random.default_rng(1))
    assert value == pytest.approx(kernel.log_likelihood(points), rel=1e-12)
    for i in range(2):
        mean, cov = kernel.effect_moments(points.part(slice(i, i + 1)))
        mine = effects[3000 * i : 3000 * (i + 1)]
        z = (mine.mean(axis=0) - mean) / np.sqrt(np.diag(cov) / 3000)
        assert np.abs(z).max() < 5.0
