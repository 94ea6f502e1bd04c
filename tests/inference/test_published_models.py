"""Published examples through the library's own fit, with priors that leave the data the word.

Each is set as results rows: temperatures are the published values, times ten where they are
small beside a kelvin, and the power and fan speed of all rows are alike.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from plain_rows import plain_rows
from published_rows import SCALE, VAGUE, ZERO, summaries
from restricted import restricted_mode
from scipy.stats import halfcauchy

from thermcmp.inference.conditional.marginal_likelihood import Kernel
from thermcmp.inference.fitting import fit
from thermcmp.model.priors import HalfCauchy, HalfNormal, Normal
from thermcmp.model.terms import Role, Term
from thermcmp.questions.separation.question import separate

#: District, study, effect and variance of S. Konstantopoulos, Research Synthesis Methods 2 (2011)
#: 61-76, as an open data package carries them.
CALENDARS = """
11 1 -.18 .118   11 2 -.22 .118   11 3 .23 .144    11 4 -.30 .144   12 5 .13 .014
12 6 -.26 .014   12 7 .19 .015    12 8 .32 .024    18 9 .45 .023    18 10 .38 .043
18 11 .29 .012   27 12 .16 .020   27 13 .65 .004   27 14 .36 .004   27 15 .60 .007
56 16 .08 .019   56 17 .04 .007   56 18 .19 .005   56 19 -.06 .004  58 20 -.18 .020
58 21 .00 .018   58 22 .00 .019   58 23 -.28 .022  58 24 -.04 .020  58 25 -.30 .021
58 26 .07 .006   58 27 .00 .007   58 28 .05 .007   58 29 -.08 .007  58 30 -.09 .007
71 31 .30 .015   71 32 .98 .011   71 33 1.19 .010  86 34 -.07 .001  86 35 -.05 .001
86 36 -.01 .001  86 37 .02 .001   86 38 -.03 .001  86 39 .00 .001   86 40 .01 .001
86 41 -.10 .001  91 42 .50 .010   91 43 .66 .011   91 44 .20 .010   91 45 .00 .009
91 46 .05 .013   91 47 .07 .013   108 48 -.52 .031 108 49 .70 .031  108 50 -.03 .030
108 51 .27 .030  108 52 -.34 .030 644 53 .12 .087  644 54 .61 .082  644 55 .04 .067
644 56 -.05 .067
"""


def flat_posterior(y, variance, fixed, groups, scales):
    """Mean and sd of the last fixed effect, and means of the spreads, on a grid of spreads.

    Flat fixed effects are integrated out; the spreads have half-Cauchy priors. SciPy's densities
    and plain algebra.
    """
    steps = [np.linspace(0.0, 1.0, 81)[1:] ** 2 * 12.0 * scale for scale in scales]
    widths = [np.gradient(step) for step in steps]
    shared = [np.equal.outer(np.asarray(group), np.asarray(group)) for group in groups]
    logs, means, squares, at = [], [], [], []
    for place in np.ndindex(*(len(step) for step in steps)):
        spread = np.array([step[i] for step, i in zip(steps, place, strict=True)])
        cov = np.diag(variance) + sum(s**2 * one for s, one in zip(spread, shared, strict=True))
        root = np.linalg.cholesky(cov)
        x, z = np.linalg.solve(root, fixed), np.linalg.solve(root, y)
        information = x.T @ x
        best = np.linalg.solve(information, x.T @ z)
        log = -np.log(np.diag(root)).sum() - 0.5 * np.linalg.slogdet(information)[1]
        log -= 0.5 * np.sum((z - x @ best) ** 2)
        for s, scale, width, i in zip(spread, scales, widths, place, strict=True):
            log += halfcauchy.logpdf(s, scale=scale) + np.log(width[i])
        logs.append(log)
        means.append(best[-1])
        squares.append(best[-1] ** 2 + np.linalg.inv(information)[-1, -1])
        at.append(spread)
    weight = np.exp(np.array(logs) - np.max(logs))
    weight /= weight.sum()
    mean = weight @ means
    return mean, np.sqrt(weight @ squares - mean**2), weight @ np.array(at)


@pytest.fixture(scope="module")
def vaccine(outside):
    """Thirteen vaccine trials with the latitude at which they were made."""
    data = outside.r_data("HSAUR", "BCG")
    # In this table the columns BCGVacc and NoVacc are totals.
    log_ratio = np.log((data["BCGTB"] / data["BCGVacc"]) / (data["NoVaccTB"] / data["NoVacc"]))
    variance = 1 / data["BCGTB"] - 1 / data["BCGVacc"] + 1 / data["NoVaccTB"] - 1 / data["NoVacc"]
    return log_ratio.to_numpy(), variance.to_numpy(), data["Latitude"].to_numpy(float)


def test_vaccine_trials_by_latitude_restricted(vaccine, components):
    """Viechtbauer, J. Stat. Software 36(3) (2010), 3.2 (from memory): slope, error, tau."""
    y, variance, latitude = vaccine
    fixed = np.column_stack([np.ones(13), latitude])
    problem = components(y, fixed, [np.arange(13)], known_variance=variance)
    mode = restricted_mode(problem)
    mode = replace(mode, residual=np.zeros((1, 1)))
    mean, cov = Kernel(problem).effect_moments(mode)
    assert mean[1] == pytest.approx(-0.0291, abs=5e-5)
    assert np.sqrt(cov[1, 1]) == pytest.approx(0.0072, abs=5e-5)
    assert mode.spread[0, 0] == pytest.approx(0.276, abs=5e-4)


def test_vaccine_trials_by_latitude_as_a_covariate(vaccine):
    y, variance, latitude = vaccine
    rows = summaries(y, variance, latitude=latitude, lab=[f"trial {i}" for i in range(13)])
    slope = Term("latitude", values="latitude", slope=Normal(0.0, 100.0))
    priors = VAGUE | {"lab sd": HalfCauchy(3.0, 1000.0)}
    model = fit(rows, terms=[slope, "lab"], priors=priors, draws=4000, seed=1, expand="none")
    found = model.draws("latitude") / SCALE
    fixed = np.column_stack([np.ones(13), latitude])
    mean, sd, (tau,) = flat_posterior(y, variance, fixed, [np.arange(13)], [0.3])
    assert found.mean() == pytest.approx(mean, abs=0.06 * sd)
    assert found.std() == pytest.approx(sd, rel=0.06)
    assert model.draws("lab sd").mean() / SCALE == pytest.approx(tau, rel=0.05)
    # The published slope and error; flat priors leave more room for tau.
    assert found.mean() == pytest.approx(-0.0291, abs=0.1 * 0.0072)
    assert 1.0 < found.std() / 0.0072 < 1.3


@pytest.fixture(scope="module")
def calendars():
    """Fifty-six studies of school calendars in eleven districts."""
    table = np.array(CALENDARS.split(), float).reshape(56, 4)
    return table[:, 0].astype(int), table[:, 1].astype(int), table[:, 2], table[:, 3]


def test_three_levels_restricted(calendars, components):
    """Konstantopoulos (2011): districts, studies, mean and its error by restricted likelihood.

    Numbers of R's metafor as its own tests state them (variances 0.065 and 0.033).
    """
    district, study, y, variance = calendars
    problem = components(y, np.ones((56, 1)), [district, study], known_variance=variance)
    mode = restricted_mode(problem)
    assert mode.spread[0] ** 2 == pytest.approx([0.065, 0.033], abs=5e-4)
    assert mode.spread[0] == pytest.approx([0.255, 0.181], abs=5e-4)
    mode = replace(mode, residual=np.zeros((1, 1)))
    mean, cov = Kernel(problem).effect_moments(mode)
    assert mean[0] == pytest.approx(0.185, abs=5e-4)
    assert np.sqrt(cov[0, 0]) == pytest.approx(0.085, abs=5e-4)


def test_three_levels_as_laboratories_and_assemblies(calendars):
    district, study, y, variance = calendars
    rows = summaries(
        y, variance, lab=[f"district {d}" for d in district], assembly=[f"study {s}" for s in study]
    )
    priors = VAGUE | {name: HalfCauchy(3.0, 1000.0) for name in ("lab sd", "assembly sd")}
    model = fit(rows, terms=["lab", "assembly"], priors=priors, draws=4000, seed=1, expand="none")
    mean, sd, spreads = flat_posterior(y, variance, np.ones((56, 1)), [district, study], [0.3, 0.3])
    found = (model.draws("baseline") - ZERO) / SCALE
    assert found.mean() == pytest.approx(mean, abs=0.06 * sd)
    assert found.std() == pytest.approx(sd, rel=0.06)
    for name, spread in zip(("lab sd", "assembly sd"), spreads, strict=True):
        assert model.draws(name).mean() / SCALE == pytest.approx(spread, rel=0.05)
    assert found.mean() == pytest.approx(0.185, abs=0.1 * 0.085)
    assert 1.0 < found.std() / 0.085 < 1.3


def swapped(response, cooler, board):
    """Rows of a two-way table, one assembly for all."""
    return plain_rows(
        temperature_c=np.asarray(response, float),
        ambient_c=0.0,
        cooler_model=cooler.astype(str).to_numpy(),
        board_model=board.astype(str).to_numpy(),
    )


#: Effects that are not shrunk towards each other.
FREE = Normal(0.0, 300.0)
COOLER = Term("cooler_model", "cooler_model", scale=FREE)
BOARD = Term("board_model", "board_model", scale=FREE)
PAIRS = ("cooler_model", "board_model")


@pytest.mark.parametrize("is_paired", [True, False])
def test_machines_with_and_without_workers_of_their_own(outside, is_paired):
    """Pinheiro & Bates (2000), 1.3: machines by workers, with and without interaction.

    Residual standard deviations 0.9616 and 3.1616, differences between machines and the error
    of one without interaction, 1.0539 (from memory). With it, on the six workers who were
    there: the residual mean square over 18 readings each.
    """
    data = outside.r_data("nlme", "Machines")
    rows = swapped(data["score"], "machine " + data["Machine"].astype(str), data["Worker"])
    pairing = Term("pairing", PAIRS, Role.PAIRING, scale=HalfNormal(30.0))
    worker = Term("board_model", "board_model", scale=HalfNormal(30.0))
    model = fit(
        rows,
        terms=[COOLER, worker, *([pairing] if is_paired else [])],
        priors={"baseline": Normal(50.0, 300.0), "residual sd": HalfNormal(10.0)},
        draws=4000,
        seed=1,
        expand="none",
    )
    answer = separate(model, contrasts="cooler_model", allow_bad_health=not is_paired)
    table = answer.table.set_index("contrast")
    if is_paired:
        table = table[table["partner"].eq("average")]
    # The interaction that the smaller model lacks, 3.7295, is found against the repeats.
    noticed = any("misses set points by 3.7 K" in caveat for caveat in answer.caveats)
    assert noticed is not is_paired
    residual = 0.9616 if is_paired else 3.1616
    assert model.draws("residual sd").mean() == pytest.approx(residual, rel=0.05)
    error = residual * np.sqrt(2.0 / 18.0)
    for machine, difference in (("B", 7.9667), ("C", 13.9167)):
        row = table.loc[f"machine {machine} − machine A"]
        assert row["mean_k"] == pytest.approx(difference, abs=0.12 * error)
        assert row["sd_k"] == pytest.approx(error, rel=0.08)


def test_cell_means_of_a_two_by_two_with_interaction(outside):
    """Rats on two sources and two amounts of protein: Hand et al., Small Data Sets (1994).

    Everitt & Hothorn, A Handbook of Statistical Analyses Using R (2006), ch. 4 (from memory):
    cell means 100, 79.2, 85.9 and 83.9; residual mean square 223.6 with 36 degrees of freedom.
    """
    data = outside.r_data("HSAUR", "weightgain")
    rows = swapped(data["weightgain"], data["source"], data["type"])
    model = fit(
        rows,
        terms=[COOLER, BOARD, Term("pairing", PAIRS, Role.PAIRING, scale=FREE)],
        priors={"baseline": Normal(90.0, 300.0), "residual sd": HalfNormal(100.0)},
        draws=4000,
        seed=1,
        expand="none",
    )
    table = separate(model, contrasts="cooler_model").table.set_index("partner")
    error = np.sqrt(2.0 * 223.6 / 10.0)
    cells = {"High": 85.9 - 100.0, "Low": 83.9 - 79.2}
    for amount, difference in cells.items():
        assert table.loc[amount, "mean_k"] == pytest.approx(difference, abs=0.06 * error)
        assert table.loc[amount, "sd_k"] == pytest.approx(error, rel=0.06)
    average = table.loc["average"]
    assert average["mean_k"] == pytest.approx(-4.7, abs=0.06 * error)
    assert average["sd_k"] == pytest.approx(error / np.sqrt(2.0), rel=0.06)


def test_unequal_spreads_of_assemblies_agree_with_a_mixed_model_program(components):
    """Restricted likelihood of statsmodels' MixedLM with a variance of assemblies per cooler."""
    statsmodels = pytest.importorskip("statsmodels.formula.api")
    rng = np.random.default_rng(8)
    cooler, assembly, _ = (np.ravel(each) for each in np.mgrid[:2, :10, :3])
    level = rng.standard_normal((2, 10)) * np.array([[0.5], [2.0]])
    y = 60.0 - 3.0 * cooler + level[cooler, assembly] + 0.3 * rng.standard_normal(60)
    data = pd.DataFrame(
        {"y": y, "second": cooler * 1.0, "first": 1.0 - cooler, "a": 10 * cooler + assembly}
    )
    parts = {"first": "0 + first:C(a)", "second": "0 + second:C(a)"}
    other = statsmodels.mixedlm(
        "y ~ second", data, groups=np.ones(60), vc_formula=parts, re_formula="0"
    ).fit(reml=True)
    fixed = np.column_stack([np.ones(60), cooler])
    problem = components(y, fixed, [data["a"], data["a"]])
    values = problem.values.copy()
    values[:, 2:] = data[["first", "second"]].to_numpy()
    mode = restricted_mode(replace(problem, values=values))
    names = other.model.exog_vc.names
    expected = [np.sqrt(other.vcomp[names.index(name)]) for name in ("first", "second")]
    assert mode.spread[0] == pytest.approx(expected, rel=2e-3)
    assert mode.residual[0, 0] == pytest.approx(np.sqrt(other.scale), rel=1e-3)


