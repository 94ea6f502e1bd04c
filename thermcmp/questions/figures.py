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

from thermcmp.questions.ink import (
    INK,
    MAIN,
    QUIET,
    SIZE,
    finish,
    interval,
    note,
    row_names,
    rows_axis,
    split_rows,
    stair_bar,
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

    Parameters
    ----------
    answer : Answer
        The answer; a row per estimate, drawn from the top in the table's order.
    ax : matplotlib.axes.Axes
        Where to draw.
    label : str or sequence of str
        Column with the rows' names; several are joined by a colon.
    columns : tuple of str
        Columns of the mean and of the interval's lower and upper end, in one unit.
    axis : str
        Name of the value axis, with its unit in brackets.
    zero : bool
        Whether to mark zero, as for effects and differences.
    title : str, optional
        Heading; the answer's title by default.

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
    note(ax, answer, drawn, omitted, extra=f"{len(rest)} more rows in the table." if rest else "")


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

    Parameters
    ----------
    answer : Answer
        Table with columns `part`, `mean_k`, `low_k`, `high_k` [K].
    ax : matplotlib.axes.Axes
        Where to draw.
    parts : sequence of str, optional
        Parts that add up to the total, in the order drawn; all rows but the total
        by default.
    total : str
        Name of the total's row.
    before_c, after_c : float, optional
        Mean temperatures of the two builds [°C]. Without `before_c` the axis shows
        the change against the old build [K].
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
    note(ax, answer, drawn, omitted, extra="To the left is cooler.")


def ranking_figure(
    answer: Answer,
    ax: Axes,
    *,
    label: str = "product",
    columns: tuple[str, str, str] = ("mean_c", "low_c", "high_c"),
    axis: str = "Temperature [°C]",
) -> None:
    """Draw the products from the coolest to the warmest, with their groups.

    Parameters
    ----------
    answer : Answer
        Table with the names, the temperatures [°C] and a column `group`: a number or
        letters; products that share one cannot be told apart.
    ax : matplotlib.axes.Axes
        Where to draw.
    label : str
        Column with the products' names.
    columns : tuple of str
        Columns of the mean and of the interval's lower and upper end [°C].
    axis : str
        Name of the value axis, with its unit in brackets.
    """
    table = answer.table.sort_values(columns[0], kind="stable", na_position="last")
    drawn, omitted = split_rows(table, row_names(table, label), columns)
    for place, row in enumerate(drawn):
        interval(ax, place, row)
    if "group" in table:
        _group_lines(ax, [_group_marks(cell) for cell in table["group"].iloc[: len(drawn)]])
    rows_axis(ax, [row.name for row in drawn])
    finish(ax, answer.title, axis)
    note(
        ax, answer, drawn, omitted, extra="Products on one line at the right cannot be told apart."
    )


def _group_marks(cell: object) -> tuple[str, ...]:
    """Groups of one product: the letters of a letter display, or the one number."""
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
            fontsize=SIZE - 1,
            color=INK,
        )


def chance_words(chance: float) -> str:
    """Probability in per cent, never as a plain 0 or 100.

    Parameters
    ----------
    chance : float
        Probability [1].

    Returns
    -------
    str
        For example "37%", "<1%" or ">99%".
    """
    if chance < 0.01:
        return "<1%"
    if chance > 0.99:
        return ">99%"
    return f"{chance:.0%}"
