"""Readings at the limit and within a step in the conditional engine, against a grid and NUTS."""

import numpy as np
import pytensor.tensor as pt
import pytest
from scipy.stats import CensoredData, halfnorm, norm

from thermcmp.inference.censoring import readings_of
from thermcmp.inference.checks.residuals import completed_rise, fitted_rise, row_variance
from thermcmp.inference.fitting import fit
from thermcmp.inference.nuts.engine import _data, _log_likelihoods
from thermcmp.model.design import Reference
from thermcmp.model.priors import HalfNormal, Normal

AT = Reference(200.0, 1800.0)
PRIORS = {"baseline": Normal(50.0, 20.0), "residual sd": HalfNormal(1.5)}


def rows_of(make_rows, rise_k, *, step_k=None, limit_k=None):
    """Runs of one card at the reference, as its sensor shows them."""
    rise_k = np.asarray(rise_k, float)
    if step_k:
        rise_k = step_k * np.round(rise_k / step_k)
    limit_k = np.inf if limit_k is None else limit_k
    return make_rows(
        run=[f"r{i}" for i in range(len(rise_k))],
        assembly="m1",
        fan_rpm=AT.flow_speed,
        power_w=AT.power_w,
        temperature_c=22.0 + np.minimum(rise_k, limit_k),
        at_limit=rise_k >= limit_k,
        resolution_k=step_k if step_k else np.nan,
    )


def on_a_grid(rise_k, step_k, limited):
    """Mean and standard deviation of baseline and scatter, by the density on a grid."""
    level, sd = np.linspace(40.0, 75.0, 1401)[:, None], np.linspace(0.005, 8.0, 800)[None, :]
    log = norm.logpdf(level, 50.0, 20.0) + halfnorm.logpdf(sd, scale=1.5)
    for value, is_limited in zip(rise_k, limited, strict=True):
        if is_limited:
            log = log + norm.logsf(value - 0.5 * step_k, level, sd)
        elif step_k:
            low, high = value - 0.5 * step_k, value + 0.5 * step_k
            inside = norm.cdf(high, level, sd) - norm.cdf(low, level, sd)
            log = log + np.log(np.maximum(inside, 1e-300))
        else:
            log = log + norm.logpdf(value, level, sd)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    found = []
    for value in (level, sd):
        mean = float(np.sum(weight * value))
        found += [mean, float(np.sqrt(np.sum(weight * (value - mean) ** 2)))]
    return found


@pytest.mark.filterwarnings("ignore:repeats follow their order")
@pytest.mark.parametrize(
    ("rise_k", "step_k", "limit_k"),
    [
        ([54.1, 55.3, 55.8, 56.2, 56.9, 57.5], None, 56.0),
        ([54.2, 54.4, 54.9, 55.3, 55.6, 54.7, 55.1], 2.0, None),
        ([54.2, 55.4, 55.9, 56.3, 57.6, 58.7, 57.1], 1.0, 57.0),
    ],
)
def test_the_posterior_is_that_on_a_grid(make_rows, rise_k, step_k, limit_k):
    rows = rows_of(make_rows, rise_k, step_k=step_k, limit_k=limit_k)
    model = fit(
        rows,
        terms=[],
        priors=PRIORS,
        reference=AT,
        steps="interval",
        expand="none",
        draws=8000,
        seed=2,
    )
    assert model.engine == "conditional"
    shown = rows["temperature_c"].to_numpy() - 22.0
    expected = on_a_grid(shown, step_k or 0.0, rows["at_limit"])
    level, sd = model.draws("baseline"), model.draws("residual sd")
    found = [level.mean(), level.std(), sd.mean(), sd.std()]
    # Monte Carlo error of 8000 draws of which a third is effective, and a long-tailed scatter.
    assert found == pytest.approx(expected, abs=0.08 * max(expected[1], expected[3]))


def test_fitted_means_lie_beyond_the_limit(make_rows):
    rows = rows_of(make_rows, [54.0, 54.4, 54.2, 60.0, 60.5, 61.0], limit_k=58.0)
    for name in ("cooler_model", "cooler_id", "assembly"):
        rows[name] = [f"{name} A"] * 3 + [f"{name} B"] * 3
    model = fit(rows, terms=["cooler_model"], reference=AT, expand="none", seed=1)
    rise = np.concatenate([part for _, part in fitted_rise(model)]).mean(axis=0)
    assert rise[:3] == pytest.approx(54.2, abs=0.5)
    assert (rise[3:] > 58.0).all()


def kinds_of_readings(make_rows, rise_k, floor_k, limit_k, between_k):
    """Runs of one card: some below a floor, some above a limit, some between two temperatures."""
    rows = rows_of(make_rows, np.clip(rise_k, floor_k, None), limit_k=limit_k)
    low, high = between_k
    between = (rise_k > low) & (rise_k < high)
    rows["at_floor"] = rise_k <= floor_k
    rows.loc[between, "temperature_c"] = 22.0 + low
    rows["temperature_high_c"] = np.where(between, 22.0 + high, np.nan)
    return rows


