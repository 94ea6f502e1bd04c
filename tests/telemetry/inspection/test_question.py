"""What an inspection shows of unknown logs, and that its columns can be pasted."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from thermcmp.errors import InputError
from thermcmp.telemetry.campaign.folder import reduce_logs
from thermcmp.telemetry.inspection.question import inspect
from thermcmp.telemetry.reading.frame import read_telemetry


@pytest.fixture
def log(tmp_path, clean_run):
    """A log with headings of a bench, and what was read of it."""
    frame = clean_run(seconds=900, idle_s=100)
    named = frame.rename(
        columns={"time_s": "Elapsed [s]", "memory_c": "T mem", "ambient_c": "Air", "fan_rpm": "n",
                 "power_w": "P [W]", "noise_dba": "Sound"}
    ).assign(Target=83.0, Set_W=np.repeat([200, 250, 300], 300), note="ok")  # fmt: skip
    path = tmp_path / "bench.csv"
    path.write_text("Bench 3\nrun 12\n" + named.to_csv(index=False, sep=";"))
    return path, frame


def test_layout_columns_times_and_load(log):
    path, frame = log
    seen = inspect(path)
    assert "delimiter semicolon, 9 columns, first reading in line 4" in seen.layout
    assert seen.preamble == ("Bench 3", "run 12")
    table = seen.columns.set_index("heading")
    assert table.loc["T mem", "high"] == pytest.approx(frame["memory_c"].max())
    assert table.loc["T mem", "step"] == pytest.approx(0.1)
    assert "set point" in table.loc["Target", "remark"]
    assert table.loc["note", "remark"] == "text"
    text = str(seen)
    assert "900 readings in 899 s, every 1 s; gaps: 0" in text
    assert "Sessions (gaps above 60 s): 1" in text
    assert "At load: 100 to 899 s" in text
    assert "split_by='Set_W'" in text
    assert "T mem" in seen._repr_html_()


def test_the_columns_can_be_pasted(log):
    path, frame = log
    seen = inspect(path)
    assert seen.problems == ()
    for columns in (seen.suggestion, json.loads(seen.json)):
        read = read_telemetry(path, columns)
        pairs = (("mem_c", "memory_c"), ("ambient_c", "ambient_c"), ("fan_rpm", "fan_rpm"),
                 ("power_w", "power_w"), ("noise_dba", "noise_dba"))  # fmt: skip
        for name, true in pairs:
            np.testing.assert_allclose(read[name], frame[true])


@pytest.mark.parametrize(("heading", "scale"), [("minute", 1 / 60.0), ("ms", 1000.0), ("sec", 1.0)])
def test_bare_times_differences_and_extremes(tmp_path, clean_run, heading, scale):
    frame = clean_run(seconds=900)
    frame["memory_c"], t = frame["memory_c"].round(1), frame["time_s"]
    memory = frame["memory_c"]
    named = pd.DataFrame(
        {heading: (t * scale).round(4), "Mem temp": memory,
         "rise [K]": (memory - 21.0).round(1), "min": 30.0 - (t > 400.0)}
    )  # fmt: skip
    path = tmp_path / "bare.csv"
    named.to_csv(path, index=False)
    seen = inspect(path)
    assert seen.suggestion == {"time": heading, "mem_c": "Mem temp"}
    assert "split_by" not in str(seen)
    np.testing.assert_allclose(read_telemetry(path, seen.suggestion)["time_s"], t, atol=0.01)


def test_cards_side_by_side_are_runs_of_their_own(tmp_path, clean_run):
    cards = [clean_run(rise_k=rise, fan_rpm=rpm) for rise, rpm in ((50.0, 1500.0), (40.0, 1900.0))]
    names = {"memory_c": "memory [°C]", "fan_rpm": "fan [rpm]", "power_w": "power [W]"}
    parts = [
        frame[list(names)].rename(columns=lambda name, card=card: f"GPU{card} {names[name]}")
        for card, frame in enumerate(cards)
    ]
    shared = cards[0][["time_s", "ambient_c"]].set_axis(["time [s]", "Intake air [°C]"], axis=1)
    pd.concat([shared, *parts], axis=1).to_csv(tmp_path / "pair.csv", index=False)
    seen = inspect(tmp_path / "pair.csv")
    assert "Cards side by side: gpu0, gpu1; split_by='device' makes runs" in str(seen)
    assert "At load: 60 to 1499 s" in str(seen)
    sheet = pd.DataFrame(
        [{"file": "pair.csv", "run": "R", "cooler_model": "A", "board_model": "B"}]
    )
    settings = {"columns": seen.suggestion, "progress": False}
    # Never the first card alone.
    refused = reduce_logs(tmp_path, sheet, **settings)
    assert refused.results.empty
    assert 'split_by="device"' in refused.refused["reason"].iloc[0]
    rows = reduce_logs(tmp_path, sheet, split_by="device", **settings).results
    assert rows["run"].tolist() == ["R gpu0", "R gpu1"]
    assert rows["sensor"].tolist() == ["memory", "memory"]
    rises = rows["temperature_c"] - rows["ambient_c"]
    np.testing.assert_allclose(rises, [50.0, 40.0], atol=0.3)
    np.testing.assert_allclose(rows["fan_rpm"], [1500.0, 1900.0], atol=2.0)


def test_headings_in_another_language_are_known_by_their_units(tmp_path, clean_run):
    frame = clean_run().drop(columns="noise_dba")
    frame["load"] = np.where(frame["time_s"] >= 60.0, 99, 1)
    frame.columns = ["Zeit", "Speicher (°C)", "Ansaugluft (°C)", "Lüfter (U/min)", "Leistung (W)",
                     "Auslastung (%)"]  # fmt: skip
    stamps = pd.Timestamp("2031-03-05 09:14:03") + pd.to_timedelta(frame["Zeit"], unit="s")
    frame["Zeit"] = stamps.dt.strftime("%d.%m.%Y %H:%M:%S")
    path = tmp_path / "zeit.csv"
    frame.to_csv(path, sep=";", decimal=",", index=False, encoding="cp1252")
    seen = inspect(path)
    assert seen.suggestion == {
        "time": "Zeit", "speicher_c": "Speicher (°C)", "ambient_c": "Ansaugluft (°C)",
        "fan_rpm": "Lüfter (U/min)", "power_w": "Leistung (W)", "load_percent": "Auslastung (%)",
    }  # fmt: skip
    remarks = seen.columns.set_index("read as")["remark"]
    assert remarks["fan_rpm"] == "the only column in rpm: check it"
    assert remarks["ambient_c"] == "the coolest column: check it"
    # What the suggestion lacks, and not what reading without it would.
    (problem,) = seen.problems
    assert "state time_format='%d.%m.%Y %H:%M:%S'" in problem
    log = read_telemetry(path, seen.suggestion, time_format="%d.%m.%Y %H:%M:%S")
    assert len(log) == len(frame)


def test_what_must_be_stated_is_said(tmp_path):
    path = tmp_path / "bare.csv"
    path.write_text("a,b\n" + "".join(f"{i},{i * i % 17}\n" for i in range(50)))
    seen = inspect(path)
    assert seen.problems
    assert "To be stated" in str(seen)
    with pytest.raises(InputError, match="cannot be drawn yet"):
        seen.plot()
    with pytest.raises(InputError, match="cannot be opened"):
        inspect(tmp_path / "nowhere.csv")


def test_parquet_gaps_and_devices(tmp_path, clean_run):
    one = clean_run(seconds=300)
    late = one.assign(time_s=one["time_s"] + 5000.0)
    both = pd.concat([one, late]).assign(device="A")
    frame = pd.concat([both, both.assign(device="B")]).sort_values(["time_s", "device"])
    path = tmp_path / "two.parquet"
    frame.rename(columns={"time_s": "elapsed_s"}).to_parquet(path, index=False)
    seen = inspect(path)
    text = str(seen)
    assert "Devices: A, B" in text, text
    assert "gaps: 1, the longest 4701 s" in text
    assert "Sessions (gaps above 60 s): 2" in text


def test_the_figure_shows_each_temperature_and_the_load(log):
    ax = inspect(log[0]).plot()
    labels = [text.get_text() for text in ax.get_legend().get_texts()]
    assert labels == ["mem", "ambient", "at load"]


def test_the_page_needs_no_network_and_has_the_figure(log, tmp_path):
    seen, page = inspect(log[0]), tmp_path / "page.html"
    seen.save_html(page)
    text = page.read_text(encoding="utf-8")
    assert text.count("<svg") == 1
    assert "Bench 3" in text
    assert "T mem" in text
    assert "<script" not in text
    bare = tmp_path / "bare.csv"
    bare.write_text("a<b,b\n" + "".join(f"{i},{i * i % 17}\n" for i in range(50)))
    inspect(bare).save_html(page)
    text = page.read_text(encoding="utf-8")
    assert "<svg" not in text
    assert "a&lt;b" in text


def test_of_a_large_file_the_beginning_is_inspected(tmp_path):
    rows = "".join(f"{i},{60 + i % 7 / 10},22.0,1800,250.0\n" for i in range(30_000))
    path = tmp_path / "large.csv"
    head = "elapsed [s],memory [C],ambient [C],fan [rpm],power [W]\n"
    path.write_text(head + 5 * rows)
    seen = inspect(path)
    # How long it takes is held against the bare read in tests/benchmarks/bench_telemetry.py.
    share = 100.0 * 3e6 / path.stat().st_size
    assert f"Inspected: the first {share:.0f} % of it" in seen.times


def test_time_and_fan_speed_under_french_headings(tmp_path, clean_run):
    # 'tr/min' (tours par minute) is the unit of speed of French tachometers (from memory).
    frame = clean_run(seconds=900, idle_s=100)
    names = {"time_s": "Temps écoulé (s)", "fan_rpm": "Ventilateur (tr/min)",
             "memory_c": "Mémoire (°C)", "power_w": "Puissance (W)"}  # fmt: skip
    path = tmp_path / "banc.csv"
    frame[list(names)].rename(columns=names).to_csv(path, sep=";", index=False, decimal=",")
    seen = inspect(path)
    assert seen.problems == ()
    read = read_telemetry(path, seen.suggestion)
    np.testing.assert_allclose(read["time_s"], frame["time_s"])
    np.testing.assert_allclose(read["fan_rpm"], frame["fan_rpm"])


def test_a_time_is_not_taken_for_the_clock_beside_another_or_if_it_falls(tmp_path, clean_run):
    frame = clean_run(seconds=900, idle_s=100)
    names = {"time_s": "Zeit (s)", "memory_c": "Speicher (°C)", "power_w": "Leistung (W)"}
    plain = frame[list(names)].rename(columns=names)
    path = tmp_path / "zeiten.csv"
    for second in (plain.assign(**{"Laufzeit (s)": plain["Zeit (s)"] + 5.0}),
                   plain.assign(**{"Zeit (s)": plain["Zeit (s)"][::-1].to_numpy()})):  # fmt: skip
        second.to_csv(path, index=False)
        assert "time" not in inspect(path).suggestion


def test_midnight_is_no_set_point(tmp_path, clean_run):
    frame = clean_run(seconds=900, idle_s=100)
    times = pd.Timestamp("2031-05-06 23:52:00") + pd.to_timedelta(frame["time_s"], unit="s")
    stamped = frame.drop(columns="time_s").assign(
        date=times.dt.strftime("%Y-%m-%d"), time=times.dt.strftime("%H:%M:%S")
    )
    path = tmp_path / "night.csv"
    stamped.to_csv(path, index=False)
    assert "Blocks of" not in str(inspect(path))


def test_what_is_known_of_a_log_and_what_was_left_out_is_shown(tmp_path, clean_run):
    frame = clean_run(seconds=900, idle_s=100).drop(columns="time_s")
    lines = frame.to_csv(index=False).splitlines()
    lines.insert(400, "--- door opened")
    path = tmp_path / "plain.csv"
    path.write_text("\n".join(lines) + "\n")
    seen = inspect(path)
    assert "period_s=" in str(seen)
    with pytest.raises(InputError, match="period_s="):
        seen.plot()
    seen = inspect(path, period_s=2.0)
    assert seen.problems == ()
    assert "900 readings in 1798 s, every 2 s" in str(seen)
    assert "Note: remarks between the readings were left out (line 401)" in str(seen)
    assert "memory" in str(seen.plot().get_legend_handles_labels())
    only = inspect(path, {"edge_c": "memory_c"}, period_s=2.0)
    assert list(only.frame.filter(like="_c")) == ["edge_c"]
    with pytest.raises(InputError, match="no such option"):
        inspect(path, period=2.0)
