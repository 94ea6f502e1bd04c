"""Sensors that cut digits off read half a step low: the errors allow for it, or it is stated."""

from __future__ import annotations

import numpy as np
import pytest

from thermcmp.errors import InputError
from thermcmp.telemetry.steady_state.protocol import Protocol
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry


@pytest.fixture
def cut_runs(clean_run):
    """Runs whose sensor cuts its decimals off, and their true rise [K]."""

    def run(seed):
        rise_k = 50.0 + 0.17 * seed
        frame = clean_run(rise_k=rise_k, step_k=1e-3, noise_k=0.4, seed=seed)
        return frame.assign(memory_c=np.floor(frame["memory_c"])), rise_k

    return [run(seed) for seed in range(8)]


def away(runs, protocol):
    """Errors [K], and over their standard errors."""
    errors, stated = [], []
    for frame, rise_k in runs:
        row = reduce_telemetry(frame, protocol).rows.iloc[0]
        errors.append(row["temperature_c"] - row["ambient_c"] - rise_k)
        stated.append(row["standard_error_k"])
    return np.array(errors), np.array(errors) / stated


def test_errors_allow_for_digits_that_may_be_cut_off(cut_runs):
    errors, ratios = away(cut_runs, Protocol())
    assert np.mean(errors) == pytest.approx(-0.5, abs=0.1)
    assert np.all(np.abs(ratios) < 2.0)
    # Taken for rounded they are surely wrong.
    assert np.median(away(cut_runs, Protocol(truncated=()))[1]) < -2.0


def test_a_stated_sensor_has_half_a_step_added(cut_runs):
    errors, ratios = away(cut_runs, Protocol(truncated=("memory",)))
    assert abs(np.mean(errors)) < 0.1
    assert np.all(np.abs(ratios) < 2.5)


def test_coarse_steps_are_noted(clean_run):
    (note,) = reduce_telemetry(clean_run(step_k=1.0)).notes
    assert "memory (1 K)" in note
    assert "Protocol(truncated=…)" in note
    assert not reduce_telemetry(clean_run(step_k=0.1)).notes
    assert not reduce_telemetry(clean_run(step_k=1.0), Protocol(truncated=())).notes


def test_a_string_is_no_list_of_sensors():
    with pytest.raises(InputError, match=r"truncated.*not a tuple.*Fix: name the sensors"):
        Protocol(truncated="memory")
