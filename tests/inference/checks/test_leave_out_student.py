"""Rows left out under Student's t: against sums over a grid that know nothing of weights."""

from dataclasses import replace

import numpy as np
import pytest
from closed_loops import REFERENCE_RPM, REFERENCE_W, Bench, Card
from scipy import stats
from scipy.integrate import quad

from thermcmp.inference.checks.leave_out import LeaveOut
from thermcmp.inference.checks.leave_out_student import Mixture
from thermcmp.inference.checks.posterior_predictive import predictive_features
from thermcmp.inference.checks.student_weights import drawn_weights, mean_weights, new_weights
from thermcmp.inference.fitting import fit
from thermcmp.model.conditions import Conditions
from thermcmp.model.observation import DEGREES, Residuals, Steps
from thermcmp.model.priors import HalfNormal, Normal

SCALE, FREEDOM = 0.5, 3.0
#: One mean of about 50 K, read twelve times; the last but one strays.
READ = np.array([0.1, -0.4, 0.6, 0.3, -0.9, 0.2, -0.1, 0.5, -0.3, 0.0, 9.0, -0.6])
#: The sixth group holds the stray and two more.
GROUPS = np.array([0, 0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 5])
GRID = np.linspace(-3.0, 4.0, 7001)


def posterior_of_mean(read):
    """Probabilities of the mean on the grid: flat prior, known scale and freedom."""
    logs = stats.t.logpdf((read[:, None] - GRID) / SCALE, FREEDOM).sum(axis=0)
    p = np.exp(logs - logs.max())
    return p / p.sum()


@pytest.fixture(scope="module")
def one_mean(make_rows):
    """A fit whose draws are exact ones of the mean, at a held scale and held freedom."""
    flat = {"baseline": Normal(50.0, 1e4), "residual sd": HalfNormal(9.0)}
    rows = make_rows(temperature_c=72.0 + READ)
    model = fit(rows, terms=[], priors=flat, expand="none", draws=4000, seed=1)
    held = model.posterior.copy()
    rng = np.random.default_rng(2)
    mean = rng.choice(GRID, held["baseline"].size, p=posterior_of_mean(READ))
    held["baseline"] = held["baseline"] * 0.0 + 50.0 + mean.reshape(held["baseline"].shape)
    held["residual sd"] = held["residual sd"] * 0.0 + SCALE
    held[DEGREES] = held["residual sd"] * 0.0 + FREEDOM
    design = replace(model.design, residuals=Residuals.STUDENT)
    assert design.known_variance == pytest.approx(0.0)
    assert design.power_ratio == pytest.approx(1.0)
    return replace(model, posterior=held, design=design)


def weight_on_baseline(model):
    only = np.zeros((1, model.design.effect_count))
    only[0, 0] = 1.0
    return only


def check_moments(model, codes, trusted):
    """Mean and spread without each group, against the grid's."""
    study = LeaveOut(model, [codes], draws=4000)
    (found,) = study.each()
    moved = study.moments(weight_on_baseline(model), found.weights)
    assert found.trusted[trusted].all()
    for group in trusted:
        p = posterior_of_mean(READ[codes != group])
        mean = p @ GRID
        sd = np.sqrt(p @ GRID**2 - mean**2)
        # Standard error of a weighted mean, four of them.
        error = 4.0 * sd * np.sqrt(np.sum(found.weights[:, group] ** 2))
        assert moved.mean[group, 0] - 50.0 == pytest.approx(mean, abs=error)
        assert moved.sd[group, 0] == pytest.approx(sd, rel=0.08)
        assert found.off()[group] == pytest.approx(READ[codes == group].mean() - mean, abs=error)
    return found


def test_each_run_is_judged_by_students_t_of_the_others(one_mean):
    codes = np.arange(len(READ))
    found = check_moments(one_mean, codes, codes)
    for run in codes:
        p = posterior_of_mean(READ[codes != run])
        below = p @ stats.t.cdf((READ[run] - GRID) / SCALE, FREEDOM)
        chance = 2.0 * min(below, 1.0 - below)
        assert found.tail()[run] == pytest.approx(chance, rel=0.05)
    # 9 K are 18 scales, 0.04 % of Student's t at 3 degrees; a normal of its variance has 0.
    assert found.tail()[10] == pytest.approx(2.0 * stats.t.sf(18.0, FREEDOM), rel=0.15)
    assert np.delete(found.tail(), 10).min() > 0.05


