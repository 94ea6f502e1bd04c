"""Hand-kept tables with faults of many kinds: what is said of them, and how they are mended."""

import warnings

import openpyxl
import pandas as pd
import pytest

from thermcmp.errors import InputError, ThermcmpWarning
from thermcmp.results.near_names import near_names
from thermcmp.results.reading_guide import Guide
from thermcmp.results.results_table import read_results

HEADINGS = (
    "Test no.", "Cooler", "Board", "Mount", "Who fitted it", "Day", "Fan rpm", "Power / W",
    "Room\n°C", "VRAM °C", "Hot spot °C", "dB(A)",
)  # fmt: skip
COLUMNS = dict(
    zip(
        HEADINGS,
        ("run", "cooler_model", "board_model", "assembly", "assembly_kind", "started_at", "fan_rpm",
         "power_w", "ambient_c", "temperature_c[memory]", "temperature_c[junction]", "noise_dba"),
        strict=True,
    )
)  # fmt: skip
WORDS = {"assembly_kind": {"remounted": "bench", "as delivered": "factory"}}
MENDS = {"words": WORDS, "dates": "%d.%m.%Y %H:%M", "fill_merged": True}
#: Row of the sheet with the first run.
FIRST = 5


def sound_rows(count=24):
    """Runs of four mountings of six runs each, in which commas stand among points."""
    return [
        [f"T{i:02}", f"Kestrel {1 + i // 6 % 2}", "Plover", f"M{i // 6}",
         "as delivered" if i < 12 else "Remounted", f"{4 + i // 6}.03.2031 {9 + i % 6:02}:00",
         1500 + 7 * i, f"22{i % 10},5", 21.5, 84.5 + i % 10 / 4, 95.1 + i % 10 / 4, 38.2]
        for i in range(count)
    ]  # fmt: skip


@pytest.fixture
def book(tmp_path):
    """Write rows below a title and a blank row, with the mounting's cells merged."""

    def write(rows, name="runs.xlsx"):
        workbook = openpyxl.Workbook()
        sheet = workbook.active
        for line in (["Cooling runs, spring"], ["ask before editing"], [], HEADINGS, *rows):
            sheet.append(line)
        sheet.merge_cells("A1:L1")
        for top in range(FIRST, FIRST + len(rows) - 5, 6):
            sheet.merge_cells(f"D{top}:D{top + 5}")
        path = tmp_path / name
        workbook.save(path)
        return path

    return write


def error_of(path, **options):
    with pytest.raises(InputError) as caught:
        read_results(path, COLUMNS, **options)
    return caught.value


def read(path, **options):
    return read_results(path, COLUMNS, **{**MENDS, **options})


def test_title_merged_cells_words_dates_and_marks_by_column_are_read(book):
    frame = read(book(sound_rows()))
    assert len(frame) == 48
    assert frame["assembly"].value_counts().tolist() == [12] * 4
    assert set(frame["assembly_kind"]) == {"factory", "bench"}
    assert frame["started_at"].iloc[-1] == pd.Timestamp("2031-03-07 14:00", tz="UTC")
    assert frame["power_w"].iloc[:2].tolist() == [220.5, 220.5]
    assert set(frame["product"]) == {"Kestrel 1 on Plover", "Kestrel 2 on Plover"}


def test_a_product_that_has_a_name_keeps_it(book):
    path = book(sound_rows())
    assert set(read(path, constants={"product": "Harrow"})["product"]) == {"Harrow"}


def test_faults_are_said_by_kind_with_their_number_and_their_cells(book):
    rows = sound_rows()
    rows[3][9] = "8l.5"
    error = error_of(book(rows))
    text = str(error)
    assert len(error.faults) == 4 + 24 + 24 + 1
    assert text.endswith("53 faults of 4 kinds")
    assert len(text.splitlines()) == 1 + 4 + 1
    # The lone slip is a line of its own among the many of other kinds.
    assert "row 8, column 'VRAM °C' (J), value '8l.5': not a number" in text
    assert "'Who fitted it' (E), values 'as delivered' (12), 'Remounted' (12), first in E5" in text
    assert "words={'assembly_kind': {'your word': 'bench'}}" in text
    assert "give dates='%d.%m.%Y %H:%M', or write it as ISO 8601" in text
    assert "'D5:D10' are merged cells" in text and "fill_merged=True" in text


def test_merged_cells_may_hold_for_the_first_row_alone(book):
    with pytest.warns(ThermcmpWarning, match="do not name it"):
        frame = read(book(sound_rows()), fill_merged=False)
    assert frame["assembly"].notna().sum() == 8


