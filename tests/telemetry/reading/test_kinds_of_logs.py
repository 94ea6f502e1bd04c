"""Kinds of logs seen in the field, each small and invented: read right, or refused by name."""

from __future__ import annotations

import bz2
import gzip
import io
import json
import lzma
import re
import zipfile

import numpy as np
import pandas as pd
import pytest

from thermcmp.errors import InputError
from thermcmp.telemetry.reading.frame import read_telemetry

PLAIN = "time_s,memory_c,fan_rpm\n0,50,1800\n1,51,1801\n"
MORE = "time_s,memory_c,fan_rpm\n2,52,1802\n"
MEMORY = {"memory_c": [50.0, 51.0]}


@pytest.fixture
def log(tmp_path):
    def write(content):
        path = tmp_path / "run.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


def text(*rows):
    return "".join(row + "\n" for row in rows)


def timed(*times, heading="time"):
    return text(f"{heading};memory_c", *(f"{t};{50 + i}" for i, t in enumerate(times)))


def zipped(members):
    """Return an archive of texts by name."""
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return data.getvalue()


def workbook(sheets):
    """Return a workbook with a log of so many readings in each sheet."""
    data = io.BytesIO()
    start = pd.Timestamp("2031-03-09 12:00:00")
    with pd.ExcelWriter(data) as writer:
        for name, count in sheets.items():
            times = [start + pd.Timedelta(seconds=i) for i in range(count)]
            frame = pd.DataFrame({"Time": times, "Memory (°C)": [50.0 + i for i in range(count)]})
            frame.to_excel(writer, sheet_name=name, index=False)
    return data.getvalue()


COMMA = text("time_s,memory_c", "0,50", "1,51")

