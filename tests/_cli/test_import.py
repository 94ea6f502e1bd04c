"""From an own spreadsheet to a library: the map to edit, the questions and the list of faults."""

import csv
import json
import tomllib

import openpyxl
import pandas as pd
import pytest

import thermcmp as tc
from thermcmp.__main__ import main
from thermcmp._cli.job import demo_folder

HEAD = ["Test", "Cooler", "Board", "Mount", "Fitted by", "Date", "Fan rpm", "Power [W]", "Room °C",
        "VRAM °C", "Noise", "Note"]  # fmt: skip


def rows(first=0):
    return [
        [f"T{i:02}", f"Kestrel {1 + i % 2}", "Plover", f"M{i // 4}", "refitted", f"{1 + i}.3.2031",
         1500 + 30 * i, f"22{i % 7},5", 21.5, 84.5 + i / 10, 38.1, None]
        for i in range(first, first + 8)
    ]  # fmt: skip


def book(path, lines):
    workbook = openpyxl.Workbook()
    for line in (["Cooling runs"], [], HEAD, *lines):
        workbook.active.append(line)
    workbook.save(path)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder with a table and its map, in which one word's meaning is still open."""
    monkeypatch.chdir(tmp_path)
    # A mounting holds one cooler.
    book("runs.xlsx", [[*row[:3], f"{row[3]}-{row[1][-1]}", *row[4:]] for row in rows()])
    assert main(["columns", "runs.xlsx"]) == 0
    return tmp_path


IMPORT = ["import", "runs.xlsx", "--columns", "runs.toml", "--library", "bench"]
WORD = ["--word", "assembly_kind: refitted = bench"]


def test_the_map_holds_what_can_be_guessed_and_asks_the_rest(folder, capsys):
    text = (folder / "runs.toml").read_text(encoding="utf-8")
    written = tomllib.loads(text)
    assert written["header_row"] == 3
    assert written["dates"] == "%d.%m.%Y"
    assert written["columns"] == {
        "Test": "run", "Cooler": "cooler_model", "Board": "board_model", "Mount": "assembly",
        "Fitted by": "assembly_kind", "Date": "started_at", "Fan rpm": "fan_rpm",
        "Power [W]": "power_w", "Room °C": "ambient_c", "VRAM °C": "temperature_c[memory]",
        "Noise": "noise_dba",
    }  # fmt: skip
    assert written["words"] == {"assembly_kind": {"refitted": "?"}}
    assert '# "Note" = ""' in text
    assert "# B: Kestrel 1, Kestrel 2" in text
    assert main(["columns", "runs.xlsx"]) == 2
    assert "give --overwrite" in capsys.readouterr().err
    assert main(["columns", "runs.xlsx", "--overwrite"]) == 0


def test_an_open_word_is_a_question_and_its_answer_imports_the_table(folder, capsys):
    assert main(IMPORT) == 2
    said = capsys.readouterr().err
    assert "8 faults: not one of the allowed words" in said
    assert "'Fitted by' (E), value 'refitted' (8)" in said
    assert 'give --word "assembly_kind: your word = bench"' in said
    assert not (folder / "bench").exists()
    assert main([*IMPORT, *WORD]) == 0
    assert "8 rows of 8 runs were added to bench" in capsys.readouterr().out
    held = tc.Library("bench").results()
    assert set(held["product"]) == {"Kestrel 1 on Plover", "Kestrel 2 on Plover"}
    assert set(held["assembly_kind"]) == {"bench"}


def test_a_new_name_like_one_in_the_library_is_asked_about_before_it_is_a_model(folder, capsys):
    assert main([*IMPORT, *WORD]) == 0
    later = rows(first=20)
    for row in later:
        row[1], row[3] = "kestrel-2", "M9"
    book("runs.xlsx", later)
    assert main([*IMPORT, *WORD]) == 2
    said = capsys.readouterr().err
    assert "value 'kestrel-2': the name is much like 'Kestrel 2'" in said
    assert len(tc.Library("bench").results()) == 8
    assert '--word "cooler_model: kestrel-2 = Kestrel 2" if they are one' in said
    assert '--word "cooler_model: kestrel-2 = kestrel-2" if they are two' in said
    assert main([*IMPORT, *WORD, "--word", "cooler_model: kestrel-2 = Kestrel 2"]) == 0
    assert set(tc.Library("bench").results()["cooler_model"]) == {"Kestrel 1", "Kestrel 2"}


def test_a_name_stated_as_another_is_a_model_of_its_own(folder):
    lines = rows()
    lines[5][1] = "kestrel-2"
    book("runs.xlsx", [[*row[:3], row[0], *row[4:]] for row in lines])
    assert main([*IMPORT, *WORD]) == 2
    assert not (folder / "bench").exists()
    assert main([*IMPORT, *WORD, "--word", "cooler_model: kestrel-2 = kestrel-2"]) == 0
    assert "kestrel-2" in set(tc.Library("bench").results()["cooler_model"])


