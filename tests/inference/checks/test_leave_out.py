"""Rows left out: closed forms, dense conditioning, and fits without the rows."""

from dataclasses import replace

import numpy as np
import pytest
from dyestuff import FLAT, SIGMA, TAU, at_known_spreads, dyestuff_rows
from scipy.stats import multivariate_normal

from thermcmp.inference.arviz_adapter import smoothed_columns, smoothed_weights
from thermcmp.inference.checks.leave_out import LeaveOut, draws_for
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.refits import fit_without
from thermcmp.inference.checks.residuals import (
    airflow_factor,
    design_matrices,
    parameter_points,
    row_variance,
)
from thermcmp.inference.conditional.marginal_likelihood import Kernel
from thermcmp.inference.conditional.problem import thermal_problem
from thermcmp.inference.diagnostics import pareto_limit
from thermcmp.inference.fitting import fit


@pytest.mark.parametrize(("draws", "limit"), [(100, 0.5), (2200, 0.7), (4000, 0.7), (400, 0.61568)])
def test_limit_of_pareto_k(draws, limit):
    """min(1 - 1/log10 S, 0.7): Vehtari et al., JMLR 25 (2024) 72, sec. 3.2.4."""
    assert pareto_limit(draws) == pytest.approx(limit, abs=1e-5)


@pytest.fixture(scope="module")
def model(revision):
    return fit(revision, draws=2000, seed=3)


def contrast_of(model, factor):
    weights = np.zeros((1, model.design.effect_count))
    start = model.design.offsets[model.design.term_position(factor)]
    weights[0, start : start + 2] = -1.0, 1.0
    return weights


def test_one_draw_agrees_with_dense_conditioning(model):
    """Joint normal of rows and contrast at one draw, conditioned on the other rows."""
    units, weights = units_of(model, "assembly"), contrast_of(model, "cooler_model")
    study = LeaveOut(model, [units.codes], draws=100)
    (found,) = study.each()
    without = study.at_draws(weights, np.array([0, 5]))
    chosen = np.unique(np.linspace(0, 1999, 100).astype(int))
    scores = []
    for place in (0, 57):
        i = chosen[place]
        problem = thermal_problem(model.design)[0]
        sds = [model.draws(term.spread)[i] for term in model.design.terms]
        prior = np.where(
            problem.scale_of < 0, problem.fixed_sd, np.array([*sds, 0.0])[problem.scale_of]
        )
        still, flow = (side.toarray() for side in design_matrices(model.design))
        h = airflow_factor(model.design, model.draws("airflow exponent")[[i]])[0]
        w = still + h[:, None] * flow
        joint = np.vstack([w, weights])
        cov = joint @ np.diag(prior**2) @ joint.T
        n = len(w)
        cov[:n, :n] += np.diag(row_variance(model, np.array([i]))[0])
        mean, y = joint @ problem.fixed_mean, model.design.rise_k
        for at, group in enumerate((0, 5)):
            own = np.flatnonzero(units.codes == group)
            others = np.flatnonzero(units.codes != group)
            wanted = [*own, n]
            gain = np.linalg.solve(cov[np.ix_(others, others)], cov[np.ix_(others, wanted)]).T
            middle = mean[wanted] + gain @ (y[others] - mean[others])
            spread = cov[np.ix_(wanted, wanted)] - gain @ cov[np.ix_(others, wanted)]
            rest = np.mean(y[own] - middle[:-1])
            assert found.rest[place, group] == pytest.approx(rest, abs=1e-7)
            sd = np.sqrt(spread[:-1, :-1].sum()) / len(own)
            assert found.rest_sd[place, group] == pytest.approx(sd, rel=1e-7)
            assert without[0][place, at, 0] == pytest.approx(middle[-1], abs=1e-7)
            assert without[1][place, at, 0] == pytest.approx(np.sqrt(spread[-1, -1]), rel=1e-6)
            scores.append(multivariate_normal.logpdf(y[own], middle[:-1], spread[:-1, :-1]))
    # Weights are the inverse densities, but for their factor and the smoothed largest ones.
    ratio = np.log(found.weights[0, [0, 5]] / found.weights[57, [0, 5]])
    expected = np.array(scores[2:]) - np.array(scores[:2])
    assert ratio == pytest.approx(expected, abs=0.35)