READ = {
    # Packed
    "gzip": (gzip.compress(COMMA.encode()), {}, MEMORY),
    "bzip2": (bz2.compress(COMMA.encode("utf-16")), {}, MEMORY),
    "xz": (lzma.compress(COMMA.encode()), {}, MEMORY),
    "archive of one": (zipped({"day 1/run.csv": COMMA}), {}, MEMORY),
    "workbook with a cover": (workbook({"cover": 1, "log": 12}), {},
                              {"memory_c": [50.0 + i for i in range(12)]}),
    "lines of JSON": (
        text(*(json.dumps({"time_s": i, "card": {"memory_c": 50 + i, "note": None}})
               for i in range(2))), {"columns": {"memory_c": "card memory_c"}}, MEMORY),
    # Layouts
    "line break in a cell": (
        text("time_s,memory_c,note", '0,50,"a', 'b"', "1,51,c"), {}, MEMORY),
    "line breaks in headings": (
        text('"time', '[s]","memory', '[°C]"', "0,50", "1,51"), {}, MEMORY),
    "tab, date and time": (
        text("time\tmemory_c", "2031-03-09 12:00:00\t50", "2031-03-09 12:00:01\t51"), {}, MEMORY),
    "aligned, date and time": (
        text("             Time  Hot part/°C   Memory/°C",
             "2031-03-09 12:00:00           60          50",
             "2031-03-09 12:00:01           61          51"),
        {"columns": {"memory_c": "Memory/°C"}}, MEMORY),
    "remark between": (
        text("time_s,memory_c,fan_rpm", "0,50,1800", "--- door opened ---", "1,51,1800"), {},
        MEMORY),
    "aligned, blanks in headings": (
        text("Time [s]    Memory [°C]   Fan speed [rpm]", "0           50            1800",
             "1           51            1801"), {}, MEMORY),
    "aligned, blanks in cells": (
        text("time_s    Memory    Fan", "0         50 °C     1800 RPM",
             "1         51 °C     1801 RPM"), {}, MEMORY),
    "ruled by dashes": (
        text("time_s | memory_c", "-------|---------", "0 | 50", "1 | 51"), {}, MEMORY),
    "ruled frame": (
        text("+---+---+", "| time_s | memory_c |", "+---+---+", "| 0 | 50 |", "| 1 | 51 |",
             "+---+---+"), {}, MEMORY),
    "states, masks and words beside": (
        text("time_s,state,memory_c,mask,limit", "0,P0,50,0x00000000,Not Active",
             "1,P2,51,0x00000004,Active"), {}, MEMORY),
    "thirty columns of words": (
        text("Date,Time,memory_c," + ",".join(f"w{i}" for i in range(30)),
             *(f"2026-03-09,12:00:0{i},{50 + i}," + ",".join(["good"] * 30) for i in range(2))),
        {}, MEMORY),
    "headings that look like numbers": (
        text("Time,12V,5V,memory_c", "12:00:00,12.1,5.0,50", "12:00:01,12.1,5.1,51"), {}, MEMORY),
    "comment with numbers": (
        text("time_s,memory_c", "0,50", "# door, 12:00, 5", "// 1,2", "1,51"), {}, MEMORY),
    "comment sign in a column that is not read": (
        text("mark,time_s,memory_c", "a,0,50", "#a,9,99", "a,1,51"), {}, MEMORY),
    "comment under the headings": (
        text("time_s,memory_c", "# begun at noon", "0,50", "1,51"), {}, MEMORY),
    "headings in other letters": (text("time_s,Memory [°C]", "0,50", "TIME_S,MEMORY (°C)", "1,51"),
                                  {}, MEMORY),
    "quoted decimal comma, thousands point": (
        text("time_s,memory_c,Fan [rpm]", '0,"50,0","1.800"', '1,"51,0","1.801"'), {},
        {"memory_c": [50.0, 51.0], "fan_rpm": [1800.0, 1801.0]}),
    # Bytes
    "byte order mark in the middle": ((PLAIN.encode("utf-8-sig") + MORE.encode("utf-8-sig")), {},
                                      {"memory_c": [50.0, 51.0, 52.0]}),
    "joined utf-16": (PLAIN.encode("utf-16") + MORE.encode("utf-16"), {},
                      {"memory_c": [50.0, 51.0, 52.0]}),
    "utf-32": (PLAIN.encode("utf-32"), {}, MEMORY),
    "degree sign in two encodings": (
        "time_s;Memory [°C]\n0;50\n".encode() + "time_s;Memory [°C]\n1;51\n".encode("latin-1"),
        {}, MEMORY),
    "zeros of a crash": (PLAIN.encode() + b"\0" * 40 + b"2,52,1802\n3,53,1803\n", {},
                         {"memory_c": [50.0, 51.0, 53.0]}),
    "zero in a cell": (b"time_s,memory_c\n0,50\n1,5\x001\n2,52\n", {}, {"memory_c": [50.0, 52.0]}),
    "zeros at the end": (PLAIN.encode() + b"\0" * 400 + b"\n", {}, MEMORY),
    "terminal title and character set": ("\x1b]0;bench\x07" + PLAIN.replace("1,51", "\x1b(B1,51"),
                                         {}, MEMORY),
    "damaged degree sign": (text("time_s;Memory [\ufffdC]", "0;50", "1;51"), {}, MEMORY),
    # Numbers
    "thin space": (text("time_s;Fan [rpm]", "0;1\u2009800,5"), {}, {"fan_rpm": [1800.5]}),
    "narrow no-break space": (text("time_s;Fan [rpm]", "0;1\u202f800,5"), {},
                              {"fan_rpm": [1800.5]}),
    # Times
    "ISO basic": (timed("20260309T120000Z", "20260309T120001,5Z"), {}, {"time_s": [0.0, 1.5]}),
    "zone of hours": (timed("2026-03-09T12:00:00+01", "2026-03-09T12:00:01+01"), {},
                      {"time_s": [0.0, 1.0]}),
    "days and hours": (timed("23:59:59", "1 day, 0:00:00", "1 day, 1:00:00"), {},
                       {"time_s": [0.0, 1.0, 3601.0]}),
    "days before a point": (timed("1.23:59:59", "2.00:00:00"), {}, {"time_s": [0.0, 1.0]}),
    "more than 24 hours": (timed("23:59:59", "24:00:00", "49:00:00", heading="Elapsed"), {},
                           {"time_s": [0.0, 1.0, 90001.0]}),
    "narrow space before PM": (timed("3/19/2026 11:59:59\u202fAM", "3/19/2026 12:00:00\u202fPM"),
                               {}, {"time_s": [0.0, 1.0]}),
    "24:00:00": (timed("2026-03-09 23:59:59", "2026-03-09 24:00:00"), {}, {"time_s": [0.0, 1.0]}),
    "leap day": (timed("2024-02-28 23:59:59", "2024-02-29 00:00:00"), {}, {"time_s": [0.0, 1.0]}),
    "hour left out in spring": (
        timed("2026-03-29 01:59:58", "2026-03-29 01:59:59", "2026-03-29 03:00:00"), {},
        {"time_s": [0.0, 1.0, 2.0]}),
    "an hour without readings on another day": (
        timed("2026-03-28 01:59:58", "2026-03-28 01:59:59", "2026-03-28 03:00:00"), {},
        {"time_s": [0.0, 1.0, 3602.0]}),
    "counter with grouped thousands": (timed("998.5", "999.5", "1,000.5", heading="time [s]"), {},
                                       {"time_s": [0.0, 1.0, 2.0]}),
    "counter that a rise proves": (timed("998", "999", "1,000", heading="time [s]"), {},
                                   {"time_s": [0.0, 1.0, 2.0]}),
    "counter whose mark is stated": (timed("1,000", "1,500", heading="time [s]"),
                                     {"decimal": {"time": ","}}, {"time_s": [0.0, 0.5]}),
    "counter beside a proved point": (text("time [s];memory_c", "1.000;50.25", "1.500;51.25"), {},
                                      {"time_s": [0.0, 0.5]}),
}  # fmt: skip


