"""What an inspection suggests where columns compete, or where only their cells show what they are.

The layouts are common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from thermcmp.telemetry.campaign.folder import reduce_logs
from thermcmp.telemetry.inspection.question import inspect
from thermcmp.telemetry.reading.frame import read_telemetry

START = pd.Timestamp("2031-03-18 09:12:04")


@pytest.fixture
def card(clean_run):
    """A card's readings under usual headings, and their seconds."""
    frame = clean_run(seconds=900, idle_s=100)
    names = {"memory_c": "Memory (°C)", "ambient_c": "Air (°C)", "fan_rpm": "Fan (rpm)",
             "power_w": "Power (W)"}  # fmt: skip
    return frame[list(names)].rename(columns=names), frame["time_s"].to_numpy()


def written(tmp_path, frame, **options):
    path = tmp_path / "log.csv"
    frame.to_csv(path, index=False, **options)
    return path


def test_parts_beside_the_card_are_not_taken_for_it(tmp_path, card):
    frame, time_s = card
    host = pd.DataFrame(
        {"Time (s)": time_s, "CPU fan (rpm)": 900, "CPU power (W)": 60 + time_s % 3,
         "CPU load (%)": 12 + time_s % 5}
    )  # fmt: skip
    gpu = frame.rename(columns={"Fan (rpm)": "GPU fan (rpm)", "Power (W)": "GPU power (W)"})
    gpu["GPU load (%)"] = np.where(time_s >= 100, 99, 1)
    seen = inspect(written(tmp_path, pd.concat([host, gpu], axis=1))).suggestion
    assert seen["fan_rpm"] == "GPU fan (rpm)"
    assert seen["power_w"] == "GPU power (W)"
    assert seen["load_percent"] == "GPU load (%)"
    assert seen["cpu_power_w"] == "CPU power (W)"


def test_of_two_like_columns_neither_is_taken(tmp_path, card):
    frame, time_s = card
    pair = frame.assign(**{"Time (s)": time_s, "Fan 1 (rpm)": 1490}).rename(
        columns={"Fan (rpm)": "Fan 2 (rpm)"}
    )
    seen = inspect(written(tmp_path, pair))
    assert "fan_rpm" not in seen.suggestion
    assert {"fan_1_rpm", "fan_2_rpm"} <= seen.suggestion.keys()
    assert "which of 'Fan 2 (rpm)', 'Fan 1 (rpm)' is fan_rpm?" in str(seen)


def test_cards_with_letters_are_runs_of_their_own(tmp_path, clean_run):
    rises = {"A": 50.0, "B": 40.0}
    cards = {letter: clean_run(rise_k=rise) for letter, rise in rises.items()}
    names = {"memory_c": "Memory [°C]", "fan_rpm": "Fan [rpm]", "power_w": "Power [W]"}
    shared = cards["A"][["time_s", "ambient_c"]].set_axis(["time [s]", "Room [°C]"], axis=1)
    parts = [
        frame[list(names)].set_axis([f"Card {letter} {n}" for n in names.values()], axis=1)
        for letter, frame in cards.items()
    ]
    path = written(tmp_path, pd.concat([shared, *parts], axis=1))
    sheet = pd.DataFrame([{"file": path.name, "run": "R", "cooler_model": "A", "board_model": "B"}])
    settings = {"columns": inspect(path).suggestion, "progress": False}
    assert reduce_logs(tmp_path, sheet, **settings).results.empty
    rows = reduce_logs(tmp_path, sheet, split_by="device", **settings).results
    assert rows["run"].tolist() == ["R carda", "R cardb"]
    assert rows["sensor"].tolist() == ["memory", "memory"]
    np.testing.assert_allclose(
        rows["temperature_c"] - rows["ambient_c"], list(rises.values()), atol=0.3
    )


def test_a_counter_of_lines_is_no_fan_speed(tmp_path, card):
    frame, time_s = card
    frame.insert(0, "n", np.arange(1, len(frame) + 1))
    seen = inspect(written(tmp_path, frame.assign(**{"Time (s)": time_s})))
    assert seen.suggestion["fan_rpm"] == "Fan (rpm)"
    assert seen.columns.set_index("heading")["remark"]["n"] == "counts the lines"


def test_a_date_beside_a_time_of_day_in_any_language(tmp_path, card):
    frame, time_s = card
    stamps = START + pd.to_timedelta(time_s, unit="s")
    frame.insert(0, "Datum", stamps.strftime("%d.%m.%Y"))
    frame.insert(1, "Uhrzeit", stamps.strftime("%H:%M:%S"))
    path = written(tmp_path, frame)
    read = read_telemetry(path, inspect(path).suggestion)
    assert read["recorded_at"].iloc[0] == START
    np.testing.assert_allclose(read["time_s"], time_s)


