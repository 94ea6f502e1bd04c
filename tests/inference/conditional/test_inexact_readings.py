"""Readings at the limit and within a step in the conditional engine, against a grid and NUTS."""

import numpy as np
import pytest
from scipy.stats import halfnorm, norm

from thermcmp.inference.checks.residuals import fitted_rise
from thermcmp.inference.fitting import fit
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