def test_merged_cells_are_a_question_also_where_bad_rows_are_left_out(book):
    path = book(sound_rows())
    faults = error_of(path, words=WORDS, dates=MENDS["dates"], bad_rows="skip").faults
    assert [fault.cell for fault in faults] == ["D5", "D11", "D17", "D23"]


def test_a_test_number_given_twice_is_said_once(book):
    rows = sound_rows()
    rows[7][0] = "T02"
    (fault,) = error_of(book(rows), **MENDS).faults
    assert (fault.row, fault.letter, fault.value) == (12, "A", "T02")
    assert "(row 7)" in fault.message, "the row that has the number already"


def test_a_total_below_the_table_is_one_fault(book):
    (fault,) = error_of(book([*sound_rows(), ["Mean", *[None] * 8, 84.9]]), **MENDS).faults
    assert fault.row == FIRST + 24
    assert "total" in fault.message


def test_a_date_that_may_be_two_is_asked_about(book):
    rows = sound_rows()
    for i, row in enumerate(rows):
        row[5] = f"0{1 + i % 9}/03/2031"
    fault = error_of(book(rows), words=WORDS, fill_merged=True).faults[0]
    assert "dates='%d/%m/%Y' or dates='%m/%d/%Y'" in fault.fix
    frame = read(book(rows), dates=["%m/%d/%Y"])
    assert frame["started_at"].iloc[2] == pd.Timestamp("2031-02-03", tz="UTC")


def test_bad_rows_are_left_out_and_listed(book):
    rows = sound_rows()
    rows[3][9], rows[5][7], rows[9][6] = "8l.5", None, "62 %"
    path = book([*rows, ["Mean", *[None] * 8, 84.9]])
    with pytest.warns(ThermcmpWarning, match="4 rows were left out") as caught:
        frame = read(path, bad_rows="skip")
    assert len(caught) == 1
    assert sorted(set(frame["run"])) == [row[0] for i, row in enumerate(rows) if i not in (3, 5, 9)]
    assert [(s["row"], s["letter"]) for s in frame.attrs["skipped"]] == [
        (8, "J"), (10, "H"), (14, "G"), (29, None),
    ]  # fmt: skip
    assert read(book(sound_rows()), bad_rows="skip").attrs["skipped"] == []


def test_rows_that_contradict_each_other_are_never_left_out(book):
    rows = sound_rows()
    rows[7][0] = "T02"
    (fault,) = error_of(book(rows), **MENDS, bad_rows="skip").faults
    assert fault.value == "T02"
    assert "bad_rows='skip'" in str(error_of(book(rows), **MENDS, bad_rows="ignore"))


def test_a_slip_in_a_name_is_asked_about_and_settled_either_way(book):
    rows = sound_rows()
    for row in rows[18:]:
        row[1] = "kestrel-2"
    path = book(rows)
    with pytest.warns(ThermcmpWarning, match=r"\(B\), value 'kestrel-2': .*'Kestrel 2'"):
        assert "kestrel-2" in set(read(path)["cooler_model"])
    one = {**WORDS, "cooler_model": {"kestrel-2": "Kestrel 2"}}
    assert set(read(path, words=one)["cooler_model"]) == {"Kestrel 1", "Kestrel 2"}
    two = {**WORDS, "cooler_model": {"kestrel-2": "kestrel-2"}}
    assert "kestrel-2" in set(read(path, words=two)["cooler_model"])


def test_a_slip_that_contradicts_other_rows_is_one_fault(book):
    """Not one for each good row that comes after it in the same mounting."""
    rows = sound_rows()
    rows[6][1] = "kestrel-2"
    (fault,) = error_of(book(rows), **MENDS).faults
    assert (fault.row, fault.value) == (11, "kestrel-2")
    assert "words={'cooler_model': {'kestrel-2': 'Kestrel 2'}} if they are one" in fault.fix


@pytest.mark.parametrize(
    ("new", "known", "asked"),
    [
        ("Kestrel-2", "Kestrel 2", True),
        ("kestrel-2", "Kestrel 1", True),
        ("Kestrél 2", "Kestrel 2", True),
        ("Kestral 2", "Kestrel 2", True),
        ("Kestrel 2", "Kestrel 1", False),
        ("Alder-B1", "Alder-C1", False),
        ("bench A", "bench B", False),
        ("fw 1.1", "fw 1.0", False),
        ("Linden", "Alder", False),
        ("Alder 2", "Alder", False),
        ("2-3", "2.4", False),
        ("+", "-", False),
    ],
)
def test_names_are_near_by_slips_and_not_by_numbers(new, known, asked):
    def frame(name):
        none = dict.fromkeys(
            ("sensor", "product", "board_model", "memory_vendor", "firmware", "lab", "bench")
        )
        return pd.DataFrame({**none, "cooler_model": [name]}, dtype="string")

    questions = list(near_names(frame(new), frame(known)))
    assert [q.value for q in questions] == ([new] if asked else [])
    assert list(near_names(frame(known), frame(known))) == []


