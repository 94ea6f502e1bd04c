"""Hand-kept tables read as results."""

import codecs
import hashlib
from datetime import datetime

import openpyxl
import pandas as pd
import pytest

from thermcmp.errors import InputError
from thermcmp.results.results_table import read_results
from thermcmp.results.validation import check_results

HEADINGS = {
    "Test": "run",
    "Cooler": "cooler_model",
    "Board": "board_model",
    "Serial": "cooler_id",
    "Memory (°C)": "temperature_c[memory]",
    "Edge (°C)": "temperature_c[edge]",
    "Air": "ambient_c",
    "Power [W]": "power_w",
    "Fan": "fan_rpm",
}
WIDE = (
    "Test,Cooler,Board,Serial,Memory (°C),Edge (°C),Air,Power [W],Fan,Remark\n"
    "r1,Alder r1,Kestrel,007,84.5,71,21.5,220,1730 rpm,first\n"
    "r2,Alder r1,Kestrel,1E5,-,70.5,21.5,221,1725 rpm,\n"
    "r3,Alder r2,Kestrel,7,80,69,21.5,220,1730 rpm,N/A\n"
)
NARROW = (
    "run,sensor,cooler_model,board_model,temperature_c,ambient_c,power_w,fan_rpm\n"
    "r1,memory,Alder,Kestrel,84.5,21.5,220,1500\n"
    "r2,memory,Alder,Kestrel,85,21.5,220,1500\n"
)


