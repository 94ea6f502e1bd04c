"""Figure of the laboratories' offsets, with what a further laboratory would read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from thermcmp.questions.interval_plot import interval_figure
from thermcmp.questions.plot_style import RULE

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def laboratories_figure(answer: Any, ax: Axes) -> None:
    """Draw each laboratory's offset with its interval over the band of a further laboratory."""
    ax.axvspan(*answer.new_lab_k, color=RULE, zorder=0, linewidth=0.0)
    interval_figure(
        answer,
        ax,
        label="lab",
        axis="Offset from the mean of the laboratories [K]",
        extra="Band: what a further laboratory would read of one card.",
    )
