"""Figures of the predictive check and of the left-out check."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from thermcmp.questions.plot_style import (
    INK,
    PALE,
    WARM,
    Row,
    finish,
    interval,
    letters_in,
    note,
    rows_axis,
    split_rows,
    text_size,
)
from thermcmp.questions.separation.contrasts import short_effect

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermcmp.questions.answer import Answer

#: Effects shown of the left-out check, those that move most.
MOST_EFFECTS: Final = 12
#: Health of an effect whose sign turns without one unit.
TURNS: Final = "its sign rests on one"
#: Letters of a tick's name in a figure of the usual width (a choice).
_NAME_WIDTH: Final = 56
#: Where the ticks stand below their row.
_BELOW: Final = 0.24


def predictive_figure(answer: Answer, ax: Axes) -> None:
    """Draw the features of simulated campaigns, and of the measured one among them."""
    table = answer.table
    rows, _ = split_rows(table, list(table["feature"]), ("mean_k", "low_k", "high_k"))
    for place, (row, measured) in enumerate(zip(rows, table["measured_k"], strict=True)):
        ax.plot([row.low, row.high], [place, place], color=PALE, linewidth=7, zorder=2,
                solid_capstyle="butt")  # fmt: skip
        fine = row.health == "ok"
        ax.plot([measured], [place], marker="D", markersize=7, zorder=4, linestyle="none",
                color=INK if fine else "white", markeredgecolor=INK if fine else WARM,
                markeredgewidth=1.6)  # fmt: skip
        if not fine:
            ax.annotate("surprising", (measured, place), xytext=(9, 0), color=WARM,
                        textcoords="offset points", va="center", fontsize=text_size())  # fmt: skip
    rows_axis(ax, [row.name for row in rows])
    finish(ax, answer.title, "Size of the feature [K]")
    note(
        ax, answer.interval_words, [], [], mark="Band of campaigns simulated from the fit",
        extra="Diamond: the measured campaign; hollow where the fit would hardly produce it.",
    )  # fmt: skip


def left_out_figure(
    answer: Answer, ax: Axes, *, unit: str, axis: str = "Effect on temperature [K]"
) -> None:
    """Draw each effect with all rows, and its mean without each unit."""
    table = answer.shown_table
    names = [short_effect(name) for name in table["effect"]]
    rows, _ = split_rows(table, names, ("mean_k", "low_k", "high_k"))
    for place, (row, effect) in enumerate(zip(rows, table["effect"], strict=True)):
        interval(ax, place, Row(row.name, row.mean, row.low, row.high, ""))
        each = answer.draws["mean_k"].sel(effect=effect).to_numpy().ravel()
        ax.plot(
            each, [place + _BELOW] * len(each), marker="|", markersize=8, color=INK,
            linestyle="none", markeredgewidth=1.0, zorder=3,
        )  # fmt: skip
    low, high = ax.get_xlim()
    for place, row in enumerate(rows):
        without = float(table["without_mean_k"].iloc[place])
        if without == without:
            _name(
                ax, place, without, f"without {table['without'].iloc[place]}",
                color=WARM if TURNS in row.health else INK, to_right=without < (low + high) / 2.0,
            )  # fmt: skip
    rows_axis(ax, [row.name for row in rows])
    ax.axvline(0.0, color=INK, linewidth=0.9, zorder=1)
    finish(ax, answer.title, axis)
    more = len(answer.table) - len(table)
    note(
        ax, answer.interval_words, [], [], mark="Point: mean of all rows; bar",
        extra=f"Ticks: mean without each {unit} in turn; the one that moves it "
        "most is named." + (f" {more} more effects in the table." if more else ""),
    )  # fmt: skip


def _name(ax: Axes, place: int, value: float, words: str, *, color: str, to_right: bool) -> None:
    """Name the tick that stands furthest off, on a white ground; the table has long names whole."""
    room = letters_in(ax, _NAME_WIDTH)
    words = words if len(words) <= room else f"{words[: room - 1].rstrip()}…"
    ax.plot([value], [place + _BELOW], marker="|", markersize=8, color=color, markeredgewidth=2.2)
    ax.annotate(
        words,
        (value, place + _BELOW),
        xytext=(-2 if to_right else 2, -5),
        textcoords="offset points",
        ha="left" if to_right else "right",
        va="top",
        fontsize=text_size() - 2,
        color=color,
        zorder=5,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.4},
    )
