"""The figure of points with intervals, drawn on axes that the caller owns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from thermcmp.questions.plot_style import (
    INK,
    finish,
    interval,
    note,
    row_names,
    rows_axis,
    split_rows,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermcmp.questions.answer import Answer


#: More rows than this make a figure that nobody reads.
MOST_ROWS: Final = 40


def interval_figure(
    answer: Answer,
    ax: Axes,
    *,
    label: str | Sequence[str],
    columns: tuple[str, str, str] = ("mean_k", "low_k", "high_k"),
    axis: str = "Effect on temperature [K]",
    zero: bool = True,
    title: str | None = None,
    extra: str = "",
) -> None:
    """Draw a point and an interval for each row of the answer's table.

    At most `MOST_ROWS` of the rows shown are drawn, the first ones; the figure then states how
    many more the table has.
    """
    shown = answer.shown_table
    estimates, omitted = split_rows(shown, row_names(shown, label), columns)
    drawn = estimates[:MOST_ROWS]
    more = len(answer.table) - len(omitted) - len(drawn)
    for place, row in enumerate(drawn):
        interval(ax, place, row)
    rows_axis(ax, [row.name for row in drawn])
    if zero:
        ax.axvline(0.0, color=INK, linewidth=0.9, zorder=1)
    finish(ax, title or answer.title, axis)
    note(
        ax,
        answer.interval_words,
        drawn,
        omitted,
        extra=" ".join(filter(None, [extra, f"{more} more rows in the table." * (more > 0)])),
    )
