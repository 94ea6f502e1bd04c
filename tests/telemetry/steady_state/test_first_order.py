"""The numbers behind a steady state, against published and independent ones."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from thermcmp.errors import InputError
from thermcmp.telemetry.steady_state.autocorrelation import (
    ar1_effective_size,
    autocorrelation,
    cycle_in,
    effective_size,
    integrated_time,
)
from thermcmp.telemetry.steady_state.first_order import fit_first_order_rise
from thermcmp.telemetry.steady_state.quantization import (
    find_step,
    largest_bias,
    rounding_bias_of,
)

# NIST Statistical Reference Datasets, nonlinear regression: data and certified values of
# Misra1a and BoxBOD (US government work, public domain).
MISRA1A_Y = [
    10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02,
    44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78,
]  # fmt: skip
MISRA1A_X = [
    77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8,
    378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0,
]  # fmt: skip
MISRA1A = {
    "b1": 2.3894212918e02, "sd1": 2.7070075241e00,
    "b2": 5.5015643181e-04, "sd2": 7.2668688436e-06, "residual": 1.0187876330e-01,
}  # fmt: skip
BOXBOD_Y, BOXBOD_X = [109.0, 149.0, 149.0, 191.0, 213.0, 224.0], [1.0, 2.0, 3.0, 5.0, 7.0, 10.0]
BOXBOD = {
    "b1": 2.1380940889e02, "sd1": 1.2354515176e01,
    "b2": 5.4723748542e-01, "sd2": 1.0455993237e-01, "residual": np.sqrt(1.1680088766e03 / 4),
}  # fmt: skip


@pytest.mark.parametrize(
    ("x", "y", "certified"), [(MISRA1A_X, MISRA1A_Y, MISRA1A), (BOXBOD_X, BOXBOD_Y, BOXBOD)]
)
def test_first_order_rise_has_the_certified_values(x, y, certified):
    # Certified to 11 digits; with an analytic Jacobian 8 are reached, so 1e-8 and for
    # standard errors, which hang on the square of the residuals, 1e-7.
    fit = fit_first_order_rise(x, y, initial_k=0.0, independent=True)
    assert fit.final_k == pytest.approx(certified["b1"], rel=1e-8)
    assert 1.0 / fit.time_constant_s == pytest.approx(certified["b2"], rel=1e-8)
    assert fit.final_error_k == pytest.approx(certified["sd1"], rel=1e-7)
    rate_error = fit.time_constant_error_s / fit.time_constant_s**2
    assert rate_error == pytest.approx(certified["sd2"], rel=1e-7)
    assert fit.residual_sd_k == pytest.approx(certified["residual"], rel=1e-7)


def test_first_order_rise_finds_a_known_rise_from_an_offset():
    t = np.arange(0.0, 900.0)
    y = 52.0 + (6.0 - 52.0) * np.exp(-t / 130.0)
    fit = fit_first_order_rise(t, y)
    assert (fit.final_k, fit.initial_k, fit.time_constant_s) == pytest.approx(
        (52.0, 6.0, 130.0), rel=1e-7
    )


def test_first_order_rise_refuses_a_straight_line_and_too_few_readings():
    t = np.arange(0.0, 900.0)
    with pytest.raises(InputError, match="first-order"):
        fit_first_order_rise(t, 20.0 + 0.01 * t)
    with pytest.raises(InputError, match="too few"):
        fit_first_order_rise([0.0, 1.0, 2.0], [1.0, 2.0, 3.0])


def test_lag_one_autocorrelation_of_nist_series():
    # NIST StRD univariate: certified r(1) of NumAcc2 is -0.999 (first value the mean, then
    # 500 pairs); of NumAcc1, -0.5.
    numacc2 = np.concatenate([[1.2], np.tile([1.1, 1.3], 500)])
    assert autocorrelation(numacc2)[1] == pytest.approx(-0.999, abs=1e-11)
    assert autocorrelation([10000001.0, 10000003.0, 10000002.0])[1] == pytest.approx(-0.5)


def test_autocorrelation_agrees_with_statsmodels():
    stattools = pytest.importorskip("statsmodels.tsa.stattools")
    series = np.cumsum(np.random.default_rng(3).standard_normal(400))
    expected = stattools.acf(series, nlags=60, fft=True)
    assert autocorrelation(series)[:61] == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("n", "phi", "expected"),
    # Exact sum over lags; Zhang, Metrologia 43 (2006) S276, recomputed in fractions.
    [(10, 0.5, 3.845576), (50, 0.5, 17.123288), (100, 0.5, 33.783784), (100, 0.9, 5.813937),
     (600, 0.95, 15.901060), (3600, 0.99, 18.604651), (100, -0.5, 296.052632)],
)  # fmt: skip
def test_ar1_effective_size_is_exact(n, phi, expected):
    assert ar1_effective_size(n, phi) == pytest.approx(expected, abs=1e-6)
    lags = np.arange(1, n)
    by_sum = n / (1.0 + 2.0 * np.sum((1.0 - lags / n) * phi**lags))
    assert ar1_effective_size(n, phi) == pytest.approx(by_sum, rel=1e-9)


def ar1(phi, n, rng):
    from scipy.signal import lfilter

    noise = rng.standard_normal(n + 500)
    return lfilter([1.0], [1.0, -phi], noise)[500:]


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9, 0.95])
def test_standard_error_of_an_ar1_mean_is_honest(phi):
    # The error of the mean over its stated standard error has a spread of one; 500
    # series bind it to about 3 %, and estimating the size itself costs up to a fifth.
    rng = np.random.default_rng(17)
    ratios = []
    for _ in range(500):
        series = ar1(phi, 900, rng)
        size = effective_size(series - series.mean())
        ratios.append(series.mean() / (series.std() / np.sqrt(size)))
    assert 0.88 < np.std(ratios) < 1.2


def test_integrated_time_agrees_with_a_general_library():
    arviz = pytest.importorskip("arviz")
    ratios = []
    for seed in range(5):
        series = ar1(0.8, 20_000, np.random.default_rng(seed))
        theirs = float(arviz.ess(series[None, :], method="mean"))
        ratios.append(len(series) / integrated_time(autocorrelation(series)) / theirs)
    # Two estimators of the same sum, cut at different lags; the truth is n / 9.
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.1)


def test_effective_size_never_exceeds_the_readings():
    alternating = np.tile([1.0, -1.0], 100)
    assert effective_size(alternating) == 200.0
    assert effective_size(np.zeros(50)) == 50.0


def test_cycles_are_found_and_noise_is_not_one():
    t = np.arange(600)
    rng = np.random.default_rng(5)
    swing = np.sin(2.0 * np.pi * t / 40.0) + 0.3 * rng.standard_normal(600)
    assert cycle_in(autocorrelation(swing)) == pytest.approx(40, abs=1)
    assert cycle_in(autocorrelation(rng.standard_normal(600))) is None


def test_the_variance_seen_bounds_the_bias_of_any_normal_behind_it():
    cells = np.arange(-12, 13)
    for noise in (0.03, 0.1, 0.2, 0.27, 0.35, 0.5, 0.8):
        for phase in np.linspace(0.0, 0.5, 23):
            weights = norm.cdf(cells + 0.5, phase, noise) - norm.cdf(cells - 0.5, phase, noise)
            mean = float(cells @ weights)
            variance = float(cells**2 @ weights) - mean**2
            # The bound's grid of phases is a hundredth of a step wide.
            assert abs(mean - phase) <= largest_bias(variance, 1.0) + 0.006, (noise, phase)
    assert largest_bias(0.0, 2.0) == 1.0
    assert largest_bias(0.0, 0.0) == 0.0


def test_a_slow_swing_takes_a_rounding_bias_away_slowly():
    # A sine of one step's amplitude: the first term of its bias is J0(2 pi) / pi = 0.070.
    t = np.arange(6000)
    worst = 0.0
    for phase in np.linspace(0.0, 1.0, 21):
        truth = phase + np.sin(2.0 * np.pi * t / 60.0)
        worst = max(worst, abs(float(np.mean(np.round(truth) - truth))))
    assert worst == pytest.approx(0.070, abs=0.02)
    rounded = np.round(0.3 + np.sin(2.0 * np.pi * t / 60.0))
    assert worst <= rounding_bias_of(rounded - rounded.mean(), 1.0) <= 0.3


def test_steps_of_sensors_are_found():
    rng = np.random.default_rng(2)
    ramp = np.linspace(30.0, 84.0, 2000) + 0.2 * rng.standard_normal(2000)
    assert find_step(np.round(ramp)) == 1.0
    assert find_step(np.round(ramp * 2.0) / 2.0) == 0.5
    assert find_step(np.round(ramp, 1)) == pytest.approx(0.1)
    fahrenheit = (np.round(ramp * 1.8 + 32.0) - 32.0) / 1.8
    assert find_step(fahrenheit) == pytest.approx(1.0 / 1.8, abs=1e-3)
    assert find_step([71.0, 71.0]) == 1.0
    assert find_step([71.5, np.nan]) == pytest.approx(0.1)
    assert np.isnan(find_step([np.nan]))
    assert np.isnan(find_step([np.inf, 1e308]))
    assert find_step([71.0, -np.inf, 71.0]) == 1.0
