"""Shared plot style: colours, rows, intervals and notes.

Nothing here touches `matplotlib.pyplot` or ``rcParams``, so a figure is the same in any script
or notebook. A shape or a word repeats what a colour says, for grey print and colour-blind eyes.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import pandas as pd

from thermcmp.model.factor_words import factor_words
from thermcmp.questions.phrases import RANGE_PROB, number_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes


INK: Final = "#22303a"
QUIET: Final = "#5f6b74"
RULE: Final = "#dfe4e7"
MAIN: Final = "#14557b"
PALE: Final = "#8fb8d0"
PALE_WARM: Final = "#eacba6"
WARM: Final = "#a8540f"
BAND: Final = "#c9dbe6"

#: Size of all figure text but the heading, at a `font.size` of 10 [points].
SIZE: Final = 9.0
_USUAL_FONT: Final = 10.0
#: Width for which the numbers of letters to a line below are meant [in].
WIDTH: Final = 7.6
_FEWEST_LETTERS: Final = 12
_NOTE_WIDTH: Final = 82
#: Room for a panel below the axes [in].
_PANEL_HEIGHT: Final = 2.2
_NAME_WIDTH: Final = 34
_TITLE_WIDTH: Final = 64
_MOST_NAMED: Final = 6
#: Label of the note below the axes.
_NOTE: Final = "note"
#: Words of a `health` cell that need no warning.
_HEALTHY: Final = frozenset({"", "ok"})


@dataclass(frozen=True, slots=True)
class Row:
    """One estimate to draw: name, mean, interval and health text."""

    name: str
    mean: float
    low: float
    high: float
    health: str


@dataclass(frozen=True, slots=True)
class FigureSize:
    """Width and least height of a figure [in], dots per inch, and its `font.size` [points]."""

    width: float
    height: float
    dpi: float
    font: float


#: 1200 x 675 pixels for a page, 1920 x 1080 for a screen, and 360 for a phone's width.
SIZES: Final = {
    "article": FigureSize(8.0, 4.5, 150.0, 10.0),
    "slide": FigureSize(12.8, 7.2, 150.0, 17.0),
    "phone": FigureSize(3.75, 2.6, 96.0, 9.0),
}


def text_size() -> float:
    """Return the size of all figure text but the heading, by the caller's `font.size` [points]."""
    from matplotlib import rcParams

    return SIZE * float(rcParams["font.size"]) / _USUAL_FONT


def letters_in(ax: Axes, usual: int) -> int:
    """Return how many letters a line has where the usual figure has room for `usual`."""
    figure = ax.get_figure(root=True)
    width = WIDTH if figure is None else figure.get_figwidth()
    return max(_FEWEST_LETTERS, int(usual * width / WIDTH * SIZE / text_size()))


def row_names(table: pd.DataFrame, label: str | Sequence[str]) -> list[str]:
    """Return the names of the rows, factors in words; columns are joined by a colon."""
    columns = [label] if isinstance(label, str) else list(label)
    cells = table[columns].astype(str)
    if "factor" in cells:
        cells["factor"] = cells["factor"].map(factor_words)
    names = [": ".join(line) for line in cells.to_numpy()]
    if "partner" not in table:
        return names
    partners = table["partner"].fillna("").astype(str)
    return [
        f"{name}, {'on ' if partner != 'average' else ''}{partner}" if partner else name
        for name, partner in zip(names, partners, strict=True)
    ]


def split_rows(
    table: pd.DataFrame, names: Sequence[str], columns: tuple[str, str, str]
) -> tuple[list[Row], list[Row]]:
    """Return the rows to draw, a withheld one by its range, and those without any interval."""
    numbers = table[list(columns)].to_numpy(float)
    health = table["health"] if "health" in table else pd.Series("", index=table.index)
    words = health.fillna("").astype(str).to_list()
    rows = [
        Row(name, float(mean), float(low), float(high), word)
        for name, (mean, low, high), word in zip(names, numbers, words, strict=True)
    ]
    drawn = [row for row in rows if math.isfinite(row.low)]
    return drawn, [row for row in rows if not math.isfinite(row.low)]


def interval(ax: Axes, place: float, row: Row, *, color: str = MAIN) -> None:
    """Draw one interval and its mean; hollow where the row carries a warning."""
    ax.plot(
        [row.low, row.high],
        [place, place],
        color=color,
        linewidth=2.4,
        solid_capstyle="round",
        zorder=3,
    )
    ax.plot(
        [row.mean],
        [place],
        marker="o",
        markersize=6.5,
        color=color if row.health in _HEALTHY else "white",
        markeredgecolor=color,
        markeredgewidth=1.6,
        zorder=4,
    )


