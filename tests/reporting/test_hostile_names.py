"""Names that would break out of the page, turn its text round, or have no letters in a font."""

import base64
import csv
import dataclasses
import html
import io
import re
import unicodedata

import pandas as pd
import pytest

from thermcmp.errors import ThermcmpWarning
from thermcmp.questions import letters
from thermcmp.questions.pictures import picture_uri
from thermcmp.reporting.document import report
from thermcmp.reporting.page import _file

HOSTILE = [
    '"><script>alert(1)</script>', "a' onerror='x", "../../etc/passwd", "first\nsecond",
    "=cmd|' /C calc'!A0", "Alder \u202egnp.exe", "A\u200bl\u2066der\u2069", "\ufeffAlder",
    "bell \x07 and \x00", "$\\frac{1$ and $x^$", "{{ 7 * 7 }}",
]  # fmt: skip


def with_name(answer, name):
    table = answer.table.copy()
    table["contrast"] = table["contrast"].astype(object)
    table.loc[table.index[0], "contrast"] = name
    return dataclasses.replace(
        answer, table=table, title=f"Effects of {name}", sentences=(f"{name} is cooler.",)
    )


@pytest.mark.parametrize("name", HOSTILE, ids=range(len(HOSTILE)))
def test_a_hostile_name_is_text_on_the_page(separation, tmp_path, name):
    text = report(with_name(separation, name), tmp_path / "page.html", title=name).read_text("utf8")
    signs = {sign for sign in text if unicodedata.category(sign) in ("Cc", "Cf", "Cs")}
    assert signs <= {"\n", "\u00ad"}
    assert "<script>alert" not in text
    assert "onerror='x" not in text
    assert "49" not in html.unescape(text).partition("<h1>")[2][:40]
    assert (tmp_path / "page.html").is_file()
    assert len(list(tmp_path.iterdir())) == 1


def test_a_title_that_is_no_unicode_is_shown_by_number(separation, tmp_path):
    page = report(separation, tmp_path / "page.html", title="lone \udce9")
    assert "<h1>lone [U+DCE9]</h1>" in page.read_text("utf8")


def svg(answer):
    return base64.b64decode(picture_uri(answer).partition(",")[2]).decode()


@pytest.fixture
def only_usual_fonts(monkeypatch):
    monkeypatch.setattr(letters, "_WIDER", ())
    monkeypatch.setattr(letters, "_installed", tuple)


@pytest.mark.usefixtures("only_usual_fonts")
def test_boxes_in_a_picture_are_named(separation, tmp_path):
    with pytest.warns(ThermcmpWarning, match="boxes for '冷却器🔥'"):
        with_name(separation, "冷却器 🔥").save_plot(tmp_path / "named.png")


@pytest.mark.filterwarnings("error")
@pytest.mark.usefixtures("only_usual_fonts")
def test_letters_without_a_font_stay_text_for_the_readers_browser(separation):
    named = with_name(separation, "冷却器 🔥")
    drawn = svg(named)
    assert re.search("<text[^>]*>[^<]*冷却器", drawn)
    assert "🔥" in drawn
    assert svg(named) == drawn
    assert "<text" not in svg(separation)


@pytest.mark.filterwarnings("error")
def test_letters_come_from_a_further_font_where_one_is_installed(separation, monkeypatch):
    only = letters._letters_of("STIXGeneral") - letters._letters_of("DejaVu Sans")
    letter = min(each for each in only if each.isalpha())
    for fonts in (("No such font", "STIXGeneral"), ()):
        # Also where its name is not among those that are looked for first.
        monkeypatch.setattr(letters, "_WIDER", fonts)
        assert "<text" not in svg(with_name(separation, f"Alder {letter}"))


@pytest.mark.parametrize("name", ["=cmd|' /C calc'!A0", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1"])
def test_no_cell_of_a_data_file_begins_like_a_formula(name):
    table = pd.DataFrame({name: [-1.5], "assembly": [name], "n": [-2]}, index=[name])
    (row,) = csv.DictReader(io.StringIO(data_text(table), newline=""))
    assert row["assembly"] == f"'{name}"
    assert f"'{name}" in row
    # Numbers stay numbers.
    assert (row[f"'{name}"], row["n"]) == ("-1.5", "-2")


def data_text(table):
    uri = _file("fit", "table", table).uri
    return base64.b64decode(uri.partition(",")[2]).decode()
