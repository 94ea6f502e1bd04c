"""The conditional engine against brute force, and against itself."""

import numpy as np
import pytest
from restricted import restricted_mode
from scipy.stats import halfnorm, skew

from thermcmp.errors import EngineError
from thermcmp.inference.conditional.engine import (
    CHAINS,
    Target,
    find_mode,
    run_conditional,
    systematic,
)
from thermcmp.inference.conditional.importance_sampling import (
    DEFENSIVE,
    NARROWEST,
    WIDEST,
    Effort,
    Mixture,
    Weighted,
    safe_cholesky,
    sample,
)
from thermcmp.inference.conditional.marginal_likelihood import Kernel
from thermcmp.inference.conditional.problem import thermal_problem
from thermcmp.inference.conditional.sinh_arcsinh import Warp, fit_warp
from thermcmp.inference.fitting import fit
from thermcmp.model.design import FIXED, build_design
from thermcmp.model.priors import HalfNormal
from thermcmp.model.terms import Role, Term
from thermcmp.physics.airflow import airflow_law
from thermcmp.results.validation import check_results

COOLER = Term("cooler_model", ("cooler_model",), Role.FACTOR, HalfNormal(5.0), "coolers")


@pytest.fixture(scope="module")
def tiny(make_rows):
    """Twelve runs: four coolers, three fan speeds each, two powers; three parameters in all."""
    rng = np.random.default_rng(7)
    cooler = np.repeat(np.arange(4), 3)
    speed = np.tile([1300.0, 1800.0, 2500.0], 4)
    power = np.tile([200.0, 240.0], 6)
    own = np.array([-3.0, 1.0, 2.0, 4.0])[cooler]
    rise = 12.0 + power / 200.0 * (38.0 + own + 30.0 * ((speed / 1800.0) ** -0.6 - 1.0))
    return make_rows(
        cooler_model=[f"C{i}" for i in cooler],
        cooler_id=[f"C{i}-1" for i in cooler],
        assembly=[f"m{i}" for i in cooler],
        fan_rpm=speed,
        power_w=power,
        temperature_c=22.0 + rise + rng.normal(0.0, 0.4, 12),
    )


def design_of(rows):
    return build_design(
        check_results(rows), sensor=None, terms=(COOLER,), law=airflow_law("power law")
    )


@pytest.fixture(scope="module")
def by_quadrature(tiny):
    """Posterior mean and sd of (exponent, spread, residual, effects) on a grid.

    Gauss-Hermite in the exponent, even in the prior's probability for both spreads, so
    every point weighs as its likelihood times its node's weight; the formulas are those
    of a joint normal, written out again here.
    """
    design = design_of(tiny)
    u = (np.arange(80) + 0.5) / 80
    scatter = halfnorm.ppf(u, scale=design.priors["residual sd"].scale)
    normals = [design.priors[name] for name in FIXED]
    prior = design.priors["airflow exponent"]
    node, share = np.polynomial.hermite_e.hermegauss(24)
    m, tau, sigma = (
        axis.ravel()
        for axis in np.meshgrid(
            prior.mean + prior.sd * node,
            halfnorm.ppf(u, scale=5.0),
            scatter,
        )
    )
    node_weight = np.broadcast_to(share[None, :, None], (80, 24, 80)).ravel()
    speed, rise = tiny["fan_rpm"].to_numpy(), (tiny["temperature_c"] - 22.0).to_numpy()
    levels = np.eye(4)[np.repeat(np.arange(4), 3)]
    p = (tiny["power_w"].to_numpy() / design.reference.power_w)[:, None]
    moments, logs = [], []
    for part in np.array_split(np.arange(len(m)), 60):
        flow = (speed / design.reference.flow_speed) ** -m[part, None] - 1.0
        w = np.concatenate(
            [
                np.broadcast_to(p, (len(part), 12, 1)),
                p * flow[:, :, None],
                np.broadcast_to(1.0 - p, (len(part), 12, 1)),
                np.broadcast_to(p * levels, (len(part), 12, 4)),
            ],
            axis=2,
        )
        fixed = np.broadcast_to([normal.sd for normal in normals], (len(part), 3))
        sd = np.column_stack([fixed, *[tau[part]] * 4])
        cross = sd[:, :, None] ** 2 * np.swapaxes(w, 1, 2)
        cov = w @ cross + sigma[part, None, None] ** 2 * np.eye(12)
        centre = np.array([*(normal.mean for normal in normals), 0.0, 0.0, 0.0, 0.0])
        apart = (rise - w @ centre)[:, :, None]
        inverse = np.linalg.inv(cov)
        logs.append(
            -0.5
            * (np.linalg.slogdet(cov)[1] + (np.swapaxes(apart, 1, 2) @ inverse @ apart)[:, 0, 0])
        )
        mean = centre + (cross @ inverse @ apart)[:, :, 0]
        gain = np.einsum("bij,bjk,bik->bi", cross, inverse, cross)
        moments.append(np.stack([mean, sd**2 - gain + mean**2], axis=1))
    weight = np.exp(np.concatenate(logs) - np.max(np.concatenate(logs)))
    weight *= node_weight
    weight /= weight.sum()
    first, second = np.einsum("b,bij->ij", weight, np.concatenate(moments))
    scalars = np.stack([m, tau, sigma])
    first = np.concatenate([scalars @ weight, first])
    second = np.concatenate([scalars**2 @ weight, second])
    return first, np.sqrt(second - first**2)


