"""What every answer can do: print, draw, be read, copied and stored."""

import copy
import dataclasses
import pickle

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from thermcmp.inference.diagnostics import Check, Diagnostics, Health
from thermcmp.model.conditions import Conditions
from thermcmp.questions.answer import Answer
from thermcmp.questions.attribution.question import attribute
from thermcmp.questions.limit_margin.question import margin
from thermcmp.questions.ranking.question import Ranking, rank
from thermcmp.questions.separation.question import separate
from thermcmp.reporting.default_answers import default_questions

OLD, NEW = "Alder r1 / fw 1", "Alder r2 / fw 2"


@pytest.fixture(scope="module")
def answers(aliased):
    return {
        "separation": separate(aliased.fit, prob=0.8),
        "attribution": attribute(aliased.fit, OLD, NEW),
        "ranking": rank(aliased.fit),
        "margin": margin(aliased.fit, OLD, limit_c=105.0, ambient_c=35.0),
    }


@pytest.fixture(params=["separation", "attribution", "ranking", "margin"])
def answer(request, answers):
    return answers[request.param]


def nothing(answer, ax):
    """Draw nothing."""


def made(**changes):
    values = {
        "kind": "separation",
        "title": "Fins & <pads>",
        "table": pd.DataFrame({"factor": ["<b>pads</b>"], "mean_k": [np.nan], "low_k": [-1.234]}),
        "draws": xr.Dataset(),
        "sentences": ("Cooler < board & so on.",),
        "caveats": ("<script>alert(1)</script>",),
        "prob": 0.9,
        "draw_figure": nothing,
    }
    return Answer(**(values | changes))


def test_it_prints_title_interval_table_sentences_and_caveats(answer):
    text = str(answer)
    assert text.startswith(f"{answer.title} ({answer.interval_words})")
    for column in answer.table.columns:
        assert column in text
    for sentence in answer.sentences:
        assert sentence in text
    for caveat in answer.caveats:
        assert f"Caveat: {caveat}" in text


def test_the_intervals_probability_and_kind_are_stated(answers):
    assert answers["separation"].interval_words == "80% equal-tailed intervals"
    assert answers["margin"].interval_words == "90% equal-tailed intervals"
    assert "80% equal-tailed intervals" in answers["separation"]._repr_html_()


def test_what_is_not_estimable_prints_as_a_dash():
    last = str(made()).splitlines()[2]
    assert "–" in last
    assert "nan" not in last.lower()
    assert "−1.2" in last


def test_html_escapes_every_word():
    page = made()._repr_html_()
    assert "<h4>Fins &amp; &lt;pads&gt;</h4>" in page
    assert "&lt;b&gt;pads&lt;/b&gt;" in page
    assert "Cooler &lt; board &amp; so on." in page
    assert "&lt;script&gt;" in page
    assert "<script>" not in page
    assert "<b>pads" not in page


def test_html_holds_the_table_and_the_words(answer):
    page = answer._repr_html_()
    tables = [answer.table, *answer.further_tables.values()]
    assert page.count("<table") == len(tables)
    assert page.count("<li>") == len(answer.caveats)
    assert page.count("<tr") == sum(len(table) + 1 for table in tables)


def test_without_caveats_there_is_no_empty_list():
    assert "<ul>" not in made(caveats=())._repr_html_()


def test_a_figure_of_its_own_or_on_given_axes(answer):
    ax = answer.plot()
    assert isinstance(ax, Axes)
    given = Figure().subplots()
    assert answer.plot(given) is given
    for one in (ax, given):
        one.figure.canvas.draw()
        assert one.get_title(loc="left") or one.get_title()


def drawn_points(ax):
    """All finite coordinates of the lines and of the line collections on the axes."""
    points = [line.get_xydata() for line in ax.lines]
    points += [segment for item in ax.collections for segment in item.get_paths()]
    flat = [np.asarray(p.vertices if hasattr(p, "vertices") else p, float) for p in points]
    return np.vstack([p for p in flat if p.size])


@pytest.mark.parametrize("kind", ["separation", "ranking"])
def test_points_and_interval_ends_on_the_figure_are_the_tables(answers, kind):
    answer = answers[kind]
    unit = "c" if kind == "ranking" else "k"
    points = drawn_points(answer.plot())
    for place, row in answer.table.reset_index(drop=True).iterrows():
        near = points[np.abs(points[:, 1] - place) < 0.2, 0]
        # A withheld row has a range and no point.
        for end in ("mean", "low", "high")[int(np.isnan(row[f"mean_{unit}"])) :]:
            gap = np.nanmin(np.abs(near - row[f"{end}_{unit}"]))
            assert gap < 1e-9, f"{end} of row {place}"


