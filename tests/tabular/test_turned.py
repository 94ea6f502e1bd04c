"""Sheets with a column for each run are read as if they stood upright."""

import warnings

import openpyxl
import pytest

from thermcmp.errors import InputError
from thermcmp.results.column_template import HEADING_WORDS, column_template
from thermcmp.results.results_table import read_results
from thermcmp.tabular.grid import read_grid

HEADS = ["Test", "Cooler", "Board", "Fan (rpm)", "Board power (W)", "Air in (°C)", "Memory (°C)"]
COLUMNS = {
    "Test": "run", "Cooler": "cooler_model", "Board": "board_model", "Fan (rpm)": "fan_rpm",
    "Board power (W)": "power_w", "Air in (°C)": "ambient_c",
    "Memory (°C)": "temperature_c[memory]",
}  # fmt: skip
#: Invented runs.
RUNS = [
    [f"T{k}", "Kestrel" if k % 2 else "Merlin", "Plover", 1200 + 50 * k, 199.5 + k % 3, 21.5,
     80.0 - k % 7]
    for k in range(1, 13)
]  # fmt: skip


def on_its_side(runs=RUNS, title=True):
    lines = [[head, *(run[place] for run in runs)] for place, head in enumerate(HEADS)]
    return ([["Bench 2, in March"], []] if title else []) + lines


@pytest.fixture
def write(tmp_path):
    def as_text(lines, name="sheet.txt"):
        path = tmp_path / name
        text = "\n".join("\t".join(map(str, line)) for line in lines)
        path.write_text(text + "\n", encoding="utf-8")
        return path

    return as_text


def test_a_sheet_on_its_side_holds_what_the_upright_one_does(write):
    upright = read_results(write([HEADS, *RUNS], "upright.txt"), COLUMNS)
    for title in (True, False):
        turned = read_results(write(on_its_side(title=title)), COLUMNS)
        told = ["source_file", "source_sha256"]
        assert turned.drop(columns=told).equals(upright.drop(columns=told))


def test_a_workbook_on_its_side_is_read_with_its_merged_cells(tmp_path):
    book = openpyxl.Workbook()
    sheet = book.active
    for line in on_its_side():
        sheet.append(line)
    sheet.merge_cells("A1:M1")
    sheet.merge_cells("B5:M5")
    book.save(tmp_path / "sheet.xlsx")
    with pytest.raises(InputError, match="'B5:M5' are merged cells") as asked:
        read_results(tmp_path / "sheet.xlsx", COLUMNS)
    (fault,) = asked.value.faults
    assert fault.cell == "B5"
    rows = read_results(tmp_path / "sheet.xlsx", COLUMNS, fill_merged=True)
    assert set(rows["board_model"]) == {"Plover"}
    assert len(rows) == len(RUNS)


def test_faults_stand_at_the_cells_of_the_sheet(write):
    runs = [list(run) for run in RUNS]
    runs[2][3], runs[4][6], runs[7][0] = "fast", "62±1", "T7"
    with pytest.raises(InputError) as refused:
        read_results(write(on_its_side(runs)), COLUMNS)
    cells = {fault.cell: fault for fault in refused.value.faults}
    assert set(cells) == {"D6", "F9", "I3"}
    assert cells["D6"].column == "Fan (rpm)"
    assert "(column H)" in cells["I3"].message


def test_a_total_is_named_by_its_column(write):
    total = ["mean", "", "", "", "", "", "76.5"]
    with pytest.raises(InputError, match="column N: the row holds no run"):
        read_results(write(on_its_side([*RUNS, total])), COLUMNS)


def test_the_template_of_such_a_sheet_names_its_rows(write):
    text = column_template(write(on_its_side()))
    assert "a column for each run" in text
    assert "header_row" not in text
    assert '"Memory (°C)" = "temperature_c[memory]"  # row 9' in text


def test_an_upright_table_is_not_turned(write):
    """Names of runs may hold the words of headings."""
    runs = [[f"fan test {k}, card {k}", *run[1:]] for k, run in enumerate(RUNS)]
    runs[1][0], runs[2][0], runs[3][0] = "memory of board 1", "power at noise", "cooler in room"
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert not read_grid(write([HEADS, *runs]), set(COLUMNS), words=HEADING_WORDS).is_turned
    assert read_grid(write(on_its_side()), set(), words=HEADING_WORDS).is_turned
