"""A fan or a power that is switched at load starts the soak anew, and regulates nothing."""

from __future__ import annotations

import log_worlds
import numpy as np
import pytest

from thermcmp.telemetry.steady_state.protocol import Protocol, Verdict
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry


def card(seconds, **factors):
    """A card whose fan or power changes at stated seconds."""
    rng = np.random.default_rng(4)
    return log_worlds.Card.draw(
        rng, seconds=seconds, idle_s=30, step_k=0.1, noise_k=0.1, **factors
    ).log()


@pytest.mark.parametrize("factor", ["fan_factor", "power_factor"])
def test_the_soak_starts_anew_at_a_switch(factor):
    at = 700
    world = card(2400, **{factor: np.where(np.arange(2400) < at, 1.15, 1.0)})
    reduction = reduce_telemetry(world.frame)
    (span,) = [s for s in reduction.spans if "was switched" in s.reason]
    assert span.end_s == pytest.approx(at, abs=15.0)
    row = reduction.rows.iloc[0]
    assert not row["regulated"]
    assert row["soak_s"] + row["window_s"] == pytest.approx(2400.0 - at, abs=16.0)
    rise = row["temperature_c"] - row["ambient_c"]
    assert abs(rise - world.truth["memory"]) < 3.0 * row["standard_error_k"]


def test_a_switch_late_in_the_run_refuses_it():
    world = card(1500, fan_factor=np.where(np.arange(1500) < 1350, 1.0, 0.9))
    reduction = reduce_telemetry(world.frame)
    assert reduction.verdict is Verdict.REFUSED
    assert "fan speed moved" in reduction.reason


def test_a_limit_that_cuts_power_does_not_end_the_load():
    cut = np.where(np.arange(1800) < 200, 300.0 / 170.0, 1.0)
    world = card(1800, power_w=170.0, power_factor=cut)
    for frame in (world.frame, world.frame.drop(columns="load_percent")):
        reduction = reduce_telemetry(frame)
        assert len(reduction.rows) == 2, reduction.reason
        assert not reduction.rows["regulated"].any()


def test_pauses_of_a_looped_test_are_named_and_then_joined():
    world = card(2000)
    looped = world.frame["time_s"] % 40.0 < 8.0
    world.frame.loc[looped, "load_percent"] = 2.0
    reduction = reduce_telemetry(world.frame)
    assert reduction.verdict is Verdict.REFUSED
    assert "31 s at load" in reduction.reason
    assert "pauses 49 times for up to 8 s: Protocol(pause_s=8)" in reduction.reason
    assert len(reduce_telemetry(world.frame, Protocol(pause_s=8.0)).rows) == 2


def test_pieces_between_gaps_are_named_as_such(clean_run):
    frame = clean_run(seconds=1570)
    pieces = frame[frame["time_s"] % 40.0 < 28.0].reset_index(drop=True)
    reduction = reduce_telemetry(pieces)
    assert reduction.verdict is Verdict.REFUSED
    assert "pieces, the longest 27 s without a gap" in reduction.reason


@pytest.mark.parametrize("period", [1.2, 1.35, 1.45, 2.3, 2.49, 3.4])
def test_whole_second_stamps_count_by_elapsed_time(clean_run, period):
    frame = clean_run(seconds=2000)
    chosen = np.arange(0.0, 1999.0, period).astype(int)
    frame = frame.iloc[chosen].reset_index(drop=True)
    frame["time_s"] = np.floor(np.arange(len(frame)) * period)
    reduction = reduce_telemetry(frame)
    assert reduction.verdict is not Verdict.REFUSED, reduction.reason
    (check,) = [c for c in reduction.checks if c.name == "coverage"]
    assert check.figure == 100.0


def test_power_of_a_looped_test_is_held_over_its_whole_cycles():
    # Pauses of 2 s in every 45 s: parts of 60 s hold one of them or two.
    t = np.arange(1000.0)
    world = card(1000, power_w=250.0, power_factor=np.where(t % 45.0 < 2.0, 0.05, 1.0))
    (check,) = [c for c in reduce_telemetry(world.frame).checks if c.name == "power steady"]
    assert check.verdict is Verdict.CORRECTED
    assert "its mean is taken" in check.words


def test_a_refusal_names_the_power_that_moved_meanwhile():
    falls = 1.0 - 0.06 * np.linspace(0.0, 1.0, 1800)
    reason = reduce_telemetry(card(1800, power_w=250.0, power_factor=falls).frame).reason
    assert "; meanwhile the power went from 24" in reason
    assert "fan" not in reason.split("meanwhile")[1]
