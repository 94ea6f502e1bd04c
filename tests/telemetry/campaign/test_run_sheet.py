"""Run sheets as people write them, read as a results table is."""

from __future__ import annotations

from datetime import UTC, datetime

import pandas as pd
import pytest

from thermcmp.errors import InputError
from thermcmp.telemetry.campaign.folder import reduce_logs
from thermcmp.telemetry.campaign.run_sheet import read_run_sheet

PARTS = {"file": "r1.csv", "run": "R1", "cooler_model": "Kühler", "board_model": "Quarz"}
#: What the sheet states because the log does not hold it.
STATED = {"power_w": "200.5", "noise_dba": "38.5"}


@pytest.fixture
def reduce(tmp_path, clean_run):
    """Reduce a log without power and noise, and without ambient where the sheet states it."""

    def run(sheet, *, ambient=True):
        missing = ["power_w", "noise_dba", *([] if ambient else ["ambient_c"])]
        folder = tmp_path / "logs"
        folder.mkdir()
        # The fan of the log is held; load follows from a column of its own.
        frame = clean_run()
        frame.assign(load_percent=100.0).drop(columns=missing).to_csv(
            folder / "r1.csv", index=False
        )
        return reduce_logs(folder, sheet, progress=False)

    return run


def written(path, row, sep=",", encoding="utf-8"):
    """Write a sheet of one row."""
    lines = [sep.join(row), sep.join(row.values())]
    path.write_bytes("\n".join([*lines, ""]).encode(encoding))
    return path


def checked_row(reduced):
    """Return the one result row, whose stated values are those of `STATED`."""
    assert reduced.refused.empty, str(reduced)
    (row,) = reduced.results.to_dict("records")
    assert row["power_w"] == pytest.approx(200.5)
    assert row["noise_dba"] == pytest.approx(38.5)
    assert row["cooler_model"] == "Kühler"
    return row


@pytest.mark.parametrize(
    ("sep", "encoding", "comma"),
    [
        (",", "utf-8-sig", False),
        (";", "utf-8", True),
        ("\t", "utf-8", True),
        ("|", "utf-8", False),
        (";", "cp1252", True),
        (",", "utf-16", False),
        (";", "utf-16-le", True),
    ],
)
def test_separator_encoding_and_decimal_mark_are_found(tmp_path, reduce, sep, encoding, comma):
    stated = {n: v.replace(".", ",") if comma else v for n, v in STATED.items()}
    checked_row(reduce(written(tmp_path / "runs.csv", PARTS | stated, sep, encoding)))


@pytest.mark.parametrize(
    "stated",
    [
        {"Power (W)": "200.5", "Noise (dB(A))": "38.5"},
        {"power_w [W]": "200.5", "noise_dba [dB(A)]": "38.5"},
        {"Power / mW": "200500", "Noise, dB(A)": "38.5"},
        {"power_w [kW]": "0.2005", "Noise dBA": "38.5"},
        {"power_w": "200.5 W", "noise_dba": "38.5 dB(A)"},
        {"power_w": "200500 mW", "Noise [dBA]": "38.5 dBA"},
    ],
)
def test_units_in_headings_and_cells_are_understood(tmp_path, reduce, stated):
    checked_row(reduce(written(tmp_path / "runs.csv", PARTS | stated, ";")))


@pytest.mark.parametrize(
    "stated",
    [{"Ambient (°F)": "69.8"}, {"ambient_c [°F]": "69.8"}, {"ambient_c": "69.8 °F"}],
)
@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
def test_an_ambient_in_fahrenheit_is_converted(tmp_path, reduce, stated, encoding):
    sheet = written(tmp_path / "runs.csv", PARTS | STATED | stated, ";", encoding)
    row = checked_row(reduce(sheet, ambient=False))
    assert row["ambient_c"] == pytest.approx(21.0)
    assert row["temperature_c"] == pytest.approx(76.0, abs=0.1)


def test_a_workbook_with_units_and_numbers(tmp_path, reduce):
    sheet = tmp_path / "runs.xlsx"
    row = PARTS | {"Power (W)": 200.5, "noise_dba": "38,5 dB(A)", "board_id": 7, "started_at":
                   datetime(2026, 3, 9, 14, 5)}  # fmt: skip
    pd.DataFrame([row]).to_excel(sheet, index=False)
    result = checked_row(reduce(sheet))
    assert result["board_id"] == "7"
    assert result["started_at"] == pd.Timestamp("2026-03-09T14:05", tz="UTC")


