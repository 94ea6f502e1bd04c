"""Prior influence: closed form, ArviZ's own measure, and priors that do and do not decide."""

from dataclasses import replace

import arviz
import numpy as np
import pytensor.tensor as pt
import pytest
import xarray as xr
from scipy.stats import halfcauchy, norm

from thermcmp.inference.censoring import readings_of
from thermcmp.inference.checks.prior_sensitivity import (
    cumulative_distance,
    log_likelihood,
    power_scaling,
    prior_log_densities,
    sensitivity,
)
from thermcmp.inference.fitting import fit
from thermcmp.inference.nuts import likelihood
from thermcmp.model.observation import Steps
from thermcmp.model.priors import HalfNormal


@pytest.fixture(scope="module")
def model(revision):
    return fit(revision, draws=2000, seed=3)


def exact_distance(first, second, draws):
    """Distance of two distributions by quadrature, over the range that the draws reach."""
    x = np.linspace(draws.min(), draws.max(), 200_001)

    def one_sided(p, q):
        with np.errstate(divide="ignore", invalid="ignore"):
            inside = np.nan_to_num(p * np.log2(2 * p / (p + q)))
            inside += np.nan_to_num(q * np.log2(2 * q / (p + q)))
        return np.sqrt(np.sum(inside) / np.sum(p + q))

    below = one_sided(first.cdf(x), second.cdf(x))
    return max(below, one_sided(first.sf(x), second.sf(x)))


def test_distance_of_two_normals():
    """Nguyen & Vreeken 2015, sec. 3, by quadrature: a shifted and widened normal."""
    draws = norm.ppf((np.arange(40_000) + 0.5) / 40_000)
    near, far = norm(0.0, 1.0), norm(0.3, 1.2)
    weights = far.pdf(draws) / near.pdf(draws)
    found = cumulative_distance(draws[None, :], weights / weights.sum())[0]
    assert found == pytest.approx(exact_distance(near, far, draws), rel=0.01)


def test_a_conjugate_normal_by_its_closed_form():
    """Prior N(0, 1), one reading 3 with sd 1: the powered posteriors are normal too."""
    draws = np.random.default_rng(5).normal(1.5, np.sqrt(0.5), 40_000)

    def powered(prior, likelihood):
        precision = prior + likelihood
        return norm(3.0 * likelihood / precision, np.sqrt(1.0 / precision))

    def by_hand(at):
        moved = [exact_distance(powered(1.0, 1.0), powered(*at(a)), draws) for a in (0.99, 1.01)]
        return np.mean(np.array(moved) / np.abs(np.log2([0.99, 1.01])))

    prior = sensitivity(draws[None, :], norm(0.0, 1.0).logpdf(draws))[0]
    likelihood = sensitivity(draws[None, :], norm(3.0, 1.0).logpdf(draws))[0]
    assert prior == pytest.approx(by_hand(lambda a: (a, 1.0)), rel=0.03)
    assert likelihood == pytest.approx(by_hand(lambda a: (1.0, a)), rel=0.03)
    # A prior as wide as the reading's error, three of them off: both pull.
    assert min(prior, likelihood) > 0.05


def arviz_measure(quantities, log_density, part):
    """ArviZ's own sensitivity, whichever generation is installed."""
    chained = quantities.reshape(len(quantities), 4, -1)
    posterior = xr.Dataset({f"q{i}": (("chain", "draw"), q) for i, q in enumerate(chained)})
    group = {"prior": "log_prior", "likelihood": "log_likelihood"}[part]
    part_of = xr.Dataset({"lp": (("chain", "draw"), log_density.reshape(4, -1))})
    if hasattr(arviz, "psens"):
        data = arviz.InferenceData(**{"posterior": posterior, group: part_of})
        found = arviz.psens(data, component=part)
    else:
        tree = xr.DataTree.from_dict({"posterior": posterior, group: part_of})
        found = arviz.psense(tree, group=part, alphas=(1.0 / 1.01, 1.01))
    return np.array([float(found[f"q{i}"]) for i in range(len(quantities))])


@pytest.mark.parametrize("part", ["prior", "likelihood"])
def test_it_agrees_with_arviz(model, part):
    names = ["baseline", "airflow exponent", "assembly sd", "session sd", "memory_vendor sd"]
    quantities = np.stack([model.draws(name) for name in names if name in model.parameter_names])
    density = {"prior": prior_log_densities(model).sum(axis=0), "likelihood": log_likelihood(model)}
    found = sensitivity(quantities, density[part], alphas=(1.0 / 1.01, 1.01))
    # Same draws and same distance; the two generations smooth other numbers of weights.
    assert found == pytest.approx(arviz_measure(quantities, density[part], part), rel=0.05)


