"""Figure of the laboratories' offsets, with what a further laboratory would read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from thermcmp.questions.offsets import offsets_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes


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