@pytest.mark.parametrize("most_rows", [64, 0])
def test_groups_of_rows_have_their_weights_integrated_out(one_mean, most_rows, monkeypatch):
    """Small groups by their own systems, and (most_rows=0) all by solving without them."""
    monkeypatch.setattr("thermcmp.inference.checks.leave_out_groups.MOST_ROWS", most_rows)
    found = check_moments(one_mean, GROUPS, np.arange(6))
    rng = np.random.default_rng(7)
    for group in range(6):
        own = group == GROUPS
        p = posterior_of_mean(READ[~own])
        new = rng.choice(GRID, 400_000, p=p) + SCALE * rng.standard_t(
            FREEDOM, (int(own.sum()), 400_000)
        ).mean(axis=0)
        below = np.mean(new < READ[own].mean())
        assert found.tail()[group] == pytest.approx(2.0 * min(below, 1.0 - below), rel=0.08)


def test_a_row_set_aside_is_left_out_and_not_judged(one_mean):
    """The stray goes with its group, which is judged by its other two rows."""
    aside = np.arange(len(READ)) == 10
    (found,) = LeaveOut(one_mean, [GROUPS], draws=4000, aside=aside).each()
    own = (GROUPS == 5) & ~aside
    p = posterior_of_mean(READ[GROUPS != 5])
    assert found.off()[5] == pytest.approx(READ[own].mean() - p @ GRID, abs=0.03)
    assert found.tail()[5] > 0.2


@pytest.mark.parametrize("freedom", [1.0, 3.0, 30.0, 200.0])
@pytest.mark.parametrize(("shared", "rest"), [(0.01, 0.3), (0.01, 9.0), (25.0, 4.0)])
def test_the_sum_over_one_weight_is_the_folded_density(freedom, shared, rest):
    """Student's t folded with a normal, by quadrature over the normal and over no weight."""
    one = np.ones((1, 1))
    mixture = Mixture(
        one, 0.25 * one, np.zeros(1), np.array([freedom]), np.ones(1), np.ones(1, bool),
        np.ones(1, bool), 0,
    )  # fmt: skip
    score, below, above = mixture._summed(np.array([0]), shared * one, rest * one)
    sd = np.sqrt(shared)

    def folded(side):
        points = [rest, *np.linspace(-6.0 * sd, 6.0 * sd, 9)]
        low, high = min(-9.0 * sd, rest - 9.0), max(9.0 * sd, rest + 9.0)
        return quad(
            lambda b: side((rest - b) / 0.5, freedom) * stats.norm.pdf(b, 0.0, sd),
            low, high, points=points, limit=500, epsabs=0.0, epsrel=1e-9,
        )[0]  # fmt: skip

    assert score[0, 0] == pytest.approx(np.log(folded(stats.t.pdf) / 0.5), abs=2e-3)
    assert above[0, 0] == pytest.approx(folded(stats.t.sf), rel=2e-3, abs=1e-10)
    assert below[0, 0] + above[0, 0] == pytest.approx(1.0)


def test_weights_of_all_kinds_of_readings(one_mean):
    """Means of drawn weights by quadrature: exact, at the limit, within a step."""
    step = np.where(np.isin(np.arange(12), [1, 4, 10]), 1.0, 0.0)
    at_limit = np.isin(np.arange(12), [2, 9])
    design = replace(
        one_mean.design,
        at_limit=at_limit,
        step_k=step,
        known_variance=step**2 / 12.0,
        steps=Steps.INTERVAL,
    )
    model = replace(one_mean, design=design)
    chosen = np.zeros(40_000, np.intp)
    mean = np.full((len(chosen), 12), 50.3)
    drawn = drawn_weights(model, chosen, mean, np.random.default_rng(3))
    z = (READ - 0.3) / SCALE
    density = stats.t(FREEDOM).pdf
    for row in range(12):
        low = z[row] - step[row] / (2.0 * SCALE)
        high = 400.0 if at_limit[row] else z[row] + step[row] / (2.0 * SCALE)
        expected = (FREEDOM + 1.0) / (FREEDOM + z[row] ** 2)
        if high > low:
            given = quad(density, low, high)[0]
            expected = quad(
                lambda x: density(x) * (FREEDOM + 1.0) / (FREEDOM + x**2), low, high
            )[0] / given  # fmt: skip
        error = 4.0 * drawn[:, row].std() / np.sqrt(len(chosen))
        assert drawn[:, row].mean() == pytest.approx(expected, abs=error + 1e-4)
    weight, _ = mean_weights(model, 4000)
    # At the limit no weight is known, and a row counts as one.
    assert (weight[at_limit] == 1.0).all()
    assert weight[10] < 0.02
    fitted = np.repeat(model.draws("baseline")[:, None], 12, axis=1)
    drawn = drawn_weights(model, np.arange(4000), fitted, np.random.default_rng(8))
    assert weight[[1, 4]] == pytest.approx(drawn[:, [1, 4]].mean(axis=0), abs=0.07)


