"""Figures for articles, slides and phones, and tables that can be pasted."""

import dataclasses
import io
import re
from xml.etree import ElementTree

import matplotlib as mpl
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from PIL import Image

from thermcmp.errors import InputError
from thermcmp.questions.plot_style import SIZES

KINDS = ("separation", "attribution", "ranking", "margin")


def _is_drawn(ax, label):
    """Whether a tick's label stands within the ends of its axis."""
    for axis, ends, place in ((ax.xaxis, ax.get_xlim(), 0), (ax.yaxis, ax.get_ylim(), 1)):
        if label in axis.get_ticklabels():
            return min(ends) <= label.get_position()[place] <= max(ends)
    return False


def texts_outside(ax):
    """Texts that the figure's edge cuts, by more than a pixel."""
    canvas = FigureCanvasAgg(ax.figure)
    canvas.draw()
    page = ax.figure.bbox
    # A tick beyond the axes' ends keeps its label and is not drawn.
    ticks = {label for each in ax.figure.axes for label in each.get_xticklabels()}
    ticks |= {label for each in ax.figure.axes for label in each.get_yticklabels()}
    cut = []
    for text in ax.figure.findobj(Text):
        if not text.get_text().strip() or not text.get_visible():
            continue
        if text in ticks and not any(_is_drawn(each, text) for each in ax.figure.axes):
            continue
        box = text.get_window_extent()
        sides = (box.x0 - page.x0, box.y0 - page.y0, page.x1 - box.x1, page.y1 - box.y1)
        if min(sides) < -1.0:
            cut.append(text.get_text())
    return cut


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("kind", KINDS)
def test_no_name_is_cut_at_any_size(kind, size, request):
    answer = request.getfixturevalue(kind)
    names = {"separation": "contrast", "attribution": "part", "ranking": "product"}
    if kind in names:
        table = answer.table.copy()
        column = names[kind]
        if kind != "attribution":
            table[column] = "a rather long name of a card, third revision: " + table[column]
        answer = dataclasses.replace(answer, table=table)
    assert texts_outside(answer.plot(size=size)) == []


def test_a_cut_name_would_be_found(separation):
    ax = separation.plot(size="phone")
    ax.figure.set_layout_engine("none")
    ax.set_position((0.0, 0.1, 1.0, 0.8))
    assert texts_outside(ax)


def test_an_article_figure_has_1200_by_675_pixels_and_a_description(attribution, tmp_path):
    with Image.open(attribution.save_plot(tmp_path / "new" / "fix.png")) as picture:
        assert picture.size == (1200, 675)
        assert picture.info["Description"] == attribution.alt_text
    assert "Hardware gives 6.5 K." in attribution.alt_text


def test_a_drawing_carries_its_heading_and_description(margin, tmp_path):
    drawing = ElementTree.parse(margin.save_plot(tmp_path / "m.svg", size="phone"))
    text = ElementTree.tostring(drawing.getroot(), encoding="unicode")
    assert ">Margin</" in text
    assert "Enough margin at 35 °C." in text
    assert float(drawing.getroot().get("width").removesuffix("pt")) == pytest.approx(3.75 * 72)


def test_a_file_is_the_same_whatever_the_settings(ranking, tmp_path):
    first = ranking.save_plot(tmp_path / "a.png").read_bytes()
    with mpl.rc_context({"font.size": 23, "lines.linewidth": 9}):
        assert ranking.save_plot(tmp_path / "b.png").read_bytes() == first


@pytest.mark.parametrize("kind", KINDS)
def test_text_follows_the_callers_font_size(kind, request):
    answer = request.getfixturevalue(kind)

    def sizes():
        ax = answer.plot()
        return {t.get_fontsize() for t in [*ax.get_yticklabels(), ax.xaxis.label, *ax.texts]}

    usual = sizes()
    with mpl.rc_context({"font.size": 20}):
        large = sizes()
    assert max(large) == pytest.approx(2.0 * max(usual), rel=0.1)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda a, folder: a.plot(size="poster"), "no such size"),
        (lambda a, folder: a.save_plot(folder / "x.png", size="poster"), "no such size"),
        (lambda a, folder: a.save_plot(folder / "x.gif"), "no such kind of picture"),
    ],
)
def test_what_cannot_be_drawn_is_named_and_nothing_is_written(separation, tmp_path, call, message):
    with pytest.raises(InputError, match=message):
        call(separation, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_tables_have_a_readers_headings_and_digits(separation, tmp_path):
    frame = separation.to_frame()
    assert list(frame.columns[:4]) == ["Factor", "Contrast", "Mean [K]", "SD [K]"]
    assert frame["Mean [K]"].tolist()[:2] == [-6.3, -0.8]
    assert frame["Share from data [%]"].tolist()[:2] == pytest.approx([98.0, 31.0])
    path = tmp_path / "t" / "table.csv"
    text = separation.to_csv(path)
    assert path.read_text(encoding="utf-8") == text
    again = pd.read_csv(io.StringIO(text))
    assert list(again.columns) == list(frame.columns)
    assert again["Mean [K]"].tolist()[:2] == [-6.3, -0.8]


def test_a_markdown_table_has_each_mean_with_its_interval(separation):
    text = separation.to_markdown()
    lines = text.splitlines()
    assert lines[0] == "**Separation of <memory> & more** (90% equal-tailed intervals)"
    assert lines[2].startswith("| Factor | Contrast | Mean (range) [K] |")
    assert "| −6.3 (−7.2 to −5.3) |" in lines[4]
    assert "| not estimable |" in lines[6]
    assert len({line.count(" | ") for line in lines[2:]}) == 1


def test_a_latex_table_escapes_its_own_signs(separation):
    hostile = dataclasses.replace(separation, title=r"50% of $x_1$ & {a} \b")
    text = hostile.to_latex()
    assert r"50\% of \$x\_1\$ \& \{a\} \textbackslash b" in text
    assert "$-$6.3 ($-$7.2 to $-$5.3)" in text
    assert not re.search(r"[^\x00-\x7f]", text), "every engine sets it"
    assert text.count(r"\begin{tabular}") == 1


def test_a_withheld_row_is_a_range_in_every_form(separation):
    table = separation.table.copy()
    table.loc[2, ["low_k", "high_k"]] = [-18.4, 14.6]
    answer = dataclasses.replace(separation, table=table)
    assert "−18.4 to 14.6, range only" in answer.to_markdown()
    assert "$-$18.4 to 14.6, range only" in answer.to_latex()
    assert answer._repr_html_().count("−18.4 to 14.6, range only") == 1
