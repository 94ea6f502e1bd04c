"""Names in one spelling each."""

import pytest

from thermcmp.tabular.names import differ_by_case, plain_name


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


def test_names_that_differ_by_case_are_found():
    assert differ_by_case(["Alder R1", "alder r1", "Linden"]) == [("Alder R1", "alder r1")]
