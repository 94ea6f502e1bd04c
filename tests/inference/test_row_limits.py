"""Rows at the edge of what can be fitted: a right answer, or a refusal that names why."""

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest

from thermcmp.errors import EngineError, ModelError
from thermcmp.inference.conditional.marginal_likelihood import Kernel, Points
from thermcmp.inference.conditional.problem import thermal_problem
from thermcmp.inference.diagnostics import Health
from thermcmp.inference.fitting import fit
from thermcmp.questions.separation.question import separate


def rows(count, **changes):
    """Runs of two coolers 3 K apart in turn, four assemblies, two fan speeds."""
    rng, i = np.random.default_rng(0), np.arange(count)
    frame = pd.DataFrame(
        {
            "run": [f"r{k}" for k in i],
            "sensor": "memory",
            "cooler_model": [f"Heron-C{k % 2}" for k in i],
            "board_model": "Heron-B1",
            "assembly": [f"a{k % 4}" for k in i],
            "session": "s1",
            "temperature_c": 60.0 + rng.normal(0.0, 0.5, count) + 3.0 * (i % 2),
            "ambient_c": 22.0,
            "power_w": 200.0,
            "fan_rpm": np.where(i // 2 % 3 == 0, 1400.0, 1900.0),
        }
    )
    return frame.assign(**changes)


def effect(frame):
    found = separate(fit(frame, seed=1)).table
    return found[found["factor"].eq("cooler_model")].iloc[0]


def repeated(count, scatter_k=0.0):
    """Rows that differ by cooler and fan speed alone, and by a scatter."""
    frame = rows(count)
    rise_k = 38.0 + 3.0 * (np.arange(count) % 2) + np.where(frame["fan_rpm"].eq(1400.0), 4.0, 0.0)
    noise = np.random.default_rng(3).normal(0.0, scatter_k, count)
    return frame.assign(temperature_c=22.0 + rise_k + noise)


@pytest.mark.parametrize("count", [6, 12, 48])
@pytest.mark.parametrize("scatter_k", [0.0, 1e-12, 1e-7, 1e-6])
def test_equal_readings_are_named_as_such(count, scatter_k):
    noise = np.random.default_rng(0).normal(0.0, scatter_k, count)
    found = f"All {count} readings of 'memory' are 38 K above the air to within"
    with pytest.raises(EngineError, match=found):
        fit(rows(count, temperature_c=60.0 + noise), seed=1)


@pytest.mark.parametrize("scatter_k", [0.0, 1e-9, 1e-7, 1e-6, 1e-5])
@pytest.mark.parametrize("changes", [{}, {"standard_error_k": 1e-6}], ids=["", "stated"])
def test_a_scatter_that_cannot_be_computed_is_refused_with_its_figure(scatter_k, changes):
    with pytest.raises(EngineError, match=r"12 readings .* scatter by .* no error below 5e-05 K"):
        fit(repeated(12, scatter_k).assign(**changes), seed=1)


@pytest.mark.parametrize("scatter_k", [3e-4, 1e-3, 1e-2])
def test_a_small_scatter_that_can_be_computed_is_right(scatter_k):
    found = effect(repeated(48, scatter_k))
    assert found["low_k"] < 3.0 < found["high_k"]
    # Four assemblies of 12 runs: their scatter alone gives scatter · sqrt(4 / 48).
    half_k = 0.5 * (found["high_k"] - found["low_k"])
    assert 1.645 * scatter_k / np.sqrt(12) * 0.7 < half_k < 10.0 * scatter_k


def exact_log_density(problem, spread, residual, exponent):
    """The marginal log density in rational numbers: elimination of the rows' covariance."""
    n, h = len(problem.y), problem.airflow(np.array([[exponent]]))[:, 0]
    factor = np.where(problem.flow, h[:, None], 1.0)
    places = [
        {int(c): Fraction(float(v)) * Fraction(float(f)) for c, v, f in zip(*row, strict=True)}
        for row in zip(problem.columns, problem.values, factor, strict=True)
    ]
    sd = [
        Fraction(float(spread[scale] if scale >= 0 else fixed))
        for scale, fixed in zip(problem.scale_of, problem.fixed_sd, strict=True)
    ]
    mean = [Fraction(float(value)) for value in problem.fixed_mean]
    left = [
        Fraction(float(y)) - sum(x * mean[c] for c, x in row.items())
        for y, row in zip(problem.y, places, strict=True)
    ]
    rows = [
        [sum(x * other.get(c, 0) * sd[c] ** 2 for c, x in row.items()) for other in places] + [e]
        for row, e in zip(places, left, strict=True)
    ]
    for place in range(n):
        rows[place][place] += Fraction(float(residual)) ** 2
    log_determinant = square = 0.0
    for place, row in enumerate(rows):
        log_determinant += math.log(row[place])
        square += float(row[n] ** 2 / row[place])
        for other in rows[place + 1 :]:
            share = other[place] / row[place]
            other[place:] = [b - share * a for a, b in zip(row[place:], other[place:], strict=True)]
    return -0.5 * (n * math.log(2.0 * math.pi) + log_determinant + square)


@pytest.mark.parametrize("rise_k", [0.0, 20.0], ids=["equal", "wide"])
def test_log_densities_are_exact_down_to_the_least_scatter_that_is_served(rise_k):
    frame = repeated(12, 1e-3)
    coolers, fans = rise_k * (np.arange(12) % 2), rise_k * frame["fan_rpm"].eq(1400.0)
    noise = np.random.default_rng(3).normal(0.0, 1e-4, 12)
    served = fit(frame, seed=1, draws=400).design
    design = replace(served, rise_k=np.asarray(38.0 + coolers + fans + noise))
    problem, _ = thermal_problem(design)
    kernel, spread = Kernel(problem), np.linspace(0.5, 2.0, len(design.terms))
    least = 2.0 * math.sqrt(max(kernel.least_variance, 1e-13 * np.mean(problem.y**2)))
    for exponent in (0.5, 0.65):
        point = Points.of_one_set(np.array([exponent]), spread[None], np.array([least]))
        found = float(kernel.log_likelihood(point)[0])
        assert found == pytest.approx(exact_log_density(problem, spread, least, exponent), abs=0.01)


@pytest.mark.parametrize(
    ("choice", "outliers"),
    [
        ({"engine": "nuts"}, ()),
        ({"residuals": "student"}, ()),
        ({"residuals": "student"}, (5,)),
        ({"residuals": "student"}, (5, 8)),
    ],
)
def test_repeated_readings_are_refused_before_nuts_goes_on_without_end(choice, outliers):
    frame = repeated(16)
    frame.loc[list(outliers), "temperature_c"] += 2.0
    with pytest.raises(EngineError, match="no error below"):
        fit(frame, seed=1, **choice)


def test_a_published_error_that_cannot_be_computed_is_named():
    frame = repeated(12, 0.1).assign(n=3, standard_error_k=0.1)
    frame.loc[4, "standard_error_k"] = 1e-9
    with pytest.raises(EngineError, match=r"the published run 'r4' states an error of 1e-09 K"):
        fit(frame, seed=1)


def test_the_step_of_the_sensor_is_what_equal_readings_lack():
    found = effect(rows(12, temperature_c=60.0, resolution_k=1.0))
    assert -1.0 < found["low_k"] < 0.0 < found["high_k"] < 1.0


@pytest.mark.parametrize("once", [("board_id",), ("board_id", "cooler_id")])
@pytest.mark.parametrize("count", [300, 2000])
def test_specimens_run_once_each_share_their_spread_with_the_scatter(once, count):
    numbers = pd.Series(range(count)).astype(str)
    names = {name: name[0] + numbers for name in ("assembly", *once)}
    fitted = fit(
        rows(count, session="s" + (numbers.astype(int) // 50).astype(str), **names), seed=1
    )
    assert fitted.engine == "conditional"
    assert fitted.health is not Health.BAD
    found = separate(fitted).table
    found = found[found["factor"].eq("cooler_model")].iloc[0]
    # Of one campaign: within three standard deviations.
    assert abs(found["mean_k"] - 3.0) < 3.0 * (found["high_k"] - found["low_k"]) / 3.29
    # The rows show the sum alone: 0.5 K, to the standard error of a standard deviation.
    scatter = fitted.draws("residual sd")
    total = np.sqrt(scatter**2 + sum(fitted.draws(f"{name[:-3]} sd") ** 2 for name in once))
    assert np.median(total) == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(2 * count))
    assert np.quantile(scatter, 0.05) < 0.5 * np.quantile(scatter, 0.95)


@pytest.mark.filterwarnings("ignore:.*read no more than ambient")
@pytest.mark.parametrize("rise_k", [0.0, 1e-9])
def test_a_card_without_load_is_named_as_such(rise_k):
    with pytest.raises(ModelError, match="there is no rise to compare"):
        fit(rows(12, temperature_c=22.0 + rise_k * np.arange(12)), seed=1)


def test_one_row_is_refused_and_two_rows_allow_for_a_scatter_that_nothing_shows():
    with pytest.raises(ModelError, match="at least two"):
        fit(rows(1), seed=1)
    two = effect(rows(2))
    assert two["low_k"] < 3.0 < two["high_k"]
    # Two assemblies may lie as far apart as these two coolers (common practice, no source).
    assert two["low_k"] < 0.0


@pytest.mark.parametrize(
    "changes",
    [
        {"fan_rpm": 1800.0 + 1e-9 * np.arange(16)},
        {"power_w": 200.0 + 1e-10 * np.arange(16)},
        {"standard_error_k": 1e-12},
    ],
    ids=["speeds", "powers", "errors"],
)
def test_columns_that_all_but_coincide_do_no_harm(changes):
    found = effect(rows(16, **changes))
    assert found["low_k"] < 3.0 < found["high_k"]
    assert abs(found["mean_k"] - 3.0) < 2.0


def test_too_many_levels_are_refused_before_they_take_memory():
    count = 10_000
    one_each = {name: [f"{name}{k}" for k in range(count)] for name in ("cooler_model", "assembly")}
    frame = rows(count, **one_each)
    with pytest.raises(ModelError, match=r"10,000 levels of cooler"):
        fit(frame, seed=1)
