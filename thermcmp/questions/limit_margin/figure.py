"""Figure of a margin: temperature against ambient, and what the fan does about it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.questions.phrases import percent_words
from thermcmp.questions.plot_style import (
    BAND,
    INK,
    MAIN,
    QUIET,
    SIZE,
    WARM,
    finish,
    note,
    text_size,
)

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from thermcmp.questions.limit_margin.answer import Margin

#: Heights of the temperature's and the fan's panel against each other.
_HEIGHTS: Final = (1.7, 1.0)
#: Words above the axes are further apart than this share of their width.
_APART: Final = 0.08
#: More points than this are drawn as a line without marks.
_MOST_MARKS: Final = 12
#: Share of the height at the top in which words above a line would meet those above the axes.
_NEAR_TOP: Final = 0.1
#: From this share of the ambients on, the words at a crossing leave room for the limit's.
_LATE: Final = 0.75


def margin_figure(answer: Margin, ax: Axes) -> None:
    """Draw temperature against ambient, the limit, and the chance of exceeding it.

    Where a firmware sets the fan, a second panel below has its speed and noise, and the
    lowest speed that is enough.
    """
    limit_c, at_limit_c, case = answer.limit_c, answer.ambient_at_limit_c, answer.case_rise_k
    whole = answer.table[["ambient_c", "mean_c", "low_c", "high_c"]].notna().all(axis=1)
    table = answer.table[whole].sort_values("ambient_c")
    ambient = table["ambient_c"].to_numpy(float)
    _line(ax, table, ("mean_c", "low_c", "high_c"))
    ax.axhline(limit_c, color=WARM, linewidth=1.6, linestyle=(0, (6, 3)), zorder=2)
    low, high = ax.get_ylim()
    is_top = limit_c > high - _NEAR_TOP * (high - low)
    # Clear of the words at the crossing, which stand at its left where it is late.
    share = (at_limit_c - ambient.min()) / np.ptp(ambient) if len(ambient) > 1 else 0.0
    is_right = bool(0.5 < share < _LATE)
    ax.annotate(
        f"limit {limit_c:g} °C",
        (1.0 if is_right else 0.0, limit_c),
        xytext=(-5 if is_right else 5, -3 if is_top else 3),
        ha="right" if is_right else "left",
        va="top" if is_top else "baseline",
        color=WARM,
        xycoords=("axes fraction", "data"),
        textcoords="offset points",
        fontsize=text_size(),
    )
    if _inside(at_limit_c, ambient):
        words = f"{at_limit_c:.1f} °C {'room' if case else 'ambient'}"
        _crossing(ax, words, (at_limit_c, limit_c), is_late=share > 0.5)
    fan = answer.firmware is not None
    axis = "Ambient at the cooler's intake [°C]"
    if case:
        axis = f"Room [°C]; the cooler's intake is {case:g} K warmer"
    finish(ax, answer.title, "" if fan else axis, grid="both", pad=34 * text_size() / SIZE)
    label = f"{answer.sensor[:1].upper()}{answer.sensor[1:]} temperature [°C]"
    ax.set_ylabel(label, fontsize=text_size(), color=INK)
    chance = table["p_exceed"].to_numpy(float)
    for place in _spaced(ambient):
        if np.isfinite(chance[place]):
            _above(ax, ambient[place], percent_words(chance[place]))
    _heading(ax, "Chance of exceeding the limit")
    lowest = _fan_panel(answer, ax, axis) if fan else ax
    left_out = answer.table.loc[~whole, "ambient_c"]
    extra = ""
    if len(left_out):
        extra = f"Not estimable: {', '.join(f'{c:g}' for c in left_out)} °C, see the table."
    note(lowest, answer.interval_words, [], [], mark="Line: mean; band", extra=extra)


def _line(ax: Axes, table: pd.DataFrame, columns: tuple[str, str, str]) -> None:
    """Draw a mean by ambient with its band."""
    ambient = table["ambient_c"].to_numpy(float)
    mean, low, high = (table[name].to_numpy(float) for name in columns)
    ax.fill_between(ambient, low, high, color=BAND, linewidth=0, zorder=1)
    size = 5 if len(ambient) < _MOST_MARKS else 0
    ax.plot(ambient, mean, color=MAIN, linewidth=1.8, zorder=3, marker="o", markersize=size)


def _fan_panel(answer: Margin, ax: Axes, axis: str) -> Axes:
    """Draw fan speed and noise by ambient in a panel of their own."""
    table = answer.table[answer.table["fan_rpm"].notna()].sort_values("ambient_c")
    panel = _below(ax)
    ax.tick_params(axis="x", labelbottom=False)
    _line(panel, table, ("fan_rpm", "fan_rpm_low", "fan_rpm_high"))
    enough = answer.table[answer.table["enough_rpm"].notna()].sort_values("ambient_c")
    if len(enough):
        panel.plot(
            enough["ambient_c"].to_numpy(float),
            enough["enough_rpm"].to_numpy(float),
            color=WARM,
            linewidth=1.4,
            linestyle=(0, (6, 3)),
            marker="^",
            markersize=5,
            zorder=2,
        )
        first = enough.iloc[0]
        panel.annotate(
            f"enough at {answer.risk:.0%} risk",
            (first["ambient_c"], first["enough_rpm"]),
            xytext=(8, -4),
            textcoords="offset points",
            va="top",
            fontsize=text_size(),
            color=WARM,
        )
    at_most_c = answer.ambient_at_most_c
    ambient = table["ambient_c"].to_numpy(float)
    if _inside(at_most_c, ambient):
        # Late in the sweep, the words go to the left.
        is_late = at_most_c > ambient.mean()
        panel.axvline(at_most_c, color=INK, linewidth=1.0, linestyle=":", zorder=2)
        panel.annotate(
            f"highest speed from {at_most_c:.0f} °C",
            (at_most_c, 0.0),
            xycoords=panel.get_xaxis_transform(),
            xytext=(-5 if is_late else 5, 4),
            ha="right" if is_late else "left",
            textcoords="offset points",
            fontsize=text_size(),
            color=INK,
        )
    finish(panel, "", axis, grid="both")
    panel.margins(y=0.2)
    panel.set_ylabel("Fan speed [rpm]", fontsize=text_size(), color=INK)
    if "noise_dba" in table:
        numbers = table[["ambient_c", "noise_dba"]].to_numpy(float)
        for x, level in numbers[_spaced(numbers[:, 0])]:
            words = f"{level:.0f}" if np.isfinite(level) else "–"
            _above(panel, x, words)
        _heading(panel, "Noise [dB(A)]")
    return panel


def _below(ax: Axes) -> Axes:
    """Return the lower part of the axes' room to a second panel with the same ambients."""
    figure, place = ax.figure, ax.get_subplotspec()
    if place is not None:
        both = place.subgridspec(2, 1, height_ratios=_HEIGHTS)
        ax.set_subplotspec(both[0])
        return figure.add_subplot(both[1], sharex=ax)
    box = ax.get_position()
    share = _HEIGHTS[1] / sum(_HEIGHTS)
    ax.set_position(
        (box.x0, box.y0 + (share + 0.1) * box.height, box.width, (0.9 - share) * box.height)
    )
    return figure.add_axes((box.x0, box.y0, box.width, (share - 0.1) * box.height), sharex=ax)


