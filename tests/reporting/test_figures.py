"""The figures show the table's numbers, and leave the caller's settings alone."""

import dataclasses
import io
import subprocess
import sys

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from thermcmp.questions import plot_style
from thermcmp.questions.interval_plot import MOST_ROWS
from thermcmp.questions.phrases import percent_words
from thermcmp.questions.plot_style import natural_height


def lines_with_two_points(ax):
    return [line for line in ax.lines if len(line.get_xdata()) == 2]


def tick_words(ax):
    return [label.get_text() for label in ax.get_yticklabels()]


def all_words(ax):
    return "\n".join(text.get_text() for text in ax.texts)


def test_interval_figure_draws_the_tables_numbers(separation):
    ax = separation.plot()
    intervals = [tuple(line.get_xdata()) for line in lines_with_two_points(ax)]
    assert intervals[:2] == [(-7.2, -5.3), (-2.6, 0.9)]
    assert tick_words(ax) == [
        "cooler: Alder-C2 − Alder-C1",
        "board: Alder-B2 − Alder-B1",
    ]
    assert ax.get_ylim()[0] > ax.get_ylim()[1], "the first row stands at the top"


def test_what_is_not_estimable_is_named_below_and_not_drawn(separation):
    ax = separation.plot()
    assert "Not estimable, left out: lab: South − North (one lab only)." in all_words(ax)
    assert "90% equal-tailed interval." in all_words(ax)


def test_hollow_point_for_an_estimate_with_a_warning(separation):
    ax = separation.plot()
    faces = [line.get_markerfacecolor() for line in ax.lines if line.get_marker() == "o"]
    assert faces == [plot_style.MAIN, "white"]
    assert "Hollow" in all_words(ax)


def test_zero_line_stands_at_zero_only_when_asked(separation, ranking):
    zeros = [line for line in separation.plot().lines if list(line.get_xdata()) == [0.0, 0.0]]
    assert len(zeros) == 1
    assert not [line for line in ranking.plot().lines if list(line.get_xdata()) == [0.0, 0.0]]


def test_attribution_bars_lead_from_old_to_new(attribution):
    ax = attribution.plot()
    ends = [(bar.get_x(), bar.get_x() + bar.get_width()) for bar in ax.patches]
    starts_and_stops = [(max(pair), min(pair)) for pair in ends]
    hardware, fan, power, total = starts_and_stops
    assert hardware == pytest.approx((87.0, 80.5))
    assert fan == pytest.approx((80.5, 76.7))
    assert power == pytest.approx((77.3, 76.7)), "a warmer part goes back to the right"
    assert total == pytest.approx((87.0, 77.3))
    assert tick_words(ax) == [
        "old build", "hardware", "fan speed", "power", "total", "new build",
    ]  # fmt: skip


def test_attribution_marks_a_warmer_part_by_hatching_and_in_words(attribution):
    ax = attribution.plot()
    assert [bar.get_hatch() for bar in ax.patches] == [None, None, "///", None]
    assert "−0.6 K, warmer" in all_words(ax)
    assert "+6.5 K, cooler" in all_words(ax)


def test_attribution_interval_hangs_at_the_bars_end(attribution):
    ax = attribution.plot()
    intervals = [tuple(line.get_xdata()) for line in lines_with_two_points(ax)]
    assert intervals[0] == pytest.approx((87.0 - 7.5, 87.0 - 5.5))


def test_ranking_goes_from_cool_to_warm_with_its_groups(ranking):
    ax = ranking.plot()
    assert tick_words(ax) == ["Alder", "Birch", "Cedar"]
    groups = {text.get_text() for text in ax.texts} & {"A", "B"}
    assert groups == {"A", "B"}
    spans = [tuple(line.get_ydata()) for line in ax.lines if line.get_xdata()[0] > 1.0]
    spans = [span for span in spans if span[0] != span[-1]]
    assert spans == [pytest.approx((-0.25, 1.34)), pytest.approx((0.75, 2.34))]


def test_groups_share_a_lane_unless_they_overlap(ranking):
    def lanes(groups):
        table = ranking.table.assign(group=groups)
        ax = dataclasses.replace(ranking, table=table).plot()
        return [line.get_xdata()[0] for line in ax.lines if line.get_xdata()[0] < 2.0]

    apart = lanes([2, 1, 3, None])
    assert len(apart) == 3
    assert len(set(apart)) == 1
    assert len(set(lanes(["AB", "A", "B", None]))) == 2


