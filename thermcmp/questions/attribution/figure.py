"""Figure of an attribution: from the old build's temperature to the new one's."""

from __future__ import annotations

from typing import TYPE_CHECKING

from thermcmp.questions.plot_style import INK, QUIET, finish, note, rows_axis, split_rows, stair_bar

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermcmp.questions.attribution.answer import Attribution


def attribution_figure(answer: Attribution, ax: Axes) -> None:
    """Draw the way from the old build's temperature to the new one's, part by part.

    A part is an improvement: positive is cooler, and its bar goes to the left. The
    interval of a part is drawn at the end of its bar.
    """
    columns = ("mean_k", "low_k", "high_k")
    chosen = [*answer.main_parts, "total"]
    table = answer.table.set_index("part").reindex(chosen)
    drawn, omitted = split_rows(table, chosen, columns)
    level = start = answer.before_c
    for place, row in enumerate(drawn, start=1):
        # Behind a part that is a range only no part has a place of its own.
        origin = start if row.name == "total" or omitted else level
        stair_bar(ax, place, row, origin, is_total=row.name == "total")
        level = origin - row.mean
    ax.use_sticky_edges = False
    labels = ["old build", *(row.name for row in drawn), "new build"]
    for place, value in ((0, start), (len(labels) - 1, answer.after_c)):
        ax.plot([value], [place], marker="|", markersize=14, markeredgewidth=2.2, color=INK)
    ax.axvline(start, color=QUIET, linewidth=0.8, linestyle=(0, (4, 3)), zorder=1)
    rows_axis(ax, labels)
    finish(ax, answer.title, "Temperature [°C]")
    words = "Labels: improvement, as in the table; + is cooler, to the left."
    note(ax, answer.interval_words, drawn, omitted, extra=words)