@pytest.mark.parametrize("kind", READ)
def test_a_kind_that_is_read(log, kind):
    content, options, truth = READ[kind]
    frame = read_telemetry(log(content), **options)
    for name, values in truth.items():
        assert frame[name].tolist() == pytest.approx(values), kind


REFUSED = {
    "JSON of lists": (text(json.dumps({"time_s": [0, 1], "memory_c": [50, 51]})), "row 1",
                      "object of single values"),
    "JSON over lines": (text("{", '  "time_s": 0', "}"), "row 1", "one object"),
    "JSON": ('[\n {"time_s": 0}]\n', "JSON"),
    "XML": ('<?xml version="1.0"?>\n<r t="0"/>\n', "XML"),
    "damaged gzip": (gzip.compress(PLAIN.encode())[:-12], "cannot be unpacked", "pack it again"),
    "damaged workbook": (b"PK\x03\x04" + bytes(200), "cannot be unpacked"),
    "archive of two": (zipped({"a.csv": PLAIN, "b.csv": PLAIN}), "2 files: a.csv, b.csv"),
    "two logs in a workbook": (workbook({"a": 9, "b": 9}), "several sheets", "a, b"),
    "Parquet under another name": (b"PAR1" + bytes(200), "Parquet", "reader="),
    "pairs": (text("Memory: 50 C", "Fan: 1800 RPM", "", "Memory: 51 C"), "names and values"),
    "assignments": (text("t=0 mem=50C", "t=1 mem=51C"), "names and values"),
    "open quote": (text("time_s,memory_c,note", '0,50,"a', "1,51,c", 'b",7', "2,52,d"), "row 4",
                   "quoted cell does not end"),
    "one line without an end": ("time_s,memory_c\n0,50", "no line end"),
    "megawatt": (text("time_s,Power [MW]", "0,38"), "no heading with a known unit", "MW"),
    "counter with two readings": (timed("1,000", "1,001", heading="time [s]"), "1000 with",
                                  "1.000 with", "decimal="),
    "two forms of dates": (timed("2026-03-09 12:00:00", "09.03.2026 12:00:01"), "two forms"),
    "one odd time": (timed("0", "1", "x", "3", heading="time [s]"), "row 4", "value 'x'"),
    "statistics below": (PLAIN + "Min,50,1800\n", "row 4", "value 'Min'"),
    "as many statistics as readings": (PLAIN + "Min,50,1800\nMax,51,1801\n", "value 'Min'",
                                       "in the form of '0'"),
    "zone by name": (timed("2026-03-09 12:00:00 CET"), "zone 'CET'", "zone="),
    "no hours": (timed("00:00.5", "00:01.5"), "without hours", "%M:%S.%f"),
    "digits alone": (timed("20260309120000", "20260309120001"), "%Y%m%d%H%M%S"),
    "two readings of a date": (timed("3/9/2026 1:00:00 PM", "3/9/2026 1:00:01 PM"),
                               "%d/%m/%Y %I:%M:%S %p", "%m/%d/%Y %I:%M:%S %p"),
    "clock per sensor": (text("Time A,Mem [°C],Time B,Fan [rpm]", "12:00:00,50,12:00:00,1800"),
                         "'Time A', 'Time B'"),
    "two cards, one reading lost": (
        text("time_s,name,memory_c", *(f"{s}.{d},card {d},{50 + d}" for s in range(40)
                                       for d in range(2) if (s % 7, d) != (3, 1))),
        "several devices", "card 0, card 1"),
    "eight ids, some readings lost": (
        text("time_s,no,memory_c", *(f"{s}.{d},{d},{50 + d}" for s in range(12) for d in range(8)
                                     if (s % 9, d) != (3, 5))),
        "several devices"),
}  # fmt: skip


