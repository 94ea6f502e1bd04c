"""Bad input: whatever the bytes, a named refusal or the right readings."""

from __future__ import annotations

import os

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from thermcmp.errors import InputError
from thermcmp.telemetry.campaign.folder import reduce_logs
from thermcmp.telemetry.reading.frame import read_record, read_telemetry
from thermcmp.telemetry.reading.options import Reading
from thermcmp.telemetry.steady_state.protocol import Protocol
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry

#: The full study is 1,000 cuts: THERMCMP_CUTS=1000.
CUTS = int(os.environ.get("THERMCMP_CUTS", "100"))

QUICK = settings(
    max_examples=80,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


def read_or_refuse(path, **options):
    """The frame, or None for a refusal that names the file or the fault; else it raises."""
    try:
        return read_telemetry(path, **options)
    except InputError as error:
        assert error.faults
        assert all(fault.message and fault.fix for fault in error.faults)
        return None


@QUICK
@given(content=st.binary(max_size=400))
def test_any_bytes(tmp_path, content):
    path = tmp_path / "run.csv"
    path.write_bytes(content)
    read_or_refuse(path)
    read_or_refuse(path, period_s=1.0)


LOGLIKE = st.text(alphabet="0123456789.,;:-/ \t\n\r\"'eEN°CFW%[]()_abmrpst", max_size=400)


@QUICK
@given(content=LOGLIKE)
def test_text_that_looks_like_a_log(tmp_path, content):
    path = tmp_path / "run.csv"
    path.write_text(content, encoding="utf-8", newline="")
    read_or_refuse(path)
    read_or_refuse(path, columns={"time": 0, "memory_c": 1}, time_unit="s")


@QUICK
@given(
    temperature=st.lists(st.integers(-400, 1500), min_size=3, max_size=40),
    delimiter=st.sampled_from(";\t|"),
    mark=st.sampled_from(".,"),
    unit=st.sampled_from(["°C", "°F", "K", "degC"]),
    end=st.sampled_from(["\n", "\r\n", "\r\r\n"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    preamble=st.integers(0, 3),
)
def test_well_formed_logs_are_read_right_or_refused(
    tmp_path, temperature, delimiter, mark, unit, end, encoding, preamble
):
    celsius = np.array(temperature) / 10.0
    logged = {"°C": celsius, "degC": celsius, "°F": celsius * 1.8 + 32, "K": celsius + 273.15}[unit]
    rows = [f"{i}{delimiter}{value:.2f}".replace(".", mark) for i, value in enumerate(logged)]
    lines = [*["Bench log"] * preamble, f"time_s{delimiter}Memory [{unit}]", *rows]
    path = tmp_path / "run.csv"
    path.write_bytes((end.join(lines) + end).encode(encoding))
    frame = read_or_refuse(path)
    # Two decimals prove the mark, so nothing here has two readings.
    assert frame is not None
    assert frame["memory_c"].to_numpy() == pytest.approx(celsius, abs=0.006)


GOOD = [
    "Clock;Memory [°C];Fan [rpm];Board power [W]",
    *(f"2026-03-09 12:{m:02d}:{s:02d};{60 + s / 10:.1f};{1800 + s};{250.5}"
      for m in range(2) for s in range(60)),
]  # fmt: skip


@QUICK
@given(
    line=st.integers(0, len(GOOD) - 1),
    at=st.integers(0, 60),
    what=st.sampled_from(["drop", "double", "insert", "swap"]),
    sign=st.sampled_from(list(';,.:0x-" ')),
)
def test_one_changed_character_never_changes_another_reading(tmp_path, line, at, what, sign):
    lines = list(GOOD)
    text = lines[line]
    at = min(at, len(text) - 1)
    lines[line] = {
        "drop": text[:at] + text[at + 1 :],
        "double": text[:at] + text[at] + text[at:],
        "insert": text[:at] + sign + text[at:],
        "swap": text[:at] + sign + text[at + 1 :],
    }[what]
    path = tmp_path / "run.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    columns = {"time": 0, "memory_c": 1, "fan_rpm": 2, "power_w": 3}
    frame = read_or_refuse(path, columns=columns)
    if frame is None:
        return
    for row in frame.itertuples():
        if row.line != line + 1:
            original = GOOD[row.line - 1].split(";")
            assert [row.memory_c, row.fan_rpm, row.power_w] == [float(c) for c in original[1:]]


def test_truncations_give_the_same_verdict_on_fewer_seconds_or_a_refusal(tmp_path, clean_run):
    run = clean_run(seconds=800, time_constant_s=60.0, seed=8)
    whole = run.to_csv(index=False).encode()
    path = tmp_path / "run.csv"
    protocol = Protocol(soak_s=300.0, window_s=120.0)
    cuts = [0, 20, 80, *np.random.default_rng(11).integers(0, len(whole), CUTS)]
    truth, seen = 76.0, set()
    for cut in cuts:
        path.write_bytes(whole[:cut])
        try:
            record = read_record(path, Reading())
            reduced = reduce_telemetry(record.frame, protocol)
        except InputError as error:
            assert error.faults
            seen.add("unreadable")
            continue
        assert np.array_equal(record.frame["memory_c"], run["memory_c"][: len(record.frame)])
        seen.add(str(reduced.verdict))
        if len(reduced.rows):
            row = reduced.rows.iloc[0]
            assert abs(row["temperature_c"] - truth) < 4.0 * row["standard_error_k"] + 0.02
        else:
            assert reduced.reason
    assert seen == {"unreadable", "refused", "corrected", "pass"}


def test_memory_stays_bounded_by_blocks(tmp_path, monkeypatch):
    # A hostile file of one endless line is refused before it is all in memory.
    import tracemalloc

    path = tmp_path / "run.csv"
    path.write_bytes(b"time_s,memory_c\n0,50\n" + b"1" * 30_000_000)
    tracemalloc.start()
    assert read_or_refuse(path) is None
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 60_000_000


def test_a_folder_of_rubbish_is_refused_by_name(tmp_path):
    rng = np.random.default_rng(3)
    rows = ["file,run,cooler_model,board_model"]
    for i in range(30):
        (tmp_path / f"r{i}.csv").write_bytes(rng.bytes(int(rng.integers(0, 300))))
        rows.append(f"r{i}.csv,R{i},A,B")
    sheet = tmp_path / "runs.sheet"
    sheet.write_text("\n".join(rows))
    reduced = reduce_logs(tmp_path, sheet, progress=False)
    assert reduced.results.empty
    assert set(reduced.refused["run"]) == {f"R{i}" for i in range(30)}
