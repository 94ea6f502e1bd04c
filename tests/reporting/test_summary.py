"""The first screen: one sentence, what to look at, and what would settle more."""

import dataclasses
import re
from types import SimpleNamespace

import pandas as pd
import pytest

import thermcmp as tc
from thermcmp.errors import InputError
from thermcmp.reporting.summary import first_lines, headline, proposed_runs, things_to_look_at

#: Names of columns, and words of the statistician.
NOT_A_READERS = re.compile(
    r"\b\w+_(?:model|id|k|c|rpm|dba|share|vendor)\b|order-free|prior|posterior|data_share|"
    r"over 99%",
    re.I,
)


@pytest.fixture(scope="module")
def fix(small_fit):
    return tc.attribute(small_fit, "Alder r1 / fw 1", "Alder r2 / fw 2")


def test_what_one_answer_said_is_not_repeated_by_the_next(fix, small_fit, tmp_path):
    beside = tc.attribute_sensors([small_fit], "Alder r1 / fw 1", "Alder r2 / fw 2")
    page = tc.report([fix, beside], tmp_path / "p.html", fit=small_fit).read_text("utf-8")
    summary = page.partition("Summary</h2>")[2].partition("Appendix: all numbers")[0]
    sentences = re.findall("<li>(.*?)</li>", summary)
    assert len(sentences) == len(set(sentences)) > 4


@pytest.fixture(scope="module")
def parts(small_fit):
    return tc.separate(small_fit)


def test_the_headline_has_equal_noise_its_noise_and_what_is_not_known(fix, parts):
    said = headline([parts, fix])
    assert said.startswith("At equal noise the hardware of Alder r2 / fw 2 runs ")
    assert re.search(r"is \d\.\d dB \([\d.]+ to [\d.]+\) louder", said)
    assert said.endswith("is not known.")
    assert "board Alder-B2 does against Alder-B1" in said
    assert said.count(". ") == 0, "one sentence"
    # The same numbers as in the answer itself.
    quiet = fix.table.set_index("part").loc["hardware, at equal noise"]
    assert f"{quiet['mean_k']:.1f} K ({quiet['low_k']:.1f} to {quiet['high_k']:.1f})" in said


def test_without_a_gap_the_headline_names_the_single_specimens(fix):
    assert "how other cards compare is not known, since only one was tested" in headline([fix])


def test_without_a_noise_reading_the_headline_says_so(fix):
    table = fix.table[fix.table["part"] != "hardware, at equal noise"]
    changes = fix.changes[fix.changes["quantity"] != "sound level"]
    said = headline([dataclasses.replace(fix, table=table, changes=changes)])
    assert said.startswith("How the hardware of Alder r2 / fw 2 compares")
    assert "by a noise that was not measured" in said


def test_without_a_fix_the_headline_is_the_rankings_or_the_first_finding(small_fit, parts):
    ranked = tc.rank(small_fit)
    assert "coolest of 2 products" in headline([parts, ranked])
    assert headline([parts]).startswith("With cooler Alder-C2 the memory")
    assert headline([]) == "Nothing can be said from these runs."


def test_first_screen_and_summary_are_in_a_readers_words(fix, parts, small_fit, tmp_path):
    ranked = tc.rank(small_fit)
    page = tc.report([fix, parts, ranked], tmp_path / "p.html", fit=small_fit).read_text("utf-8")
    summary = page.partition("<main>")[2].partition("Appendix: all numbers")[0]
    words = re.sub(r"<[^>]+>", " ", re.sub(r"<figure>.*?</figure>", "", summary, flags=re.S))
    assert not NOT_A_READERS.findall(words)
    assert 100 < len(words.split()) < 900
    order = [page.index(mark) for mark in ('class="headline"', "<figure>", "to look at", "<nav")]
    assert order == sorted(order)
    assert summary.count("<figure>") == 1


def test_what_is_no_readers_word_would_be_found():
    assert NOT_A_READERS.findall("cooler_model: order-free, over 99% prior")


def test_things_to_look_at_are_each_said_once(fix, parts, small_fit):
    severe = "The moon was in the wrong quarter."
    odd = dataclasses.replace(parts, caveats=(*parts.caveats, severe, severe))
    things = things_to_look_at([odd, odd], [small_fit, small_fit])
    assert things.count(severe) == 1
    assert len(things) == len(set(things))
    # An answer about several sensors says of each by name what its own fit says.
    found = "Run R9 strayed: look at its mount."
    fits = [dataclasses.replace(small_fit, findings=(found,))]
    named = dataclasses.replace(parts, caveats=(f"{small_fit.sensor.capitalize()}: {found}",))
    assert [thing for thing in things_to_look_at([named], fits) if "R9" in thing] == [found]
    reduced = SimpleNamespace(
        refused=pd.DataFrame({"run": ["R1", "R1", "R2"]}), cautions=("A clock was off.",)
    )
    with_logs = things_to_look_at([fix], [], reduced)
    assert with_logs[-2:] == ("2 runs were refused and not used: R1 and R2.", "A clock was off.")
    lines = first_lines([fix], (), reduced)
    assert lines[0] == headline([fix])
    assert lines[1] == f"{len(with_logs)} things to look at:"


def test_the_swap_that_would_settle_more_is_proposed_without_code(fix, parts):
    runs = proposed_runs([fix, parts, parts])
    assert "Test cooler Alder-C1 on board Alder-B1 with memory from Sable." in runs
    assert len(runs) == len(set(runs)) <= 6
    odd = dataclasses.replace(parts, sentences=(), caveats=("So it is. Fix: give firmware=.",))
    assert proposed_runs([odd]) == ()


def test_remarks_stand_in_the_summary(parts, tmp_path):
    page = tc.report(parts, tmp_path / "p.html", remarks=["Bench A was <moved>."])
    summary = page.read_text("utf-8").partition("Appendix: all numbers")[0]
    assert "<p>Bench A was &lt;moved&gt;.</p>" in summary


@pytest.mark.parametrize("name", ["x.pdf", "x.docx", "x.PDF"])
def test_a_report_of_another_kind_is_refused_with_the_way_out(parts, tmp_path, name):
    with pytest.raises(InputError, match=r"end it in \.html"):
        tc.report(parts, tmp_path / name)
    assert list(tmp_path.iterdir()) == []
