"""Variance components of published data sets, by restricted likelihood.

Sources: Davies & Goldsmith, Statistical Methods in Research and Production, 4th ed.
(1972), ch. 6; Box & Tiao, Bayesian Inference in Statistical Analysis (1973), 5.1.2;
Pinheiro & Bates, Mixed-Effects Models in S and S-PLUS (2000), ch. 1 and 4. The digits
beyond the printed ones come from R's lme4 on the same data (bobyqa, rhoend 1e-10).
"""

from dataclasses import replace

import numpy as np
import pytest
from restricted import restricted_mode

from thermcmp.errors import EngineError
from thermcmp.inference.conditional.marginal_likelihood import Kernel

ONE_GROUP = {
    # data: (package, response, groups, variances with the residual last, REML criterion)
    "Dyestuff": ("lme4", "Yield", ("Batch",), (1764.05, 2451.25), 319.6542768),
    "Rail": ("nlme", "travel", ("Rail",), (27689 / 45, 97 / 6), 2 * 61.0885004),
    "Penicillin": (
        "lme4",
        "diameter",
        ("plate", "sample"),
        (0.7169082126, 3.7309178744, 0.3024154589),
        330.8605890,
    ),
    "Pastes": (
        "lme4",
        "strength",
        ("batch", "batch cask"),
        (1.6573086420, 8.4336666667, 0.678),
        246.9907459,
    ),
    "Oxide": (
        "nlme",
        "Thickness",
        ("Lot", "Lot Wafer"),
        (129.9071869, 35.8657407, 12.5694444),
        454.0220693,
    ),
}

#: Standard deviations as the books print them (Pinheiro & Bates; lme4's own articles).
PRINTED_SD = {
    "Rail": ((24.805, 4.0208), 5e-4),
    "Oxide": ((11.398, 5.9888, 3.5453), 5e-4),
    "Penicillin": ((0.84671, 1.93156, 0.54992), 5e-5),
}


def criterion(problem, point):
    return -2.0 * float(Kernel(problem).log_likelihood(point)[0])


def variances(point):
    return np.append(point.spread[0], point.residual[0]) ** 2


@pytest.fixture(scope="module")
def solved(outside, components):
    """Problem and restricted mode of a set with an intercept only, once per set."""
    kept = {}

    def solve(name):
        if name not in kept:
            package, response, groups, *_ = ONE_GROUP[name]
            data = outside.r_data(package, name)
            ones = np.ones((len(data), 1))
            problem = components(data[response], ones, outside.grouping(data, groups))
            kept[name] = problem, restricted_mode(problem)
        return kept[name]

    return solve


@pytest.mark.parametrize("name", ONE_GROUP)
def test_variances_and_criterion_are_the_published_ones(solved, name):
    problem, mode = solved(name)
    *_, expected, crit = ONE_GROUP[name]
    # The criterion is flat at its minimum: an error d in a log variance moves it by d²
    # only, so it is asked for far more tightly than the variances.
    assert variances(mode) == pytest.approx(expected, rel=1e-5)
    assert criterion(problem, mode) == pytest.approx(crit, abs=1e-6)


@pytest.mark.parametrize("name", PRINTED_SD)
def test_printed_standard_deviations(solved, name):
    _, mode = solved(name)
    printed, half_digit = PRINTED_SD[name]
    assert np.append(mode.spread[0], mode.residual[0]) == pytest.approx(printed, abs=half_digit)


def test_a_spread_whose_best_value_is_zero_is_exactly_zero(outside, components):
    data = outside.r_data("lme4", "Dyestuff2")
    problem = components(data["Yield"], np.ones((len(data), 1)), [data["Batch"]])
    mode = restricted_mode(problem)
    assert mode.spread[0, 0] == 0.0
    # The residual is refitted without the batches, SST / 29, not left at the within mean square.
    assert mode.residual[0, 0] ** 2 == pytest.approx(13.80630962758621, rel=1e-6)
    assert criterion(problem, mode) == pytest.approx(161.8282778, abs=1e-6)


@pytest.mark.parametrize(
    ("name", "treatment", "response", "groups", "expected", "crit"),
    [
        (
            "Machines",
            "Machine",
            "score",
            ("Worker", "Worker Machine"),
            (22.8584444, 13.9094568, 0.9246296),
            215.6875680,
        ),
        ("ergoStool", "Type", "effort", ("Subject",), (1.77546296, 1.21064815), 121.1307887),
    ],
)
def test_fixed_treatments_beside_random_groups(
    outside, components, name, treatment, response, groups, expected, crit
):
    data = outside.r_data("nlme", name)
    levels = sorted(data[treatment].unique())
    # Treatment contrasts: the restricted criterion depends on how fixed effects are coded.
    fixed = np.stack([np.ones(len(data)), *(data[treatment] == v for v in levels[1:])], axis=1)
    problem = components(data[response], fixed, outside.grouping(data, groups))
    mode = restricted_mode(problem)
    assert variances(mode) == pytest.approx(expected, rel=1e-5)
    assert criterion(problem, mode) == pytest.approx(crit, abs=1e-6)
    mean, cov = Kernel(problem).effect_moments(mode)
    book = {
        # Treatment means and the standard error of a difference (Pinheiro & Bates 1.2, 1.3).
        "Machines": ((52.3555556, 7.9666667, 13.9166667), 2.17697548),
        "ergoStool": ((8.5555556, 3.8888889, 2.2222222, 0.6666667), 0.51868384),
    }[name]
    assert mean[: len(book[0])] == pytest.approx(book[0], rel=1e-7)
    assert np.sqrt(cov[1, 1]) == pytest.approx(book[1], rel=1e-5)