def test_long_names_are_broken_and_the_height_follows(separation):
    table = pd.concat([separation.table.iloc[:1]] * 50, ignore_index=True)
    table.loc[0, "contrast"] = "a very long name of one build − a very long name of another"
    ax = dataclasses.replace(separation, table=table).plot()
    assert "\n" in tick_words(ax)[0]
    assert len(tick_words(ax)) == MOST_ROWS
    assert "10 more rows in the table." in all_words(ax)
    assert natural_height(ax) > natural_height(separation.plot()) > 1.5


def test_margin_shows_limit_band_and_chances(margin):
    ax = margin.plot()
    words = all_words(ax)
    assert "limit 105 °C" in words
    # As finely as the sentence says it: 36.5 would be drawn as 36 or as 37.
    assert "39.0 °C ambient" in words
    assert ">99%" in words
    assert "<1%" in words
    assert sum("%" in text.get_text() and len(text.get_text()) < 5 for text in ax.texts) == 9


@pytest.mark.parametrize(
    ("chance", "words"),
    [(0.0, "<1%"), (0.009, "<1%"), (0.01, "1%"), (0.374, "37%"), (0.99, "99%"), (1.0, ">99%")],
)
def test_a_chance_is_never_a_plain_0_or_100(chance, words):
    assert percent_words(chance) == words


def test_drawing_leaves_the_settings_alone_and_repeats_to_the_byte(answers):
    before = mpl.rcParams.copy()
    for answer in answers:
        pictures = []
        for _ in range(2):
            figure = Figure(layout="constrained")
            answer.plot(figure.subplots())
            buffer = io.BytesIO()
            figure.savefig(buffer, format="png", metadata={"Software": None})
            pictures.append(buffer.getvalue())
        assert pictures[0] == pictures[1]
    assert mpl.rcParams.copy() == before


def test_pyplot_is_never_imported():
    code = (
        "import sys, matplotlib.figure, thermcmp.questions.interval_plot;"
        "import thermcmp.reporting.document;"
        "assert 'matplotlib.pyplot' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def contrast_with_white(colour):
    """Contrast ratio of a colour with white: W3C, WCAG 2.2, relative luminance."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return 1.05 / (luminance + 0.05)


def test_contrast_formula_on_the_published_pair():
    # W3C, WCAG 2.2, technique G18: #767676 on white is the well-known 4.54 : 1 (from memory).
    assert contrast_with_white("#767676") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("name", ["INK", "QUIET", "MAIN", "WARM"])
def test_text_and_line_colours_reach_contrast_of_text(name):
    # WCAG 2.2, success criterion 1.4.3: at least 4.5 : 1.
    assert contrast_with_white(getattr(plot_style, name)) >= 4.5


@pytest.mark.parametrize("limit_c", [90.0, 105.0, 112.0, 120.0])
def test_the_limit_is_named_clear_of_the_chances(margin, limit_c):
    """A limit above all temperatures lies at the top of the axes, where the chances stand."""
    ax = dataclasses.replace(margin, table=margin.table[::5], limit_c=limit_c).plot()
    canvas = FigureCanvasAgg(ax.figure)
    canvas.draw()
    boxes = {text.get_text(): text.get_window_extent() for text in ax.texts}
    named = boxes.pop(f"limit {limit_c:g} °C")
    chances = [box for words, box in boxes.items() if words.endswith("%")]
    assert min(box.y0 - named.y1 for box in chances) > named.height


def test_a_withheld_row_is_its_range_without_a_point():
    rows = pd.DataFrame(
        {
            "factor": ["cooler_model", "board_model"],
            "contrast": ["Alder-C2 − Alder-C1", "Birch-B − Alder-B1"],
            "partner": ["average", "Alder-C1"],
            "mean_k": [-6.6, np.nan],
            "low_k": [-7.1, -6.5],
            "high_k": [-6.0, 5.6],
            "health": ["ok", "withheld: the runs do not hold it, range only"],
        }
    )
    drawn, omitted = plot_style.split_rows(
        rows, plot_style.row_names(rows, ("factor", "contrast")), ("mean_k", "low_k", "high_k")
    )
    assert not omitted
    assert [row.name for row in drawn] == [
        "cooler: Alder-C2 − Alder-C1, average",
        "board: Birch-B − Alder-B1, on Alder-C1",
    ]
    ax = Figure().subplots()
    for place, row in enumerate(drawn):
        plot_style.interval(ax, place, row)
    plot_style.note(ax, "90% equal-tailed intervals", drawn, omitted)
    points = [line.get_xdata()[0] for line in ax.lines if line.get_marker() == "o"]
    np.testing.assert_array_equal(points, [-6.6, np.nan])
    assert (-6.5, 5.6) in [tuple(line.get_xdata()) for line in lines_with_two_points(ax)]
    words = all_words(ax).replace("\n", " ")
    assert "Bar without a point: withheld, its 99% range only." in words
    assert "Hollow" not in words