@pytest.mark.parametrize("per_second", [1, 10**3, 10**6, 10**9])
def test_an_epoch_is_the_clock_whatever_its_heading(tmp_path, card, per_second):
    frame, time_s = card
    jitter = np.random.default_rng(1).integers(0, max(per_second // 50, 1), len(frame))
    epoch = int(START.timestamp()) * per_second + (time_s * per_second).astype(np.int64) + jitter
    frame.insert(0, "ts", epoch)
    path = written(tmp_path, frame)
    np.testing.assert_allclose(
        read_telemetry(path, inspect(path).suggestion)["time_s"], time_s, atol=0.03
    )


def test_day_numbers_of_spreadsheets_are_times(tmp_path, card):
    # Day 1 is 1 January 1900 (ECMA-376, part 1, 18.17.4.1; from memory): day 47925 is of 2031.
    frame, time_s = card
    frame.insert(0, "Date/Time", np.round(47_925.3833796 + time_s / 86_400.0, 7))
    read = read_telemetry(written(tmp_path, frame))
    np.testing.assert_allclose(read["time_s"], time_s, atol=0.02)


def test_headings_without_latin_letters_are_named_by_position(tmp_path, card):
    frame, time_s = card
    frame["熱"] = frame["Memory (°C)"] + 9.0
    frame.columns = ["メモリ(℃)", "室温(℃)", "ファン(回転/分)", "電力(W)", "熱(℃)"]
    stamps = START + pd.to_timedelta(time_s, unit="s")
    path = written(tmp_path, frame.assign(時刻=stamps.strftime("%H:%M:%S")))
    read = read_telemetry(path, inspect(path).suggestion)
    np.testing.assert_allclose(read["unnamed_4_c"] - read["unnamed_0_c"], 9.0)
    assert {"ambient_c", "fan_rpm", "power_w"} <= set(read.columns)


def test_equal_headings_are_all_read_by_position(tmp_path, card):
    frame, time_s = card
    frame.columns = ["Temp (°C)", "Temp (°C)", "Fan (rpm)", "Power (W)"]
    frame.insert(0, "Time (s)", time_s)
    seen = inspect(written(tmp_path, frame))
    assert seen.suggestion["temp_1_c"] == 1
    assert seen.suggestion["ambient_c"] == 2


def test_thousandths_and_fahrenheit_are_asked_about(tmp_path, card):
    frame, time_s = card
    bare = pd.DataFrame(
        {"epoch": 1_931_591_524 + time_s.astype(int), "memory_temp": frame["Memory (°C)"] * 1000,
         "power1": (frame["Power (W)"] * 1e6).round(),
         "room temp": (frame["Air (°C)"] * 1.8 + 32).round(1)}
    )  # fmt: skip
    path = written(tmp_path, bare)
    seen = inspect(path)
    assert seen.suggestion["ambient_c"] == "room temp"
    remarks = seen.columns.set_index("heading")["remark"]
    assert "in °F?" in remarks["room temp"]
    assert "units={'memory_temp_c': 'm°C'}" in remarks["memory_temp"]
    assert "units={'power_w': 'µW'}" in remarks["power1"]
    stated = {"memory_temp_c": "memory_temp", "power_w": "power1"}
    read = read_telemetry(path, stated, units={"memory_temp_c": "m°C", "power_w": "µW"})
    np.testing.assert_allclose(read["power_w"], frame["Power (W)"])
    np.testing.assert_allclose(read["memory_temp_c"], frame["Memory (°C)"])


def test_flags_of_throttling_by_heat_alone(tmp_path, card):
    frame, time_s = card
    frame = frame.assign(
        **{"Time (s)": time_s, "Throttle reason: power": "Yes", "Thermal throttling": "No"}
    )
    frame.loc[frame["Time (s)"] > 700, "Thermal throttling"] = "Yes"
    path = written(tmp_path, frame)
    seen = inspect(path)
    assert seen.suggestion["throttled"] == "Thermal throttling"
    assert read_telemetry(path, seen.suggestion)["throttled"].sum() == np.sum(time_s > 700)
    # Of two, the user knows which.
    seen = inspect(written(tmp_path, frame.assign(**{"Memory throttled": 0})))
    assert "throttled" not in seen.suggestion
    assert "is throttled?" in str(seen)
