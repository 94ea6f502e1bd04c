"""Figures of the laboratories' offsets, and of the funnel of their results."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.questions.offsets import offsets_figure
from thermcmp.questions.plot_style import (
    BAND,
    INK,
    MAIN,
    PALE,
    QUIET,
    RULE,
    WARM,
    finish,
    note,
    text_size,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Two-sided chances of the contours, and the colours outside the last and between them.
_CONTOURS: Final = (0.01, 0.05, 0.10)
_OUTSIDE: Final = (RULE, BAND, PALE)
#: Points named, those farthest off.
_NAMED: Final = 5


def laboratories_figure(answer: Any, ax: Axes) -> None:
    """Draw each laboratory's offset over the band of a further laboratory."""
    offsets_figure(
        answer,
        ax,
        label="lab",
        levels="laboratories",
        band_k=answer.new_lab_k,
        band="what a further laboratory would read of one card",
    )


def funnel_figure(answer: Any, ax: Axes) -> None:
    """Draw results against their standard errors, with contours of chance and Egger's line."""
    table, pair = answer.table, answer.pair is not None
    errors = np.linspace(0.0, 1.12 * float(table["error_k"].max()), 60)
    far = _contours(ax, errors, np.hypot(errors, answer.between_k), to_left=answer.pooled_k > 0.0)
    far = max(far, 1.08 * float(table["mean_k"].abs().max()), 1.08 * abs(answer.pooled_k))
    ax.axvline(0.0, color=INK, linewidth=0.9, zorder=2)
    if pair:
        ax.axvline(answer.pooled_k, color=MAIN, linewidth=1.2, linestyle=(0, (6, 4)), zorder=2)
    is_told = bool(np.isfinite(answer.p_symmetric))
    if is_told:
        _slope_line(answer, ax)
    ax.plot(
        table["mean_k"], table["error_k"], marker="o", markersize=5.5, linestyle="none",
        color=MAIN, markeredgecolor="white", markeredgewidth=0.8, zorder=4,
    )  # fmt: skip
    off = (table["mean_k"] - answer.pooled_k).abs() / table["error_k"]
    named = off.nlargest(_NAMED) if pair else table["p_as_far"][table["p_as_far"] < _CONTOURS[1]]
    for at in named.index[:_NAMED]:
        row, right = table.loc[at], table.loc[at, "mean_k"] < 0.0
        ax.annotate(
            row["lab"] if pair else f"{row['product']} at {row['lab']}",
            (row["mean_k"], row["error_k"]), xytext=(6 if right else -6, 0), color=INK,
            textcoords="offset points", ha="left" if right else "right", va="center",
            fontsize=text_size() - 2, zorder=5,
        )  # fmt: skip
    ax.set_xlim(-far, far)
    ax.set_ylim(errors[-1], 0.0)
    ax.set_facecolor(_OUTSIDE[0])
    ax.set_ylabel("Standard error by own runs [K]", fontsize=text_size(), color=INK)
    finish(ax, answer.title, "Difference [K]" if pair else "Own result less that of all rows [K]")
    ax.margins(x=0.0)
    beside = "by its own error" if pair else "the spread between laboratories allowed for"
    extra = "Dashed: the difference by all rows. " if pair else ""
    extra += "Sloping line: Egger's regression. " if is_told else ""
    note(
        ax, f"10, 5 and 1% chance to lie farther from 0, {beside}", [], [],
        mark="Point: a laboratory's own result. Contours",
        extra=f"{extra}Asymmetry has many causes.",
    )  # fmt: skip


def _contours(ax: Axes, errors: Array, spread: Array, *, to_left: bool) -> float:
    """Draw contours of chance about 0, named on one side; return the widest [K]."""
    from scipy.special import ndtri

    ends = [-float(ndtri(chance / 2.0)) for chance in _CONTOURS]
    colours = (*_OUTSIDE[1:], "white")
    for place, (end, chance, colour) in enumerate(zip(ends, _CONTOURS, colours, strict=True)):
        ax.fill_betweenx(errors, -end * spread, end * spread, color=colour, zorder=1, linewidth=0)
        for side in (-1.0, 1.0):
            ax.plot(side * end * spread, errors, color=QUIET, linewidth=0.7, zorder=2)
        at = len(errors) - 2 - 5 * place
        ax.annotate(
            f"{chance:.0%}", ((-end if to_left else end) * spread[at], errors[at]),
            xytext=(-2 if to_left else 2, 0), textcoords="offset points", va="center", zorder=3,
            ha="right" if to_left else "left", fontsize=text_size() - 2, color=INK,
        )  # fmt: skip
    return 1.08 * float(ends[0] * spread[-1])


def _slope_line(answer: Any, ax: Axes) -> None:
    """Draw the regression through the weighted middle of the points."""
    table = answer.table
    weight = 1.0 / (table["error_k"] ** 2 + answer.between_k**2)
    middle, size = (np.average(table[name], weights=weight) for name in ("mean_k", "error_k"))
    ends = np.array([table["error_k"].min(), table["error_k"].max()])
    ax.plot(middle + answer.slope * (ends - size), ends, color=WARM, linewidth=1.6, zorder=3)
