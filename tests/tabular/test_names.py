"""Names in one spelling each."""

import pytest

from thermcmp.tabular.names import look_alike, plain_name


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("  Alder  r1 ", "Alder r1"),
        ("Alder\u00a0r1", "Alder r1"),
        ("Alder\u2009r1\n", "Alder r1"),
        ("Alder\u200b r1\ufeff", "Alder r1"),
        ("\u202eAlder r1\u202c", "Alder r1"),
        ("Cafe\u0301", "Caf\u00e9"),
        ("Alder\nr1", "Alder r1"),
        ("Alder r1/#2", "Alder r1/#2"),
        ("\u200b", ""),
        ("log\udcff.csv", "log\\udcff.csv"),
    ],
)
def test_names_that_look_alike_are_one(typed, name):
    assert plain_name(typed) == name
    assert plain_name(name) == name


@pytest.mark.parametrize(
    "group",
    [
        ("Alder R1", "alder r1"),
        ("Alder-r1", "Alder\u2011r1"),
        ("Alder", "\u0410lder"),
        ("Corona", "C\u03bfrona"),
        ("Alder", "\uff21lder"),
    ],
)
def test_names_that_look_alike_are_found(group):
    assert look_alike([*group, "Linden", "Сосна"]) == [group]