def test_a_file_of_options_is_read_and_arguments_go_before_it(book, tmp_path):
    guide = tmp_path / "runs.toml"
    heads = "\n".join(f"{' '.join(k.split())!r} = {v!r}" for k, v in COLUMNS.items())
    guide.write_text(
        "dates = '%d.%m.%Y %H:%M'\nfill_merged = true\nheader_row = 4\ndecimal.'Power / W' = ','\n"
        f"[columns]\n{heads}\n[constants]\nlab = 'north'\n[words.assembly_kind]\n"
        "remounted = 'bench'\n'as delivered' = 'factory'\n",
        encoding="utf-8",
    )
    path = book(sound_rows())
    frame = read_results(path, guide)
    same = read(path, constants={"lab": "north"})
    pd.testing.assert_frame_equal(frame, same)
    assert set(read_results(path, guide, constants={"lab": "south"})["lab"]) == {"south"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("colums = 1", "did you mean 'columns'"),
        ("columns = 1", "no TOML object"),
        ("[columns]\na = 1", "not a name of a column"),
        ("[words]\na = 'b'", "not a table of words"),
        ("=", "no valid TOML"),
    ],
)
def test_what_is_wrong_with_the_file_of_options_is_said(tmp_path, text, words):
    path = tmp_path / "runs.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words):
        Guide.of(path)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"dates": "DD.MM.YYYY"}, "not a format of dates"),
        ({"dates": "%"}, "not a format of dates"),
        ({"words": {"assembly_kinds": {}}}, "did you mean 'assembly_kind'"),
        ({"decimal": {"Power/W": ","}}, "did you mean 'Power / W'"),
        ({"header_row": 3}, "row 3 is blank"),
    ],
)
def test_options_that_fit_nothing_are_refused(book, options, words):
    assert words in str(error_of(book(sound_rows()), **options))


def test_a_decimal_mark_of_one_column_may_be_stated(book):
    rows = sound_rows()
    for i, row in enumerate(rows):
        row[6], row[7], row[9] = f"1,{row[6] % 1000:03}", f"22{i % 3}.5", "84.5"
    path = book(rows)
    assert set(read(path, decimal={"Fan rpm": "."})["fan_rpm"]) == set(range(1500, 1668, 7))
    # A stray mark in a column is named by its cell, and stops no other column.
    rows[4][7] = "220,5"
    (fault,) = error_of(book(rows), **MENDS).faults
    assert (fault.row, fault.letter, fault.value) == (9, "H", "220,5")


def test_a_text_file_has_title_and_letters_too(tmp_path):
    path = tmp_path / "runs.csv"
    head = "run;sensor;cooler_model;board_model;temperature_c;ambient_c;power_w;;"
    path.write_text(
        f"Runs, spring\n\n{head}\nr1;memory;Alder;Quarz;84,5;21,5;220;;\n"
        "r2;memory;Alder;Quarz;hot;21,5;220;;\n",
        encoding="utf-8",
    )
    with pytest.raises(InputError) as caught:
        read_results(path)
    (fault,) = caught.value.faults
    assert (fault.row, fault.letter, fault.value) == (5, "E", "hot")


def test_a_sound_table_brings_no_question(book):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        read(book(sound_rows()))


def test_the_headings_of_columns_stand_below_those_of_groups(tmp_path):
    workbook = openpyxl.Workbook()
    sheet = workbook.active
    names = ["run", "cooler_model", "board_model", "ambient_c", "power_w"]
    mine = ["Number", "Heatsink", "PCB", "Air", "Watts"]
    for line in (["Cooling runs"], [*mine, "Temperatures", None], [*[None] * 5, "VRAM", "Edge"],
                 ["r1", "Alder", "Quarz", 21.5, 220.5, 84.5, 71.5]):  # fmt: skip
        sheet.append(line)
    sheet.merge_cells("F2:G2")
    for letter in "ABCDE":
        sheet.merge_cells(f"{letter}2:{letter}3")
    path = tmp_path / "runs.xlsx"
    workbook.save(path)
    sensors = {"VRAM": "temperature_c[memory]", "Edge": "temperature_c[edge]"}
    frame = read_results(path, {**dict(zip(mine, names, strict=True)), **sensors})
    assert frame["temperature_c"].tolist() == [84.5, 71.5]
    # Without a map the same row is found by its shape.
    with pytest.raises(
        InputError, match="'Number', 'Heatsink', 'PCB', 'Air', 'Watts', 'VRAM', 'Edge'"
    ):
        read_results(path)
