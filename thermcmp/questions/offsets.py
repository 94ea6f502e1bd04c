"""Offsets of like levels, such as laboratories or sessions, in a table and a figure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.checks.laboratories.between import Between
from thermcmp.questions.interval_plot import interval_figure
from thermcmp.questions.plot_style import RULE

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermcmp.questions.answer import Answer


def offset_columns(offsets: Array, compared: Between, prob: float) -> dict[str, Array]:
    """Return the columns of offsets (L, S) with their intervals, and of those by own runs [K]."""
    low, high = np.quantile(offsets, [(1.0 - prob) / 2.0, (1.0 + prob) / 2.0], axis=1)
    return {
        "mean_k": offsets.mean(axis=1),
        "low_k": low,
        "high_k": high,
        "own_k": compared.offset_k,
        "own_error_k": compared.error_k,
        "p_odd": compared.p_odd,
    }


def offsets_figure(
    answer: Answer, ax: Axes, *, label: str, levels: str, band_k: tuple[float, float], band: str
) -> None:
    """Draw each level's offset with its interval over a band."""
    ax.axvspan(*band_k, color=RULE, zorder=0, linewidth=0.0)
    interval_figure(
        answer,
        ax,
        label=label,
        axis=f"Offset from the mean of the {levels} [K]",
        extra=f"Band: {band}.",
    )