def stair_bar(
    ax: Axes, place: float, row: Row, origin: float, *, is_total: bool, hatch: str | None = None
) -> None:
    """Draw one bar of a stair of improvements, with its interval at its end and its value.

    The bar of a cooler part goes to the left of its origin; that of a warmer one is hatched.
    """
    cooler = row.mean >= 0.0
    ax.barh(
        [place],
        [-row.mean],
        left=origin,
        height=0.56,
        color=PALE if cooler else PALE_WARM,
        edgecolor=INK if is_total else (QUIET if cooler else WARM),
        linewidth=1.0,
        hatch=hatch if cooler else "///",
        zorder=2,
    )
    ends = Row(row.name, origin - row.mean, origin - row.high, origin - row.low, row.health)
    interval(ax, place, ends, color=INK)
    ax.annotate(
        f"{number_words(row.mean, sign='+')} K, {'cooler' if cooler else 'warmer'}",
        (max(origin, ends.high), place),
        xytext=(7, 0),
        textcoords="offset points",
        va="center",
        fontsize=text_size(),
        color=INK,
        annotation_clip=False,
        fontweight="bold" if is_total else "normal",
    )


def rows_axis(ax: Axes, names: Sequence[str]) -> None:
    """Name the rows at the left, the first one at the top."""
    room = letters_in(ax, _NAME_WIDTH)
    labels = [textwrap.fill(name, room, break_on_hyphens=False) for name in names]
    ax.set_yticks(range(len(names)), labels=labels, fontsize=text_size(), color=INK)
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.tick_params(axis="y", length=0)


def natural_height(ax: Axes) -> float:
    """Return the height of a figure with room for its heading, each named row and its note [in]."""
    from matplotlib.ticker import FixedLocator

    scale = text_size() / SIZE
    notes = [text.get_text() for text in ax.texts if text.get_label() == _NOTE]
    around = ax.get_title(loc="left").count("\n") * 0.17
    around += 0.13 * max(0, sum(note.count("\n") for note in notes) - 1)
    if not isinstance(ax.yaxis.get_major_locator(), FixedLocator):
        panels = len(ax.get_shared_x_axes().get_siblings(ax)) - 1
        return min(1.0, scale) * 4.4 + scale * around + _PANEL_HEIGHT * panels
    lines = sum(1 + label.get_text().count("\n") for label in ax.get_yticklabels())
    return scale * (1.5 + around + 0.22 * lines + 0.12 * len(ax.get_yticks()))


def finish(
    ax: Axes, title: str, axis: str, *, grid: Literal["x", "both"] = "x", pad: float = 6.0
) -> None:
    """Set the heading, rules and frame of the axes."""
    room = letters_in(ax, _TITLE_WIDTH)
    if room < _TITLE_WIDTH / 1.5:
        # Names take a larger part of a narrow figure.
        room = round(0.8 * room)
    title = textwrap.fill(title, room)
    ax.set_title(
        title, loc="left", pad=pad, fontsize=text_size() + 1.5, fontweight="bold", color=INK
    )
    ax.set_xlabel(axis, fontsize=text_size(), color=INK)
    ax.set_axisbelow(True)
    ax.grid(visible=True, axis=grid, color=RULE, linewidth=0.8)
    ax.spines[["top", "right", "left"]].set_visible(False)
    ax.spines["bottom"].set_color(QUIET)
    ax.margins(x=0.07)
    ax.tick_params(axis="both", labelsize=text_size(), labelcolor=INK, color=QUIET)


def note(
    ax: Axes,
    interval_words: str,
    drawn: Sequence[Row],
    omitted: Sequence[Row],
    *,
    mark: str = "Point: mean; bar",
    extra: str = "",
) -> None:
    """Explain the marks below the axes, and name what was left out."""
    words = [f"{mark}: {interval_words.removesuffix('s')}."]
    if extra:
        words.append(extra)
    if any(math.isnan(row.mean) for row in drawn):
        words.append(f"Bar without a point: withheld, its {RANGE_PROB:.0%} range only.")
    if any(row.health not in _HEALTHY and not math.isnan(row.mean) for row in drawn):
        words.append("Hollow: estimate with a warning, see the table.")
    room = letters_in(ax, _NOTE_WIDTH)
    lines = textwrap.wrap(" ".join(words), room)
    for row in omitted[:_MOST_NAMED]:
        reason = f" ({row.health})" if row.health else ""
        lines += textwrap.wrap(f"Not estimable, left out: {row.name}{reason}.", room)
    if len(omitted) > _MOST_NAMED:
        lines.append(f"Not estimable, left out: {len(omitted) - _MOST_NAMED} more, see the table.")
    ax.annotate(
        "\n".join(lines),
        (0.0, 0.0),
        xycoords="axes fraction",
        xytext=(0, -4 * text_size()),
        textcoords="offset points",
        va="top",
        ha="left",
        label=_NOTE,
        fontsize=text_size() - 1.5,
        color=QUIET,
        annotation_clip=False,
    )
