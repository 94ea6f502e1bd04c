"""Figure of a bench's sessions in the order of time, with their limits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from thermcmp.questions.offsets import offsets_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def sessions_figure(answer: Any, ax: Axes) -> None:
    """Draw what each session adds over the band between the limits, the first one at the top."""
    offsets_figure(
        answer,
        ax,
        label="session",
        levels="sessions",
        band_k=(-answer.limit_k, answer.limit_k),
        band="three standard deviations between sessions",
    )
