"""Figure of a chain of builds: a stair from the first build to the last."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from thermcmp.questions.plot_style import INK, QUIET, finish, note, rows_axis, split_rows, stair_bar

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermcmp.questions.build_chain.answer import Chain

_HATCH_PREDICTED: Final = "..."


def chain_figure(answer: Chain, ax: Axes) -> None:
    """Draw the stair of steps, the total, and the stair of the order-free shares.

    A bar to the left is cooler. Hatching, and not colour alone, marks steps that are
    warmer (lines) and shares that were predicted in part (dots).
    """
    table = answer.table
    shown = table[table["kind"] != "departure"]
    rows, omitted = split_rows(shown, shown["part"].tolist(), ("mean_k", "low_k", "high_k"))
    kinds = dict(zip(shown["part"], shown["kind"], strict=True))
    predicted = set(shown.loc[shown["basis"] != "measured", "part"])
    start = answer.before_c
    labels, level, share_level = [answer.builds[0]], start, start
    ax.plot([start], [0], marker="|", markersize=14, markeredgewidth=2.2, color=INK)
    for place, row in enumerate(rows, start=1):
        kind = kinds[row.name]
        origin = {"step": level, "total": start}.get(kind, share_level)
        hatch = _HATCH_PREDICTED if row.name in predicted and row.mean >= 0.0 else None
        stair_bar(ax, place, row, origin, is_total=kind == "total", hatch=hatch)
        if kind == "step":
            level = origin - row.mean
        elif kind == "order-free":
            share_level = origin - row.mean
        labels.append(row.name if kind != "step" else f"→ {row.name.split(' → ')[-1]}")
    ax.use_sticky_edges = False
    ax.axvline(start, color=QUIET, linewidth=0.8, linestyle=(0, (4, 3)), zorder=1)
    rows_axis(ax, labels)
    finish(ax, answer.title, "Temperature [°C]")
    words = ["To the left is cooler."]
    if any(row.name in predicted for row in rows):
        words.append("Dotted: predicted in part.")
    if any(row.mean < 0.0 for row in rows):
        words.append("Hatched: warmer.")
    note(ax, answer.interval_words, rows, omitted, extra=" ".join(words))
