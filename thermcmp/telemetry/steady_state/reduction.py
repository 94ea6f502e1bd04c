"""What becomes of one run: its result rows, or why there are none."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from html import escape
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from thermcmp._types import Int64Array
from thermcmp.telemetry.quantities import AMBIENT, sensor_names
from thermcmp.telemetry.steady_state.checks import Check
from thermcmp.telemetry.steady_state.load import Span
from thermcmp.telemetry.steady_state.protocol import Protocol, Verdict

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: More points than this are thinned; a figure cannot show them.
_POINTS: Final = 4000
_WORDS: Final = 160
#: Columns of a verdict table.
VERDICT_COLUMNS = ("check", "sensor", "verdict", "figure", "limit", "unit", "second", "words")


def worst(checks: tuple[Check, ...] | list[Check]) -> Verdict:
    """Return the worst verdict of some checks; a pass without any."""
    return max((c.verdict for c in checks), key=lambda v: v.severity, default=Verdict.PASS)


def reason_of(checks: tuple[Check, ...] | list[Check]) -> str:
    """Describe why a verdict is not a plain pass."""
    told = sorted(
        (c for c in checks if c.verdict is not Verdict.PASS), key=lambda c: -c.verdict.severity
    )
    return "; ".join(
        (f"{c.sensor}: " if c.sensor else "")
        + c.words
        + ("" if pd.isna(c.second) else f" (second {c.second:.0f})")
        for c in told
    )


@dataclass(frozen=True, slots=True, eq=False)
class Reduction:
    """One run reduced: rows, verdicts and the record behind them.

    Attributes
    ----------
    rows : pandas.DataFrame
        A result row per sensor that passed, with or without correction, in the columns
        of the results table; empty where the run is refused.
    estimates : pandas.DataFrame
        The same for all sensors, refused ones included: to look at, not to compare.
    checks : tuple of Check
        Every check, in order.
    window_s : tuple of float or None
        Start and end of the averaged window [s].
    spans : tuple of Span
        Stretches that were not used, and why.
    notes : tuple of str
        What was met or fixed while reading.
    protocol : Protocol
        What was checked against.
    frame : pandas.DataFrame
        The telemetry frame of the run.
    """

    rows: pd.DataFrame
    estimates: pd.DataFrame
    checks: tuple[Check, ...]
    window_s: tuple[float, float] | None
    spans: tuple[Span, ...]
    protocol: Protocol
    frame: pd.DataFrame = field(repr=False)
    notes: tuple[str, ...] = ()

    @property
    def verdict(self) -> Verdict:
        """Verdict on the run: refused where no sensor is left."""
        if self.rows.empty:
            return Verdict.REFUSED
        return max((Verdict(v) for v in self.rows["protocol_verdict"]), key=lambda v: v.severity)

    @property
    def reason(self) -> str:
        """Why the verdict is not a plain pass; empty for one."""
        return reason_of(self.checks)

    @property
    def verdicts(self) -> pd.DataFrame:
        """Table of the checks: figure, limit, unit and the second where it broke [s]."""
        records = [asdict(check) for check in self.checks]
        table = pd.DataFrame(
            records, columns=[f if f != "check" else "name" for f in VERDICT_COLUMNS]
        )
        table = table.rename(columns={"name": "check"})
        table["verdict"] = [str(c.verdict) for c in self.checks]
        return table

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the whole run with its window, the spans left out and the verdict.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure (without pyplot) by default.

        Returns
        -------
        matplotlib.axes.Axes
            The axes drawn on; its ``.figure`` can be saved.
        """
        return _draw_run(self, ax)

    def __str__(self) -> str:
        shown = ["sensor", "temperature_c", "standard_error_k", "ambient_c", "fan_rpm", "power_w"]
        lines = [f"Run: {self.verdict}" + (f" ({self.reason})" if self.reason else "")]
        if len(self.rows):
            lines.append(self.rows[shown].to_string(index=False, na_rep="–"))
        return "\n".join([*lines, *(f"Note: {note}" for note in self.notes)])

    def _repr_html_(self) -> str:
        table = self.verdicts.to_html(index=False, na_rep="–")
        return f"<p>{escape(str(self.verdict))}: {escape(self.reason)}</p>{table}"


def _draw_run(reduction: Reduction, ax: Axes | None) -> Axes:
    """Draw sensors over time, the window, spans left out, breaks and the verdict."""
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


def _breaks(frame: pd.DataFrame) -> Int64Array:
    """Return which readings begin a new segment."""
    if "segment" not in frame:
        return np.array([], dtype=np.int64)
    segment = frame["segment"].to_numpy()
    return np.flatnonzero(np.diff(segment, prepend=segment[:1]) != 0)