def test_floors_and_intervals_beside_limits_are_those_on_a_grid(make_rows):
    exact_k = [56.6, 54.2, 56.1, 56.9, 54.4]
    rise_k = np.array([52.1, 53.4, 54.9, 55.3, 57.7, 58.1, *exact_k])
    rows = kinds_of_readings(make_rows, rise_k, 53.5, 57.5, (54.5, 55.8))
    model = fit(rows, terms=[], priors=PRIORS, reference=AT, expand="none", draws=8000, seed=2)
    level, sd = np.linspace(40.0, 75.0, 1401)[:, None], np.linspace(0.005, 8.0, 800)[None, :]
    log = norm.logpdf(level, 50.0, 20.0) + halfnorm.logpdf(sd, scale=1.5)
    log = log + 2.0 * norm.logcdf(53.5, level, sd) + 2.0 * norm.logsf(57.5, level, sd)
    inside = norm.cdf(55.8, level, sd) - norm.cdf(54.5, level, sd)
    log = log + 2.0 * np.log(np.maximum(inside, 1e-300))
    log = log + sum(norm.logpdf(value, level, sd) for value in exact_k)
    weight = np.exp(log - log.max()) / np.exp(log - log.max()).sum()
    means = [float(np.sum(weight * value)) for value in (level, sd)]
    sds = [
        float(np.sqrt(np.sum(weight * (value - mean) ** 2)))
        for value, mean in zip((level, sd), means, strict=True)
    ]
    draws = [model.draws(name) for name in ("baseline", "residual sd")]
    found = [(each.mean(), each.std()) for each in draws]
    for each, mean, spread in zip(found, means, sds, strict=True):
        assert each == pytest.approx((mean, spread), abs=0.08 * max(sds))
    assert model.engine == "conditional"
    assert model.health == "ok"
    assert "2 reading(s) at the floor" in model.engine_reason
    assert "2 reading(s) between two temperatures" in model.engine_reason
    # The general engine's own words for the same rows.
    design, readings = model.design, readings_of(model.design)
    away, variance = (
        pt.as_tensor_variable(each) for each in (readings.bound - 55.0, np.full(len(rise_k), 4.0))
    )
    parts = _log_likelihoods(design, readings, _data(design), away, variance, None)
    found = {name: float(pt.sum(part).eval()) for name, part in parts.items()}
    law = norm(55.0, 2.0)
    assert found == pytest.approx(
        {
            "rise": law.logpdf(exact_k).sum(),
            "rise at limit": 2.0 * law.logcdf(53.5) + 2.0 * law.logsf(57.5),
            "rise within step": 2.0 * np.log(law.cdf(55.8) - law.cdf(54.5)),
        },
        abs=1e-9,
    )


def test_a_floor_is_a_limit_seen_from_the_other_side(make_rows):
    rise_k = [54.1, 55.3, 55.8, 56.2, 56.9, 57.5]
    above = rows_of(make_rows, rise_k, limit_k=56.0)
    below = above.assign(
        temperature_c=22.0 + 100.0 - (above["temperature_c"] - 22.0),
        at_floor=above["at_limit"],
        at_limit=False,
    )
    given = {"terms": [], "reference": AT, "expand": "none", "draws": 8000, "seed": 2}
    given["engine"] = "conditional"
    one, other = (fit(rows, priors=PRIORS, **given) for rows in (above, below))
    assert 100.0 - other.draws("baseline").mean() == pytest.approx(
        one.draws("baseline").mean(), abs=0.06
    )
    rise = np.concatenate([part for _, part in fitted_rise(other)])
    chosen = np.arange(len(rise))
    completed = completed_rise(other, rise, row_variance(other, chosen), np.random.default_rng(1))
    floor = other.design.at_floor
    assert floor.any() and (completed[:, floor] <= other.design.rise_k[floor] + 1e-9).all()
    assert (completed[:, ~floor] == other.design.rise_k[~floor]).all()


@pytest.mark.parametrize(("count", "low_k", "high_k"), [(200, None, 59.0), (120, 55.5, 58.0)])
def test_many_bounds_say_of_the_scatter_what_maximum_likelihood_says(
    make_rows, count, low_k, high_k
):
    """General censored maximum likelihood (scipy.stats.CensoredData), where priors say little."""
    rise_k = np.random.default_rng(3).normal(57.0, 2.0, count)
    limited, floored = rise_k >= high_k, rise_k <= (-np.inf if low_k is None else low_k)
    assert 0.15 < np.mean(limited) < 0.4
    rows = rows_of(make_rows, np.maximum(rise_k, low_k or 0.0), limit_k=high_k)
    rows["at_floor"] = floored
    model = fit(rows, terms=[], priors=PRIORS, reference=AT, expand="none", draws=2000, seed=2)
    assert (model.engine, model.health) == ("conditional", "ok")
    bounds = {"right": np.full(limited.sum(), high_k), "left": np.full(floored.sum(), low_k or 0.0)}
    data = CensoredData(uncensored=rise_k[~limited & ~floored], **bounds)
    for name, best in zip(("baseline", "residual sd"), norm.fit(data), strict=True):
        draws = model.draws(name)
        # Prior, skewness and 2000 draws move it by a fraction of its standard deviation.
        assert abs(np.median(draws) - best) < 0.25 * draws.std(), name
    # By the information of a normal sample without bounds, as a lower end.
    assert model.draws("residual sd").std() > norm.fit(data)[1] / np.sqrt(2.0 * count)
