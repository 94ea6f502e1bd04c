"""Figure of a bench's sessions in the order of time, with their limits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from thermcmp.questions.interval_plot import interval_figure
from thermcmp.questions.plot_style import RULE

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def sessions_figure(answer: Any, ax: Axes) -> None:
    """Draw what each session adds over the band between the limits, the first one at the top."""
    ax.axvspan(-answer.limit_k, answer.limit_k, color=RULE, zorder=0, linewidth=0.0)
    interval_figure(
        answer,
        ax,
        label="session",
        axis="Offset from the mean of the sessions [K]",
        extra="Band: three standard deviations between sessions.",
    )
