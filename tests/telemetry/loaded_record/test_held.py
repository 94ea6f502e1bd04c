"""A fan curve moves with the rise and settles with it: its soak ends as any other does."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from thermcmp.telemetry.loaded_record.held import fan_and_power_held_since
from thermcmp.telemetry.steady_state.protocol import Protocol
from thermcmp.telemetry.steady_state.run_data import Readings
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry


def under_a_fan_curve(seed, seconds=1500):
    """Return the log of a die, fins, memory and back plate under a fan curve, and its steady rises.

    The truth is the same card five hours later; films grow with a power of the fan's speed.
    """
    rng = np.random.default_rng(seed)
    capacity = np.array([12.0, rng.uniform(700.0, 1200.0), 60.0, rng.uniform(200.0, 350.0)])
    to_fins, exponent = rng.uniform(12.0, 18.0), rng.uniform(0.55, 0.8)
    low_c, rpm_per_k = rng.uniform(25.0, 40.0), rng.uniform(25.0, 40.0)
    watts, rpm = rng.uniform(180.0, 280.0), 900.0
    rise, rows = np.zeros(4), []
    for second in range(18_000):
        heat = np.array([0.72, 0.0, 0.2, 0.08]) * (watts if second >= 40 else 20.0)
        # Half seconds: the die is quick.
        for _ in range(2):
            die, fins, memory, plate = rise
            film = 6.0 * (rpm / 1500.0) ** exponent
            links = np.array(
                [
                    to_fins * (fins - die),
                    to_fins * (die - fins) + 2.0 * (memory - fins) - film * fins,
                    2.0 * (fins - memory) + 1.5 * (plate - memory),
                    1.5 * (memory - plate) - 0.8 * plate,
                ]
            )
            rise = rise + 0.5 * (heat + links) / capacity
        asked = 900.0 + rpm_per_k * max(22.0 + rise[0] - low_c, 0.0)
        rpm += (asked - rpm) / 8.0
        rows.append((second, rise[0], rise[2], rpm))
    t, die, memory, fan = np.array(rows[:seconds]).T
    noise = rng.standard_normal((4, seconds))
    frame = pd.DataFrame(
        {
            "time_s": t,
            "junction_c": np.round(22.0 + die + 0.15 * noise[0], 1),
            "memory_c": np.round(22.0 + memory + 0.1 * noise[1], 1),
            "ambient_c": np.round(22.0 + 0.03 * noise[2], 1),
            "fan_rpm": np.round(fan + 4.0 * noise[3]),
            "power_w": np.where(t >= 40, watts, 20.0)
            * (1.0 + 0.005 * rng.standard_normal(seconds)),
            "load_percent": np.where(t >= 40, 99.0, 1.0),
        }
    )
    return frame, {"junction": rows[-1][1], "memory": rows[-1][2]}


@pytest.mark.parametrize("seconds", [1000, 1500])
def test_runs_under_a_fan_curve_are_accepted_at_honest_errors(seconds):
    errors = []
    for seed in range(10):
        frame, truth = under_a_fan_curve(seed, seconds)
        for row in reduce_telemetry(frame).rows.to_dict("records"):
            assert not row["regulated"]
            error = row["temperature_c"] - row["ambient_c"] - truth[row["sensor"]]
            errors.append(error / row["standard_error_k"])
    assert len(errors) >= 18
    assert np.sum(np.abs(errors) > 2.0) <= 1, np.round(errors, 1)


def test_a_fan_that_follows_a_sensor_is_held_and_one_that_moves_it_is_not():
    t = np.arange(0.0, 1800.0, 1.0)
    soak = 1.0 - np.exp(-t / 250.0)
    follows = Readings(
        {"time_s": t, "memory_c": 22.0 + 50.0 * soak, "fan_rpm": 1000.0 + 900.0 * soak}
    )
    moves = Readings({"time_s": t, "memory_c": 72.0 - 8.0 * soak, "fan_rpm": 1000.0 + 900.0 * soak})
    assert fan_and_power_held_since(follows, 1500.0, Protocol()) == 0.0
    assert fan_and_power_held_since(moves, 1500.0, Protocol()) > 600.0
