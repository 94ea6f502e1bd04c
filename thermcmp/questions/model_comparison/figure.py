"""Figure of a comparison: how much worse than the best each model predicts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from thermcmp.questions.plot_style import INK, Row, finish, interval, note, rows_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermcmp.questions.answer import Answer


def comparison_figure(answer: Answer, ax: Axes) -> None:
    """Draw each model's difference to the best, with two standard errors."""
    table = answer.table
    names = [
        f"{name} (weight {weight:.2f})"
        for name, weight in zip(table["model"], table["weight"], strict=True)
    ]
    words = table["predicts"].where(table["predicts"].eq("clearly worse"), "")
    apart = table["elpd_difference"].to_numpy(float)
    reach = 2.0 * table["difference_se"].to_numpy(float)
    rows = [
        Row(name, mean, mean - half, mean + half, str(word))
        for name, mean, half, word in zip(names, apart.tolist(), reach.tolist(), words, strict=True)
    ]
    for place, row in enumerate(rows):
        interval(ax, place, row)
    rows_axis(ax, [row.name for row in rows])
    ax.axvline(0.0, color=INK, linewidth=0.9, zorder=1)
    finish(ax, answer.title, "Log predictive density less that of the best")
    note(
        ax, "two standard errors either way", [], [], mark="Point: sum over the assemblies; bar",
        extra="Hollow: clearly worse than the best.",
    )  # fmt: skip
