"""Blocks of one sheet, as engineers keep them: a block of columns or of rows for each card."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest

import thermcmp as tc

_SIDE = (
    "Bench 1 week 9,,,,,,,,",
    "Test,Kestrel 1,,,,Kestrel 2,,,",
    ",VRAM [°C],Fan [rpm],Room [°C],Power [W],VRAM [°C],Fan [rpm],Room [°C],Power [W]",
    "1,81.5,1500,21.0,200,77.5,1510,21.2,201",
    "2,76.0,1800,21.1,200,72.5,1810,21.3,201",
    "3,72.0,2100,21.1,200,,,,",
)
_MAP = {
    "block": "cooler_model", "No": "run", "VRAM [°C]": "temperature_c[memory]",
    "Fan [rpm]": "fan_rpm", "Room [°C]": "ambient_c", "Power [W]": "power_w",
}  # fmt: skip


def _written(path: Path, lines: list[str] | tuple[str, ...]) -> Path:
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def _side(path: Path, **changed: str) -> Path:
    lines = list(_SIDE)
    lines[2] = "No" + lines[2]
    for number, line in changed.items():
        lines[int(number[1:]) - 1] = line
    return _written(path, lines)


def test_a_block_of_columns_for_each_card_is_read_with_its_name(tmp_path: Path) -> None:
    table = tc.read_results(_side(tmp_path / "a.csv"), _MAP, constants={"board_model": "Board A"})
    assert list(zip(table["run"], table["temperature_c"], strict=True)) == [
        ("Kestrel 1 1", 81.5), ("Kestrel 2 1", 77.5), ("Kestrel 1 2", 76.0),
        ("Kestrel 2 2", 72.5), ("Kestrel 1 3", 72.0),
    ]  # fmt: skip
    assert set(table.loc[table["fan_rpm"] > 1805, "cooler_model"]) == {"Kestrel 1", "Kestrel 2"}


def test_assemblies_that_are_numbered_alike_in_each_block_stay_two(tmp_path: Path) -> None:
    lines = [
        ",Kestrel 1,,,,,Kestrel 2,,,,",
        "No," + ",".join(["VRAM [°C],Fan [rpm],Room [°C],Power [W],Mount"] * 2),
        "1,81.5,1500,21.0,200,M1,77.5,1510,21.2,201,M1",
    ]
    columns = _MAP | {"Mount": "assembly"}
    file = _written(tmp_path / "a.csv", lines)
    table = tc.read_results(file, columns, constants={"board_model": "Board A"})
    assert list(table["assembly"]) == ["Kestrel 1 M1", "Kestrel 2 M1"]
    # Builds of firmware may be run on one assembly.
    as_firmware = tc.read_results(
        file,
        columns | {"block": "firmware"},
        constants={"board_model": "Board A", "cooler_model": "Kestrel"},
    )
    assert set(as_firmware["assembly"]) == {"M1"}


@pytest.mark.parametrize("word", ["Mean", "average:", "Mittel"])
def test_a_row_of_means_is_no_run_though_every_cell_is_full(tmp_path: Path, word: str) -> None:
    file = _side(tmp_path / "a.csv", r6=f"{word},79.0,1650,21,200,75.0,1660,21.2,201")
    constants = {"board_model": "Board A"}
    with pytest.raises(tc.InputError, match="holds no run"):
        tc.read_results(file, _MAP, constants=constants)
    with pytest.warns(tc.ThermcmpWarning, match="rows were left out"):
        assert len(tc.read_results(file, _MAP, constants=constants, bad_rows="skip")) == 4


def test_what_the_blocks_are_has_to_be_said(tmp_path: Path) -> None:
    columns = {name: to for name, to in _MAP.items() if name != "block"}
    with pytest.raises(tc.InputError, match="a block for each of 'Kestrel 1', 'Kestrel 2'"):
        tc.read_results(_side(tmp_path / "a.csv"), columns, constants={"board_model": "A"})


def test_faults_name_the_cell_of_their_own_block_and_skip_it_alone(tmp_path: Path) -> None:
    file = _side(tmp_path / "a.csv", r5="2,76.0,1800,21.1,200,72.5,18l0,21.3,201")
    constants = {"board_model": "Board A"}
    with pytest.raises(tc.InputError) as caught:
        tc.read_results(file, _MAP, constants=constants)
    assert [(f.row, f.letter) for f in caught.value.faults] == [(5, "G")]
    with pytest.warns(tc.ThermcmpWarning, match="1 row was left out"):
        table = tc.read_results(file, _MAP, constants=constants, bad_rows="skip")
    assert sorted(table["run"]) == ["Kestrel 1 1", "Kestrel 1 2", "Kestrel 1 3", "Kestrel 2 1"]


@pytest.mark.parametrize(
    "changed",
    [
        {"r2": "Test,Kestrel 1,,,,,,,"},  # one name for two blocks
        {"r2": "Test,Kestrel 1,,,,Kestrel 1,,,"},  # twice the same name
        {"r3": _SIDE[2].replace("VRAM [°C],Fan [rpm],Room", "Fan [rpm],VRAM [°C],Room", 1)},
    ],
)
def test_blocks_that_are_not_plain_are_refused(tmp_path: Path, changed: dict[str, str]) -> None:
    with pytest.raises(tc.InputError, match="two columns have this heading"):
        tc.read_results(_side(tmp_path / "a.csv", **changed), {}, header_row=3)


def test_a_remark_beside_blocks_is_refused_as_in_any_table(tmp_path: Path) -> None:
    file = _side(tmp_path / "a.csv", r6="fan cleaned,,,,,,,,")
    columns = _MAP | {"VRAM [°C]": "temperature_c"}
    constants = {"board_model": "Board A", "sensor": "memory"}
    with pytest.raises(tc.InputError, match="holds no run"):
        tc.read_results(file, columns, constants=constants)


def test_merged_names_above_blocks_with_a_gap_are_read_from_a_workbook(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Swap tests, cooler bench", *[None] * 9])
    sheet.append([None, "Kestrel 1", None, None, None, None, "Kestrel 2"])
    head = ["VRAM", "Fan", "Room", "Power"]
    sheet.append(["No", *head, None, *head, None, "Who"])
    units = ["°C", "rpm", "°C", "W"]
    sheet.append([None, *units, None, *units])
    sheet.append([1, 81.5, 1500, 21, 200, None, 77.5, 1510, 21, 201, None, "JK"])
    sheet.append([2, 76.0, 1800, 21, 200, None, 72.5, 1810, 21, 201, None, "JK"])
    for span in ("A1:L1", "B2:E2", "G2:J2"):
        sheet.merge_cells(span)
    file = tmp_path / "blocks.xlsx"
    book.save(file)
    columns = {
        "block": "cooler_model", "No": "run", "VRAM": "temperature_c[memory]",
        "Fan": "fan_rpm", "Room": "ambient_c", "Power": "power_w",
    }  # fmt: skip
    table = tc.read_results(file, columns, constants={"board_model": "Board A"})
    assert list(table["temperature_c"]) == [81.5, 77.5, 76.0, 72.5]
    assert list(table["Who"]) == ["JK"] * 4


def test_the_map_of_a_sheet_in_blocks_asks_what_they_are(tmp_path: Path) -> None:
    from thermcmp.results.column_template import column_template

    text = column_template(_side(tmp_path / "a.csv"))
    assert '"block" = "cooler_model"  # names of blocks: Kestrel 1, Kestrel 2' in text
    (tmp_path / "m.toml").write_text(text, encoding="utf-8")
    table = tc.read_results(
        tmp_path / "a.csv", tmp_path / "m.toml", constants={"board_model": "Board A"}
    )
    assert len(table) == 5


_BELOW = (
    "{first},,,,",
    "No,VRAM [°C],Fan [rpm],Room [°C],Power [W]",
    "1,81.5,1500,21.0,200",
    "2,76.0,1800,21.1,200",
    ",,,,",
    "{second},,,,",
    "No,VRAM [°C],Fan [rpm],Room [°C],Power [W]",
    "1,77.5,1510,21.2,201",
)


def test_tables_below_each_other_are_read_with_their_names(tmp_path: Path) -> None:
    lines = [line.format(first="Kestrel 1", second="Kestrel 2") for line in _BELOW]
    table = tc.read_results(
        _written(tmp_path / "b.csv", lines), _MAP, constants={"board_model": "Board A"}
    )
    assert list(table["cooler_model"]) == ["Kestrel 1", "Kestrel 1", "Kestrel 2"]
    assert list(table["run"]) == [
        "Kestrel 1 1", "Kestrel 1 2", "Kestrel 2 1",
    ]  # fmt: skip


def test_tables_of_which_one_has_no_name_are_refused(tmp_path: Path) -> None:
    lines = [line.format(first="Kestrel 1", second="Kestrel 2") for line in _BELOW][1:]
    with pytest.raises(tc.InputError):
        tc.read_results(
            _written(tmp_path / "b.csv", lines),
            {name: to for name, to in _MAP.items() if name != "block"},
            constants={"board_model": "Board A", "cooler_model": "Kestrel 1"},
        )


def test_headings_that_stand_again_on_a_further_page_are_no_run(tmp_path: Path) -> None:
    lines = [_BELOW[1], *_BELOW[2:4], _BELOW[1], "3,77.5,1510,21.2,201"]
    columns = {name: to for name, to in _MAP.items() if name != "block"}
    constants = {"board_model": "Board A", "cooler_model": "Kestrel 1"}
    table = tc.read_results(_written(tmp_path / "b.csv", lines), columns, constants=constants)
    assert list(table["run"]) == ["1", "2", "3"]
