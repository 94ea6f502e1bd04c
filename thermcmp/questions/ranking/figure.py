"""Figure of the ranked products with their groups."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.questions.plot_style import (
    INK,
    MAIN,
    QUIET,
    finish,
    interval,
    note,
    row_names,
    rows_axis,
    split_rows,
    text_size,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermcmp.questions.answer import Answer

#: Rows from which the scale stands at the top too.
_LONG: Final = 40


def ranking_figure(
    answer: Answer,
    ax: Axes,
    *,
    label: str = "product",
    columns: tuple[str, str, str] = ("mean_c", "low_c", "high_c"),
    axis: str = "Temperature [°C]",
    ascending: bool = True,
) -> None:
    """Draw the products from the coolest to the warmest, with their groups."""
    table = answer.table.sort_values(
        columns[0], ascending=ascending, kind="stable", na_position="last"
    )
    if "network" in table:
        table = table.sort_values("network", kind="stable", na_position="last")
    drawn, omitted = split_rows(table, row_names(table, label), columns)
    for place, row in enumerate(drawn):
        interval(ax, place, row)
    if "group" in table:
        _group_lines(ax, [_group_marks(cell) for cell in table["group"].iloc[: len(drawn)]])
    words = "Products on one line at the right cannot be separated."
    if "network" in table and table["network"].nunique() > 1:
        number = table["network"].iloc[: len(drawn)].to_numpy(int)
        for place in np.flatnonzero(np.diff(number)).tolist():
            ax.axhline(place + 0.5, color=QUIET, linewidth=1.0, linestyle=(0, (6, 4)))
        words += " Across a dashed line nothing compares them but the spread between laboratories."
    rows_axis(ax, [row.name for row in drawn])
    long = len(drawn) > _LONG
    finish(ax, answer.title, axis, pad=22.0 if long else 6.0)
    if long:
        ax.tick_params(axis="x", top=True, labeltop=True)
    note(ax, answer.interval_words, drawn, omitted, extra=words)


def _group_marks(cell: object) -> tuple[str, ...]:
    """Return the groups of one product: letters of a letter display, or a number."""
    text = "" if cell is None or cell != cell else str(cell).strip()
    if text.isalpha():
        return tuple(text)
    return tuple(text.replace(",", " ").split())


def _group_lines(ax: Axes, groups: Sequence[tuple[str, ...]]) -> None:
    """Draw a line beside the rows of each group, right of the axes."""
    across = ax.get_yaxis_transform()
    ends: list[int] = []
    for mark in dict.fromkeys(mark for marks in groups for mark in marks):
        places = [place for place, marks in enumerate(groups) if mark in marks]
        # Groups that do not overlap share a lane.
        free = [lane for lane, end in enumerate(ends) if end < places[0]]
        lane = free[0] if free else len(ends)
        ends[lane : lane + 1] = [places[-1]]
        x = 1.025 + 0.03 * lane
        ax.plot(
            [x, x],
            [places[0] - 0.25, places[-1] + 0.34],
            transform=across,
            clip_on=False,
            color=MAIN,
            linewidth=2.0,
            solid_capstyle="butt",
        )
        ax.text(
            x,
            places[0] - 0.27,
            mark,
            transform=across,
            ha="center",
            va="bottom",
            fontsize=text_size() - 1,
            color=INK,
        )