@pytest.fixture
def put(tmp_path):
    def write(content, name="runs.csv", encoding="utf-8"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
        return path

    return write


def faults_of(path, *args, **options):
    with pytest.raises(InputError) as caught:
        read_results(path, *args, **options)
    return caught.value.faults


def places(faults):
    return {(f.row, f.column, f.value) for f in faults}


def test_a_columns_name_with_a_unit_needs_no_mapping(put):
    plain = read_results(put(NARROW))
    text = NARROW.replace("ambient_c", "Ambient (°C)").replace("power_w", "power_w [W]")
    same = read_results(
        put(text.replace("fan_rpm", "Fan, rpm").replace(",", ";").replace("Fan;", "Fan,"))
    )
    pd.testing.assert_frame_equal(
        same.drop(columns="source_sha256"), plain.drop(columns="source_sha256")
    )
    extra = read_results(put(NARROW.replace("fan_rpm", "Power (kW)")))
    assert extra["power_w"].tolist() == [220.0, 220.0]
    assert extra["Power (kW)"].tolist() == ["1500", "1500"]


def test_a_column_per_sensor_becomes_a_row_per_run_and_sensor(put):
    path = put(WIDE)
    frame = read_results(path, HEADINGS, constants={"lab": "north"})
    assert list(zip(frame["run"], frame["sensor"], frame["temperature_c"], strict=True)) == [
        ("r1", "memory", 84.5),
        ("r1", "edge", 71.0),
        ("r2", "edge", 70.5),
        ("r3", "memory", 80.0),
        ("r3", "edge", 69.0),
    ]
    assert frame["cooler_id"].tolist() == ["007", "007", "1E5", "7", "7"]
    assert set(frame["fan_rpm"]) == {1730.0, 1725.0}
    assert set(frame["lab"]) == {"north"}
    assert frame["Remark"].fillna("").tolist() == ["first", "first", "", "", ""]
    assert set(frame["source_file"]) == {"runs.csv"}
    assert set(frame["source_sha256"]) == {hashlib.sha256(path.read_bytes()).hexdigest()}
    pd.testing.assert_frame_equal(check_results(frame), frame)


def test_step_error_and_limit_may_be_given_per_sensor(put):
    text = (
        "run,cooler_model,board_model,ambient_c,power_w,Mem,Mem step,Mem se,Mem lim,Edge\n"
        "r1,Alder,Kestrel,21,200,110,2,0.3,x,71\nr2,Alder,Kestrel,21,200,80,2,0.2,,70\n"
    )
    frame = read_results(
        put(text),
        {
            "Mem": "temperature_c[memory]",
            "Mem step": "resolution_k[memory]",
            "Mem se": "standard_error_k[memory]",
            "Mem lim": "at_limit[memory]",
            "Edge": "temperature_c[edge]",
        },
    )
    memory, edge = frame[frame["sensor"] == "memory"], frame[frame["sensor"] == "edge"]
    assert memory["at_limit"].tolist() == [True, False]
    assert memory["resolution_k"].tolist() == [2, 2]
    assert memory["standard_error_k"].tolist() == [0.3, 0.2]
    assert edge["resolution_k"].isna().all() and not edge["at_limit"].any()


@pytest.mark.parametrize(
    "data",
    [
        WIDE.encode(),
        codecs.BOM_UTF8 + WIDE.encode(),
        2 * codecs.BOM_UTF8 + WIDE.encode(),
        WIDE.encode("utf-16"),
        WIDE.encode("utf-16-be"),
        WIDE.encode("utf-16-le"),
        WIDE.encode("cp1252"),
        WIDE.replace("\n", "\r\n").encode(),
        WIDE.rstrip("\n").encode(),
        WIDE.replace(",", "\t").encode(),
        WIDE.replace(",", ";").encode(),
        WIDE.replace(",", ";")
        .replace("84.5", "84,5")
        .replace("21.5", "21,5")
        .replace("70.5", "70,5")
        .encode(),
        "\n".join(
            ";".join(f'"{cell}"' for cell in line.split(",")) for line in WIDE.splitlines()
        ).encode(),
    ],
    ids=[
        "utf8",
        "bom",
        "two boms",
        "utf16",
        "utf16be",
        "utf16le",
        "cp1252",
        "crlf",
        "no end",
        "tab",
        "semicolon",
        "decimal comma",
        "quoted semicolon",
    ],
)
def test_every_dialect_reads_the_same(put, data):
    plain = read_results(put(WIDE, "plain.csv"), HEADINGS)
    other = read_results(put(data), HEADINGS)
    own = ["source_file", "source_sha256"]
    pd.testing.assert_frame_equal(other.drop(columns=own), plain.drop(columns=own))


def test_units_in_headings_and_in_a_second_row_are_converted(put):
    text = (
        "run,sensor,cooler_model,board_model,Temp (°F),ambient_c,Power (kW),Mic (cm)\n"
        "r1,memory,Alder,Kestrel,188.6,21.5,0.22,50\n"
    )
    mapping = {"Temp (°F)": "temperature_c", "Power (kW)": "power_w", "Mic (cm)": "mic_distance_m"}
    row = read_results(put(text), mapping).iloc[0]
    assert row[["temperature_c", "power_w", "mic_distance_m"]].tolist() == pytest.approx(
        [87.0, 220.0, 0.5], rel=1e-12
    )
    second = (
        text.replace(" (°F)", "")
        .replace(" (kW)", "")
        .replace(" (cm)", "")
        .replace("\nr1", "\n,,,,[°F],°C,kW,(cm)\nr1")
        .replace("(cm)", "cm")
    )
    mapping = {"Temp": "temperature_c", "Power": "power_w", "Mic": "mic_distance_m"}
    row = read_results(put(second), mapping).iloc[0]
    assert row[["temperature_c", "power_w", "mic_distance_m"]].tolist() == pytest.approx(
        [87.0, 220.0, 0.5], rel=1e-12
    )


def test_a_duty_is_no_fan_speed(put):
    faults = faults_of(put(NARROW.replace("1500", "62 %")))
    assert places(faults) == {(2, "fan_rpm", "62 %"), (3, "fan_rpm", "62 %")}
    assert all("duty" in f.message for f in faults)


def test_a_duty_in_the_heading_is_no_fan_speed_either(put):
    faults = faults_of(put(NARROW.replace("fan_rpm", "Fan %")), {"Fan %": "fan_rpm"})
    assert [f.row for f in faults] == [2, 3]
    assert all("duty" in f.message and f.column == "Fan %" for f in faults)


def test_an_unproved_decimal_mark_is_refused_and_a_proof_anywhere_settles_it(put):
    text = (
        NARROW.replace(",", ";")
        .replace("84.5", "84")
        .replace("21.5", "21")
        .replace("1500", "1,500")
    )
    faults = faults_of(put(text))
    assert places(faults) == {(2, "fan_rpm", "1,500"), (3, "fan_rpm", "1,500")}
    assert "1500" in faults[0].message and "1.500" in faults[0].message
    assert "decimal=" in faults[0].fix
    assert set(read_results(put(text), decimal=".")["fan_rpm"]) == {1500}
    assert set(read_results(put(text), decimal=",")["fan_rpm"]) == {1.5}
    assert set(read_results(put(text.replace(";84;", ";84.5;")))["fan_rpm"]) == {1500}
    assert set(read_results(put(text.replace(";84;", ";84,5;")))["fan_rpm"]) == {1.5}
    # A column with both marks proves nothing for others, and the later one is named.
    both = faults_of(put(text.replace(";84;", ";84,5;").replace(";85;", ";85.5;")))
    assert places(both) == {*places(faults), (3, "temperature_c", "85.5")}


def test_a_point_is_proved_by_a_comma_separated_file(put):
    frame = read_results(put(NARROW.replace("84.5", "84.125").replace("21.5", "21")))
    assert frame["temperature_c"].tolist() == [84.125, 85.0]
    quoted = NARROW.replace("84.5", "84.125").replace("21.5", "21").replace("1500", '"1,500"')
    assert {f.column for f in faults_of(put(quoted))} == {"fan_rpm", "temperature_c"}


def test_lines_that_do_not_fit_are_all_named(put):
    text = (
        NARROW + "r3,memory,Alder,Kestrel,85,21.5,220,1500,\nr4,memory,Ald,er,K,85,21,2,2,7\nr5,me"
    )
    faults = faults_of(put(text))
    assert [f.row for f in faults] == [4, 5, 6]
    assert "trailing comma" in faults[0].fix
    assert "cut off" in faults[2].fix


def test_lines_count_as_in_an_editor(put):
    text = NARROW.replace("\nr2", '\n\n"r\n2"').replace("85,21.5", "hot,21.5")
    assert places(faults_of(put(text))) == {(4, "temperature_c", "hot")}


def test_faults_of_all_rows_are_reported_at_once_with_lines_and_headings(put):
    text = (
        WIDE.replace("r1,Alder r1", "r1,")
        .replace(",71,", ",hot,")
        .replace("r3,Alder r2,Kestrel,7,80", "r3,Alder r2,Kestrel,7,300")
        .replace("221", "9221")
    )
    faults = faults_of(put(text), HEADINGS, constants={"fan_mode": "stok"})
    assert places(faults) == {
        (None, "fan_mode", "stok"),
        (2, "Cooler", None),
        (2, "Edge (°C)", "hot"),
        (3, "Power [W]", "9221.0"),
        (4, "Memory (°C)", "300.0"),
    }
    assert all(f.file == "runs.csv" for f in faults)


@pytest.mark.parametrize(
    ("text", "options", "words"),
    [
        (NARROW.replace("power_w", ""), {}, "no heading"),
        (NARROW.replace("fan_rpm", "power_w"), {}, "two columns"),
        (NARROW, {"columns": {"fan": "fan_rpm"}}, "did you mean 'fan_rpm'"),
        (
            NARROW.replace("fan_rpm", "Fan"),
            {"columns": {"Fan": "fan_rmp"}},
            "did you mean 'fan_rpm'",
        ),
        (NARROW.replace("fan_rpm", "Fan"), {"columns": {"Fan": "power_w"}}, "all go to power_w"),
        (NARROW.replace("fan_rpm", "Fan"), {"columns": {"Fan": "fan_rpm[memory]"}}, "same for all"),
        (NARROW.replace("fan_rpm", "Fan"), {"columns": {"Fan": "temperature_c[edge]"}}, "both by"),
        (
            NARROW.replace("fan_rpm", "S"),
            {"columns": {"S": "resolution_k[edge]"}},
            "no temperature",
        ),
        (NARROW, {"constants": {"lap": "x"}}, "did you mean 'lab'"),
        (NARROW, {"constants": {"run": "x"}}, "holds this already"),
        (NARROW, {"decimal": ";"}, "decimal='.'"),
        (NARROW.split("\n")[0], {}, "no rows"),
        ("", {}, "empty"),
        (NARROW.replace("fan_rpm", "fan_rpm [turns]"), {}, "turns"),
        (NARROW.replace("Alder", '"Alder"x'), {}, "quote"),
    ],
)
def test_headings_and_arguments_are_checked(put, text, options, words):
    assert any(words in str(fault) for fault in faults_of(put(text), **options))


@pytest.fixture
def book(tmp_path):
    def write(rows, others=(), name="runs.xlsx"):
        workbook = openpyxl.Workbook()
        sheet = workbook.active
        sheet.title = "runs"
        for row in rows:
            sheet.append(row)
        for other in others:
            workbook.create_sheet(other).append(["a", "b"])
        path = tmp_path / name
        return workbook, sheet, path

    return write


def sheet_rows():
    headings = NARROW.split("\n")[0].split(",")
    return [
        [*headings, "cooler_id", "started_at"],
        [
            "r1",
            "memory",
            "Alder",
            "Kestrel",
            84.5,
            21.5,
            220,
            "1.730,5",
            7,
            datetime(2026, 3, 9, 14),
        ],
        ["r2", "memory", "Alder", "Kestrel", 85, "21,5 °C", 220, 1500, 7.0, None],
    ]


def test_a_sheet_gives_typed_cells_and_its_own_row_numbers(book):
    workbook, sheet, path = book(sheet_rows())
    sheet["I2"].number_format = "000"
    workbook.save(path)
    frame = read_results(path)
    assert frame["fan_rpm"].tolist() == [1730.5, 1500]
    assert frame["ambient_c"].tolist() == [21.5, 21.5]
    assert frame["cooler_id"].tolist() == ["007", "7"]
    assert frame["started_at"].iloc[0] == pd.Timestamp("2026-03-09 14:00", tz="UTC")
    sheet["E3"] = 400
    workbook.save(path)
    assert places(faults_of(path)) == {(3, "temperature_c", "400.0")}


def test_a_formula_without_its_value_is_a_fault_and_no_blank(book):
    workbook, sheet, path = book(sheet_rows())
    sheet["H3"] = "=700+800"
    workbook.save(path)
    (fault,) = faults_of(path)
    assert (fault.row, fault.value) == (3, "=700+800")


def test_the_sheet_must_be_clear(book):
    workbook, _, path = book(sheet_rows(), others=["notes"])
    workbook.save(path)
    assert "runs, notes" in faults_of(path)[0].fix
    assert "runs, notes" in faults_of(path, sheet="run")[0].fix
    assert len(read_results(path, sheet="runs")) == 2


def test_what_is_not_a_workbook_is_refused(put):
    assert "not an Excel workbook" in faults_of(put(WIDE, "runs.xlsx"))[0].message
    assert "save it as .xlsx" in faults_of(put(WIDE, "runs.ods"))[0].fix


def test_a_parquet_table_keeps_its_types(put, tmp_path):
    frame = read_results(put(NARROW)).assign(heat=[1.5, 2.5]).rename(columns={"fan_rpm": "Fan"})
    path = tmp_path / "runs.parquet"
    frame.to_parquet(path)
    again = read_results(path, {"Fan": "fan_rpm"})
    pd.testing.assert_frame_equal(again, frame.rename(columns={"Fan": "fan_rpm"}))
    assert "not a Parquet file" in faults_of(put(b"PAR1", "cut.parquet"))[0].message


def test_a_missing_file_is_the_standard_error(tmp_path):
    with pytest.raises(FileNotFoundError):
        read_results(tmp_path / "none.csv")


def test_a_table_without_any_mapping_shows_how_to_map(put):
    """Own headings and no columns=: the headings that go nowhere stand beside what lacks."""
    *lacking, last = faults_of(put(WIDE))
    assert {fault.column for fault in lacking} >= {"run", "sensor", "temperature_c"}
    assert last.column is None
    for heading in ("'Test'", "'Memory (°C)'", "'Remark'"):
        assert heading in last.message
    assert "columns={'your heading': 'temperature_c[memory]', …}" in last.fix
    # Extra columns beside a whole table are no fault.
    assert "Remark" in read_results(put(WIDE), HEADINGS)
    assert not any("no column" in f.message for f in faults_of(put(NARROW.replace("power_w,", ""))))


@pytest.mark.parametrize("slip", ["22O.4", "22O,4", "2 I0"])
def test_a_letter_for_a_figure_is_no_unit(put, slip):
    """Common slips of a typist: O for 0, I for 1."""
    (fault,) = faults_of(put(WIDE.replace(",221,", f',"{slip}",')), HEADINGS)
    assert (fault.row, fault.column, fault.value) == (3, "Power [W]", slip)
    assert fault.message.startswith("not a number")
    assert "unit" not in fault.message + fault.fix