def test_deletion_in_a_balanced_one_way_layout(outside):
    """Dyestuff with the variances of lme4 held: what five batches say of the sixth.

    Davies & Goldsmith 1972, ch. 6; by hand for a flat mean: the mean of the other batch
    means, with variance (τ² + σ²/5)/5, and one more of (τ² + σ²/5) for the new batch.
    """
    rows = dyestuff_rows(outside)
    model = fit(rows, terms=["assembly"], priors=FLAT, draws=400, seed=1)
    model = replace(model, posterior=at_known_spreads(model.posterior))
    units = units_of(model, "assembly")
    overall = np.zeros((1, model.design.effect_count))
    overall[0, 0] = 1.0
    study = LeaveOut(model, [units.codes], draws=100)
    (found,) = study.each()
    moved = study.moments(overall, found.weights)
    batch = rows.groupby("assembly")["temperature_c"].mean().loc[list(units.names)].to_numpy()
    of_mean = TAU**2 + SIGMA**2 / 5.0
    others = (batch.sum() - batch) / 5.0
    mean, sd = moved.mean, moved.sd
    assert mean[:, 0] == pytest.approx(others, abs=1e-6)
    assert sd[:, 0] == pytest.approx(np.sqrt(of_mean / 5.0), rel=1e-6)
    assert found.off() == pytest.approx(batch - others, abs=1e-6)
    assert found.rest_sd[0] == pytest.approx(np.sqrt(of_mean * 1.2), rel=1e-6)
    # Parameters that are held leave nothing to reweigh.
    assert found.k == pytest.approx(0.0)
    assert found.weights == pytest.approx(1.0 / len(found.weights))


