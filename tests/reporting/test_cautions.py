"""Cautions and terms come with the words that call for them."""

import pytest

from thermcmp.reporting.cautions import CAUTIONS, Work, cautions_for
from thermcmp.reporting.glossary import TERMS, terms_used


@pytest.mark.parametrize(
    ("words", "works"),
    [
        ("Swap the coolers once.", {Work.TEARDOWN, Work.CLAMPING, Work.MAINS}),
        ("To separate them: test board B2.", {Work.TEARDOWN, Work.CLAMPING, Work.MAINS}),
        ("Check the clamping force.", {Work.CLAMPING, Work.MAINS}),
        ("The fan costs 4 dB(A).", {Work.FANS, Work.MAINS}),
        ("It runs at 95 °C.", {Work.HEAT, Work.MAINS}),
        ("Nothing to do.", set()),
    ],
)
def test_work_is_found_in_the_words(words, works):
    assert set(cautions_for([words])) == works


def test_every_kind_of_work_has_a_caution():
    assert {caution.work for caution in CAUTIONS} == set(Work)


def test_cautions_say_the_usual_things():
    text = " ".join(caution.text for caution in CAUTIONS).lower()
    for word in ("unplug", "discharge", "service instructions", "dies", "bend", "60 °c",
                 "warranty", "licensed", "local codes", "fans"):  # fmt: skip
        assert word in text


def test_terms_are_unique_sorted_and_found_by_their_own_names():
    names = [term.name for term in TERMS]
    assert names == sorted(set(names))
    for term in TERMS:
        found = terms_used(term.name.split(", "))
        assert term in found


def test_only_terms_that_occur_are_shown():
    assert [term.name for term in terms_used(["One assembly per session."])] == [
        "assembly", "session",
    ]  # fmt: skip
