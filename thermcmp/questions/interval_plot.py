"""Figures of the answers, drawn on axes that the caller owns.

Nothing here touches `matplotlib.pyplot` or ``rcParams``: every look is given
explicitly, so a figure is the same inside any script or notebook. What a colour
says is also said by a shape or by words, so the figures survive grey print and
colour-blind eyes: a filled point is a healthy estimate, a hollow one comes with a
warning, and what cannot be estimated is left out and named below the axes.
"""

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
) -> None:
    """Draw a point and an interval for each row of the answer's table.

    Notes
    -----
    At most `MOST_ROWS` rows are drawn, the first ones; the figure then says how many
    more the table has.
    """
    found, omitted = split_rows(answer.table, row_names(answer.table, label), columns)
    drawn, rest = found[:MOST_ROWS], found[MOST_ROWS:]
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
        extra=f"{len(rest)} more rows in the table." if rest else "",
    )