def test_the_map_settles_a_name_for_good(folder):
    assert main([*IMPORT, *WORD]) == 0
    later = rows(first=20)
    for row in later:
        row[1], row[3] = "Kestrel-2", "M9"
    book("runs.xlsx", later)
    with (folder / "runs.toml").open("a", encoding="utf-8") as file:
        file.write('[words.Cooler]\n"Kestrel-2" = "Kestrel-2"\n')
    assert main([*IMPORT, *WORD]) == 0
    assert "Kestrel-2" in set(tc.Library("bench").results()["cooler_model"])


def test_every_fault_goes_to_the_file_with_its_cell(folder, capsys):
    lines = rows()
    lines[2][9], lines[4][7] = "8l.5", None
    book("runs.xlsx", [[*row[:3], row[0], *row[4:]] for row in lines])
    assert main([*IMPORT, "--faults", "faults.csv"]) == 2
    with (folder / "faults.csv").open(encoding="utf-8-sig", newline="") as file:
        listed = list(csv.DictReader(file))
    assert len(listed) == 8 + 2
    assert {line["cell"] for line in listed} >= {"E4", "J6", "H8"}
    assert {line["value"] for line in listed} == {"refitted", "8l.5", ""}
    capsys.readouterr()
    # The same rows, left out: the file then lists what was left out.
    skip = [*IMPORT, *WORD, "--bad-rows", "skip", "--faults", "faults.csv"]
    assert main(skip) == 0
    captured = capsys.readouterr()
    assert "Note: runs.xlsx: 2 rows were left out" in captured.err
    assert "6 rows of 6 runs" in captured.out
    assert len(pd.read_csv(folder / "faults.csv")) == 2


def test_rows_are_picked_by_their_values(folder, capsys):
    assert main([*IMPORT, *WORD]) == 0
    capsys.readouterr()
    assert main(["fit", "--library", "bench", "--only", "power_w=999"]) == 2
    assert "no row has power_w=999 (--only)" in capsys.readouterr().err
    assert main(["fit", "--library", "bench", "--only", "colour=red"]) == 2
    assert "no such column" in capsys.readouterr().err


def test_options_go_before_the_map(folder):
    one = ["--decimal", "Power [W]=,", "--constant", "lab=north", "--dates", "%d.%m.%Y"]
    assert main([*IMPORT, *WORD, *one, "--header-row", "3", "--no-fill-merged"]) == 0
    held = tc.Library("bench").results()
    assert set(held["lab"]) == {"north"}
    assert held["power_w"].max() == 226.5


def test_a_run_is_corrected_withdrawn_and_looked_up(folder, capsys):
    library = ["--library", "bench"]
    assert main([*IMPORT, *WORD]) == 0
    row = ["T01", "Kestrel 2", "Plover", "M0-2", "refitted", "2.3.2031", 1530, "221,5", 21.5, 80.0,
           38.1, None]  # fmt: skip
    book("mend.xlsx", [row])
    reading = ["--columns", "runs.toml", *WORD, *library]
    assert main(["correct", "mend.xlsx", "--reason", "probe had slipped", *reading]) == 0
    assert main(["withdraw", "T02", "--reason", "pad missing", *library]) == 0
    capsys.readouterr()
    assert main(["history", "--run", "T01", *library, "--csv", "history.csv"]) == 0
    out = capsys.readouterr().out
    assert "probe had slipped" in out
    assert len(pd.read_csv(folder / "history.csv")) == 2
    held = tc.Library("bench").results().set_index("run")
    assert held.loc["T01", "temperature_c"] == 80.0
    assert held.loc["T02", "protocol_verdict"] == "refused"
    assert main(["verify", *library]) == 0
    assert capsys.readouterr().out == "The library is sound.\n"
    (stored,) = [p for p in (folder / "bench" / "results").iterdir() if p.stat().st_size][:1]
    stored.write_bytes(stored.read_bytes()[:-50])
    assert main(["verify", *library]) == 1
    assert capsys.readouterr().out.endswith("Damaged: 1.\n")
    assert main(["verify", "--repair", *library]) == 0


def test_an_undecided_date_leaves_the_choice(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    lines = [[*row[:5], f"0{1 + i}/03/2031", *row[6:]] for i, row in enumerate(rows())]
    book("runs.xlsx", lines)
    assert main(["columns", "runs.xlsx"]) == 0
    text = (tmp_path / "runs.toml").read_text(encoding="utf-8")
    assert "dates" not in tomllib.loads(text)
    assert '# dates = "%d/%m/%Y"' in text
    assert '# dates = "%m/%d/%Y"' in text


def test_the_headings_of_the_demo_are_all_guessed(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    table = demo_folder() / "campaign.csv"
    assert main(["columns", str(table)]) == 0
    written = tomllib.loads((tmp_path / "campaign.toml").read_text(encoding="utf-8"))
    stated = json.loads(table.with_name("columns.json").read_text(encoding="utf-8"))
    assert written["columns"] == stated
