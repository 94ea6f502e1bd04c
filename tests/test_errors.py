"""Hints name what is near, and nothing else; names are shown as they are."""

import pandas as pd
import pytest
from plain_rows import plain_rows

from thermcmp import Library, read_results, reduce_logs
from thermcmp.errors import Fault, InputError, LibraryError, ThermcmpWarning, closest


@pytest.mark.parametrize(
    ("name", "known", "hint"),
    [
        ("sensr", ["sensor", "run"], "sensor"),
        ("cooler_model", ["cooler", "run"], "cooler"),
        ("Cooler", ["cooler_model"], "cooler_model"),
        ("lap", ["lab", "run"], "lab"),
        # A hint that sends the user to the wrong column is worse than none.
        ("power_w", ["lower", "upper"], None),
        ("memory_c", ["edge_c"], None),
        ("sensor", [], None),
    ],
)
def test_hints_are_near(name, known, hint):
    assert closest(name, known) == hint


def test_faults_of_a_kind_are_one_line_with_count_values_and_cells():
    many = [
        Fault("not a number ('O' behind '2')", "fix it", "t.csv", row, "Fan", f"2O{row % 2}", "C")
        for row in range(4, 12)
    ]
    lone = Fault("out of range", "check the unit", "t.csv", 9, "Air", "785", "D")
    lines = str(InputError("Bad:", [*many, lone])).splitlines()
    assert lines == [
        "Bad:",
        "  - 8 faults: not a number ('O' behind '2') (t.csv, column 'Fan' (C), values '2O0' (4), "
        "'2O1' (4), first in C4, C5, C6, C7, C8 and 3 more). Fix: fix it",
        "  - t.csv, row 9, column 'Air' (D), value '785': out of range. Fix: check the unit",
        "  9 faults of 2 kinds",
    ]


@pytest.mark.parametrize(
    ("message", "kind"),
    [
        ("run 'T1' has cooler_model 'Alder 2' in an earlier row (row 7)",
         "run … has cooler_model … in an earlier row (row …)"),
        ("a fan's duty is not its speed: give the tachometer's reading in rpm",
         "a fan's duty is not its speed: give the tachometer's reading in rpm"),
        ("reads both as 1500 and as 1.500, and nothing shows which",
         "reads both as … and as … and nothing shows which"),
    ],
)  # fmt: skip
def test_a_kind_is_the_message_without_its_values(message, kind):
    assert Fault(message, "mend it").kind == kind


def test_few_faults_of_a_kind_stay_lines_of_their_own():
    few = [Fault("out of range", "check the unit", row=row) for row in (1, 2, 3)]
    assert str(InputError("Bad:", few)).count("out of range") == 3


def test_no_more_than_25_kinds_are_printed_and_the_rest_is_counted():
    kinds = [Fault(f"wrong in the way of {chr(97 + i)}", "mend it") for i in range(26)]
    error = InputError("Bad:", kinds)
    assert len(error.faults) == 26
    assert str(error).splitlines()[-1] == "  … and 1 more (see the error's .faults)"


HOSTILE = {
    "newline": ("a\nb.csv", r"a\nb.csv"),
    "escape": ("a\x1b[31mb.csv", r"a\x1b[31mb.csv"),
    "bell": ("a\x07b.csv", r"a\x07b.csv"),
    "direction": ("a\u202egpj.csv", r"a\u202egpj.csv"),
    "zero width": ("a\u200bb.csv", r"a\u200bb.csv"),
    "line separator": ("a\u2028b.csv", r"a\u2028b.csv"),
    "not UTF-8": ("a\udcffb.csv", r"a\xffb.csv"),
    "of another alphabet": ("Kühler 冷却 🔥.csv", "Kühler 冷却 🔥.csv"),
}


@pytest.mark.parametrize(("name", "shown"), HOSTILE.values(), ids=HOSTILE)
def test_names_are_shown_so_that_a_terminal_cannot_be_moved(name, shown):
    places = [{"file": name}, {"column": name}, {"value": name}]
    for place in places:
        fault = Fault("wrong", "mend it", **place)
        assert shown in str(fault)
        for count in (1, 5):
            assert shown in str(InputError("These cannot be used:", [fault] * count))
    assert shown.replace(r"\n", "\n") in str(LibraryError(f"{name}: altered"))
    assert shown.replace(r"\n", "\n") in str(ThermcmpWarning(f"{name}: altered"))


@pytest.mark.parametrize("name", [n for n, _ in HOSTILE.values()], ids=HOSTILE)
def test_stray_files_of_such_names_are_reported_in_one_plain_line(name, tmp_path):
    (tmp_path / name).write_text("no log")
    parts = {"cooler_model": ["Heron-C1"], "board_model": ["Heron-B1"]}
    sheet = pd.DataFrame({"run": ["r1"], "file": ["absent.csv"], **parts})
    said = str(reduce_logs(tmp_path, sheet, progress=False))
    assert len(said.splitlines()) == 3
    library = Library(tmp_path / "bench")
    library.add(plain_rows(temperature_c=[70.0, 71.0]))
    (tmp_path / "bench" / "results" / name.replace(".csv", ".parquet")).write_bytes(b"stray")
    damages = "\n".join(map(str, library.verify()))
    with pytest.raises(LibraryError) as raised:
        library.results()
    with pytest.raises(InputError) as unread:
        read_results(tmp_path / name)
    for text in (said, damages, str(raised.value), str(unread.value)):
        assert text.replace("\n", "").isprintable()
        text.encode()
    assert len(damages.splitlines()) == 1