def test_unbalanced_nested_groups(outside, components):
    """Machines without ten rows: Pinheiro & Bates 1.3.1 (4.7387, 3.7728, 0.9332), lme4."""
    data = outside.r_data("nlme", "Machines")
    data = data.drop(index=[i - 1 for i in (2, 3, 6, 8, 9, 12, 19, 20, 27, 33)])
    fixed = np.stack([np.ones(len(data)), data["Machine"].eq("B"), data["Machine"].eq("C")], axis=1)
    problem = components(data["score"], fixed, outside.grouping(data, ("Worker", "Worker Machine")))
    mode = restricted_mode(problem)
    found = np.append(mode.spread[0], mode.residual[0])
    assert found == pytest.approx((4.738753, 3.772796, 0.933203), rel=1e-5)
    assert criterion(problem, mode) == pytest.approx(181.871499, abs=1e-6)


def test_shrunken_batch_means_are_the_published_ones(solved):
    """Dyestuff: conditional modes of the batches, lme4 (R), also 1 - MS_E / MS_B by hand."""
    problem, mode = solved("Dyestuff")
    mean, _ = Kernel(problem).effect_moments(mode)
    lme4 = (-17.606851, 0.391263, 28.562225, -23.084538, 56.733187, -44.995286)
    assert mean[0] == pytest.approx(1527.5, rel=1e-12)
    assert mean[1:] == pytest.approx(lme4, rel=1e-5)
    batch = problem.y.reshape(6, 5).mean(axis=1) - 1527.5
    assert mean[1:] == pytest.approx((1.0 - 2451.25 / 11271.5) * batch, rel=1e-5)


@pytest.mark.parametrize(
    "name", ["SiRstv", "AtmWtAg", "SmLs01", "SmLs02", "SmLs03", "SmLs04", "SmLs05", "SmLs07"]
)
def test_certified_f_statistic(outside, components, name):
    """NIST Statistical Reference Datasets: F = 1 + n τ²/σ² where every group has n rows."""
    data = outside.nist_anova(name)
    problem = components(data.y, np.ones((len(data.y), 1)), [data.group])
    mode = restricted_mode(problem)
    size = len(data.y) / (data.group.max() + 1)
    f = 1.0 + size * (mode.spread[0, 0] / mode.residual[0, 0]) ** 2
    # Values near 1e12 lose the last digits of the text on reading: from the nearest
    # doubles, rational arithmetic gives this F in place of the certified 21.
    certified = {"SmLs07": 21.00081188781877}.get(name, data.f)
    # The search stops some 1e-7 off in a standard deviation, twice that in F.
    assert f == pytest.approx(certified, rel=2e-6)


def test_known_variances_as_in_a_meta_analysis(outside, components):
    """Thirteen vaccine trials: Viechtbauer, J. Stat. Software 36(3) (2010); R metafor."""
    data = outside.r_data("HSAUR", "BCG")
    # In this table the columns BCGVacc and NoVacc are totals.
    log_ratio = np.log((data["BCGTB"] / data["BCGVacc"]) / (data["NoVaccTB"] / data["NoVacc"]))
    variance = 1 / data["BCGTB"] - 1 / data["BCGVacc"] + 1 / data["NoVaccTB"] - 1 / data["NoVacc"]
    problem = components(log_ratio, np.ones((13, 1)), [data["Study"]], known_variance=variance)
    mode = restricted_mode(problem)
    assert mode.spread[0, 0] ** 2 == pytest.approx(0.3132433, abs=1e-6)
    # Nothing tells a run-to-run scatter where every row's variance is stated.
    assert np.isnan(mode.residual[0, 0])
    mean, cov = Kernel(problem).effect_moments(replace(mode, residual=np.zeros((1, 1))))
    assert mean[0] == pytest.approx(-0.7145323, abs=1e-6)
    assert np.sqrt(cov[0, 0]) == pytest.approx(0.1797815, abs=1e-6)


def test_effects_that_cannot_be_told_apart_raise(components):
    twice = np.ones((6, 2))
    problem = components([1.0, 2.0, 3.0, 4.0, 5.0, 7.0], twice, [[0, 0, 1, 1, 2, 2]])
    with pytest.raises(EngineError, match="cannot be separated"):
        restricted_mode(problem)
