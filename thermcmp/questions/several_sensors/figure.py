"""Figure of a fix on several sensors, part by part."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from thermcmp.questions.plot_style import (
    INK,
    MAIN,
    QUIET,
    WARM,
    Row,
    finish,
    note,
    rows_axis,
    split_rows,
    text_size,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermcmp.questions.answer import Answer

#: Colour, marker and line of each sensor in turn; the shape says what the colour says.
_LOOKS: Final = (
    (MAIN, "o", "-"),
    (WARM, "s", (0, (4, 1.5))),
    (INK, "^", (0, (1.2, 1.2))),
    (QUIET, "D", (0, (5, 1, 1, 1))),
)
#: Height that the sensors of one part share.
_HEIGHT: Final = 0.56
_MOST_ASSEMBLIES: Final = 6


def sensor_figure(answer: Answer, ax: Axes) -> None:
    """Draw each part with a point and an interval per sensor."""
    table = answer.table
    sensors = list(dict.fromkeys(table["sensor"]))
    parts = list(dict.fromkeys(table["part"]))
    single = table.loc[table["kind"].eq("assembly"), "part"].unique()
    left = list(single[_MOST_ASSEMBLIES:])
    parts = [part for part in parts if part not in left]
    step = _HEIGHT / max(1, len(sensors) - 1)
    drawn, omitted = [], []
    for number, sensor in enumerate(sensors):
        rows = table[table["sensor"].eq(sensor) & table["part"].isin(parts)]
        known, lacking = split_rows(rows, rows["part"].tolist(), ("mean_k", "low_k", "high_k"))
        shift = step * number - _HEIGHT / 2.0 if len(sensors) > 1 else 0.0
        color, marker, line = _LOOKS[number % len(_LOOKS)]
        for row in known:
            place = parts.index(row.name) + shift
            ends = [row.low, row.high]
            ax.plot(ends, [place] * 2, color=color, linewidth=2.2, linestyle=line, zorder=3)
            ax.plot(
                [row.mean],
                [place],
                marker=marker,
                markersize=6.5,
                # Hollow where the row carries a warning.
                color=color if row.health in ("", "ok") else "white",
                markeredgecolor=color,
                markeredgewidth=1.6,
                zorder=4,
            )
        ax.plot([], [], color=color, marker=marker, linestyle=line, linewidth=2.2, label=sensor)
        drawn += known
        omitted += [
            Row(f"{row.name}, {sensor}", row.mean, row.low, row.high, row.health) for row in lacking
        ]
    rows_axis(ax, [f"assembly {part}" if part in single else part for part in parts])
    # Rules between the fix, the remount and single assemblies.
    kinds = dict(zip(table["part"], table["kind"], strict=True))
    for below in range(1, len(parts)):
        if kinds[parts[below]] != kinds[parts[below - 1]]:
            ax.axhline(below - 0.5, color=QUIET, linewidth=0.8, linestyle=(0, (4, 3)), zorder=1)
    ax.axvline(0.0, color=INK, linewidth=0.9, zorder=1)
    finish(ax, answer.title, "Improvement [K]; to the right is cooler")
    ax.legend(loc="best", fontsize=text_size(), frameon=True, labelcolor=INK)
    extra = f"{len(left)} more assemblies in the table." if left else ""
    note(ax, answer.interval_words, drawn, omitted, extra=extra)
