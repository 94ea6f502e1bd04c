"""The report: one file, whole, self-contained, the same every time, readable by all."""

import base64
import dataclasses
import io
import re
import zipfile
from datetime import date
from html.parser import HTMLParser
from itertools import pairwise
from types import SimpleNamespace

import matplotlib as mpl
import pandas as pd
import pytest

import thermcmp as tc
from thermcmp import hooks
from thermcmp.errors import EngineError, InputError
from thermcmp.inference.diagnostics import Diagnostics
from thermcmp.reporting.document import report
from thermcmp.reporting.fit_names import fit_names
from thermcmp.reporting.page_tables import page_tables

#: Elements without an end tag (HTML Living Standard, section 13.1.2).
VOID = {"meta", "img", "br", "hr", "link", "input", "source"}


class Outline(HTMLParser):
    """Collects tags and attributes, and fails on a wrongly closed element."""

    def __init__(self):
        super().__init__()
        self.open, self.tags, self.words = [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, f"</{tag}> closes another element"

    def handle_data(self, data):
        self.words.append(data)

    def all(self, tag):
        return [attrs for name, attrs in self.tags if name == tag]


def outline(path):
    parsed = Outline()
    parsed.feed(path.read_text(encoding="utf-8"))
    parsed.close()
    assert parsed.open == []
    return parsed


@pytest.fixture(scope="module")
def page(answers, small_fit, tmp_path_factory):
    target = tmp_path_factory.mktemp("report") / "deep" / "page.html"
    return outline(report(answers, target, fit=small_fit))


def test_nothing_is_fetched(page):
    policy = next(a["content"] for a in page.all("meta") if "http-equiv" in a)
    assert "default-src 'none'" in policy
    for tag, attrs in page.tags:
        assert tag not in {"script", "link", "iframe", "object"}
        for name in ("src", "href"):
            assert attrs.get(name, "#").startswith(
                ("#", "data:image/svg+xml;base64,", "data:text/csv;base64,", "data:application/zip")
            )
    assert "url(" not in "".join(page.words)


def test_pictures_are_svg_with_words_for_those_who_do_not_see_them(page, answers):
    # Each figure has a version for narrow screens, of which the page shows one.
    images = [image for image in page.all("img") if image.get("class") != "narrow"]
    assert len(page.all("img")) == 2 * len(images)
    # Two more, folded away, say how far the fit can be trusted.
    assert len(images) == len(answers) + 2
    # The figure of the fix stands on the first screen.
    first = next(answer for answer in answers if answer.kind == "attribution")
    ordered = [first, *(answer for answer in answers if answer is not first)]
    for image, answer in zip(images, ordered, strict=False):
        svg = base64.b64decode(image["src"].partition(",")[2]).decode("utf-8")
        assert svg.startswith("<?xml")
        assert answer.title in image["alt"]
        assert answer.sentences[0] in image["alt"]


def test_headings_go_down_one_step_at_a_time(page):
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_tables_can_be_read_aloud(page):
    assert page.all("html")[0]["lang"] == "en"
    assert all(attrs.get("scope") in {"col", "row"} for attrs in page.all("th"))
    assert len(page.all("caption")) == len(page.all("table")) >= 5
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    targets = {attrs["href"][1:] for attrs in page.all("a") if attrs["href"].startswith("#")}
    assert targets <= set(ids)


def test_words_are_escaped_and_intervals_named(page):
    text = "".join(page.words)
    assert "Separation of <memory> & more" in text
    labels = [a["aria-label"] for _, a in page.tags if "aria-label" in a]
    assert "Table: Separation of <memory> & more" in labels
    # A landmark's name is its own (axe-core, rule landmark-unique).
    assert len(labels) == len(set(labels))
    # "In short" has ranges too, above every table.
    assert text.index("Ranges in brackets: 90% equal-tailed intervals.") < text.index("Factor")
    assert "memory" not in {tag for tag, _ in page.tags}


def test_many_sentences_are_folded_away_and_none_is_lost(separation, tmp_path):
    said = tuple(f"Sentence number {number}." for number in range(20))
    many = dataclasses.replace(separation, sentences=said, caveats=said)
    page = outline(report(many, tmp_path / "p.html"))
    text = "".join(page.words)
    assert len(page.all("details")) == 1
    assert "And 12 more" in text
    assert all(text.count(sentence) >= 2 for sentence in said)


def test_a_caveat_of_several_answers_stands_open_once(separation, ranking, tmp_path):
    """Eight times "Run R219 is 1.2 K cooler" hides what is new; none is lost all the same."""
    shared, own = "Run R7 is 2 K hotter. Fix: run it again.", "Only of the ranking. Fix: add a run."
    first = dataclasses.replace(separation, caveats=(shared,))
    second = dataclasses.replace(ranking, caveats=(own, shared))
    path = report([first, second], tmp_path / "p.html")
    text = path.read_text(encoding="utf-8")
    summary, _, text = text.partition("Appendix: all numbers")
    assert summary.count("Run R7 is 2 K hotter.") == 1
    assert (text.count(shared), text.count(own)) == (1, 1)
    assert f'<li id="caveat-1" value="1">{shared}</li>' in text
    assert 'Limits as above: <a href="#caveat-1">1</a>.' in text
    assert text.index(shared) < text.index(own)


def test_what_stands_among_the_things_to_look_at_is_not_said_again(ranking, tmp_path):
    odd = "Cards of one batch were tested."
    path = report([dataclasses.replace(ranking, caveats=(odd,))], tmp_path / "p.html")
    text = path.read_text(encoding="utf-8")
    assert text.count(odd) == 1
    assert text.index(odd) < text.index("Appendix: all numbers")
    assert 'Limited by one of the <a href="#things">things to look at</a>.' in text


def csv_files(page):
    """The tables that the page carries as files and in archives, by name."""
    held = {a["download"]: a["href"].partition(",")[2] for a in page.all("a") if "download" in a}
    files = {name: base64.b64decode(content) for name, content in held.items()}
    for name in [name for name in files if name.endswith(".zip")]:
        with zipfile.ZipFile(io.BytesIO(files.pop(name))) as archive:
            files |= {
                f"{name[:-4]}/{inside}": archive.read(inside) for inside in archive.namelist()
            }
    return {
        name: pd.read_csv(io.BytesIO(content), keep_default_na=False)
        for name, content in files.items()
    }


def test_all_numbers_of_a_fit_and_its_checks_are_files_in_the_page(page, small_fit):
    files = csv_files(page)
    priors = small_fit.priors.table
    assert list(files["memory-fit/priors.csv"].columns) == list(priors.columns)
    parameters = files["memory-fit/parameters.csv"]
    assert list(parameters["parameter"]) == list(small_fit.table["parameter"])
    assert parameters["mean"].astype(float).to_numpy() == pytest.approx(
        small_fit.table["mean"].to_numpy(float), rel=1e-12
    )
    assert {"memory-fit/checks-of-the-calculation.csv",
            "memory-fit/effects-without-one-assembly.csv"} <= set(files)  # fmt: skip


def test_rows_and_columns_that_the_page_leaves_out_are_in_the_answers_file(small_fit, tmp_path):
    answer = tc.attribute(small_fit, "Alder r1 / fw 1", "Alder r2 / fw 2")
    page = outline(report(answer, tmp_path / "p.html"))
    text, files = "".join(page.words), csv_files(page)
    whole = files["attribution-whole-table.csv"]
    assert list(whole.columns) == list(answer.table.columns)
    assert list(whole["part"]) == list(answer.table["part"])
    assert whole["mean_k"].to_numpy() == pytest.approx(answer.table["mean_k"].to_numpy(), rel=1e-12)
    # Differences between the corners, which have a table of their own.
    assert "firmware, on the old hardware" not in text
    assert "The four corners" in text
    for word in ("Prior influence", "Aliased", "Pareto"):
        assert word not in text


def test_a_fix_on_several_sensors_has_a_column_for_each(pair, tmp_path):
    answer = tc.attribute_sensors(pair, "Alder r1 / fw 1", "Alder r2 / fw 2")
    table = next(iter(page_tables(answer).values()))
    assert table.headings[:3] == ("Part", "Memory (range) [K]", "Junction (range) [K]")
    rows = {row[0].text: row for row in table.rows}
    assert len(rows) == len(table.rows)
    for _, row in answer.table[answer.table["part"] == "hardware"].iterrows():
        cell = rows["hardware"][1 + ["memory", "junction"].index(row["sensor"])]
        assert cell.text.startswith(f"{row['mean_k']:.1f}".replace("-", "\N{MINUS SIGN}"))


def test_a_sentence_that_repeats_its_row_is_left_to_the_table(small_fit, tmp_path):
    answer = tc.separate(small_fit)
    repeated = [s for s in answer.sentences if s not in answer.beyond_table]
    assert repeated and answer.beyond_table
    text = "".join(outline(report(answer, tmp_path / "p.html")).words)
    appendix = text.partition("Appendix: all numbers")[2]
    assert not any(sentence in appendix for sentence in repeated)
    for sentence in answer.beyond_table:
        numbers = re.findall(r"\d+\.\d+", sentence)
        assert sentence in appendix or (numbers and all(number in text for number in numbers))
    assert "Alder-C2 − Alder-C1" in appendix


def test_answers_of_one_kind_are_told_apart_in_the_contents(separation, ranking, tmp_path):
    other = dataclasses.replace(separation, title="Another separation")
    page = outline(report([separation, other, ranking], tmp_path / "p.html"))
    text = "".join(page.words)
    assert text.count("Another separation") >= 2
    assert "Ranking" in text


def test_data_health_and_cautions_are_shown(page, small_fit):
    text = "".join(page.words)
    for heading in ("Health of the memory fit", "What the data cannot separate"):
        assert heading in text
    for shown in (small_fit.fingerprint, "Safety at the bench", "numpy 2", "cannot be separated"):
        assert shown in text
    assert "Health not shown" not in text


def test_same_input_gives_same_bytes_whatever_the_settings(separation, small_fit, tmp_path):
    first = report(separation, tmp_path / "a.html", fit=small_fit).read_bytes()
    with mpl.rc_context({"font.size": 21, "axes.facecolor": "black", "svg.fonttype": "none"}):
        inside = mpl.rcParams["font.size"]
        second = report(separation, tmp_path / "b.html", fit=small_fit).read_bytes()
        assert mpl.rcParams["font.size"] == inside
    assert first == second


def test_a_date_and_a_title_are_shown_when_given(separation, tmp_path):
    page = outline(report(separation, tmp_path / "p.html", title="T & U", dated=date(2031, 3, 5)))
    text = "".join(page.words)
    assert "T & U" in text
    assert "2031-03-05" in text
    assert "Health not shown" in text, "answers without a fit say so"


def test_a_fit_alone_is_asked_its_usual_questions(small_fit, tmp_path):
    page = outline(report(small_fit, tmp_path / "p.html"))
    text = "".join(page.words)
    assert len(page.all("figure")) >= 2
    assert "Alder-C2 − Alder-C1" in text
    assert "Health of the memory fit" in text


def test_fit_is_found_in_the_answers(separation, ranking, small_fit, tmp_path):
    known = [dataclasses.replace(a, fits=(small_fit,)) for a in (separation, ranking)]
    text = "".join(outline(report(known, tmp_path / "p.html")).words)
    assert text.count("Health of the memory fit") == 1


@pytest.fixture(scope="module")
def pair():
    rows = tc.simulate("revision study", seed=3, remounts=1).results
    return tc.fit_sensors(rows, ["memory", "junction"], seed=1)


def test_every_fit_that_an_answer_rests_on_is_checked_and_named(pair, small_fit, tmp_path):
    beside = tc.attribute_sensors(pair, "Alder r1 / fw 1", "Alder r2 / fw 2")
    assert beside.fits == tuple(pair.values())
    page = outline(report([tc.separate(small_fit), beside], tmp_path / "p.html", fit=small_fit))
    text = "".join(page.words)
    rows = len(small_fit.results)
    alone, joint = f"memory fit of {rows} rows alone", f"memory fit of {rows} rows with junction"
    for name in (alone, joint, "junction fit"):
        assert text.count(f"Figures of the {name}") == 1
    assert "Can these fits be trusted?" in text
    # What fits have in common is said once.
    assert text.count("numpy 2") == 1
    assert text.count("Campaigns simulated from the fit look like the measured one") <= 3
    # The junction's prior of the constant part is its own; the memory's is that of the fit alone.
    files = csv_files(page)
    priors = [frame for name, frame in files.items() if name.endswith("/priors.csv")]
    assert len(priors) == 3
    assert priors[0].equals(priors[1]) and not priors[1].equals(priors[2])
    # Two figures of the answers, two of the checks of each fit, which are folded.
    assert len(page.all("img")) == 2 * (2 + 2 * 3)
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))


