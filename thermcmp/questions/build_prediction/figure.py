"""Figure of a prediction: the temperature's draws."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.questions.plot_style import BAND, INK, MAIN, finish, note, text_size

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermcmp.questions.build_prediction.answer import Prediction

_BINS: Final = 40
#: Least width of the histogram [K].
_NARROWEST_K: Final = 1.0


def prediction_figure(answer: Prediction, ax: Axes) -> None:
    """Draw a histogram of the temperature, with its mean and its interval."""
    draws = answer.draws["temperature_c"].to_numpy()
    draws = draws[np.isfinite(draws)]
    row = answer.table.iloc[0]
    words = ""
    if len(draws):
        ax.axvspan(row["low"], row["high"], color=BAND, linewidth=0, zorder=1)
        # A temperature that the firmware holds has no spread.
        low, high = float(draws.min()), float(draws.max())
        room = max(0.0, _NARROWEST_K - (high - low)) / 2.0
        span = (low - room, high + room)
        ax.hist(draws, bins=_BINS, range=span, color=MAIN, density=True, zorder=2)
        ax.axvline(row["mean"], color=INK, linewidth=1.6, linestyle=(0, (6, 3)), zorder=3)
    else:
        words = f"Temperature {row['health']}."
    ax.set_ylabel("Density [1/K]", fontsize=text_size(), color=INK)
    sensor = f"{answer.sensor[:1].upper()}{answer.sensor[1:]}"
    finish(ax, answer.title, f"{sensor} temperature [°C]", grid="both")
    note(ax, answer.interval_words, [], [], mark="Dashed: mean; band", extra=words)