@pytest.mark.parametrize("kind", REFUSED)
def test_a_kind_that_is_refused(log, kind):
    content, *words = REFUSED[kind]
    with pytest.raises(InputError) as caught:
        read_telemetry(log(content))
    for word in ("run.csv", *words):
        assert word in str(caught.value), str(caught.value)
    assert all(fault.fix for fault in caught.value.faults)


def test_a_workbook_with_dates_times_and_units_in_cells_of_their_own(tmp_path):
    start = pd.Timestamp("2031-03-09 23:59:58")
    stamps = [start + pd.Timedelta(seconds=i) for i in range(5)]
    rows = [["Bench 3", None, None], [None] * 3, ["Date", "Time", "Memory"], [None, None, "°C"]]
    rows += [[t.to_pydatetime().replace(hour=0, minute=0, second=0), t.time(), 50 + i]
             for i, t in enumerate(stamps)]  # fmt: skip
    pd.DataFrame(rows, dtype=object).to_excel(tmp_path / "day.xlsx", header=False, index=False)
    frame = read_telemetry(tmp_path / "day.xlsx")
    assert frame["recorded_at"].tolist() == stamps
    assert frame["memory_c"].tolist() == [50, 51, 52, 53, 54]
    assert frame["line"].tolist() == [5, 6, 7, 8, 9]


def test_a_noisy_column_is_not_an_id(log):
    rng = np.random.default_rng(1)
    rows = [f"{s},{50 + rng.integers(2)},45" for s in range(100)]
    assert len(read_telemetry(log(text("time_s,count,memory_c", *rows)))) == 100


def test_the_offered_format_reads_the_log(log):
    path = log(timed("09.03.2026 12:00:00,25", "09.03.2026 12:00:01,25"))
    with pytest.raises(InputError) as caught:
        read_telemetry(path)
    day_first, month_first = re.findall(r"'(%[^']*)'", caught.value.faults[0].fix)
    assert read_telemetry(path, time_format=day_first)["recorded_at"].dt.month.tolist() == [3, 3]
    assert read_telemetry(path, time_format=month_first)["recorded_at"].dt.month.tolist() == [9, 9]


def test_a_heading_that_says_utc(log):
    frame = read_telemetry(log(text("Timestamp (UTC),memory_c", "2026-03-09 12:00:00,50")))
    assert str(frame["recorded_at"].dt.tz) == "UTC"


def test_unread_columns_are_noted(log):
    path = log(text("time_s,memory_c,Noise [dB],throttle", "0,50,38,0x4", "1,51,39,0x0"))
    notes = read_telemetry(path).attrs["notes"]
    assert any("unit is not known: 'Noise [dB]'" in note for note in notes)
    assert any("bit masks: 'throttle'" in note for note in notes)


def test_a_sensor_that_appears_is_noted(log):
    path = log(text("time_s,memory_c", "0,50", "time_s,memory_c,edge_c", "1,51,40"))
    assert any("'edge_c' begins" in note for note in read_telemetry(path).attrs["notes"])


def test_three_hundred_columns(log):
    names = ",".join(f"s{i} [°C]" for i in range(300))
    rows = [f"{s}," + ",".join(str(40 + i % 30) for i in range(300)) for s in range(3)]
    frame = read_telemetry(log(text("time_s," + names, *rows)))
    assert frame["s299_c"].tolist() == [69.0] * 3


def test_a_small_file_does_not_fill_the_disk(tmp_path, monkeypatch):
    monkeypatch.setattr("thermcmp.tabular.packed_files._MOST_BYTES", 1 << 20)
    path = tmp_path / "zeros.csv.gz"
    path.write_bytes(gzip.compress(b"\n" * (4 << 20)))
    with pytest.raises(InputError, match="it unpacks to more than"):
        read_telemetry(path)