def test_the_health_of_fits_is_said_together_where_it_is_the_same(pair, small_fit, tmp_path):
    bad = dataclasses.replace(pair["junction"], diagnostics=Diagnostics(()))
    answers = [tc.separate(one) for one in (small_fit, pair["junction"])]
    healthy = "".join(outline(report(answers, tmp_path / "p.html")).words)
    assert "Health of the memory fit, of the junction fit: ok." in healthy
    answers = [answers[0], dataclasses.replace(answers[1], fits=(bad,))]
    with pytest.raises(EngineError, match="failed: junction fit"):
        report(answers, tmp_path / "q.html")
    mixed = "".join(outline(report(answers, tmp_path / "q.html", allow_bad_health=True)).words)
    assert "Health of the memory fit: ok." in mixed
    assert "Health of the junction fit: bad." in mixed


def test_a_margin_rests_on_the_control_sensors_fit_too(pair):
    fan = tc.FanCurve((40.0, 90.0), (1000.0, 3000.0))
    firmware = tc.Firmware(name="fw 1", fan=fan, control_sensor="junction")
    both = {"firmware": {"fw 1": firmware}, "control": pair["junction"]}
    model, build = pair["memory"], "Alder r1 / fw 1"
    assert tc.margin(model, build, limit_c=100.0, **both).fits == tuple(pair.values())
    assert tc.margin(model, build, limit_c=100.0).fits == (model,)
    assert tc.attribute(model, build, "Alder r2 / fw 2", **both).fits == tuple(pair.values())


