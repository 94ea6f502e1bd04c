"""Text logs of every kind: what is read, and what is refused instead of guessed."""

from __future__ import annotations

import re

import numpy as np
import pytest

from thermcmp.errors import InputError
from thermcmp.telemetry.reading.frame import read_telemetry, stream_telemetry


@pytest.fixture
def log(tmp_path):
    def write(content, name="run.csv"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


def lines(*rows, end="\n"):
    return "".join(row + end for row in rows)


PLAIN = lines("time_s,memory_c,fan_rpm", "0,50.5,1800", "1,51.5,1801", "2,52.0,1800")


def refused(path, *words, columns=None, **options):
    with pytest.raises(InputError) as caught:
        read_telemetry(path, columns, **options)
    for word in words:
        assert re.search(word, str(caught.value)), str(caught.value)
    return caught.value


def test_a_plain_log(log):
    frame = read_telemetry(log(PLAIN))
    assert list(frame.columns) == ["time_s", "segment", "memory_c", "fan_rpm", "line"]
    assert frame["memory_c"].tolist() == [50.5, 51.5, 52.0]
    assert frame["line"].tolist() == [2, 3, 4]
    assert frame.attrs["notes"] == ()


@pytest.mark.parametrize(
    "content",
    [
        PLAIN.replace(",", ";"),
        PLAIN.replace(",", "\t"),
        PLAIN.replace(",", "|"),
        PLAIN.replace(",", " ; "),
        PLAIN.replace(",", "   "),
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace("\n", "\r\r\n"),
        PLAIN.replace("\n", "\r"),
        "  " + PLAIN.replace("\n", "\n   ").rstrip(" "),
        PLAIN.replace("\n", ",\n"),
        PLAIN.replace("0\n", "0,\n").replace("1\n", "1,\n"),
        "\n\n" + PLAIN,
        "Bench 3, second run\nstarted by hand\n\n" + PLAIN,
        "# " + PLAIN,
        PLAIN.replace("\n1,", "\n# the door was opened\n1,"),
        PLAIN.replace("\n1,", "\n\n1,"),
        PLAIN.replace("\n", "\x1b[0m\n").replace("\n2", "\n\x1b[31;1m2"),
        PLAIN.replace(",fan", ',"fan').replace("rpm\n", 'rpm"\n').replace("1801", '"1801"'),
        PLAIN + "1 file closed\n".replace("1 ", ""),
    ],
    ids=[
        "semicolon", "tab", "bar", "blanks around", "runs of blanks", "crlf", "cr cr lf", "cr",
        "indented", "delimiter behind all", "delimiter behind rows", "blank lines", "preamble",
        "hash heading", "comment", "blank line inside", "terminal colours", "quotes", "footer",
    ],
)  # fmt: skip
def test_the_same_log_in_other_dress(log, content):
    frame = read_telemetry(log(content))
    assert frame["memory_c"].tolist() == [50.5, 51.5, 52.0]
    assert frame["fan_rpm"].tolist() == [1800.0, 1801.0, 1800.0]


DEGREES = lines("time_s;Memory [°C];Größe", "0;50,5;1", "1;51,5;1", "2;52,0;1")


@pytest.mark.parametrize(
    "raw",
    [
        DEGREES.encode("utf-8"),
        DEGREES.encode("utf-8-sig"),
        b"\xef\xbb\xbf" + DEGREES.encode("utf-8-sig"),
        DEGREES.encode("utf-16"),
        DEGREES.encode("utf-16-le"),
        DEGREES.encode("utf-16-be"),
        DEGREES.encode("latin-1"),
        DEGREES.encode("cp1252"),
    ],
    ids=["utf-8", "bom", "two boms", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252"],
)
def test_encodings_and_decimal_comma(log, raw):
    frame = read_telemetry(log(raw))
    assert frame["memory_c"].tolist() == [50.5, 51.5, 52.0]


def test_a_stated_encoding_that_does_not_fit_is_refused(log):
    path = log(DEGREES.encode("latin-1"))
    refused(path, "state the encoding|no line with readings|bytes after", encoding="utf-16")


@pytest.mark.parametrize(
    ("heading", "cells", "name", "values"),
    [
        ("Memory [°C]", ("50", "51"), "memory_c", [50.0, 51.0]),
        ("Memory (degC)", ("50", "51"), "memory_c", [50.0, 51.0]),
        ("Memory temperature / °F", ("122", "140"), "memory_c", [50.0, 60.0]),
        ("memory_f", ("122", "140"), "memory_c", [50.0, 60.0]),
        ("Memory, K", ("323.15", "333.15"), "memory_c", [50.0, 60.0]),
        ("Memory", ("50 °C", "122 °F"), "memory_c", [50.0, 50.0]),
        ("Memory [Â°C]", ("50", "51"), "memory_c", [50.0, 51.0]),
        ("Board power [mW]", ("250000", "251000"), "power_w", [250.0, 251.0]),
        ("Power", ("250 W", "251500mW"), "power_w", [250.0, 251.5]),
        ("Fan speed (1/min)", ("1800", "1810"), "fan_rpm", [1800.0, 1810.0]),
        ("Fan [1/s]", ("30", "31"), "fan_rpm", [1800.0, 1860.0]),
        ("Fan", ("38 %", "39 %"), "fan_percent", [38.0, 39.0]),
        ("Fan duty [%]", ("38", "39"), "fan_percent", [38.0, 39.0]),
        ("Sound level dB(A)", ("38.1", "38.2"), "noise_dba", [38.1, 38.2]),
        ("Ambient air °C", ("21.1", "21.2"), "ambient_c", [21.1, 21.2]),
        ("T_mem_degC", ("50", "51"), "mem_c", [50.0, 51.0]),
        ("Hot spot temp. C", ("50", "51"), "hot_spot_c", [50.0, 51.0]),
        ("Fan in 1/min", ("1800", "1810"), "fan_rpm", [1800.0, 1810.0]),
        ("Load %", ("99", "100"), "load_percent", [99.0, 100.0]),
    ],
)
def test_units_in_headings_and_cells(log, heading, cells, name, values):
    frame = read_telemetry(log(lines(f"time_s;{heading}", f"0;{cells[0]}", f"1;{cells[1]}")))
    assert frame[name].tolist() == pytest.approx(values)


def test_units_in_the_second_row(log):
    frame = read_telemetry(log(lines("time,Memory,Fan", "s,°F,rpm", "0,122,1800", "1,140,1801")))
    assert frame["memory_c"].tolist() == pytest.approx([50.0, 60.0])


def test_two_heading_lines_are_joined_where_one_is_not_enough(log):
    path = log(
        lines("Clock,Card 1,,Card 2,", "[s],Memory [°C],Fan [rpm],Memory [°C],Fan [rpm]",
              "0,50,1800,60,1900", "1,51,1800,61,1900")
    )  # fmt: skip
    frame = read_telemetry(path, {"time": 0, "memory_c": "Card 2 Memory [°C]", "fan_rpm": 4},
                           time_unit="s")  # fmt: skip
    assert frame["memory_c"].tolist() == [60.0, 61.0]
    assert frame["fan_rpm"].tolist() == [1900.0, 1900.0]


def test_columns_by_heading_position_and_pattern(log):
    path = log(lines("clock [s],T_mem,rot,P total", "0,50,1800,250", "1,51,1801,251"))
    frame = read_telemetry(
        path,
        {"time": 0, "memory_c": "T_mem", "fan_rpm": 2, "power_w": re.compile("^P ")},
    )
    assert frame["power_w"].tolist() == [250.0, 251.0]
    assert frame["fan_rpm"].tolist() == [1800.0, 1801.0]


def test_stated_columns_that_are_not_clear_are_all_named(log):
    path = log(lines("time_s,T,T,rot", "0,50,60,1800", "1,51,61,1801"))
    error = refused(path, "positions 1, 2", "did you mean 'rot'", "there are 4 fields",
                    columns={"memory_c": "T", "fan_rpm": "rott", "power_w": 9})  # fmt: skip
    assert len(error.faults) == 3


def test_a_name_without_a_unit_is_no_canonical_name(log):
    refused(log(PLAIN), "end it with its unit", columns={"memory": "memory_c"})


def test_duplicate_headings_are_refused_with_their_positions(log):
    path = log(lines("time_s,Fan [rpm],Fan [rpm]", "0,1800,1900", "1,1800,1900"))
    refused(path, "position 1", "position 2", "columns=")


def test_headings_without_a_unit_are_not_guessed(log):
    path = log(lines("time_s,Memory,Fan", "0,50,1800", "1,51,1801"))
    refused(path, "no heading with a known unit", "Memory, Fan")


def test_a_column_of_another_unit_is_refused(log):
    path = log(lines("time_s,Fan [rpm],x [mV/K]", "0,1800,1", "1,1800,1"))
    refused(path, "its unit in the log is rpm", columns={"memory_c": "Fan [rpm]"})
    refused(path, "mV/K", "not known", columns={"memory_c": "x [mV/K]"})


def test_a_unit_that_is_wrong_for_the_whole_column_is_refused(log):
    path = log(lines("time_s,P", *(f"{i},{250_000 + i}" for i in range(50))))
    refused(path, "outside 0 to 5000", "row 2", columns={"power_w": "P"})
    frame = read_telemetry(path, {"power_w": "P"}, units={"power_w": "mW"})
    assert frame["power_w"].iloc[0] == 250.0


def test_a_glitch_is_left_out_and_noted(log):
    rows = [f"{i},{50 + i % 2}" for i in range(300)]
    rows[200] = "200,65535"
    frame = read_telemetry(log(lines("time_s,memory_c", *rows)))
    assert np.isnan(frame["memory_c"].iloc[200])
    assert "65535" in frame.attrs["notes"][0]
    assert "line 202" in frame.attrs["notes"][0]


@pytest.mark.parametrize("word", ["", "N/A", "[N/A]", "-", "null", "None", "nan", "NA", " n/a "])
def test_words_for_no_reading(log, word):
    path = log(lines("time_s,memory_c,fan_rpm", f"0,50,{word}", "1,51,1800"))
    frame = read_telemetry(path)
    assert np.isnan(frame["fan_rpm"].iloc[0])
    assert frame["fan_rpm"].iloc[1] == 1800.0


def test_other_words_are_faults_until_they_are_stated(log):
    path = log(lines("time_s,memory_c", "0,50", "1,offline", "2,52"))
    error = refused(path, "row 3", "offline", "missing=")
    assert error.faults[0].column == "memory_c"
    assert np.isnan(read_telemetry(path, missing=("offline",))["memory_c"].iloc[1])


def test_every_faulty_cell_is_named_with_its_line(log):
    path = log(lines("time_s,memory_c,fan_rpm", "0,5x,1800", "1,51,18OO", "2,inf,1800"))
    error = refused(path, "5x", "18OO", "inf")
    assert [fault.row for fault in error.faults] == [2, 4, 3]


def test_ids_stay_text(log):
    rows = [
        f"2026-03-09T12:00:{second:02d}Z,{device},{50 + second}"
        for second in range(3)
        for device in ("007", "1E5", "NA")
    ]
    path = log(lines("time,device,memory_c", *rows))
    frame = read_telemetry(path)
    assert list(frame["device"].unique()) == ["007", "1E5", "NA"]
    for _, rows in frame.groupby("device"):
        assert rows["time_s"].tolist() == [0.0, 1.0, 2.0]


def test_devices_that_share_their_times_need_the_device_column(log):
    rows = [f"{s},{50 + d}" for s in range(20) for d in range(8)]
    refused(log(lines("time_s,memory_c", *rows)), "share one time", "device column")


def test_devices_with_their_own_stamps_are_not_mixed(log):
    rows = [f"{d},2026-03-09 12:00:{s:02d}.{d}31,{50 + d}" for s in range(20) for d in range(3)]
    path = log(lines("no,time,Core [°C]", *rows))
    refused(path, "3 values over and over", "device", "one_device")
    assert len(read_telemetry(path, one_device=True)) == 60
    frame = read_telemetry(path, {"device": "no", "core_c": "Core [°C]"})
    assert set(frame.loc[frame["device"] == "2", "core_c"]) == {52.0}


def test_a_block_of_words_in_the_readings_width(log):
    path = log(PLAIN + lines("time_s,memory_c,fan_rpm", ",Card A,Card A"))
    assert len(read_telemetry(path)) == 3
    refused(log(PLAIN + lines(",Card A,Card A", "3,53,1800")), "no reading in this line", "row 5")


class TestDecimalMarks:
    def test_comma_for_both_cannot_be_split(self, log):
        refused(log(lines("t,T", "0,45,5", "1,45,6")), "3 fields under 2 headings", "decimal mark")

    def test_two_readings_are_offered(self, log):
        path = log(lines("time_s;Fan [rpm]", "0;1,850", "1;1,851"))
        refused(path, "1850 with decimal point", "1.850 with decimal comma", "decimal=")
        assert read_telemetry(path, decimal=".")["fan_rpm"].tolist() == [1850.0, 1851.0]
        assert read_telemetry(path, decimal=",")["fan_rpm"].tolist() == [1.850, 1.851]

    def test_decimal_comma_and_thousands_comma_in_one_row(self, log):
        path = log(lines("time_s;Memory [°C];Fan [rpm]", "0;72,5;1,850", "1;72,75;1,851"))
        refused(path, "Fan")
        frame = read_telemetry(path, decimal={"fan_rpm": "."})
        assert frame["fan_rpm"].tolist() == [1850.0, 1851.0]
        assert frame["memory_c"].tolist() == [72.5, 72.75]

    def test_thousands_point_agrees_with_a_decimal_comma(self, log):
        path = log(lines("time_s;Memory [°C];Fan [rpm]", "0;72,5;1.850", "1;72,7;1.851"))
        assert read_telemetry(path)["fan_rpm"].tolist() == [1850.0, 1851.0]

    def test_quoted_thousands_agree_with_a_decimal_point(self, log):
        path = log(lines("time_s,Memory [°C],Fan [rpm]", '0,72.5,"1,850"', '1,72.7,"1,851"'))
        assert read_telemetry(path)["fan_rpm"].tolist() == [1850.0, 1851.0]

    def test_the_range_of_a_quantity_disproves_a_reading(self, log):
        path = log(lines("time_s;Memory [°C]", "0;72,125", "1;72,250"))
        assert read_telemetry(path)["memory_c"].tolist() == [72.125, 72.25]

    def test_a_cell_far_down_with_two_readings_is_a_fault(self, log):
        rows = [f"{i};{50 + i % 7},5;{900 + i % 50}" for i in range(3000)]
        rows[1500] = "1500;51,5;1,050"
        refused(log(lines("time_s;Memory [°C];Fan [rpm]", *rows)), "row 1502", "1,050",
                "decimal or thousands")  # fmt: skip

    @pytest.mark.parametrize("text", ["1 850,5", "1'850,5", "1.850,5", "1\u00a0850,5"])
    def test_thousands_marks(self, log, text):
        path = log(lines("time_s;Fan [rpm]", f"0;{text}", f"1;{text}"))
        assert read_telemetry(path)["fan_rpm"].tolist() == [1850.5, 1850.5]


class TestHeadingsAndCuts:
    def test_a_heading_block_that_comes_again(self, log):
        path = log(PLAIN + lines("Bench 3", "time_s,memory_c,fan_rpm", "3,53,1800", "4,54,1800"))
        frame = read_telemetry(path)
        assert frame["memory_c"].tolist() == [50.5, 51.5, 52.0, 53.0, 54.0]
        assert any("are repeated" in note for note in frame.attrs["notes"])

    def test_a_heading_block_at_the_end(self, log):
        frame = read_telemetry(log(PLAIN + "time_s,memory_c,fan_rpm\n"))
        assert len(frame) == 3

    def test_headings_before_every_row(self, log):
        content = "".join(f"time_s,memory_c\n{i},{50 + i}\n" for i in range(40))
        assert read_telemetry(log(content))["memory_c"].tolist() == [50.0 + i for i in range(40)]

    def test_a_heading_with_an_added_column(self, log):
        path = log(lines("time_s,memory_c", "0,50", "1,51", "time_s,edge_c,memory_c", "2,40,52"))
        frame = read_telemetry(path)
        assert frame["memory_c"].tolist() == [50.0, 51.0, 52.0]
        assert any("change" in note for note in frame.attrs["notes"])

    def test_a_sensor_that_is_lost(self, log):
        path = log(lines("time_s,memory_c,edge_c", "0,50,40", "time_s,edge_c", "1,41", "2,42"))
        frame = read_telemetry(path)
        assert frame["edge_c"].tolist() == [40.0, 41.0, 42.0]
        assert frame["memory_c"].isna().tolist() == [False, True, True]
        assert any("memory_c" in note and "ends" in note for note in frame.attrs["notes"])

    def test_a_sensor_that_appears_without_a_heading_is_refused(self, log):
        path = log(lines("time_s,memory_c", "0,50", "1,51", "2,40,52", "3,41,53"))
        error = refused(path, "3 fields where 2 are expected", "row 4")
        assert [fault.row for fault in error.faults] == [4, 5]

    def test_rows_wider_than_the_headings_need_positions(self, log):
        path = log(lines("time_s,memory_c", "0,50,1800", "1,51,1801"))
        refused(path, "3 fields under 2 headings", "by position")
        frame = read_telemetry(path, {"time": 0, "memory_c": 1, "fan_rpm": 2}, time_unit="s")
        assert frame["fan_rpm"].tolist() == [1800.0, 1801.0]

    def test_a_short_line_inside_is_a_fault(self, log):
        path = log(lines("time_s,memory_c,fan_rpm", "0,50,1800", "1,51", "2,52,1800"))
        refused(path, "2 fields where 3 are expected", "row 3")

    def test_readings_of_another_width_are_not_dropped_before_a_heading(self, log):
        more = [f"{i},5{i},1800,7" for i in range(3, 5)]
        refused(log(PLAIN + lines(*more, "time_s,memory_c,fan_rpm", "9,54,1800")), "4 fields")
        many = [f"{i},5{i}" for i in range(3, 9)]
        refused(log(PLAIN + lines(*many, "time_s,memory_c,fan_rpm", "9,54,1800")), "2 fields")

    def test_a_cut_before_a_new_start_is_noted(self, log):
        path = log(PLAIN + "3,5\n" + lines("time_s,memory_c,fan_rpm", "4,54,1800"))
        frame = read_telemetry(path)
        assert frame["time_s"].tolist() == [0.0, 1.0, 2.0, 4.0]
        assert any("left out" in note for note in frame.attrs["notes"])

    def test_an_unended_last_line_is_never_read(self, log):
        # '18' may be the first half of 1801.
        frame = read_telemetry(log(PLAIN + "3,53,18"))
        assert len(frame) == 3
        assert any("line end" in note for note in frame.attrs["notes"])

    def test_no_headings_at_all(self, log):
        path = log(lines("0,50,1800", "1,51,1801"))
        frame = read_telemetry(path, {"time": 0, "memory_c": 1, "fan_rpm": 2}, time_unit="s")
        assert frame["memory_c"].tolist() == [50.0, 51.0]
        assert frame["line"].tolist() == [1, 2]

    @pytest.mark.parametrize(
        ("content", "words"),
        [
            (b"", "empty"),
            (b"\n\n", "empty|no line"),
            (b"time_s,memory_c\n", "no line with readings"),
            (b"hello world\n", "no line with readings|no heading"),
            (bytes(range(256)) * 8, "."),
            (b"\x89PNG\r\n\x1a\n" + b"\x00" * 500, "no text|no line|empty"),
        ],
    )
    def test_files_without_readings(self, log, content, words):
        refused(log(content), words)

    def test_a_missing_file_is_named(self, tmp_path):
        refused(tmp_path / "gone.csv", "gone.csv", "cannot be opened")


def test_two_delimiters_that_fit_are_refused(log):
    path = log(lines("1,5 200,7", "2,5 300,7", "3,5 400,7"))
    refused(path, "could be split", "delimiter=")


def test_throttling_flags(log):
    path = log(lines("time_s,memory_c,throttled", "0,50,no", "1,51,yes", "2,52,N/A"))
    assert read_telemetry(path)["throttled"].tolist() == [False, True, False]
    refused(log(lines("time_s,memory_c,throttled", "0,50,perhaps")), "neither true nor false")


def test_options_are_checked_by_name_and_value(log):
    refused(log(PLAIN), "not a mapping", columns=["memory_c"])
    refused(log(PLAIN), "not a unit of this quantity", units={"memory_c": "rpm"})
    refused(log(PLAIN), "no such encoding", "not a unit of time", "not a date", encoding="utf-99",
            time_unit="K", date="9.3.26")  # fmt: skip
    refused(log(PLAIN), "no such option", "delimitr", delimitr=",")
    refused(log(PLAIN), "one character", "above zero", delimiter=",,", period_s=-1.0)


def test_streaming_gives_the_same_readings(log, monkeypatch):
    rows = [f"{i},{50 + i % 9}.5,{1800 + i % 5}" for i in range(5000)]
    rows[2500] = "time_s,memory_c,fan_rpm"
    path = log(lines("time_s,memory_c,fan_rpm", *rows))
    whole = read_telemetry(path)
    monkeypatch.setattr("thermcmp.telemetry.reading.text_file.BLOCK_BYTES", 0)
    from thermcmp.telemetry.reading import text_file

    monkeypatch.setattr(text_file.TextFile.blocks, "__defaults__", (4096,))
    pieces = list(stream_telemetry(path))
    assert len(pieces) > 10
    for name in whole.columns:
        joined = np.concatenate([piece[name].to_numpy() for piece in pieces])
        assert np.array_equal(joined, whole[name].to_numpy()), name


def test_one_odd_line_in_a_long_log_is_found(log):
    rows = [f"{i},{50 + i % 9}.5,{1800 + i % 5}" for i in range(20_000)]
    rows[15_000] = "15000,5x,1800"
    refused(log(lines("time_s,memory_c,fan_rpm", *rows)), "row 15002", "5x")
    rows[15_000] = "time_s,memory_c,fan_rpm"
    frame = read_telemetry(log(lines("time_s,memory_c,fan_rpm", *rows)))
    assert frame["line"].tolist() == [n for n in range(2, 20_002) if n != 15_002]


def test_a_span_is_cut_while_reading(log):
    frame = read_telemetry(log(PLAIN), span_s=(1.0, 5.0))
    assert frame["time_s"].tolist() == [1.0, 2.0]
