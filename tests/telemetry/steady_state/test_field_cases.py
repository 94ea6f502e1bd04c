"""Kinds of runs that benches meet, each on an invented card, reduced as a user would."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from thermcmp.errors import InputError
from thermcmp.telemetry.campaign.folder import reduce_logs
from thermcmp.telemetry.steady_state.protocol import Protocol, Verdict
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry

RESISTANCE_K_PER_W = 0.2
PARTS = {"cooler_model": "Alder r1", "board_model": "Quarz"}


def card(control, *, seed=0, seconds=1500, step_k=0.1, noise_k=0.1, constant_s=90.0):
    """A one-body cooler under a control of (second, temperature, memory) -> power, fan."""
    rng = np.random.default_rng(seed)
    temperature, rows, memory = 21.0, [], {}
    for second in range(seconds):
        power, fan = control(second, temperature, memory) if second >= 30 else (20.0, 900.0)
        air = 0.35 + 0.65 * (fan / 1800.0) ** -0.65
        temperature += (21.0 + RESISTANCE_K_PER_W * power * air - temperature) / constant_s
        rows.append((second, temperature, power, fan))
    t, temperature, power, fan = np.array(rows).T
    shown = temperature + noise_k * rng.standard_normal(seconds)
    return pd.DataFrame(
        {
            "time_s": t,
            "memory_c": np.round(shown / step_k) * step_k,
            "ambient_c": 21.0 + 0.02 * rng.standard_normal(seconds),
            "power_w": power + rng.standard_normal(seconds),
            "fan_rpm": fan + 3.0 * rng.standard_normal(seconds),
            "noise_dba": 20.0 + 0.01 * fan + 0.1 * rng.standard_normal(seconds),
        }
    )


def fan_loop(second, temperature, memory):
    """Hold 68 °C by the fan."""
    memory["i"] = np.clip(memory.get("i", 1200.0) + 0.8 * (temperature - 68.0), 800.0, 3000.0)
    return 250.0, float(np.clip(memory["i"] + 25.0 * (temperature - 68.0), 800.0, 3200.0))


def power_loop(second, temperature, memory):
    """Hold 65 °C by power."""
    memory["i"] = np.clip(memory.get("i", 300.0) - 0.05 * (temperature - 65.0), 100.0, 300.0)
    return float(np.clip(memory["i"] - 1.5 * (temperature - 65.0), 100.0, 300.0)), 1800.0


def steady(second, temperature, memory):
    """Nothing is regulated."""
    return 250.0, 1800.0


@pytest.mark.parametrize("step", [0.1, 1.0])
@pytest.mark.parametrize(
    ("loop", "held_c", "by"), [(fan_loop, 68.0, "fan"), (power_loop, 65.0, "power")]
)
def test_a_held_temperature_is_no_result_but_what_held_it_is(loop, held_c, by, step):
    reduction = reduce_telemetry(card(loop, step_k=step, noise_k=0.2))
    row = reduction.rows.iloc[0]
    assert row["regulated"]
    assert f"regulated at {held_c:.1f} °C by {by} (" in reduction.reason
    assert "compare by power, fan speed or noise, or by thermal resistance" in reduction.reason
    # Held by the loop's integral: what it needs for 47 K or 44 K over ambient.
    air = (held_c - 21.0) / RESISTANCE_K_PER_W / row["power_w"]
    speed = 1800.0 * ((air - 0.35) / 0.65) ** (-1.0 / 0.65)
    assert row["fan_rpm"] == pytest.approx(speed, rel=0.02)
    assert row["noise_dba"] == pytest.approx(20.0 + 0.01 * row["fan_rpm"], abs=0.1)
    resistance = (row["temperature_c"] - row["ambient_c"]) / row["power_w"]
    factor = 0.35 + 0.65 * (row["fan_rpm"] / 1800.0) ** -0.65
    assert resistance / factor == pytest.approx(RESISTANCE_K_PER_W, rel=0.01)


@pytest.mark.parametrize("logged", ["tachometer", "duty alone"])
def test_coarse_steps_hide_a_ramp_under_a_creeping_fan(logged):
    # Power creeps up and the fan from 69 to 75 %: 0.14 K/min behind steps of 1 K.
    def creeping(second, temperature, memory):
        return 250.0 + second / 60.0, 20.0 * (69.0 + 6.0 * second / 1500.0)

    frame = card(creeping, step_k=1.0, seed=1)
    protocol = Protocol()
    if logged == "duty alone":
        frame["fan_percent"] = np.round(frame.pop("fan_rpm") / 20.0)
        protocol = Protocol(tachometer=False)
    reduction = reduce_telemetry(frame, protocol)
    assert reduction.verdict is Verdict.REFUSED
    assert "K/min is possible, and fan or power moved during the soak" in reduction.reason


def test_one_value_for_minutes_has_the_error_of_its_step():
    frame = card(steady, step_k=1.0, noise_k=0.0)
    assert len(set(frame["memory_c"][-300:])) == 1
    row = reduce_telemetry(frame, Protocol(truncated=())).rows.iloc[0]
    # JCGM 100, F.2.2.1: a reading known to a step of 1 K has u = 0.29 K.
    assert row["standard_error_k"] == pytest.approx(1.0 / np.sqrt(12.0), rel=0.15)


def test_steps_that_take_turns_resolve_half_a_step():
    frame = card(steady, step_k=0.001, noise_k=0.0)
    # The card ends at 70.75 °C, which half steps show as 70.5 and 71 in turns.
    up = frame["time_s"] % 2.0 / 2.0
    frame["memory_c"] = 0.5 * np.floor((frame["memory_c"] - 0.25) / 0.5 + up + 0.25)
    row = reduce_telemetry(frame, Protocol(truncated=())).rows.iloc[0]
    assert row["temperature_c"] == pytest.approx(70.75, abs=0.02)
    # Half a step of 0.25 K: 0.25 / sqrt(12).
    assert row["standard_error_k"] == pytest.approx(0.25 / np.sqrt(12.0), rel=0.15)


def test_a_fan_that_switches_is_a_cycle_at_best():
    frame = card(steady, seconds=2400)
    phase = frame["time_s"] % 150.0 / 150.0
    saw = np.round(60.0 + 10.0 * np.where(phase < 0.5, 2.0 * phase, 2.0 - 2.0 * phase))
    frame["memory_c"] = np.where(frame["time_s"] > 100.0, saw, frame["memory_c"])
    reduction = reduce_telemetry(frame)
    assert reduction.verdict is Verdict.REFUSED
    assert "swings by 10 K every 150 s around 44.0 K" in reduction.reason
    assert "not a steady state" in reduction.reason
    # Whoever allows such swings gets the mean, and is told what it is.
    wide = reduce_telemetry(frame, Protocol(swing_k=20.0))
    assert wide.verdict is Verdict.CORRECTED
    assert "not a steady state" in wide.reason
    assert wide.rows["temperature_c"].iloc[0] == pytest.approx(65.0, abs=0.1)


@pytest.mark.parametrize(
    ("period_s", "verdict", "words"),
    [(8.0, "pass", ""), (40.0, "corrected", "power hunted by"), (200.0, "refused", "power moved")],
)
def test_hunting_power_is_averaged_reported_or_refused(period_s, verdict, words):
    def hunting(second, temperature, memory):
        return 250.0 + 40.0 * np.sin(2.0 * np.pi * second / period_s), 1800.0

    reduction = reduce_telemetry(card(hunting, seconds=1800))
    assert str(reduction.verdict) == verdict, reduction.reason
    assert words in reduction.reason
    if verdict != "refused":
        row = reduction.rows.iloc[0]
        assert row["power_w"] == pytest.approx(250.0, abs=1.5)
        assert abs(row["temperature_c"] - 71.0) < 4.0 * row["standard_error_k"]
        assert not row["regulated"]


def reduced_folder(folder, frames, **options):
    """Reduce frames by run as a folder of logs."""
    sheet = []
    for run, frame in frames.items():
        frame.to_csv(folder / f"{run}.csv", index=False)
        sheet.append({"file": f"{run}.csv", "run": run, **PARTS, "cooler_id": "C1",
                      "board_id": "B1", "assembly": "A1"})  # fmt: skip
    return reduce_logs(folder, pd.DataFrame(sheet), progress=False, **options)


def test_later_repeats_that_run_hotter_are_no_exchangeable_repeats(tmp_path):
    frames = {f"R{i + 1}": card(steady, seed=i) for i in range(6)}
    for i, frame in enumerate(frames.values()):
        frame["memory_c"] += 3.0 if i >= 3 else 0.0
    (caution,) = reduced_folder(tmp_path, frames).cautions
    assert "R1 to R6 (the later half +3.0 K)" in caution
    assert "not exchangeable repeats" in caution


def test_cards_of_one_log_of_which_some_reach_their_power_limit(tmp_path):
    def limited(second, temperature, memory):
        return 228.0, 1800.0

    cards = [card(limited if i in (2, 5, 6) else steady, seed=i) for i in range(8)]
    frame = pd.concat([one.assign(device=f"card {i}") for i, one in enumerate(cards)])
    frame = frame.sort_values(["time_s", "device"], kind="stable")
    frame.to_csv(tmp_path / "all.csv", index=False)
    sheet = pd.DataFrame(
        [{"file": "all.csv", "run": f"R{i}", "device": f"card {i}", **PARTS} for i in range(8)]
    )
    reduced = reduce_logs(tmp_path, sheet, progress=False)
    assert len(reduced.results) == 8, str(reduced)
    (caution,) = [c for c in reduced.cautions if "power was not held across runs" in c]
    assert "228 W in R" in caution
    assert "250 W in R" in caution
    assert "compare thermal resistances" in caution
    # As the sentence says: these agree where the temperatures do not.
    rows = reduced.results
    resistance = (rows["temperature_c"] - rows["ambient_c"]) / rows["power_w"]
    assert np.ptp(rows["temperature_c"]) > 4.0
    assert np.ptp(resistance) / resistance.mean() < 0.01


def test_duty_alone_stays_out_of_a_comparison_at_equal_speed(tmp_path):
    frame = card(steady)
    duty = frame.drop(columns="fan_rpm").assign(fan_percent=38)
    reduced = reduced_folder(tmp_path, {"R1": frame, "R2": duty})
    assert reduced.results["run"].tolist() == ["R1"]
    assert reduced.refused["run"].tolist() == ["R2"]
    assert "duty alone (38 %): duty is not fan speed" in reduced.refused["reason"].iloc[0]


def test_a_logger_of_half_minutes_gets_a_window_of_enough_readings(clean_run):
    frame = clean_run(seconds=3600).iloc[::30].reset_index(drop=True)
    (row,) = reduce_telemetry(frame).rows.to_dict("records")
    assert abs(row["temperature_c"] - 76.0) <= 2.0 * row["standard_error_k"] < 0.3


def test_a_sensor_that_passes_its_level_on_the_way_up_is_not_regulated(clean_run):
    # A power limit takes a quarter of the power within 500 s; the memory follows it down.
    frame = clean_run(seconds=1700, rise_k=60.0, time_constant_s=60.0)
    share = 1.0 - 0.25 * np.clip((frame["time_s"] - 900.0) / 500.0, 0.0, 1.0)
    rise = frame["memory_c"] - frame["ambient_c"]
    frame["memory_c"] = (frame["ambient_c"] + rise * share).round(1)
    frame["power_w"] = (frame["power_w"] * share).round(1)
    reduction = reduce_telemetry(frame)
    assert "regulated" not in reduction.reason
    for row in reduction.rows.to_dict("records"):
        error = row["temperature_c"] - row["ambient_c"] - 45.0
        assert abs(error) <= 2.0 * row["standard_error_k"]


def test_cards_side_by_side_are_not_one_run(clean_run):
    frame = clean_run().rename(columns={"memory_c": "gpu0_memory_c"})
    frame["gpu1_memory_c"] = frame["gpu0_memory_c"] + 4.0
    with pytest.raises(InputError, match="sensors of 2 cards: gpu0, gpu1"):
        reduce_telemetry(frame)
