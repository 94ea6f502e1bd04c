"""The times of logs: their forms, their steps, and what is not guessed."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from thermcmp.errors import InputError
from thermcmp.telemetry.reading.frame import read_telemetry


@pytest.fixture
def timed(tmp_path):
    def read(times, heading="time", **options):
        path = tmp_path / "run.csv"
        rows = [f'"{t}";{50 + i % 5}' for i, t in enumerate(times)]
        path.write_text(f"{heading};memory_c\n" + "\n".join(rows) + "\n", encoding="utf-8")
        return read_telemetry(path, **options)

    return read


def refused(timed, times, *words, **options):
    with pytest.raises(InputError) as caught:
        timed(times, **options)
    for word in words:
        assert re.search(word, str(caught.value)), str(caught.value)


FIVE = ["12:00:58", "12:00:59", "12:01:00", "12:01:01", "12:01:03"]


@pytest.mark.parametrize(
    ("times", "options"),
    [
        ([f"2026-03-09 {t}" for t in FIVE], {}),
        ([f"2026-03-09T{t}" for t in FIVE], {}),
        ([f"2026-03-09T{t}Z" for t in FIVE], {}),
        ([f"2026-03-09T{t}+02:00" for t in FIVE], {}),
        ([f"2026-03-09 {t}.250" for t in FIVE], {}),
        ([f"2026-03-09 {t},250" for t in FIVE], {}),
        ([f"2026/3/9 {t}" for t in FIVE], {}),
        ([f"13.03.2026 {t}" for t in FIVE], {}),
        ([f"03/13/2026 {t}" for t in FIVE], {}),
        ([f"09/03/2026 {t}" for t in FIVE], {"time_format": "%d/%m/%Y %H:%M:%S"}),
        ([f"9 Mar 2026 {t}" for t in FIVE], {"time_format": "%d %b %Y %H:%M:%S"}),
        ([f"2026-03-09 {t} PM" for t in FIVE], {}),
        ([f"03/13/2026 {t} am" for t in FIVE], {}),
        (FIVE, {}),
        ([f"{t} p.m." for t in FIVE], {}),
        (["0", "1", "2", "3", "5"], {"time_unit": "s"}),
        (["0", "1000", "2000", "3000", "5000"], {"time_unit": "ms"}),
        (["0,0", "1,0", "2,0", "3,0", "5,0"], {"time_unit": "s"}),
        (["1773057658", "1773057659", "1773057660", "1773057661", "1773057663"], {}),
        ([f"17730576{t}.5" for t in (58, 59, 60, 61, 63)], {}),
        ([f"17730576{t}500" for t in (58, 59, 60, 61, 63)], {}),
        ([f"17730576{t}500000" for t in (58, 59, 60, 61, 63)], {}),
        ([f"17730576{t}500000123" for t in (58, 59, 60, 61, 63)], {}),
        (["0 s", "1 s", "2 s", "3 s", "5 s"], {}),
    ],
)
def test_forms_of_time(timed, times, options):
    frame = timed(times, **options)
    assert frame["time_s"].tolist() == pytest.approx([0.0, 1.0, 2.0, 3.0, 5.0])


@pytest.mark.parametrize("stamp", ["1773057658", "1773057658000", "1773057658000000000"])
def test_epochs_agree_with_the_standard_library(timed, stamp):
    frame = timed([stamp, stamp[:9] + "9" + stamp[10:]])
    assert frame["recorded_at"].iloc[0] == pd.Timestamp(1773057658, unit="s", tz="UTC")


def test_zones_come_to_utc(timed):
    frame = timed(["2026-03-09T12:00:00+02:00", "2026-03-09T12:00:01+02:00"])
    assert frame["recorded_at"].iloc[0] == pd.Timestamp("2026-03-09 10:00", tz="UTC")
    frame = timed(["2026-07-09 12:00:00", "2026-07-09 12:00:01"], zone="Europe/Berlin")
    assert frame["recorded_at"].iloc[0] == pd.Timestamp("2026-07-09 10:00", tz="UTC")
    frame = timed(["2026-07-09 12:00:00", "2026-07-09 12:00:01"], zone="+03:00")
    assert frame["recorded_at"].iloc[0] == pd.Timestamp("2026-07-09 09:00", tz="UTC")
    frame = timed(["2026-07-09 12:00:00", "2026-07-09 12:00:01"])
    assert frame["recorded_at"].dt.tz is None


def test_twelve_hour_clock(timed):
    frame = timed(["2026-03-09 11:59:59 AM", "2026-03-09 12:00:00 PM", "2026-03-09 01:00:00 PM"])
    assert frame["recorded_at"].dt.hour.tolist() == [11, 12, 13]
    frame = timed(["2026-03-09 12:00:01 AM", "2026-03-09 12:00:02 AM"])
    assert frame["recorded_at"].dt.hour.tolist() == [0, 0]


@pytest.mark.parametrize(
    ("times", "words"),
    [
        (["03/04/2026 12:00:00", "03/04/2026 12:00:01"], "day and month.*two readings"),
        (["03.04.26 12:00:00", "03.04.26 12:00:01"], "two digits"),
        (["13/04/2026 12:00:00", "04/13/2026 12:00:01"], "change their order"),
        (["0", "1", "2"], "seconds or milliseconds"),
        (["12:00", "12:01"], "hours and minutes, or minutes and seconds"),
        (["9 Mar 2026 12:00:00", "9 Mar 2026 12:00:01"], "time_format"),
        (["2026-03-09T12:00:00Z", "2026-03-09T12:00:01"], "some times have a zone"),
        (["2026-02-30 12:00:00", "2026-02-30 12:00:01"], "not a time"),
        (["2026-03-09 12:61:00", "2026-03-09 12:61:01"], "not a time"),
    ],
)
def test_times_that_are_not_clear(timed, times, words):
    refused(timed, times, words)


def test_a_stated_format_settles_an_ambiguous_date(timed):
    times = ["03/04/2026 12:00:00", "03/04/2026 12:00:01"]
    assert timed(times, time_format="%d/%m/%Y %H:%M:%S")["recorded_at"].dt.month.iloc[0] == 4
    assert timed(times, time_format="%m/%d/%Y %H:%M:%S")["recorded_at"].dt.month.iloc[0] == 3


def test_one_wrong_time_is_named_with_its_line(timed):
    times = [f"2026-03-09 12:00:{s:02d}" for s in range(30)]
    times[20] = "2026-03-09 12:0x:20"
    refused(timed, times, "row 22", "12:0x:20")


def test_date_and_time_in_two_columns(tmp_path):
    path = tmp_path / "run.csv"
    path.write_text("Date,Time,memory_c\n13.03.2026,23:59:59,50\n14.03.2026,00:00:00,51\n")
    frame = read_telemetry(path)
    assert frame["time_s"].tolist() == [0.0, 1.0]
    assert frame["recorded_at"].dt.day.tolist() == [13, 14]


@pytest.mark.parametrize("stated", [None, "2026-03-09"])
def test_the_date_stands_above_the_readings_or_is_stated(tmp_path, stated):
    path = tmp_path / "run.csv"
    above = "" if stated else "Started on 2026-03-09 by hand\n"
    path.write_text(above + "time,memory_c\n23:59:58,50\n23:59:59,50\n00:00:00,51\n")
    frame = read_telemetry(path, date=stated)
    assert frame["time_s"].tolist() == [0.0, 1.0, 2.0]
    assert frame["recorded_at"].iloc[-1] == pd.Timestamp("2026-03-10")


def test_the_date_stands_in_the_heading(tmp_path):
    path = tmp_path / "run.csv"
    path.write_text("Time 2026-03-09;memory_c\n23:59:59;50\n00:00:00;51\n")
    assert read_telemetry(path)["recorded_at"].iloc[-1] == pd.Timestamp("2026-03-10")


def test_headings_after_a_gap_of_hours(tmp_path):
    path = tmp_path / "run.csv"
    path.write_text(
        "Bench log\ntime,memory_c\n2026-03-09 12:00:00,50\n2026-03-09 12:00:01,51\n"
        "Bench log\ntime,memory_c\n2026-03-09 18:00:00,40\n2026-03-09 18:00:01,41\n"
    )
    frame = read_telemetry(path)
    assert frame["segment"].tolist() == [0, 0, 1, 1]
    assert frame["time_s"].tolist() == [0.0, 1.0, 21_600.0, 21_601.0]


def test_midnight_without_a_date(timed):
    frame = timed(["23:59:58", "23:59:59", "00:00:00", "00:00:01"])
    assert frame["time_s"].tolist() == [0.0, 1.0, 2.0, 3.0]
    assert "recorded_at" not in frame


class TestSteps:
    def stamps(self, *seconds):
        start = pd.Timestamp("2026-03-09 12:00:00")
        return [str(start + pd.Timedelta(seconds=s)) for s in seconds]

    def test_a_clock_set_back_by_a_second(self, timed):
        frame = timed(self.stamps(0, 1, 2, 3, 2, 3, 4))
        assert frame["time_s"].tolist() == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
        assert set(frame["segment"]) == {0}
        assert "set back" in frame.attrs["notes"][0]

    def test_two_logs_in_one(self, timed):
        frame = timed(self.stamps(0, 1, 2, 3, -7000, -6999, -6998))
        assert (np.diff(frame["time_s"]) >= 0.0).all()
        assert frame["segment"].tolist() == [0, 0, 0, 0, 1, 1, 1]
        assert "two logs in one" in frame.attrs["notes"][0]

    def test_a_counter_that_starts_again(self, timed):
        frame = timed(["0", "1", "2", "0", "1"], time_unit="s", heading="time")
        assert frame["segment"].tolist() == [0, 0, 0, 0, 0]  # within a few seconds: set back
        frame = timed([*map(str, range(50)), "0", "1"], time_unit="s")
        assert frame["segment"].iloc[-1] == 1

    def test_the_hour_that_comes_twice(self, timed):
        times = [f"2026-10-25 0{h}:{m:02d}:{s:02d}"
                 for h, m, s in ((2, 59, 58), (2, 59, 59), (2, 0, 0), (2, 0, 1))]  # fmt: skip
        frame = timed(times)
        assert frame["time_s"].tolist() == [0.0, 1.0, 2.0, 3.0]
        assert set(frame["segment"]) == {0}
        assert "daylight saving" in frame.attrs["notes"][0]
        zoned = timed(times, zone="Europe/Berlin")
        assert zoned["time_s"].tolist() == [0.0, 1.0, 2.0, 3.0]
        assert zoned.attrs["notes"] == ()

    def test_an_hour_whose_half_is_not_known_is_refused(self, timed):
        times = ["2026-10-25 02:30:00", "2026-10-25 02:30:01"]
        refused(timed, times, "do not fit the zone", r"\+02:00", zone="Europe/Berlin")
        assert len(timed(times, zone="+02:00")) == 2

    def test_a_gap_is_noted_and_not_filled(self, timed):
        frame = timed(self.stamps(0, 1, 2, 902, 903))
        assert frame["time_s"].tolist() == [0.0, 1.0, 2.0, 902.0, 903.0]
        assert frame["segment"].tolist() == [0, 0, 0, 1, 1]
        assert "no readings for 900 s (line 5)" in frame.attrs["notes"]
        assert set(timed(self.stamps(0, 1, 2, 902, 903), gap_s=1000.0)["segment"]) == {0}

    def test_an_uptime_column_is_believed_before_the_clock(self, tmp_path):
        path = tmp_path / "run.csv"
        rows = [f"{t},{up},50" for t, up in zip(self.stamps(0, 1, 902, 903), range(70, 74),
                                               strict=True)]  # fmt: skip
        path.write_text("time,uptime [s],memory_c\n" + "\n".join(rows) + "\n")
        frame = read_telemetry(path)
        assert frame["time_s"].tolist() == [0.0, 1.0, 2.0, 3.0]
        assert set(frame["segment"]) == {0}
        assert frame["recorded_at"].iloc[-1] == pd.Timestamp("2026-03-09 12:15:03")

    def test_newest_first_is_refused(self, timed):
        refused(timed, self.stamps(9, 8, 7, 6, 5, 4, 3), "run backwards")

    def test_a_clock_coarser_than_the_readings_needs_the_period(self, timed):
        times = self.stamps(0, 0, 1, 1, 2, 2, 3, 3)
        refused(timed, times, "share one time", "period_s=")
        frame = timed(times, period_s=0.5)
        assert frame["time_s"].tolist() == [0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5]


def test_a_known_rate_without_a_time_column(tmp_path):
    path = tmp_path / "run.csv"
    path.write_text("memory_c;fan_rpm\n50;1800\n51;1800\n52;1801\n")
    with pytest.raises(InputError, match="period_s="):
        read_telemetry(path)
    assert read_telemetry(path, period_s=0.5)["time_s"].tolist() == [0.0, 0.5, 1.0]


def test_one_clock_per_sensor_is_read_clock_by_clock(tmp_path):
    path = tmp_path / "run.csv"
    path.write_text("Time [s],A [°C],Time [s],B [°C]\n0,50,0.4,60\n1,51,1.4,61\n", encoding="utf-8")
    with pytest.raises(InputError, match="once per clock"):
        read_telemetry(path)
    first = read_telemetry(path, {"time": 0, "a_c": 1})
    second = read_telemetry(path, {"time": 2, "b_c": 3})
    assert first["a_c"].tolist() == [50.0, 51.0]
    assert second["b_c"].tolist() == [60.0, 61.0]
