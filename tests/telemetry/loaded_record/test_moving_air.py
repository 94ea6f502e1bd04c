"""Air that moves: a card follows it late, as bodies that store heat do."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_ivp

from thermcmp.telemetry.loaded_record.moving_air import air_between, followed_air
from thermcmp.telemetry.steady_state.protocol import Verdict
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry

SECONDS, IDLE_S = 1900, 60


def warms(t):
    """A room that warms by 5 K an hour."""
    return 5.0 * t / 3600.0


def cools(t):
    """A room that cools by 8 K an hour."""
    return -8.0 * t / 3600.0


def thermostat(t):
    """A heater that is on for a third of every 15 minutes."""
    phase = t % 900.0 / 900.0
    return 0.9 * np.where(phase < 1 / 3, 3.0 * phase, 1.5 * (1.0 - phase))


def door(t):
    """A door that opens after 20 minutes, and is closed."""
    late = np.clip(t - 1200.0, 0.0, None)
    return -2.0 * (1.0 - np.exp(-late / 40.0)) * np.exp(-late / 500.0)


def card(rng, air):
    """A die, a base, fins and a back plate in the air of a room: its log and its true rise.

    Heat capacities in J/K, resistances in K/W; nothing of the library is used.
    """
    capacity = rng.uniform([2.0, 100.0, 200.0, 80.0], [6.0, 250.0, 600.0, 250.0])
    to_base, to_fins, to_air, to_plate, plate_to_air = 1.0 / rng.uniform(
        [0.04, 0.03, 0.10, 1.0, 3.0], [0.10, 0.06, 0.18, 3.0, 8.0]
    )
    flow = np.diag([to_base, to_base + to_fins + to_plate, to_fins + to_air, to_plate])
    flow[3, 3] += plate_to_air
    for i, j, g in ((0, 1, to_base), (1, 2, to_fins), (1, 3, to_plate)):
        flow[i, j] = flow[j, i] = -g
    watts = rng.uniform(150.0, 280.0)
    t = np.arange(float(SECONDS))

    def change(time, above):
        heat = np.array([watts if time >= IDLE_S else 12.0, 0.0, 0.0, 0.0])
        heat[2] += to_air * air(time)
        heat[3] += plate_to_air * air(time)
        return (heat - flow @ above) / capacity

    begin = np.linalg.solve(flow, [12.0, 0.0, 0.0, 0.0])
    found = solve_ivp(change, (0.0, t[-1]), begin, "LSODA", t, max_step=20.0, rtol=1e-6)
    frame = pd.DataFrame(
        {
            "time_s": t,
            "memory_c": np.round(22.0 + found.y[0] + 0.1 * rng.standard_normal(SECONDS), 1),
            "ambient_c": np.round(22.0 + air(t) + 0.03 * rng.standard_normal(SECONDS), 2),
            "power_w": np.where(t >= IDLE_S, watts, 12.0) + rng.standard_normal(SECONDS),
            "fan_rpm": 1500.0 + 3.0 * rng.standard_normal(SECONDS),
            "load_percent": np.where(t >= IDLE_S, 99.0, 1.0),
        }
    )
    return frame, float(np.linalg.solve(flow, [watts, 0.0, 0.0, 0.0])[0])


@pytest.mark.parametrize("air", [warms, cools, thermostat, door])
def test_the_rise_is_over_the_air_that_the_card_has_followed(air):
    rng = np.random.default_rng(5)
    away, accepted = [], 0
    for _ in range(12):
        frame, rise_k = card(rng, air)
        for row in reduce_telemetry(frame).rows.to_dict("records"):
            accepted += 1
            found = row["temperature_c"] - row["ambient_c"]
            away.append((found - rise_k) / row["standard_error_k"])
    assert accepted >= 11
    assert np.abs(away).max() < 2.0


def test_what_moving_air_adds_is_said():
    frame, _ = card(np.random.default_rng(6), warms)
    reduction = reduce_telemetry(frame)
    (check,) = [c for c in reduction.checks if c.name == "air"]
    assert check.verdict is Verdict.CORRECTED
    assert check.figure > 0.05
    assert "K, as the air moves and memory follows it about" in reduction.reason


def test_readings_that_move_with_the_air_at_once_are_within_their_errors(clean_run):
    # A sensor without a delay: 2.5 and 4 K over the run.
    for drift_k in (2.5, 4.0):
        row = reduce_telemetry(clean_run(ambient_drift_k=drift_k)).rows.iloc[0]
        away = row["temperature_c"] - row["ambient_c"] - 55.0
        assert abs(away) < 2.0 * row["standard_error_k"] + 0.02


def test_a_ramp_is_followed_by_its_delay():
    # A body behind a ramp is late by its time constant: Incropera, Fundamentals of Heat and
    # Mass Transfer, lumped capacitance (from memory).
    t = np.arange(3000.0)
    air = followed_air(t, 20.0 + t / 720.0, 150.0, t)
    np.testing.assert_allclose(20.0 + t[-1] / 720.0 - air.followed_c[-1], 150.0 / 720.0, rtol=1e-3)
    late = 150.0 * (1.65 - 1.0 / 1.65) / 2.0 / 720.0
    np.testing.assert_allclose(air.doubt_k[-1], late, rtol=1e-3)
    still = followed_air(t, np.full(3000, 20.0), 150.0, t)
    np.testing.assert_array_equal(still.doubt_k, 0.0)


def test_a_thermometer_in_whole_degrees_is_in_the_error():
    # A room at 22.3 °C that is read as 22 °C: nothing shows the rest, but the step may.
    rng = np.random.default_rng(7)
    away = []
    for _ in range(8):
        frame, rise_k = card(rng, lambda t: 0.0 * t + 0.3)
        frame["ambient_c"] = np.round(frame["ambient_c"])
        for row in reduce_telemetry(frame).rows.to_dict("records"):
            found = row["temperature_c"] - row["ambient_c"]
            away.append((found - rise_k) / row["standard_error_k"])
    assert len(away) >= 7
    assert 0.3 < np.abs(away).max() < 2.0


@pytest.mark.parametrize("every", [30, 120])
def test_air_that_is_read_now_and_then_is_known_between(every):
    frame, rise_k = card(np.random.default_rng(8), warms)
    read = np.arange(SECONDS) % every == 0
    reduction = reduce_telemetry(frame.assign(ambient_c=frame["ambient_c"].where(read)))
    (row,) = reduction.rows.to_dict("records")
    assert abs(row["temperature_c"] - row["ambient_c"] - rise_k) < 2.0 * row["standard_error_k"]
    (whole,) = reduce_telemetry(frame).rows.to_dict("records")
    assert row["temperature_c"] == pytest.approx(whole["temperature_c"], abs=0.1)


def test_instruments_whose_rows_alternate_are_read_in_all_of_the_window():
    frame, rise_k = card(np.random.default_rng(9), warms)
    air = np.arange(SECONDS) % 2 == 0
    frame["ambient_c"] = frame["ambient_c"].where(air)
    others = ["memory_c", "power_w", "fan_rpm", "load_percent"]
    frame.loc[air, others] = np.nan
    (row,) = reduce_telemetry(frame).rows.to_dict("records")
    assert abs(row["temperature_c"] - row["ambient_c"] - rise_k) < 2.0 * row["standard_error_k"]


def test_air_is_not_known_far_from_its_readings():
    t = np.arange(1000.0)
    read = np.where((t < 100.0) | (t == 300.0) | (t == 400.0), 20.0 + t / 100.0, np.nan)
    known = air_between(t, read)
    np.testing.assert_allclose(known[300:401], 20.0 + t[300:401] / 100.0)
    assert np.isnan(known[101:300]).all()
    assert np.isnan(known[480:]).all()
    assert not np.isnan(known[401:475]).any()
