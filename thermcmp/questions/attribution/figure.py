"""The way from the old build's temperature to the new one's, part by part."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from thermcmp.questions.plot_style import (
    INK,
    QUIET,
    finish,
    note,
    row_names,
    rows_axis,
    split_rows,
    stair_bar,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermcmp.questions.answer import Answer


def attribution_figure(
    answer: Answer,
    ax: Axes,
    *,
    parts: Sequence[str] | None = None,
    total: str = "total",
    before_c: float | None = None,
    after_c: float | None = None,
) -> None:
    """Draw the way from the old build's temperature to the new one's, part by part.

    A part is an improvement: positive is cooler, and its bar goes to the left. The
    interval of a part is drawn at the end of its bar.
    """
    columns = ("mean_k", "low_k", "high_k")
    names = row_names(answer.table, "part")
    chosen = [*(parts if parts is not None else [n for n in names if n != total]), total]
    table = answer.table.assign(part=names).set_index("part").reindex(chosen)
    drawn, omitted = split_rows(table, chosen, columns)
    start = 0.0 if before_c is None else before_c
    level = start
    for place, row in enumerate(drawn, start=1):
        origin = start if row.name == total else level
        stair_bar(ax, place, row, origin, is_total=row.name == total)
        level = origin - row.mean
    ax.use_sticky_edges = False
    ax.plot([start], [0], marker="|", markersize=14, markeredgewidth=2.2, color=INK)
    ax.axvline(start, color=QUIET, linewidth=0.8, linestyle=(0, (4, 3)), zorder=1)
    labels = ["old build", *(row.name.replace("_", " ") for row in drawn)]
    if after_c is not None:
        ax.plot([after_c], [len(labels)], marker="|", markersize=14, markeredgewidth=2.2, color=INK)
        labels.append("new build")
    rows_axis(ax, labels)
    axis = "Change against the old build [K]" if before_c is None else "Temperature [°C]"
    finish(ax, answer.title, axis)
    note(
        ax,
        answer.interval_words,
        drawn,
        omitted,
        extra="Labels: improvement, as in the table; + is cooler, to the left.",
    )
