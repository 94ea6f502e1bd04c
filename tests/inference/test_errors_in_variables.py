"""Published lines with errors in both variables, beside SciPy's and York's way to them."""

import warnings

import numpy as np
import pytest
from errors_in_variables import (
    FULLER_ERROR_VARIANCE,
    FULLER_LINE,
    FULLER_MOMENTS,
    FULLER_NITROGEN,
    FULLER_YIELD,
    PEARSON_LINE,
    PEARSON_YORK,
    YORK_LINE,
    Points,
    attenuation,
    york_line,
)


@pytest.fixture
def scipy_line(outside):
    """Orthogonal distance regression: intercept and slope, their unscaled errors, misfit."""
    with warnings.catch_warnings():
        # SciPy announces that 1.19 will go without it.
        warnings.simplefilter("ignore", DeprecationWarning)
        try:
            from scipy import odr
        except ImportError:
            outside.missing("scipy.odr")

    def line(points):
        data = odr.RealData(points.x, points.y, sx=points.x_error, sy=points.y_error)
        model = odr.Model(lambda beta, x: beta[0] + beta[1] * x)
        # Stop at the last digits, since the default stops at half of them.
        run = odr.ODR(data, model, beta0=[5.0, -0.5], sstol=1e-15, partol=1e-15, maxit=500).run()
        return run.beta, np.sqrt(np.diag(run.cov_beta)), run.res_var

    return line


def test_yorks_line_has_the_published_digits():
    line = york_line(PEARSON_YORK)
    assert line.intercept == pytest.approx(YORK_LINE.intercept, abs=5e-10)
    assert line.slope == pytest.approx(YORK_LINE.slope, abs=5e-10)
    assert line.intercept_error == pytest.approx(YORK_LINE.intercept_error, abs=5e-10)
    assert line.slope_error == pytest.approx(YORK_LINE.slope_error, abs=5e-11)
    assert line.misfit == pytest.approx(YORK_LINE.misfit, abs=5e-10)


def test_scipy_finds_yorks_line(scipy_line):
    estimate, _, misfit = scipy_line(PEARSON_YORK)
    # Its search takes slopes by differences.
    np.testing.assert_allclose(estimate, (YORK_LINE.intercept, YORK_LINE.slope), rtol=1e-6)
    assert misfit == pytest.approx(YORK_LINE.misfit, rel=1e-9)


def test_equal_errors_give_pearsons_line():
    equal = Points(PEARSON_YORK.x, PEARSON_YORK.y, np.ones(10), np.ones(10))
    line = york_line(equal)
    assert line.slope == pytest.approx(PEARSON_LINE[1], abs=5e-4)
    # The printed intercept follows from the rounded slope and the mean point (3.82, 3.70).
    assert line.intercept == pytest.approx(PEARSON_LINE[0], abs=5e-4 * 3.82)
    assert PEARSON_LINE[0] == pytest.approx(3.70 - PEARSON_LINE[1] * 3.82, abs=5e-5)


def test_a_line_without_error_in_x_is_that_of_weighted_least_squares():
    exact = Points(PEARSON_YORK.x, PEARSON_YORK.y, np.full(10, 1e-9), PEARSON_YORK.y_error)
    line = york_line(exact)
    design = np.stack([np.ones(10), exact.x], axis=1)
    precision = design.T @ (design / exact.y_error[:, None] ** 2)
    estimate = np.linalg.solve(precision, design.T @ (exact.y / exact.y_error**2))
    assert (line.intercept, line.slope) == pytest.approx(tuple(estimate), rel=1e-9)
    errors = np.sqrt(np.diag(np.linalg.inv(precision)))
    assert (line.intercept_error, line.slope_error) == pytest.approx(tuple(errors), rel=1e-9)


def test_attenuation_is_undone_as_the_textbook_prints_it():
    variance, covariance = np.cov(FULLER_NITROGEN, FULLER_YIELD)[0]
    assert (variance, covariance) == pytest.approx(FULLER_MOMENTS, abs=5e-5)
    kept = attenuation(variance - FULLER_ERROR_VARIANCE, FULLER_ERROR_VARIANCE)
    least_squares = np.polyfit(FULLER_NITROGEN, FULLER_YIELD, 1)[0]
    slope = least_squares / kept
    intercept = FULLER_YIELD.mean() - slope * FULLER_NITROGEN.mean()
    assert intercept == pytest.approx(FULLER_LINE[0], abs=5e-3)
    assert slope == pytest.approx(FULLER_LINE[1], abs=5e-5)


def test_least_squares_keeps_the_attenuated_share_of_a_slope():
    rng = np.random.default_rng(5)
    true_x = rng.normal(0.0, 2.0, 200_000)
    y = 1.5 * true_x + rng.normal(0.0, 0.5, len(true_x))
    slope = np.polyfit(true_x + rng.normal(0.0, 1.5, len(true_x)), y, 1)[0]
    # Four standard errors of a slope from so many points.
    assert slope == pytest.approx(1.5 * attenuation(4.0, 2.25), abs=0.01)
