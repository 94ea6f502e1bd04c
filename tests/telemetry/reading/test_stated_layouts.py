"""What the user states about a log is honoured in every layout."""

from __future__ import annotations

import pytest

from thermcmp.errors import InputError
from thermcmp.results.results_table import read_results
from thermcmp.telemetry.inspection.question import inspect
from thermcmp.telemetry.reading.frame import read_telemetry

ROWS = [(i, 60.5 + i % 3 / 10, 22.1, 1800 + i * i % 23) for i in range(40)]


@pytest.fixture
def log(tmp_path):
    """Write rows under a heading line, after some lines."""

    def write(headings, *, before=(), delimiter=",", rows=ROWS):
        lines = [delimiter.join(map(str, row)) for row in (headings, *rows)]
        path = tmp_path / "log.csv"
        path.write_text("\n".join((*before, *lines)) + "\n")
        return path

    return write


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|", " ", "   "])
@pytest.mark.parametrize("by", ["heading", "position"])
def test_line_position_and_unit(log, delimiter, by):
    before = ("Bench 3, run 12", "started by hand")
    path = log(("1", "2", "3", "n"), before=before, delimiter=delimiter)
    names = {"elapsed_s": "1", "memory_c": "2", "ambient_c": "3", "fan_rpm": "n"}
    if by == "position":
        names = {name: place for place, name in enumerate(names)}
    frame = read_telemetry(path, names, header_line=3, units={"memory_c": "°F"})
    assert len(frame) == 40
    # 60.5 °F is 15.83 °C.
    assert frame["memory_c"].iloc[0] == pytest.approx((60.5 - 32.0) / 1.8)
    assert frame["fan_rpm"].iloc[2] == 1804.0


def test_a_unit_for_no_column(log):
    with pytest.raises(InputError, match=r"a unit for a column that is not read.*memory_c"):
        read_telemetry(log(("time [s]", "memory [F]", "x", "n")), units={"memroy_c": "K"})


def test_a_footer_under_an_elapsed_time(log):
    path = log(("elapsed [s]", "memory [C]", "air [C]", "n"), rows=[*ROWS, ("Mean", 60.6, 22.1, 9)])
    with pytest.raises(InputError, match=r"row 42, column 'elapsed \[s\]', .*skip_bad_times=True"):
        read_telemetry(path)
    frame = read_telemetry(path, skip_bad_times=True)
    assert len(frame) == len(ROWS)
    assert any("lines whose time cannot be read" in note for note in frame.attrs["notes"])


def test_one_bad_time(log):
    rows = [(f"10:00:{i:02}", *row[1:]) for i, row in enumerate(ROWS)]
    rows[20] = ("10:0x:20", *rows[20][1:])
    path = log(("time", "memory [C]", "air [C]", "n"), rows=rows)
    with pytest.raises(InputError, match=r"row 22, column 'time', value '10:0x:20'"):
        read_telemetry(path)
    frame = read_telemetry(path, skip_bad_times=True)
    assert len(frame) == 39
    assert "lines whose time cannot be read were left out (line 22)" in frame.attrs["notes"]


def test_recognised_columns_that_are_not_used_are_listed(log):
    path = log(("time [s]", "memory [C]", "ambient [C]", "fan [rpm]"))
    frame = read_telemetry(path, {"memory_c": "memory [C]"})
    (note,) = frame.attrs["notes"]
    assert "not used" in note
    assert "'ambient [C]', 'fan [rpm]'" in note


def test_a_heading_of_a_table_can_be_mapped_away(tmp_path):
    path = tmp_path / "table.csv"
    path.write_text(
        "run,n,sensor,temperature_c,ambient_c,power_w,fan_rpm,cooler_model,board_model\n"
        "R1,x7,memory,71.2,21.0,250,1800,Alder,Quarz\n"
    )
    with pytest.raises(InputError, match="x7"):
        read_results(path)
    table = read_results(path, columns={"n": None})
    assert table["n"].isna().all()


def test_short_lines_can_be_left_out(log):
    rows = [*ROWS[:9], ("9", "6"), *ROWS[10:]]
    path = log(("time [s]", "memory [C]", "air [C]", "n"), rows=rows)
    with pytest.raises(InputError, match=r"row 11.*2 fields where 4 .*skip_bad_lines=True"):
        read_telemetry(path)
    frame = read_telemetry(path, skip_bad_lines=True)
    assert len(frame) == len(ROWS) - 1
    assert any("other fields" in note and "line 11" in note for note in frame.attrs["notes"])


