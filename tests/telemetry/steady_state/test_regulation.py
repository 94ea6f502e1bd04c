"""Runs under control loops: held sensors are found, and followers are left alone."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from thermcmp.telemetry.steady_state.protocol import Protocol
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry


def run_under(loop, seed, seconds=1800):
    """A one-body cooler in steps of a second, under a control loop."""
    rng = np.random.default_rng(seed)
    limit_w, speed = rng.uniform(200.0, 320.0), rng.uniform(1300.0, 2200.0)
    resistance, constant = rng.uniform(0.16, 0.24), rng.uniform(60.0, 180.0)
    target = 21.0 + 0.8 * resistance * limit_w
    temperature, power, rows = 21.0, limit_w, []
    for second in range(seconds):
        load = second >= 30
        fan = 900.0 + 16.0 * max(temperature - 30.0, 0.0) if loop == "fan curve" else speed
        if loop == "power" and load:
            power = float(np.clip(power - 0.06 * (temperature - target), 80.0, limit_w))
        taken = power if load else 20.0
        if loop == "leakage":
            taken *= 1.0 + 0.0008 * (temperature - 60.0)
        rise = resistance * taken * (0.35 + 0.65 * (fan / 1800.0) ** -0.65)
        temperature += (21.0 + rise - temperature) / constant
        rows.append((second, temperature, taken, fan))
    t, temperature, power, fan = np.array(rows).T
    return pd.DataFrame(
        {
            "time_s": t,
            "memory_c": np.round(temperature + 0.1 * rng.standard_normal(seconds), 1),
            "ambient_c": 21.0 + 0.02 * rng.standard_normal(seconds),
            "power_w": power + rng.standard_normal(seconds),
            "fan_rpm": fan + 4.0 * rng.standard_normal(seconds),
        }
    )


@pytest.mark.parametrize("loop", ["none", "leakage", "fan curve"])
def test_sensors_that_follow_are_not_called_regulated(loop):
    for seed in range(4):
        reduction = reduce_telemetry(run_under(loop, seed), Protocol())
        assert len(reduction.rows) == 1, reduction.reason
        assert not reduction.rows["regulated"].any()


def test_a_limiter_that_cut_power_before_the_window_is_found():
    for seed in range(4):
        frame = run_under("power", seed)
        reduction = reduce_telemetry(frame, Protocol())
        row = reduction.rows.iloc[0]
        assert row["regulated"], seed
        assert "by power" in row["protocol_reason"]
        # The thermal resistance is still what it is: rise over the power in the window.
        late = frame[frame["time_s"].between(*reduction.window_s)]
        resistance = (late["memory_c"] - 21.0).mean() / late["power_w"].mean()
        found = (row["temperature_c"] - row["ambient_c"]) / row["power_w"]
        assert found == pytest.approx(resistance, rel=0.005)


def quick_limit(by_temperature, seed, seconds=1800):
    """A die, fins and a slow back plate; power is cut within a minute, to hold the die or once."""
    rng = np.random.default_rng(seed)
    full_w = rng.uniform(260.0, 300.0)
    limit_c = rng.uniform(56.0, 58.0)
    die = fins = plate = 22.0
    cut, rows = 1.0, []
    for second in range(seconds):
        load = second >= 40
        watts = 20.0 + load * (full_w * cut - 20.0)
        for _ in range(10):
            to_fins, to_plate = (die - fins) / 0.06, (fins - plate) / 0.8
            die += 0.1 * (watts - to_fins) / 15.0
            fins += 0.1 * (to_fins - to_plate - (fins - 22.0) / 0.19) / 260.0
            plate += 0.1 * (to_plate - (plate - 22.0) / 1.4) / 600.0
        if not by_temperature:
            cut = 0.6 if second > 110 else 1.0
        elif load and die > limit_c:
            cut = max(0.3, cut - 0.012)
        elif die < limit_c - 0.7:
            cut = min(1.0, cut + 0.002)
        rows.append((second, die, watts))
    t, die, watts = np.array(rows).T
    return pd.DataFrame(
        {
            "time_s": t,
            "junction_c": np.round(die + 0.1 * rng.standard_normal(seconds), 1),
            "ambient_c": 22.0 + 0.02 * rng.standard_normal(seconds),
            "power_w": watts * (1.0 + 0.006 * rng.standard_normal(seconds)),
            "fan_rpm": 1500.0 + 4.0 * rng.standard_normal(seconds),
            "load_percent": np.where(t >= 40, 99.0, 1.0),
        }
    )


def test_a_limiter_that_cuts_at_once_and_then_bit_by_bit_is_found():
    for seed in range(6):
        row = reduce_telemetry(quick_limit(True, seed)).rows.iloc[0]
        assert row["regulated"], (seed, row["protocol_reason"])
        assert row["regulated_by"] == "power"


def test_a_power_limit_that_cuts_once_holds_no_temperature():
    for seed in range(6):
        rows = reduce_telemetry(quick_limit(False, seed)).rows
        assert not rows["regulated"].any(), seed


@pytest.mark.parametrize("phase_s", [0.0, 30.0, 60.0])
def test_scenes_of_unequal_power_are_not_called_regulated(phase_s):
    # Scenes of 45 s with 180 and 260 W, of which a sensor with 150 s shows little.
    t = np.arange(1800.0)
    rng = np.random.default_rng(4)
    power = np.where(t < 60.0, 15.0, np.where((t + phase_s) % 90.0 < 45.0, 260.0, 180.0))
    rise, rises = 3.0, []
    for watts in power:
        rise += (0.24 * watts - rise) / 150.0
        rises.append(rise)
    frame = pd.DataFrame(
        {
            "time_s": t,
            "memory_c": np.round(21.0 + np.array(rises) + 0.1 * rng.standard_normal(1800), 1),
            "ambient_c": np.round(21.0 + 0.02 * rng.standard_normal(1800), 2),
            "power_w": power + rng.standard_normal(1800),
            "fan_rpm": 1500.0 + 4.0 * rng.standard_normal(1800),
        }
    )
    reduction = reduce_telemetry(frame, Protocol(cycles="mean"))
    assert not reduction.estimates["regulated"].any()
    assert "regulated" not in reduction.reason