def test_posterior_is_that_of_brute_force_quadrature(tiny, by_quadrature):
    problem, priors = thermal_problem(design_of(tiny))
    found = run_conditional(problem, priors, draws=16000, seed=1)
    draws = np.column_stack(
        [
            found.points.exponent[:, 0],
            found.points.spread[:, 0],
            found.points.residual[:, 0],
            found.effects,
        ]
    )
    mean, sd = by_quadrature
    assert sd[2] > 0.02  # the residual is uncertain, so the grid has something to show
    error = 1.0 / np.sqrt(found.weighted.effective_size)
    assert error < 0.012
    # Four standard errors; for an sd the kurtosis of these tails doubles the usual half.
    assert np.max(np.abs(draws.mean(axis=0) - mean) / sd) < 4.0 * error
    assert np.max(np.abs(draws.std(axis=0) / sd - 1.0)) < 4.0 * error + 0.01


def test_the_mode_has_no_slope_and_the_right_width(tiny):
    problem, priors = thermal_problem(design_of(tiny))
    target = Target(Kernel(problem), priors)
    mode, factor = find_mode(target, np.random.default_rng(0))
    slope = target.value_and_gradient(mode[None, :])[1][0]
    # The climb stops within a tenth of the posterior's own width in each direction.
    assert np.max(np.abs(factor.T @ slope)) < 0.1
    step = 1e-3 * np.eye(3)
    ahead, behind = (target.value_and_gradient(mode + e)[1] for e in (step, -step))
    slopes = (ahead - behind) / 2e-3
    assert factor @ factor.T == pytest.approx(np.linalg.inv(-slopes), rel=1e-3, abs=1e-5)


def test_target_asks_for_one_prior_per_parameter(tiny):
    problem, priors = thermal_problem(design_of(tiny))
    with pytest.raises(EngineError, match="3 priors are needed, not 2"):
        Target(Kernel(problem), priors[1:])


def test_restricted_mode_refuses_an_airflow_term(tiny):
    with pytest.raises(EngineError, match="without an airflow term"):
        restricted_mode(thermal_problem(design_of(tiny))[0])


def test_same_seed_same_draws(tiny):
    one, same, other = (
        fit(tiny, draws=400, seed=seed, terms=["cooler_model"]).posterior for seed in (3, 3, 4)
    )
    assert one.identical(same)
    assert not one.identical(other)