def test_the_strays_weight_is_small_and_the_others_are_about_one(one_mean):
    weight, off = mean_weights(one_mean, 4000)
    p = posterior_of_mean(READ)
    z2 = ((READ[:, None] - GRID) / SCALE) ** 2
    assert weight == pytest.approx(((FREEDOM + 1.0) / (FREEDOM + z2)) @ p, rel=0.02)
    assert off == pytest.approx(READ - p @ GRID, abs=0.02)
    assert weight[10] < 0.02
    assert np.delete(weight, 10).min() > 0.5


def test_made_campaigns_scatter_by_students_t(one_mean):
    chosen = one_mean.thinned(2000)
    rng = np.random.default_rng(5)
    noise = rng.standard_normal((len(chosen), 12)) / np.sqrt(new_weights(one_mean, chosen, rng))
    assert stats.kstest(noise.ravel(), stats.t(FREEDOM).cdf).pvalue > 1e-3
    found = {one.name: one for one in predictive_features(one_mean, campaigns=4000)}
    largest = found["largest residual"]
    # The largest of n: its distribution function is that of one to the n-th power.
    for chance in (0.1, 0.5, 0.9):
        expected = SCALE * stats.t.isf((1.0 - chance ** (1 / 12)) / 2.0, FREEDOM)
        assert np.mean(largest.replicated < expected) == pytest.approx(chance, abs=0.03)
    measured = np.mean(largest.measured)
    exceeded = 1.0 - (1.0 - 2.0 * stats.t.sf(measured / SCALE, FREEDOM)) ** 12
    assert largest.p_larger == pytest.approx(exceeded, abs=0.005)


@pytest.mark.parametrize("codes_of", [lambda n: np.arange(n), lambda n: np.arange(n) // 3])
def test_of_endless_freedom_it_is_the_normal_also_with_regulated_runs(codes_of):
    """Rows with a stand-in beside them keep their score; the chances become the normal's."""
    rng, bench = np.random.default_rng(8), Bench(scatter_k=0.4)
    cards = [Card("Heron-C1", 55.0, 30.0), Card("Heron-C2", 49.0, 30.0)]
    rows = [row for card in cards for row in bench.by_fan(card, 75.0, 6, rng)]
    at = Conditions(power_w=REFERENCE_W, fan_rpm=REFERENCE_RPM)
    terms = ["cooler_model", "cooler_model airflow"]
    # All of the simulated rise follows power.
    follows = {"constant part": Normal(0.0, 1e-3), "residual sd": HalfNormal(1.0)}
    follows |= {"baseline": Normal(50.0, 50.0), "airflow baseline": Normal(30.0, 20.0)}
    follows |= {"cooler_model sd": HalfNormal(10.0), "cooler_model airflow sd": HalfNormal(20.0)}
    model = fit(
        bench.frame(rows),
        terms=terms,
        priors=follows,
        reference=at,
        expand="none",
        draws=800,
        seed=1,
    )
    design = replace(model.design, residuals=Residuals.STUDENT)
    endless = model.posterior.assign({DEGREES: model.posterior["residual sd"] * 0.0 + 1e7})
    codes = codes_of(len(rows))
    (plain,) = LeaveOut(model, [codes], draws=200).each()
    (found,) = LeaveOut(replace(model, design=design, posterior=endless), [codes], draws=200).each()
    assert found.rest == pytest.approx(plain.rest, abs=0.01)
    assert found.rest_sd == pytest.approx(plain.rest_sd, rel=0.01)
    assert found.below == pytest.approx(plain.below, abs=0.01)
    # The largest weights are smoothed by their ranks, which two near each other may change.
    ratio = np.abs(found.weights / plain.weights - 1.0)
    assert np.quantile(ratio, 0.9) < 0.01
    in_order = np.sort(found.weights, axis=0) / np.sort(plain.weights, axis=0)
    assert in_order == pytest.approx(1.0, abs=0.05)
    assert found.off() == pytest.approx(plain.off(), abs=0.02)


def test_a_normal_scatter_has_no_weights(one_mean):
    design = replace(one_mean.design, residuals=Residuals.NORMAL)
    model, chosen = replace(one_mean, design=design), np.arange(3)
    assert drawn_weights(model, chosen, np.zeros((3, 12)), np.random.default_rng(1)) is None
    assert new_weights(model, chosen, np.random.default_rng(1)) is None
    assert (mean_weights(model, 10)[0] == 1.0).all()
