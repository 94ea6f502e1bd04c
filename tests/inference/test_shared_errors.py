"""Errors that the runs of a bench share cancel within it, and count between benches."""

import numpy as np
import pytest
from made_once import fit_once

from thermcmp.inference.checks.refits import fit_without
from thermcmp.model.measurement_error import MeasurementError

OFFSET_K, GAIN = 0.8, 0.03


@pytest.fixture(scope="module")
def difference_sd_k(make_rows):
    """Spread of the difference between a cooler at 70 K of rise and one at 40 K, by benches."""
    rng = np.random.default_rng(2)
    second = np.repeat([False, True], 12)
    rows = make_rows(
        temperature_c=22.0 + np.where(second, 40.0, 70.0) + 0.2 * rng.standard_normal(24),
        cooler_model=np.where(second, "Heron-C2", "Heron-C1"),
        cooler_id=np.where(second, "Heron-C2-1", "Heron-C1-1"),
        assembly=np.where(second, "m2", "m1"),
        fan_mode="fixed",
    )

    def of(errors, *, apart, left_out=None):
        benches = np.where(second & apart, "bench 2", "bench 1")
        options = {"terms": ["cooler_model"], "expand": "none", "seed": 3}
        model = fit_once(rows.assign(bench=benches), errors=errors, **options)
        if left_out is not None:
            model = fit_without(model, np.arange(24) == left_out)
        drawn = model.draws("cooler_model")
        return float(np.std(drawn[:, 1] - drawn[:, 0]))

    return of


def test_an_offset_of_the_ambient_cancels_within_a_bench(difference_sd_k):
    errors = MeasurementError(ambient_offset_k=OFFSET_K)
    plain = difference_sd_k(MeasurementError(), apart=False)
    assert difference_sd_k(errors, apart=False) == pytest.approx(plain, rel=0.05)
    between = difference_sd_k(errors, apart=True)
    assert between == pytest.approx(np.hypot(plain, np.sqrt(2.0) * OFFSET_K), rel=0.05)


def test_a_gain_of_power_scales_a_difference_within_a_bench(difference_sd_k):
    errors = MeasurementError(power_gain=GAIN)
    plain = difference_sd_k(MeasurementError(), apart=False)
    within = difference_sd_k(errors, apart=False)
    assert within == pytest.approx(np.hypot(plain, GAIN * (70.0 - 40.0)), rel=0.05)
    between = difference_sd_k(errors, apart=True)
    assert between == pytest.approx(np.hypot(plain, GAIN * np.hypot(70.0, 40.0)), rel=0.05)


def test_a_refit_without_a_run_keeps_the_unknowns(difference_sd_k):
    errors = MeasurementError(ambient_offset_k=OFFSET_K)
    whole = difference_sd_k(errors, apart=True)
    assert difference_sd_k(errors, apart=True, left_out=0) == pytest.approx(whole, rel=0.05)