def _spaced(values: np.ndarray) -> list[int]:
    """Return the places of values that are far enough apart to be written above."""
    places: list[int] = []
    gap = _APART * np.ptp(values) if len(values) else 0.0
    for place, value in enumerate(values):
        if not places or value - values[places[-1]] > gap:
            places.append(place)
    return places


def _crossing(ax: Axes, words: str, place: tuple[float, float], *, is_late: bool) -> None:
    """Mark where the mean reaches the limit; late ones are named at the left, above."""
    ax.plot(
        [place[0]],
        [place[1]],
        marker="D",
        markersize=7,
        zorder=4,
        color="white",
        markeredgecolor=INK,
        markeredgewidth=1.4,
    )
    ax.annotate(
        words,
        place,
        xytext=(-8, 6) if is_late else (7, -13),
        ha="right" if is_late else "left",
        textcoords="offset points",
        fontsize=text_size(),
        color=INK,
    )


def _inside(value: float, values: np.ndarray) -> bool:
    return len(values) > 0 and bool(values.min() <= value <= values.max())


def _above(ax: Axes, x: float, words: str) -> None:
    """Write words above the axes at an ambient."""
    ax.text(
        x,
        1.015,
        words,
        transform=ax.get_xaxis_transform(),
        ha="center",
        va="bottom",
        fontsize=text_size(),
        color=INK,
    )


def _heading(ax: Axes, words: str) -> None:
    """Name the line of words above the axes."""
    ax.annotate(
        words,
        (0.0, 1.0),
        xycoords="axes fraction",
        xytext=(0, 2.0 * text_size()),
        textcoords="offset points",
        fontsize=text_size(),
        color=QUIET,
    )