def test_free_columns_stay_as_written(tmp_path, reduce):
    # The board's power has a column, so that the socket's is the user's own.
    free = {"Pad lot": "0042", "paste [g]": "1,2", "remark": "new pads", "Power (kW)": "0,31"}
    row = checked_row(reduce(written(tmp_path / "runs.csv", PARTS | STATED | free, ";")))
    assert {name: row[name] for name in free} == free
    frame = pd.DataFrame([PARTS | STATED | {"new_pads": True}])
    assert read_run_sheet(frame)[0].values["new_pads"] == "True"


def test_an_offset_has_a_unit_of_its_own(tmp_path):
    stated = {"tachometer_file": "t.csv", "tachometer_offset_s [ms]": "1500", "meter_file": "none"}
    (run,) = read_run_sheet(written(tmp_path / "runs.csv", PARTS | stated))
    ((role, file, offset_s),) = [(log.role, log.file, log.offset_s) for log in run.instruments]
    assert (role, file, offset_s) == ("tachometer", "t.csv", 1.5)


@pytest.mark.parametrize(
    ("stated", "words"),
    [
        ({"power_w": "250 °C"}, "measures something else"),
        ({"Power (W)": "250 kW"}, "the heading 'W'"),
        ({"power_w": "1,730"}, "reads both as"),
        ({"power_w": "87.5", "noise_dba": "38,5"}, "both decimal marks"),
        ({"power_w [W]": "200", "Power_w [kW]": "0.2"}, "holds power_w already"),
    ],
)
def test_what_is_not_clear_is_refused_with_a_fix_that_can_be_done(tmp_path, stated, words):
    sheet = written(tmp_path / "runs.csv", PARTS | stated, ";")
    with pytest.raises(InputError, match=words) as caught:
        read_run_sheet(sheet)
    assert str(caught.value).startswith("This run sheet cannot be used:")
    assert "decimal=" not in str(caught.value)


def test_every_fault_is_named(tmp_path):
    sheet = tmp_path / "runs.csv"
    sheet.write_text(
        "file,run,cooler_model,board_model,ambient_c\n"
        "a.csv,R1,A,B,21.5\n"
        "a.csv,R1,A,B,warm\n"
        "b.csv,,A,,\n"
        ",,,,\n"
    )
    with pytest.raises(InputError) as caught:
        read_run_sheet(sheet)
    found = {(f.row, f.column) for f in caught.value.faults}
    assert found == {(3, "ambient_c"), (3, "run"), (4, "run"), (4, "board_model")}


def test_the_start_of_a_run_is_a_time():
    row = {"file": "a.csv", "run": "R1", "cooler_model": "A", "board_model": "B"}
    good = pd.DataFrame([row | {"started_at": "2026-03-09T14:05+01:00"}])
    assert read_run_sheet(good)[0].values["started_at"] == datetime(2026, 3, 9, 13, 5, tzinfo=UTC)
    with pytest.raises(InputError, match="ISO 8601"):
        read_run_sheet(pd.DataFrame([row | {"started_at": "this morning"}]))


def test_missing_columns(tmp_path):
    with pytest.raises(InputError, match="cooler_model"):
        read_run_sheet(pd.DataFrame([{"file": "a.csv", "run": "R1"}]))
    with pytest.raises(InputError, match="cannot be read"):
        read_run_sheet(tmp_path / "none.csv")


def test_ids_of_sheets_stay_text(tmp_path):
    row = {"file": "a.csv", "run": "007", "cooler_model": "A", "board_model": "1E5",
           "ambient_c": "21,5"}  # fmt: skip
    frame = pd.DataFrame([row])
    frame.to_csv(tmp_path / "runs.csv", index=False, sep=";")
    frame.to_excel(tmp_path / "runs.xlsx", index=False)
    for sheet in (frame, tmp_path / "runs.csv", tmp_path / "runs.xlsx"):
        values = read_run_sheet(sheet)[0].values
        assert values["run"] == "007"
        assert values["board_model"] == "1E5"
        assert values["ambient_c"] == 21.5
