"""The figure of a reduced run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from thermcmp.telemetry.protocol import Verdict
from thermcmp.telemetry.quantities import AMBIENT, sensor_names

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermcmp.telemetry.checks import Check
    from thermcmp.telemetry.reduction import Reduction

#: More points than this are thinned; a figure cannot show them.
_POINTS: Final = 4000
_WORDS: Final = 160


def draw_run(reduction: Reduction, ax: Axes | None = None) -> Axes:
    """Draw a run: sensors over time, its window, spans left out, breaks and verdict.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure by default.

    Returns
    -------
    matplotlib.axes.Axes
        The axes drawn on.
    """
    if ax is None:
        from matplotlib.figure import Figure

        ax = Figure(figsize=(8.6, 4.6), layout="constrained").subplots()
    frame = reduction.frame
    thin = slice(None, None, max(len(frame) // _POINTS, 1))
    minutes = frame["time_s"].to_numpy(dtype=float) / 60.0
    breaks = _breaks(frame)
    sensors = sensor_names(list(frame.columns))
    for name in [*(f"{sensor}_c" for sensor in sensors), AMBIENT]:
        if name in frame:
            values = frame[name].to_numpy(dtype=float).copy()
            # A line over a gap would show readings that nobody took.
            values[breaks] = np.nan
            style: dict[str, Any] = {"ls": ":", "color": "0.35"} if name == AMBIENT else {}
            ax.plot(minutes[thin], values[thin], lw=1.1, label=name.removesuffix("_c"), **style)
    for span in reduction.spans:
        ax.axvspan(span.start_s / 60, span.end_s / 60, color="0.88", lw=0, zorder=0)
        ax.text(
            span.start_s / 60,
            1.0,
            f" {span.reason}",
            transform=ax.get_xaxis_transform(),
            va="top",
            rotation=90,
            fontsize=7,
            color="0.35",
        )
    if reduction.window_s is not None:
        start, end = (second / 60 for second in reduction.window_s)
        ax.axvspan(
            start, end, facecolor="none", edgecolor="0.2", hatch="//", alpha=0.25, label="window"
        )
    _draw_breaks(ax, reduction)
    words = f"{reduction.verdict}" + (f": {reduction.reason}" if reduction.reason else "")
    ax.set_title(
        words if len(words) <= _WORDS else words[: _WORDS - 1] + "…",
        fontsize=8,
        loc="left",
        wrap=True,
    )
    ax.set_xlabel("time [min]")
    ax.set_ylabel("temperature [°C]")
    ax.legend(loc="best", fontsize=8)
    return ax


def _draw_breaks(ax: Axes, reduction: Reduction) -> None:
    """Mark each second at which checks broke, with their names."""
    seconds: dict[float, list[Check]] = {}
    for check in reduction.checks:
        if check.verdict is not Verdict.PASS and not np.isnan(check.second):
            seconds.setdefault(check.second, []).append(check)
    for second, checks in seconds.items():
        refused = any(check.verdict is Verdict.REFUSED for check in checks)
        ax.axvline(second / 60, color="0.1", lw=0.9, ls="-" if refused else "--")
        ax.annotate(
            ", ".join(dict.fromkeys(check.name for check in checks)),
            (second / 60, 0.02),
            xycoords=ax.get_xaxis_transform(),
            rotation=90,
            fontsize=7,
            va="bottom",
            ha="right",
        )


def _breaks(frame: pd.DataFrame) -> npt.NDArray[np.int64]:
    """Tell which readings begin a new segment."""
    if "segment" not in frame:
        return np.array([], dtype=np.int64)
    segment = frame["segment"].to_numpy()
    return np.flatnonzero(np.diff(segment, prepend=segment[:1]) != 0)