def test_draws_are_laid_out_in_chains(tiny):
    posterior = fit(tiny, draws=400, seed=3, terms=["cooler_model"]).posterior
    assert dict(posterior.sizes) == {"chain": CHAINS, "draw": 100, "cooler_model level": 4}
    assert list(posterior["cooler_model level"].to_numpy()) == ["C0", "C1", "C2", "C3"]
    assert posterior["cooler_model"].dims == ("chain", "draw", "cooler_model level")


def contrast(fitted, first, second):
    levels = list(fitted.posterior["cooler_model level"].to_numpy())
    draws = fitted.draws("cooler_model")
    return draws[:, levels.index(second)] - draws[:, levels.index(first)]


def test_order_of_rows_does_not_matter(tiny):
    """Same seed, same proposals: only rounding and what it does to the mode differ."""
    one = fit(tiny, draws=4000, seed=3)
    other = fit(tiny.sample(frac=1.0, random_state=1), draws=4000, seed=3)
    for name in ("baseline", "airflow exponent", "residual sd", "cooler_model sd"):
        a, b = one.draws(name), other.draws(name)
        assert np.mean(b) == pytest.approx(np.mean(a), abs=0.02 * np.std(a))
    assert one.fingerprint != "" and len(one.fingerprint) == 64


def test_names_of_levels_do_not_matter(tiny):
    """Renamed so that the order is reversed: contrasts agree within Monte Carlo error."""
    names = {"C0": "Z", "C1": "Y", "C2": "X", "C3": "W"}
    other = tiny.assign(
        cooler_model=tiny["cooler_model"].map(names), cooler_id=tiny["cooler_id"] + "r"
    )
    a = contrast(fit(tiny, draws=8000, seed=3), "C0", "C3")
    b = contrast(fit(other, draws=8000, seed=3), "Z", "W")
    assert np.mean(b) == pytest.approx(np.mean(a), abs=4.0 * np.std(a) * np.sqrt(2.0 / 4000))
    assert np.std(b) == pytest.approx(np.std(a), rel=0.08)


@pytest.fixture(scope="module")
def mixture():
    return Mixture(
        (1.0 - DEFENSIVE) * np.array([0.7, 0.3]),
        np.array([[0.5, -0.3], [-1.0, 1.2]]),
        np.array([[[0.6, 0.0], [0.2, 0.4]], [[0.3, 0.0], [-0.1, 0.5]]]),
        Warp(
            np.array([0.2, -0.1]), np.array([0.8, 1.2]), np.array([0.4, -0.3]), np.array([0.9, 1.1])
        ),
    )


def test_proposal_density_integrates_to_one(mixture):
    # A warped t with 20 degrees of freedom and scale 0.7 has less than 1e-6 outside ±25.
    axis = np.linspace(-25.0, 25.0, 1501)
    grid = np.stack([side.ravel() for side in np.meshgrid(axis, axis)], axis=1)
    total = np.sum(np.exp(mixture.log_density(grid))) * (axis[1] - axis[0]) ** 2
    assert total == pytest.approx(1.0, abs=1e-5)


def test_proposal_draws_follow_their_density(mixture):
    """Share of draws in each cell against the integral of the density over the cell."""
    drawn = mixture.draw(200_000, np.random.default_rng(2))
    assert drawn.shape == (200_000, 2)
    edges = np.linspace(-3.0, 3.0, 13)
    counts = np.histogram2d(drawn[:, 0], drawn[:, 1], bins=[edges, edges])[0]
    fine = np.linspace(-3.0, 3.0, 12 * 20 + 1)
    centres = (fine[1:] + fine[:-1]) / 2.0
    x, y = np.meshgrid(centres, centres, indexing="ij")
    density = np.exp(mixture.log_density(np.stack([x.ravel(), y.ravel()], axis=1)))
    cells = density.reshape(12, 20, 12, 20).sum(axis=(1, 3)) * (fine[1] - fine[0]) ** 2
    expected = 200_000 * cells
    full = expected > 20
    z = (counts[full] - expected[full]) / np.sqrt(expected[full])
    assert full.sum() > 60
    # Components come in fixed proportions, so the counts vary a little less than Poisson's.
    assert np.max(np.abs(z)) < 4.5
    assert 0.6 < np.mean(z**2) < 1.4