def test_quotes_of_inches_join_no_lines(tmp_path):
    lines = [f'{i},{50 + i},"ok"' for i in range(20)]
    lines[5], lines[9] = '5,55,"5.25', '9,59,5.25"'
    path = tmp_path / "bay.csv"
    path.write_text("time_s,memory_c,bay\n" + "".join(f"{line}\n" for line in lines))
    with pytest.raises(InputError, match="quoted cell does not end on its line"):
        read_telemetry(path)


def test_what_an_unread_table_is(tmp_path):
    path = tmp_path / "log.csv"
    names = ("memory", "air")
    rows = [f"{i},{name},{50 + i}" for i in range(20) for name in names]
    path.write_text("time_s,channel,value\n" + "\n".join(rows) + "\n")
    with pytest.raises(InputError, match=r"channels.*pivot_table\(index=…, columns='channel'"):
        read_telemetry(path)
    stamps = ",".join(["time", *(f"10:00:{second:02}" for second in range(50))])
    cells = [",".join(map(str, (name, *range(40 + i, 90 + i)))) for i, name in enumerate(names)]
    path.write_text("\n".join([stamps, *cells]) + "\n")
    with pytest.raises(InputError, match="turn the table"):
        read_telemetry(path)


def test_letters_of_another_code_page_are_named(tmp_path):
    # Two bytes for each letter, of which CP1252 leaves some open (JIS X 0208, from memory).
    path = tmp_path / "log.csv"
    rows = "".join(f"{i},{50 + i}\n" for i in range(5))
    path.write_bytes(f"時刻 (s),メモリ (℃)\n{rows}".encode("cp932"))
    with pytest.raises(InputError, match=r"neither.*'cp932' \(Japanese\)"):
        read_telemetry(path)
    read = read_telemetry(path, {"time": 0, "memory_c": 1}, encoding="cp932")
    assert read["memory_c"].tolist() == [50.0, 51.0, 52.0, 53.0, 54.0]


def test_a_difference_in_kelvin_is_no_temperature(log):
    path = log(("time [s]", "memory [C]", "memory - air [K]", "n"))
    frame = read_telemetry(path)
    assert frame["memory_air_c"].isna().all()
    note = "'memory - air [K]' holds differences of temperatures and is not read"
    assert note in frame.attrs["notes"]


@pytest.mark.parametrize(
    "name", ["memory over ambient", "Memory rise", "ΔT memory", "dT_mem", "Übertemperatur Speicher"]
)
def test_a_rise_in_degrees_is_no_temperature(log, name):
    # Over-temperature (Übertemperatur) is the rise over ambient (IEC 60050-421, from memory).
    path = log(("time [s]", "memory [C]", f"{name} [°C]", "n"))
    frame = read_telemetry(path)
    assert list(frame.filter(regex="_c$")) == ["memory_c"]
    note = f"not read, as it holds differences of temperatures: '{name} [°C]'"
    assert note in frame.attrs["notes"]
    assert inspect(path).columns["read as"].tolist()[2] == ""
    # Who names it a temperature is believed.
    assert len(read_telemetry(path, {"time": 0, "edge_c": 2}, one_device=True)) == len(ROWS)


@pytest.mark.parametrize(
    ("stamp", "form"),
    [("09-Mar-2031 12:00:0{}", "%d-%b-%Y %H:%M:%S"),
     ("Sun Mar 09 12:00:0{} 2031", "%a %b %d %H:%M:%S %Y"),
     ("20310309_12000{}", "%Y%m%d_%H%M%S")],
)  # fmt: skip
def test_the_format_of_a_time_with_names_is_offered(tmp_path, stamp, form):
    path = tmp_path / "log.csv"
    path.write_text("time;memory_c\n" + "".join(f"{stamp.format(i)};{50 + i}\n" for i in range(5)))
    with pytest.raises(InputError) as caught:
        read_telemetry(path)
    assert f"state time_format='{form}'" in str(caught.value)
    assert read_telemetry(path, time_format=form)["time_s"].tolist() == [0, 1, 2, 3, 4]


def test_another_alphabet_is_not_read_as_accents(tmp_path):
    path = tmp_path / "log.csv"
    text = "Время (с);Память (°C)\n" + "".join(f"{i};{50 + i}\n" for i in range(5))
    path.write_bytes(text.encode("cp1251"))
    with pytest.raises(InputError, match="'cp1251'"):
        read_telemetry(path)
    path.write_bytes(
        "Zeit (s);Übertragungsgerät (°C);naïveté (V)\n0;50;1\n1;51;1\n".encode("cp1252")
    )
    assert len(read_telemetry(path, {"time": 0, "memory_c": 1})) == 2