def test_densities_are_those_of_scipy(model):
    by_name = dict(zip(model.parameter_names, prior_log_densities(model), strict=True))
    baseline, spread = model.priors["baseline"], model.priors["assembly sd"]
    expected = norm(baseline.mean, baseline.sd).logpdf(model.draws("baseline"))
    assert by_name["baseline"] == pytest.approx(expected, abs=1e-9)
    tail = halfcauchy(scale=spread.scale)
    expected = tail.logpdf(model.draws("assembly sd")) - tail.logcdf(spread.limit)
    assert by_name["assembly sd"] == pytest.approx(expected, abs=1e-6)


def test_a_reading_at_the_limit_counts_as_at_least_this(clamped_fit):
    found = log_likelihood(clamped_fit)
    design, i = clamped_fit.design, 11
    mean = design.power_ratio * (
        clamped_fit.draws("baseline")[i] + clamped_fit.draws("cooler_model")[i][design.index[:, 0]]
    )
    rest = norm(mean, clamped_fit.draws("residual sd")[i])
    expected = np.where(
        design.at_limit, rest.logsf(design.rise_k), rest.logpdf(design.rise_k)
    ).sum()
    assert found[i] == pytest.approx(expected, rel=1e-6)


def test_a_tight_prior_decides_and_is_named(make_rows):
    rng = np.random.default_rng(2)
    hot = np.repeat([0, 1, 0, 1], 4)
    rows = make_rows(
        cooler_model=np.where(hot, "Heron-C2", "Heron-C1"),
        cooler_id=np.where(hot, "Heron-C2-1", "Heron-C1-1"),
        assembly=np.repeat(["m1", "m2", "m3", "m4"], 4),
        temperature_c=70.0 + 4.0 * hot + rng.normal(0.0, 0.3, 16),
    )
    terms = ["cooler_model", "assembly"]
    usual = {"assembly sd": HalfNormal(2.0), "cooler_model sd": HalfNormal(10.0)}
    tight = usual | {"cooler_model sd": HalfNormal(0.5)}
    for priors, decides in ((usual, False), (tight, True)):
        model = fit(rows, terms=terms, priors=priors, draws=2000, seed=1)
        gap = model.draws("cooler_model")
        found = power_scaling(model, (gap[:, 1] - gap[:, 0])[None, :])
        assert (found.words[0] != "ok") is decides
        assert found.strongest[0] == ("cooler_model sd" if decides else "")


def test_what_stands_still_has_no_sensitivity():
    quantities = np.array([np.ones(500), np.full(500, np.nan), np.arange(500.0)])
    found = sensitivity(quantities, -np.arange(500.0) / 100.0)
    assert np.isnan(found[:2]).all()
    assert found[2] > 0.0


def test_intervals_and_limits_count_as_in_the_general_engine(clamped_fit):
    """Readings are sorted by one function: a row that is at the limit and on a step, too."""
    design, i = clamped_fit.design, 11
    # Two rows on a step, one of them at the limit; its standard error is known besides.
    step, limit = np.zeros(len(design.rows)), int(np.flatnonzero(design.at_limit)[0])
    step[[0, limit]] = 2.0
    known = design.known_variance + step**2 / 12.0
    known[0] += 0.09
    stepped = replace(design, steps=Steps.INTERVAL, step_k=step, known_variance=known)
    found = log_likelihood(replace(clamped_fit, design=stepped))
    mean = design.power_ratio * (
        clamped_fit.draws("baseline")[i] + clamped_fit.draws("cooler_model")[i][design.index[:, 0]]
    )
    residual = clamped_fit.draws("residual sd")[i]
    expected = np.where(
        design.at_limit,
        norm(mean, residual).logsf(design.rise_k - step / 2.0),
        norm(mean, residual).logpdf(design.rise_k),
    )
    inside = norm(mean[0], np.sqrt(residual**2 + 0.09)).cdf(design.rise_k[0] + np.array([-1, 1]))
    expected[0] = np.log(inside[1] - inside[0])
    assert found[i] == pytest.approx(expected.sum(), rel=1e-9)
    # The general engine's own words for the same rows.
    away = pt.as_tensor_variable(design.rise_k - mean)
    readings = readings_of(stepped)
    assert readings.step.tolist() == [0]
    assert limit in readings.limit
    variance = residual**2 + readings.variance
    own = likelihood.at_least((readings.bound - mean)[readings.limit], variance[readings.limit])
    assert float(own.sum().eval()) == pytest.approx(expected[design.at_limit].sum(), rel=1e-9)
    own = likelihood.within_step(away[:1], variance[:1], step[:1])
    assert float(own.sum().eval()) == pytest.approx(expected[0], rel=1e-9)


def test_a_step_wider_than_its_variance_divides_by_nothing(clamped_fit):
    """A scatter of nothing and an interval: the row is inside its step or it is not."""
    design = clamped_fit.design
    step = np.where(design.at_limit, 0.0, 1.0)
    silent = replace(
        design,
        steps=Steps.INTERVAL,
        step_k=step,
        run_scatter=np.zeros(len(step)),
        known_variance=step**2 / 12.0,
    )
    assert not np.isnan(log_likelihood(replace(clamped_fit, design=silent))).any()
