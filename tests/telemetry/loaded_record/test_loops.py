"""Looped tests: means over whole loops, against networks of bodies that are integrated in time."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import thermcmp as tc
from thermcmp.telemetry.steady_state.protocol import Protocol, Verdict
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry

JOINED = Protocol(pause_s=16.0)
#: Heat capacities [J/K] of die, spreader, fins and back plate, and conductances [W/K].
CAPACITIES = np.array([2.0, 250.0, 500.0, 160.0])
LINKS = ((0, 1, 9.0), (1, 2, 40.0), (1, 3, 0.8))
TO_AIR = np.array([0.0, 0.0, 6.5, 0.5])
INPUT = np.array([0.85, 0.15, 0.0, 0.0])


def looped(starts_s, *, pause_s, seconds, power_w=240.0, seed=0, idle_s=40, every_s=1.0):
    """Return a log of a load that pauses before each of some times, and the steady rise per watt.

    The truth is the solution of the steady network; the log is integrated by implicit Euler.
    """
    rng = np.random.default_rng(seed)
    step_s = 0.25
    conductances = np.diag(TO_AIR)
    for i, j, g in LINKS:
        conductances[[i, j], [i, j]] += g
        conductances[[i, j], [j, i]] -= g
    per_watt = np.linalg.solve(conductances, INPUT)
    t = np.arange(0.0, seconds, step_s)
    ends = np.asarray(starts_s)[:, None]
    pause = ((t >= ends - pause_s) & (t < ends)).any(axis=0)
    at_load = (t >= idle_s) & ~pause
    power = np.where(at_load, power_w, 20.0)
    system = np.linalg.inv(np.diag(CAPACITIES / step_s) + conductances)
    rise, rises = 20.0 * per_watt, np.empty((len(t), 4))
    for i, watts in enumerate(power):
        rise = system @ (CAPACITIES / step_s * rise + INPUT * watts)
        rises[i] = rise
    read = np.searchsorted(t, np.arange(0.0, seconds - 1.0, every_s))
    noise = rng.standard_normal((len(read), 4))
    frame = pd.DataFrame(
        {
            "time_s": t[read],
            "junction_c": np.round(22.0 + rises[read, 0] + 0.2 * noise[:, 0], 1),
            "memory_c": np.round(22.0 + rises[read, 3] + 0.1 * noise[:, 1], 1),
            "ambient_c": np.round(22.0 + 0.03 * noise[:, 2], 1),
            "power_w": power[read] * (1.0 + 0.005 * noise[:, 3]),
            "fan_rpm": np.round(1500.0 + 4.0 * rng.standard_normal(len(read))),
            "load_percent": np.where(at_load[read], 99.0, 1.0),
        }
    )
    return frame, {"junction": float(per_watt[0]), "memory": float(per_watt[3])}


def even(period_s, seconds, first_s=40.0):
    return np.arange(first_s + period_s, seconds, period_s)


@pytest.mark.parametrize(
    ("period_s", "pause_s", "seconds", "every_s"),
    [
        (14.0, 2.0, 1700, 1.0),
        (63.0, 6.0, 1700, 1.0),
        (95.5, 12.0, 1500, 1.7),
        (170.0, 8.0, 1700, 1.0),
        (287.0, 10.0, 1500, 1.0),
        (420.0, 12.0, 2400, 2.0),
    ],
)
def test_a_looped_test_gives_its_mean_over_whole_loops(period_s, pause_s, seconds, every_s):
    starts = even(period_s, seconds)
    errors = []
    for seed in range(4):
        frame, per_watt = looped(
            starts, pause_s=pause_s, seconds=seconds, seed=seed, every_s=every_s
        )
        reduction = reduce_telemetry(frame, JOINED)
        assert len(reduction.rows) == 2, reduction.reason
        assert "means are over whole loops" in reduction.reason
        for row in reduction.rows.to_dict("records"):
            # The share of time in pauses is exact; what a logger's power misses is not its rise.
            watts = 240.0 - 220.0 * pause_s / period_s
            error = row["temperature_c"] - row["ambient_c"] - per_watt[row["sensor"]] * watts
            errors.append(error / row["standard_error_k"])
            assert abs(row["power_w"] - watts) < 0.02 * watts
            assert row["standard_error_k"] < 1.0
    # At most one in twenty, and no eight of eight on one side by far.
    assert np.sum(np.abs(errors) > 2.0) <= 1, np.round(errors, 1)


def test_loops_follow_the_load_where_their_lengths_differ_a_little():
    rng = np.random.default_rng(5)
    starts = 40.0 + np.cumsum(rng.uniform(116.0, 124.0, 13))
    frame, per_watt = looped(starts, pause_s=10.0, seconds=int(starts[-1]))
    rows = reduce_telemetry(frame, JOINED).rows.set_index("sensor")
    for sensor, slope in per_watt.items():
        row = rows.loc[sensor]
        error = row["temperature_c"] - row["ambient_c"] - slope * row["power_w"]
        assert abs(error) < 2.0 * row["standard_error_k"]


def test_uneven_pauses_are_refused_with_the_cure():
    starts = 40.0 + np.array([90.0, 300.0, 360.0, 640.0, 700.0, 980.0, 1090.0, 1400.0])
    frame, _ = looped(starts, pause_s=12.0, seconds=1500)
    reduction = reduce_telemetry(frame, JOINED)
    assert reduction.verdict is Verdict.REFUSED
    assert "uneven times: run without pauses, or in even loops" in reduction.reason


def test_too_few_loops_are_refused_with_the_run_that_is_enough():
    frame, _ = looped(even(480.0, 1300), pause_s=12.0, seconds=1300)
    assert "3 whole loops are needed for a mean: run 24 min or more" in (
        reduce_telemetry(frame, Protocol(pause_s=16.0, power_drift_share=0.02)).reason
    )
    seconds = 24 * 60 + 60
    frame, _ = looped(even(480.0, seconds), pause_s=12.0, seconds=seconds)
    assert len(reduce_telemetry(frame, JOINED).rows) == 2


def test_a_load_of_nothing_in_one_reading_is_no_pause():
    frame, _ = looped([], pause_s=0.0, seconds=1500)
    dips = (frame["time_s"] % 60.0 == 0.0) & (frame["time_s"] > 100.0)
    dipped = frame.assign(load_percent=frame["load_percent"].where(~dips, 0.0))
    plain, reduction = reduce_telemetry(frame), reduce_telemetry(dipped)
    assert "loops" not in reduction.reason
    pd.testing.assert_frame_equal(reduction.rows, plain.rows)


def test_coarse_steps_of_a_looped_test_stay_in_its_error():
    frame, _ = looped(even(120.0, 1900), pause_s=8.0, seconds=1900)
    whole = frame.assign(memory_c=frame["memory_c"].round())
    rows = reduce_telemetry(whole, JOINED).rows.set_index("sensor")
    assert rows.loc["memory", "resolution_k"] == 1.0
    # Digits that may be cut off leave 0.35 K alone.
    assert rows.loc["memory", "standard_error_k"] > 0.35


def test_loops_are_seen_without_a_power():
    frame, per_watt = looped(even(95.0, 1700), pause_s=8.0, seconds=1700)
    sheet = {"power_w": 240.0 - 220.0 * 8.0 / 95.0}
    for power in ({}, {"power_w": np.nan}):
        reduction = reduce_telemetry(
            frame.drop(columns="power_w").assign(**power), JOINED, run=sheet
        )
        assert len(reduction.rows) == 2, reduction.reason
        for row in reduction.rows.to_dict("records"):
            rise = row["temperature_c"] - row["ambient_c"]
            steady = per_watt[row["sensor"]] * sheet["power_w"]
            assert abs(rise - steady) < 2.0 * row["standard_error_k"]


def test_a_load_that_is_logged_late_shows_its_loops():
    frame, per_watt = looped(even(95.0, 1700), pause_s=5.0, seconds=1700)
    late = frame.assign(load_percent=frame["load_percent"].shift(5).bfill())
    reduction = reduce_telemetry(late, JOINED)
    assert len(reduction.rows) == 2, reduction.reason
    for row in reduction.rows.to_dict("records"):
        rise = row["temperature_c"] - row["ambient_c"]
        error = rise - per_watt[row["sensor"]] * row["power_w"]
        assert abs(error) < 2.0 * row["standard_error_k"]


def test_a_watch_waits_for_loops_without_calling_the_power_moved():
    frame, _ = looped(even(250.0, 2400), pause_s=10.0, seconds=2400)
    pieces = (frame.iloc[i : i + 30] for i in range(0, len(frame), 30))
    states = list(tc.watch(pieces, protocol=JOINED, wanted_k=0.6))
    assert states[-1].good_enough
    # One pause is no loop yet, and in a pause the load has ended as far as can be seen.
    said = {words for state in states if state.at_s > 580.0 for words in state.refusals}
    assert all(words.startswith("not at load") for words in said), said
    assert any("3 whole loops are needed" in note for state in states for note in state.notes)