def test_the_margins_line_is_the_tables(answers):
    answer = answers["margin"]
    lines = [line.get_xydata() for line in answer.plot().lines]
    wanted = answer.table[["ambient_c", "mean_c"]].to_numpy(float)
    assert any(line.shape == wanted.shape and np.allclose(line, wanted) for line in lines)


def test_the_attributions_bars_are_its_parts(answers):
    answer = answers["attribution"]
    bars = [patch.get_width() for patch in answer.plot().patches]
    table = answer.table.set_index("part")["mean_k"]
    wanted = table[
        ["hardware", "firmware: fan speed", "firmware: power", "firmware: direct", "total"]
    ]
    assert np.abs(bars) == pytest.approx(np.abs(wanted.to_numpy()))


def test_an_answer_does_not_change(answer):
    with pytest.raises(dataclasses.FrozenInstanceError):
        answer.title = "another"
    with pytest.raises((AttributeError, TypeError)):
        answer.verdict = "another"


def test_the_questions_own_values_read_as_attributes(answers):
    assert 0.0 <= answers["margin"].p_exceed <= 1.0
    assert set(answers["attribution"].settings) == {OLD, NEW}
    assert isinstance(answers["ranking"], Ranking)
    assert answers["ranking"].conditions == Conditions()
    assert (answers["separation"].scope, answers["separation"].matters_k) == ("specimens", 1.0)
    with pytest.raises(AttributeError, match="'p_exeed'"):
        answers["margin"].p_exeed  # noqa: B018 - the access is what is tested
    assert not hasattr(answers["margin"], "_repr_latex_")


def test_the_health_is_the_worst_of_the_fits(answers, aliased):
    fits = [
        dataclasses.replace(aliased.fit, diagnostics=Diagnostics((Check("R-hat", 1, "", status),)))
        for status in (Health.OK, Health.BAD, Health.CAUTION)
    ]
    assert answers["separation"].health == "ok"
    assert made(fits=tuple(fits)).health == "bad"
    assert made(fits=(fits[2], fits[0])).health == "caution"
    assert made().health == ""


def test_rows_beyond_those_shown_are_counted():
    table = pd.DataFrame({"factor": list("abc"), "mean_k": [1.0, 2.0, 3.0]})
    few = made(table=table, shown_rows=(2,))
    assert "3.0" in str(few)
    assert "1.0" not in str(few)
    for text in (str(few), few._repr_html_()):
        assert "2 more rows in the answer" in text
    assert "more row" not in str(made(table=table))


@pytest.mark.parametrize(
    "again", [copy.copy, copy.deepcopy, lambda a: pickle.loads(pickle.dumps(a))]
)
def test_copies_say_the_same(answer, again):
    other = again(answer)
    assert other is not answer
    assert str(other) == str(answer)
    assert other.draws.equals(answer.draws)
    for field in dataclasses.fields(answer):
        assert type(getattr(other, field.name)) is type(getattr(answer, field.name))
    assert isinstance(other.plot(), Axes)


def test_one_field_can_be_replaced(answer):
    other = dataclasses.replace(answer, title="another")
    assert other.title == "another"
    assert other.table is answer.table


def test_a_half_built_answer_has_no_attributes_and_does_not_recurse():
    empty = object.__new__(Answer)
    with pytest.raises(AttributeError):
        empty.table  # noqa: B018 - the access is what is tested
    with pytest.raises(AttributeError):
        empty.p_exceed  # noqa: B018 - the access is what is tested


def test_draws_have_a_draw_dimension_and_the_tables_names(answers):
    for name, coordinate, column in (
        ("attribution", "part", "part"),
        ("ranking", "product", "product"),
    ):
        draws = answers[name].draws
        assert draws.sizes["draw"] == 2000
        assert list(draws[coordinate].to_numpy()) == list(answers[name].table[column])


def test_health_is_said_of_every_row(answer):
    assert answer.table["health"].str.len().min() > 0


def test_pairs_too_many_to_list_are_left_out(aliased, monkeypatch):
    monkeypatch.setattr("thermcmp.model.identifiability.MOST_PAIRS", 1)
    assert "separation" not in [answer.kind for answer in default_questions(aliased.fit)]


def test_the_usual_questions(aliased):
    kinds = [answer.kind for answer in default_questions(aliased.fit)]
    assert kinds == ["separation", "ranking", "model comparison"]
