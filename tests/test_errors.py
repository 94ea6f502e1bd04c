"""Hints name what is near, and nothing else."""

import pytest

from thermcmp.errors import Fault, InputError, closest


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