def stand_in(sensor, rows, products=("Alder r1",), beside=(), engine="conditional"):
    names = [products[place % len(products)] for place in range(rows)]
    design = SimpleNamespace(rows=pd.DataFrame({"product": names}))
    return SimpleNamespace(sensor=sensor, design=design, fitted_with=beside, engine=engine)


def test_fits_are_named_as_shortly_as_tells_them_apart():
    memory, junction = stand_in("memory", 8), stand_in("junction", 8)
    assert fit_names([]) == ()
    assert fit_names([memory, junction]) == ("memory fit", "junction fit")
    assert fit_names([memory, stand_in("memory", 9), junction]) == (
        "memory fit of 8 rows", "memory fit of 9 rows", "junction fit",
    )  # fmt: skip
    assert fit_names([memory, stand_in("memory", 8, engine="nuts")]) == (
        "memory fit of 8 rows alone by conditional", "memory fit of 8 rows alone by nuts",
    )  # fmt: skip
    twins = fit_names([memory, stand_in("memory", 8)])
    assert [name.rpartition(", ")[2] for name in twins] == ["no. 1", "no. 2"]


def test_a_failed_health_check_is_refused_unless_allowed(separation, small_fit, tmp_path):
    bad = dataclasses.replace(small_fit, diagnostics=Diagnostics(()))
    target = tmp_path / "p.html"
    with pytest.raises(EngineError, match="allow_bad_health"):
        report(separation, target, fit=bad)
    assert not target.exists()
    text = "".join(outline(report(separation, target, fit=bad, allow_bad_health=True)).words)
    assert "The health check failed." in text