def test_a_robust_mean_of_copper(outside):
    """Venables & Ripley, Modern Applied Statistics with S, 4th ed. (2002), 5.5 (from memory).

    Twenty-four determinations of copper in wholemeal flour, one of them 28.95: mean 4.28,
    Huber's proposal 2 gives 3.2055.
    """
    data = outside.r_data("MASS", "chem")["dat"].to_numpy(float)
    assert data.mean() == pytest.approx(4.2804, abs=5e-5)
    rows, priors = copper_rows(data), VAGUE | {"residual sd": HalfNormal(10.0)}
    plain, freed = (
        fit(rows, terms=[], priors=priors, draws=2000, seed=1, expand=expand)
        for expand in ("none", "auto")
    )
    assert [one.engine for one in (plain, freed)] == ["conditional", "conditional"]
    huber, error = 3.2055, 0.14
    found = [(one.draws("baseline").mean() - ZERO) / 2.0 for one in (plain, freed)]
    assert found[0] > huber + 5.0 * error
    # Huber's mean bounds the pull of 28.95 and 5.28; freed runs have hardly any.
    assert found[1] == pytest.approx(huber, abs=0.7 * error)
    assert freed.expansions[0].outlier.name == rows["run"].iloc[16]


def copper_rows(data):
    return plain_rows(temperature_c=ZERO + 2.0 * data, ambient_c=0.0)


@pytest.mark.study
def test_a_robust_mean_of_copper_under_students_t(outside):
    """As above, by Student's t and the sampler in place of a freed run."""
    data = outside.r_data("MASS", "chem")["dat"].to_numpy(float)
    priors = VAGUE | {"residual sd": HalfNormal(10.0)}
    model = fit(copper_rows(data), terms=[], priors=priors, draws=800, seed=1, residuals="student")
    found = (model.draws("baseline").mean() - ZERO) / 2.0
    assert found == pytest.approx(3.2055, abs=0.7 * 0.14)