def test_weights_agree_with_fits_without_the_assembly(model):
    units, weights = units_of(model, "assembly"), contrast_of(model, "cooler_model")
    study = LeaveOut(model, [units.codes], draws=1000)
    (found,) = study.each()
    moved = study.moments(weights, found.weights)
    mean, sd = moved.mean, moved.sd
    compared = [int(g) for g in np.argsort(found.k) if found.trusted[g]]
    compared = [compared[0], compared[len(compared) // 2], compared[-1]]
    for group in compared:
        fewer = fit_without(model, units.codes == group, seed=17)
        assert len(fewer.results) == len(model.results) - units.sizes[group]
        assert fewer.design.levels == model.design.levels
        draws = (fewer.effects @ weights.T)[:, 0]
        # Both have Monte Carlo error: some 500 effective draws of a thousand, 2000 fitted.
        error = sd[group, 0] * np.sqrt(1 / 500 + 1 / 1000)
        assert mean[group, 0] == pytest.approx(draws.mean(), abs=4.0 * error)
        assert sd[group, 0] == pytest.approx(draws.std(), rel=0.2)


def test_with_all_rows_the_contrast_is_the_fits(model):
    weights = contrast_of(model, "cooler_model")
    study = LeaveOut(model, [units_of(model, "run").codes])
    mean, sd = study.moments(weights, study.each()[0].weights).whole
    draws = model.effects @ weights.T
    assert mean == pytest.approx(draws.mean(axis=0), abs=0.1 * draws.std())
    assert sd == pytest.approx(draws.std(axis=0), rel=0.1)


def test_a_group_at_the_limit_is_not_trusted(clamped_fit):
    units = units_of(clamped_fit, "run")
    (found,) = LeaveOut(clamped_fit, [units.codes], draws=200).each()
    limited = clamped_fit.design.at_limit
    assert limited.any()
    assert np.isnan(found.k[limited]).all()
    assert np.isnan(found.tail()[limited]).all()
    assert not found.trusted[limited].any()
    # The other hot runs are held against what the limit hid, not against the limit itself.
    hot = ~limited & clamped_fit.results["cooler_model"].eq("Heron-C2").to_numpy()
    assert found.trusted[hot].all()
    expected = clamped_fit.design.rise_k[hot] - (95.0 - 22.0)
    assert found.off()[hot] == pytest.approx(expected, abs=1.2)


def dense_deletion(model, i, codes, contrasts):
    """The deletion formulas at one draw with full matrices: score, rest, its SD, mean, SD."""
    problem = thermal_problem(model.design)[0]
    points = parameter_points(model, np.array([i]))
    mean, cov = Kernel(problem).effect_moments(points)
    still, flow = (side.toarray() for side in design_matrices(model.design))
    w = still + airflow_factor(model.design, points.exponent[:, 0])[0][:, None] * flow
    v, e = row_variance(model, np.array([i]))[0], problem.y - w @ mean
    found = []
    for group in range(codes.max() + 1):
        own = codes == group
        d = np.diag(v[own]) - w[own] @ cov @ w[own].T
        back, reach = np.linalg.inv(d), contrasts @ cov @ w[own].T
        spread = v[own][:, None] * back * v[own]
        rest = v[own] * (back @ e[own])
        found.append(
            (
                multivariate_normal.logpdf(rest, np.zeros(own.sum()), spread),
                rest.mean(),
                np.sqrt(spread.sum()) / own.sum(),
                contrasts @ mean - reach @ back @ e[own],
                np.sqrt(np.diag(contrasts @ cov @ contrasts.T + reach @ back @ reach.T)),
            )
        )
    return [np.array(side) for side in zip(*found, strict=True)]


@pytest.mark.parametrize("unit", ["run", "assembly", "cooler", "session"])
@pytest.mark.parametrize("most_rows", [64, 0])
def test_sparse_and_dense_algebra_agree(model, unit, most_rows, monkeypatch):
    """Small groups by their own systems, and (most_rows=0) all by solving without them."""
    monkeypatch.setattr("thermcmp.inference.checks.leave_out_groups.MOST_ROWS", most_rows)
    codes = units_of(model, unit).codes
    contrasts = np.vstack([contrast_of(model, "cooler_model"), np.eye(model.design.effect_count)])
    study, chosen = LeaveOut(model, [codes], draws=40), model.thinned(40)
    (found,) = study.each()
    every = np.arange(codes.max() + 1)
    mean, sd = study.at_draws(contrasts, every)
    # Without its one specimen a cooler model has its prior only: what is left of the full
    # matrices is a small difference of large numbers, and rounding shows.
    close, share = (2e-4, 2e-5) if unit == "cooler" else (1e-6, 1e-6)
    dense = {place: dense_deletion(model, chosen[place], codes, contrasts) for place in (0, 3)}
    for place, (_, rest, rest_sd, dense_mean, dense_sd) in dense.items():
        assert found.rest[place] == pytest.approx(rest, rel=1e-6, abs=close)
        assert found.rest_sd[place] == pytest.approx(rest_sd, rel=share)
        assert mean[place] == pytest.approx(dense_mean, rel=1e-6, abs=close)
        assert sd[place] == pytest.approx(dense_sd, rel=share)
    # Weights are inverse densities, so those of two draws stand as these do.
    ratio, even = np.exp(dense[0][0] - dense[3][0]), found.k == 0.0
    assert (found.weights[3] / found.weights[0])[even] == pytest.approx(ratio[even], rel=1e-4)
    # Summed up draw by draw they are what all draws add up to.
    moved = study.moments(contrasts, found.weights)
    expected = np.einsum("tg,tgm->gm", found.weights, mean)
    assert moved.mean == pytest.approx(expected, rel=1e-9, abs=1e-9)
    square = np.einsum("tg,tgm->gm", found.weights, sd**2 + mean**2) - expected**2
    assert moved.sd**2 == pytest.approx(square, rel=1e-6, abs=1e-9)
    few = study.at_draws(contrasts, every[1::2])
    assert few[0] == pytest.approx(mean[:, 1::2], abs=1e-9)
    assert few[1] == pytest.approx(sd[:, 1::2], abs=1e-9)


def test_without_any_rows_the_priors_are_left(model):
    """All rows are one group: what is left are the priors, at each draw's spreads."""
    (place, term), *_ = [
        (k, t) for k, t in enumerate(model.design.terms) if t.name == "cooler_model"
    ]
    column = model.design.offsets[place]
    both = np.zeros((2, model.design.effect_count))
    both[0, 0], both[1, column] = 1.0, 1.0
    study = LeaveOut(model, [np.zeros(len(model.results), np.intp)], draws=20)
    mean, sd = study.at_draws(both, np.array([0]))
    prior = model.priors["baseline"]
    assert mean[:, 0, 0] == pytest.approx(prior.mean)
    assert sd[:, 0, 0] == pytest.approx(prior.sd)
    assert mean[:, 0, 1] == pytest.approx(0.0, abs=1e-9)
    assert sd[:, 0, 1] == pytest.approx(model.draws(term.spread)[model.thinned(20)])


def test_weights_of_many_groups_are_those_of_each():
    rng = np.random.default_rng(3)
    logs = rng.standard_normal((200, 6)) * np.array([0.01, 0.2, 1.0, 3.0, 1.0, 0.1])
    logs[3, 4], logs[:, 5] = -np.inf, -np.inf
    weights, k = smoothed_columns(logs)
    for place, column in enumerate(logs.T):
        one, shape = smoothed_weights(column)
        assert weights[:, place] == pytest.approx(one, nan_ok=True)
        assert k[place] == pytest.approx(shape, nan_ok=True)


def test_fewer_draws_where_rows_are_many(model):
    assert draws_for(model, 400) == 400
    many = replace(model, design=replace(model.design, rise_k=np.zeros(20_000)))
    assert draws_for(many, 400) == 250
    huge = replace(model, design=replace(model.design, rise_k=np.zeros(1_000_000)))
    assert (draws_for(huge, 400), draws_for(huge, 50)) == (100, 50)


def test_combinations_of_effects_are_their_sums(model):
    weights = np.random.default_rng(1).standard_normal((3, model.design.effect_count))
    assert model.combined(weights) == pytest.approx(model.effects @ weights.T)
    assert model.effects_at(np.array([5, 7])) == pytest.approx(model.effects[[5, 7]])
