"""Figure of an error budget: a bar per source."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from thermcmp.questions.phrases import number_words, part_words
from thermcmp.questions.plot_style import INK, MAIN, finish, note, rows_axis, text_size

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: More bars than this, and bars of less than this share, hide the large ones.
MOST_BARS: Final = 12
LEAST_SHARE: Final = 0.01


def budget_figure(answer: Any, ax: Axes) -> None:
    """Draw the standard error that each source adds, the largest at the top."""
    table = answer.table[answer.table["share"] >= LEAST_SHARE].iloc[:MOST_BARS]
    sizes = table["standard_error_k"].to_list()
    ax.barh(range(len(table)), sizes, height=0.55, color=MAIN)
    for place, (size, share) in enumerate(zip(sizes, table["share"], strict=True)):
        ax.annotate(
            f"{size:.2f} K, {part_words(share)}",
            (size, place),
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            fontsize=text_size() - 1,
            color=INK,
        )
    rows_axis(ax, table["source"].to_list())
    finish(ax, answer.title, "Standard error from each source [K]")
    ax.margins(x=0.25)
    left_out = len(answer.table) - len(table)
    more = f" {left_out} smaller ones are in the table." * (left_out > 0)
    combined = number_words(answer.combined_k)
    words = f"Per cent: share of the variance. All sources together: {combined} K.{more}"
    note(ax, answer.interval_words, [], [], mark="Result stated with", extra=words)