def test_allowing_bad_health_says_nothing_of_a_good_fit(separation, small_fit, tmp_path):
    path = report(separation, tmp_path / "p.html", fit=small_fit, allow_bad_health=True)
    assert "The health check failed." not in path.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("questions", "message"),
    [
        ([], "nothing to report"),
        (["x"], "item 0 is a str, not an answer"),
        (3, "item 0 is a int, not an answer"),
    ],
)
def test_what_is_no_answer_is_named(questions, message, tmp_path):
    with pytest.raises(InputError, match=message):
        report(questions, tmp_path / "p.html")


def test_a_folder_is_no_file(separation, tmp_path):
    with pytest.raises(InputError, match="the path is a folder"):
        report(separation, tmp_path)


def test_a_write_that_fails_leaves_the_old_report_and_nothing_else(
    separation, tmp_path, monkeypatch
):
    target = tmp_path / "p.html"
    target.write_text("old", encoding="utf-8")

    def broken(descriptor):
        raise OSError("no space left")

    monkeypatch.setattr("thermcmp._files.os.fsync", broken)
    with pytest.raises(OSError, match="no space left"):
        report(separation, target)
    assert target.read_text(encoding="utf-8") == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["p.html"]


class TwoSections:
    """A plug-in with one good and one broken section."""

    @hooks.hookimpl
    def thermcmp_report_sections(self):
        return [
            hooks.Section("Broken part", lambda fit, answers: 1 / 0),
            hooks.Section("Good part", lambda fit, answers: f"<p>{len(answers)} answers</p>"),
        ]


def test_a_broken_section_is_named_and_takes_nothing_else_down(separation, small_fit, tmp_path):
    hooks.use_plugin(TwoSections(), name="two sections")
    try:
        page = outline(report([separation, separation], tmp_path / "p.html", fit=small_fit))
    finally:
        hooks.forget_plugin("two sections")
    text = "".join(page.words)
    assert "2 answers" in text
    assert "two sections" in text
    assert "ZeroDivisionError" in text
    assert "Alder-C2 runs the memory" in text