def test_warp_is_undone_by_its_inverse_and_straightens_skewed_draws():
    rng = np.random.default_rng(4)
    x = np.column_stack([np.log(rng.gamma(2.0, size=4000)), rng.standard_normal(4000)])
    warp = fit_warp(x, np.full(4000, 1.0 / 4000))
    y, slope = warp.forward(x)
    assert warp.inverse(y) == pytest.approx(x, abs=1e-9)
    step = 1e-6
    moved = np.prod((warp.forward(x + step)[0] - y) / step, axis=1)
    assert slope == pytest.approx(np.log(moved), abs=1e-4)
    assert abs(skew(x[:, 0])) > 0.6
    assert np.max(np.abs(skew(y))) < 0.15
    assert y.std(axis=0) == pytest.approx([1.0, 1.0], abs=0.05)


def test_adapted_sampler_finds_a_correlated_target():
    """A bivariate normal with known moments, off centre from the first proposal."""
    mean, cov = np.array([1.0, -0.8]), np.array([[0.3, 0.18], [0.18, 0.2]])
    inverse = np.linalg.inv(cov)

    def log_target(x):
        apart = x - mean
        return -0.5 * np.einsum("ni,ij,nj->n", apart, inverse, apart)

    start = Mixture(np.array([1.0 - DEFENSIVE]), np.zeros((1, 2)), np.eye(2)[None], Warp.none(2))
    rng = np.random.default_rng(0)
    found = sample(log_target, start, Effort(rounds=3, size=700, count=8000), rng)
    assert found.effective_size > 0.5 * 8000
    w = found.weights
    apart = found.x - w @ found.x
    assert w @ found.x == pytest.approx(mean, abs=4.0 * np.sqrt(0.3 / 4000))
    assert (w[:, None] * apart).T @ apart == pytest.approx(cov, abs=0.03)
    # The mean of the raw weights estimates the target's integral, 2π √|C|.
    integral = np.mean(np.exp(found.log_weights))
    assert integral == pytest.approx(2.0 * np.pi * np.sqrt(np.linalg.det(cov)), rel=0.05)


def test_weights_are_normalised_and_undefined_targets_weigh_nothing():
    weighted = Weighted(np.zeros((3, 1)), np.array([1000.0, 1000.0 + np.log(3.0), -np.inf]))
    assert weighted.weights == pytest.approx([0.25, 0.75, 0.0])
    assert weighted.effective_size == pytest.approx(1.0 / (0.0625 + 0.5625))
    start = Mixture(np.array([1.0 - DEFENSIVE]), np.zeros((1, 1)), np.eye(1)[None], Warp.none(1))

    def holed(x):
        return np.where(x[:, 0] > 0, -0.5 * x[:, 0] ** 2, np.nan)

    found = sample(holed, start, Effort(1, 100, 1000), np.random.default_rng(1))
    assert found.weights[found.x[:, 0] <= 0].max() == 0.0
    assert found.weights.sum() == pytest.approx(1.0)


def test_systematic_resampling_keeps_the_shares():
    """Every draw comes floor(N w) or ceil(N w) times."""
    rng = np.random.default_rng(4)
    weights = rng.dirichlet(np.full(50, 0.3))
    counts = np.bincount(systematic(weights, 400, rng), minlength=50)
    assert counts.sum() == 400
    assert np.all(np.abs(counts - 400 * weights) < 1.0)


def test_covariances_are_kept_within_sensible_bounds():
    low = safe_cholesky(np.diag([1e-12, 1.0, 100.0]))
    assert np.diag(low) == pytest.approx([NARROWEST, 1.0, WIDEST])
