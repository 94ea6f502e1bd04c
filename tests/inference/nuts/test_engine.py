"""The PyMC model's density against its definition, written out anew with SciPy."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy import stats
from scipy.special import expit

from thermcmp.inference.nuts.engine import Sampler, _variable, pymc_model, quiet
from thermcmp.model.design import EXPONENT, FIXED, RESIDUAL, build_design
from thermcmp.model.measurement_error import MeasurementError
from thermcmp.model.observation import DEGREES, Residuals, Steps
from thermcmp.model.priors import HalfCauchy, HalfNormal
from thermcmp.model.terms import BUILT_IN, Acts
from thermcmp.physics.airflow import airflow_law
from thermcmp.results.validation import check_results

TERMS = (
    "cooler_model",
    "board_model",
    "assembly",
    "cooler_model airflow",
    "cooler_model exponent",
)
STEP_K = 0.8
#: Standard error of the offset that all runs of the bench share.
OFFSET_K = 0.7


def mixed_design(make_rows, residuals, steps):
    """Ten runs of all kinds: exact, at the limit, within a step, and published summaries."""
    rng = np.random.default_rng(3)
    rows = make_rows(
        cooler_model=["Heron-C1"] * 5 + ["Heron-C2"] * 5,
        cooler_id=["C1-1"] * 5 + ["C2-1"] * 5,
        board_model=["Heron-B1", "Heron-B2"] * 5,
        board_id=["B1-1", "B2-1"] * 5,
        assembly=["m1", "m2", "m1", "m2", "m3", "m4", "m5", "m4", "m5", "m6"],
        fan_rpm=rng.uniform(1200.0, 2400.0, 10),
        fan_mode="fixed",
        power_w=rng.uniform(180.0, 220.0, 10),
        temperature_c=80.0 + rng.normal(0.0, 4.0, 10),
        at_limit=np.arange(10) % 4 == 0,
        n=[1] * 6 + [3] * 4,
        standard_error_k=[np.nan] * 4 + [0.2, 0.3, 0.4, 0.5, 0.6, 0.7],
        resolution_k=[STEP_K, np.nan] * 5,
    )
    return build_design(
        check_results(rows),
        sensor=None,
        terms=[term for term in BUILT_IN if term.name in TERMS],
        law=airflow_law("power law"),
        residuals=residuals,
        steps=steps,
        errors=MeasurementError(fan_speed=0.0, power=0.0, ambient_offset_k=OFFSET_K),
    )


def defined_spreads(design, point):
    """Spreads of the terms and their log density."""
    normal = iter(np.exp(point["half-normal spreads_log__"]))
    # A long-tailed spread is sampled by its distribution function, which is uniform.
    share = iter(expit(point["half-Cauchy spreads_interval__"]))
    spreads, total = [], 0.0
    for term in design.terms:
        prior = design.priors[term.spread]
        if isinstance(prior, HalfNormal):
            spreads.append(next(normal))
            total += stats.halfnorm.logpdf(spreads[-1], scale=prior.scale)
        else:
            angle = np.arctan(prior.limit / prior.scale)
            spreads.append(prior.scale * np.tan(angle * next(share)))
    return spreads, total


def defined(design, point, effects, weights):
    """Log density of parameters, effects and readings, row by row."""
    residual = np.exp(point[f"{RESIDUAL}_log__"])
    exponent = 0.65 + 0.1 * point[f"{EXPONENT} coordinate"]
    total = stats.norm.logpdf(point[f"{EXPONENT} coordinate"])
    total += stats.halfnorm.logpdf(residual, scale=design.priors[RESIDUAL].scale)
    spreads, of_spreads = defined_spreads(design, point)
    total += of_spreads
    for effect, name in zip(effects[:3], FIXED, strict=True):
        total += stats.norm.logpdf(effect, design.priors[name].mean, design.priors[name].sd)
    total += stats.norm.logpdf(effects[3])
    for start, levels, spread in zip(design.offsets, design.levels, spreads, strict=True):
        total += np.sum(stats.norm.logpdf(effects[start : start + len(levels)], scale=spread))
    degrees = np.inf
    if design.residuals is Residuals.STUDENT:
        degrees = np.exp(point[f"{DEGREES}_log__"])
        total += stats.gamma.logpdf(degrees, 2.0, scale=10.0)
        total += np.sum(stats.gamma.logpdf(weights, degrees / 2, scale=2 / degrees))
    weights = iter(weights)
    for i, row in design.rows.iterrows():
        by_acts = {Acts.RESISTANCE: effects[0], Acts.AIRFLOW: effects[1], Acts.EXPONENT: 0.0}
        for place, (term, start) in enumerate(zip(design.terms, design.offsets, strict=True)):
            by_acts[term.acts] += effects[start + design.index[i, place]]
        speed = row["fan_rpm"] / design.reference.flow_speed
        share = row["power_w"] / design.reference.power_w
        follows = (
            by_acts[Acts.RESISTANCE]
            + by_acts[Acts.AIRFLOW] * (speed**-exponent - 1.0)
            - by_acts[Acts.EXPONENT] * np.log(speed) * speed**-0.65
        )
        mean = 22.0 + share * follows + (1.0 - share) * effects[2] + OFFSET_K * effects[3]
        step = 0.0 if np.isnan(row["resolution_k"]) else row["resolution_k"]
        single = row["n"] == 1
        stepped = design.steps is Steps.INTERVAL and single and step > 0
        variance = single * residual**2 + np.nan_to_num(float(row["standard_error_k"])) ** 2
        variance += 0.0 if stepped else step**2 / 12
        y, limited = row["temperature_c"], row["at_limit"]
        if design.residuals is Residuals.STUDENT and single and (limited or stepped):
            variance /= next(weights)
        law = stats.norm(mean, np.sqrt(variance))
        if limited:
            total += law.logsf(y - stepped * step / 2)
        elif stepped:
            total += np.log(law.cdf(y + step / 2) - law.cdf(y - step / 2))
        elif single and np.isfinite(degrees):
            total += stats.t.logpdf(y, degrees, mean, np.sqrt(variance))
        else:
            total += law.logpdf(y)
    return total


@pytest.mark.parametrize(
    ("residuals", "steps"), list(product(Residuals, (Steps.VARIANCE, Steps.INTERVAL)))
)
def test_the_density_is_the_definition_times_the_jacobian(make_rows, residuals, steps):
    """At two points: what remains is one constant, so the coordinates change nothing.

    The map from coordinates to effects is linear at fixed parameters; its determinant is
    taken from differences.
    """
    design = mixed_design(make_rows, residuals, steps)
    rng = np.random.default_rng(8)
    mode = {"mode": "FAST_COMPILE"}
    with quiet():
        model = pymc_model(design)
        log_density = model.compile_logp(jacobian=False, **mode)
        (effects,) = model.replace_rvs_by_values([model["effects"]])
        effects_of = model.compile_fn(effects, inputs=model.value_vars, **mode)
    left = []
    start = model.initial_point()
    for _ in range(2):
        point = {name: rng.normal(0.0, 0.5, np.shape(value)) for name, value in start.items()}
        effects = effects_of(point)
        names = ("effect coordinates", "further effect coordinates")
        jacobian = []
        for name, place in ((n, i) for n in names for i in range(len(point[n]))):
            moved = point[name].copy()
            moved[place] += 1.0
            jacobian.append(effects_of(point | {name: moved}) - effects)
        weights = np.exp(point.get("scatter weights_log__", np.zeros(0)))
        determinant = np.linalg.slogdet(np.array(jacobian))[1]
        left.append(log_density(point) - defined(design, point, effects, weights) - determinant)
    assert len(jacobian) == design.effect_count
    assert left[0] == pytest.approx(left[1], abs=1e-7)


def test_coordinates_are_standard_normal_where_rows_are(make_rows):
    """Normal rows: the density in the coordinates, at fixed parameters, is exp(-u²/2)."""
    design = mixed_design(make_rows, Residuals.NORMAL, Steps.VARIANCE)
    exact = build_design(
        design.rows.assign(at_limit=False),
        sensor=None,
        terms=design.terms,
        law=design.law,
    )
    rng = np.random.default_rng(9)
    with quiet():
        model = pymc_model(exact)
        log_density = model.compile_logp(mode="FAST_COMPILE")
    point = {name: rng.normal(0.0, 0.3, np.shape(v)) for name, v in model.initial_point().items()}
    names = ("effect coordinates", "further effect coordinates")
    left = []
    for size in (0.0, 1.0, 3.0):
        at = point | {name: rng.normal(0.0, size, np.shape(point[name])) for name in names}
        left.append(log_density(at) + 0.5 * sum(np.sum(at[name] ** 2) for name in names))
    assert left[1:] == pytest.approx([left[0]] * 2, abs=1e-7)


@pytest.mark.study
def test_another_campaign_needs_no_compiling(make_rows):
    """One sampler, two campaigns: each gives what a sampler of its own gives."""
    rng = np.random.default_rng(2)
    rows = make_rows(
        cooler_model=["Heron-C1", "Heron-C2"] * 6,
        cooler_id=["C1-1", "C2-1"] * 6,
        assembly=["m1", "m2"] * 6,
        temperature_c=np.tile([70.0, 75.0], 6) + rng.normal(0.0, 0.4, 12),
    )

    def designed(rows):
        terms = [term for term in BUILT_IN if term.name == "cooler_model"]
        return build_design(
            check_results(rows), sensor=None, terms=terms, law=airflow_law("power law")
        )

    one = designed(rows.assign(at_limit=rows["temperature_c"] > 75.2))
    warmer = rows["temperature_c"] + 3.0 * rows["cooler_model"].eq("Heron-C2")
    other = designed(rows.assign(temperature_c=warmer, at_limit=warmer > 78.4))
    # A compiled model keeps its priors, which scale with the rise.
    other = replace(other, priors=one.priors)
    assert one.at_limit.sum() != other.at_limit.sum()
    again = Sampler(one).sample(other, draws=100, seed=4)
    own = Sampler(other).sample(other, draws=100, seed=4)
    assert np.array_equal(again.effects, own.effects)
    assert np.array_equal(again.scalars[RESIDUAL], own.scalars[RESIDUAL])


def test_the_open_prior_of_a_scatter_has_its_form_in_the_general_engine():
    """Its density is that of a half-Cauchy law cut at the limit (SciPy)."""
    import pymc as pm

    prior = HalfCauchy(1.8, 22.0)
    with pm.Model():
        found = pm.logp(_variable("residual sd", prior), np.array([0.3, 5.0, 21.0])).eval()
    law = stats.halfcauchy(scale=1.8)
    expected = law.logpdf([0.3, 5.0, 21.0]) - law.logcdf(22.0)
    assert found == pytest.approx(expected)
