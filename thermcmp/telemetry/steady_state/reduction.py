"""The reduction of one run: its result rows, or why there are none."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from html import escape
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from thermcmp.telemetry.quantities import AMBIENT, sensor_names
from thermcmp.telemetry.steady_state.checks import Check
from thermcmp.telemetry.steady_state.load import Span
from thermcmp.telemetry.steady_state.protocol import Protocol, Verdict

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Most points of a curve in a figure; more are thinned.
_POINTS: Final = 4000
_TITLE_LENGTH: Final = 160
#: Columns of a verdict table.
VERDICT_COLUMNS = ("check", "sensor", "verdict", "figure", "limit", "unit", "second", "words")


def worst(checks: tuple[Check, ...] | list[Check]) -> Verdict:
    """Return the worst verdict of some checks; a pass where there are none."""
    return max((c.verdict for c in checks), key=lambda v: v.severity, default=Verdict.PASS)


def reason_of(checks: tuple[Check, ...] | list[Check]) -> str:
    """Describe why a verdict is not a plain pass, worst first.

    Corrections do not matter to a refusal, but for a loop that may be behind it.
    """
    verdict = worst(checks)
    failed = [c for c in checks if c.verdict is verdict is not Verdict.PASS]
    if verdict is Verdict.REFUSED:
        failed += [c for c in checks if c.name == "regulated"]
    return "; ".join(
        (f"{c.sensor}: " if c.sensor else "")
        + c.words
        + ("" if pd.isna(c.second) else f" (second {c.second:.0f})")
        for c in failed
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
        The same for all sensors, also refused ones: to inspect, not to compare.
    checks : tuple of Check
        Every check, in order.
    window_s : tuple of float or None
        Start and end of the averaged window [s].
    spans : tuple of Span
        Stretches of time that were not used, and why.
    notes : tuple of str
        What was left out or corrected while reading.
    protocol : Protocol
        Protocol of the run, with its own targets.
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
        """Why the verdict is not a plain pass; empty if it is."""
        return reason_of(self.checks)

    @property
    def verdicts(self) -> pd.DataFrame:
        """Table of the checks: figure, limit, unit and the second at which it broke."""
        records = [asdict(check) for check in self.checks]
        columns = ["name", *VERDICT_COLUMNS[1:]]
        table = pd.DataFrame(records, columns=columns).rename(columns={"name": "check"})
        table["verdict"] = [str(c.verdict) for c in self.checks]
        return table

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the whole run with its window, the spans left out and the verdict.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Axes to draw on; by default those of a new figure (without pyplot).

        Returns
        -------
        matplotlib.axes.Axes
            Their ``.figure`` can be saved.
        """
        if ax is None:
            from matplotlib.figure import Figure

            ax = Figure(figsize=(8.6, 4.6), layout="constrained").subplots()
        frame = self.frame
        thin = slice(None, None, max(len(frame) // _POINTS, 1))
        minutes = frame["time_s"].to_numpy(dtype=float) / 60.0
        segment = frame["segment"].to_numpy() if "segment" in frame else np.zeros(len(frame))
        sensors = sensor_names(list(frame.columns))
        for name in [*(f"{sensor}_c" for sensor in sensors), AMBIENT]:
            if name in frame:
                values = frame[name].to_numpy(dtype=float).copy()
                # A line across a gap would show readings that do not exist.
                values[np.diff(segment, prepend=segment[:1]) != 0] = np.nan
                style: dict[str, Any] = {"ls": ":", "color": "0.35"} if name == AMBIENT else {}
                ax.plot(minutes[thin], values[thin], lw=1.1, label=name.removesuffix("_c"), **style)
        for span in self.spans:
            ax.axvspan(span.start_s / 60, span.end_s / 60, color="0.88", lw=0, zorder=0)
            where: dict[str, Any] = {"transform": ax.get_xaxis_transform(), "rotation": 90}
            x = span.start_s / 60
            ax.text(x, 1.0, f" {span.reason}", va="top", fontsize=7, color="0.35", **where)
        if self.window_s is not None:
            start, end = (second / 60 for second in self.window_s)
            hatched: dict[str, Any] = {"facecolor": "none", "edgecolor": "0.2", "hatch": "//"}
            ax.axvspan(start, end, alpha=0.25, label="window", **hatched)
        self._draw_shifts(ax)
        self._draw_failures(ax)
        title = f"{self.verdict}" + (f": {self.reason}" if self.reason else "")
        title = title if len(title) <= _TITLE_LENGTH else title[: _TITLE_LENGTH - 1] + "…"
        ax.set_title(title, fontsize=8, loc="left", wrap=True)
        ax.set_xlabel("time [min]")
        ax.set_ylabel("temperature [°C]")
        ax.legend(loc="best", fontsize=8)
        return ax

    def _draw_shifts(self, ax: Axes) -> None:
        """Draw the steady temperature of each sensor beside its window, and what was added."""
        if self.window_s is None:
            return
        start, end = (second / 60 for second in self.window_s)
        added: dict[str, float] = {}
        for check in self.checks:
            if check.name in ("air", "soak end"):
                added[check.sensor] = added.get(check.sensor, 0.0) + check.figure
        for row in self.rows.to_dict("records"):
            level, shift = row["temperature_c"], added.get(row["sensor"], 0.0)
            ax.hlines(level, start, end, color="0.1", lw=0.9)
            if shift:
                ax.hlines(level - shift, start, end, color="0.1", lw=0.9, ls=":")
                ax.annotate(f"{shift:+.2f} K added".replace("-", "−"), (end, level), fontsize=7,
                            xytext=(0, 4), textcoords="offset points", ha="right")  # fmt: skip

    def _draw_failures(self, ax: Axes) -> None:
        """Mark each second at which checks failed, with their names."""
        seconds: dict[float, list[Check]] = {}
        for check in self.checks:
            if check.verdict is not Verdict.PASS and not np.isnan(check.second):
                seconds.setdefault(check.second, []).append(check)
        for second, failed in seconds.items():
            refused = any(check.verdict is Verdict.REFUSED for check in failed)
            ax.axvline(second / 60, color="0.1", lw=0.9, ls="-" if refused else "--")
            names = ", ".join(dict.fromkeys(check.name for check in failed))
            style: dict[str, Any] = {"xycoords": ax.get_xaxis_transform(), "rotation": 90}
            ax.annotate(names, (second / 60, 0.02), fontsize=7, va="bottom", ha="right", **style)

    def __str__(self) -> str:
        shown = ["sensor", "temperature_c", "standard_error_k", "ambient_c", "fan_rpm", "power_w"]
        lines = [f"Run: {self.verdict}" + (f" ({self.reason})" if self.reason else "")]
        if len(self.rows):
            lines.append(self.rows[shown].to_string(index=False, na_rep="–"))
        return "\n".join([*lines, *(f"Note: {note}" for note in self.notes)])

    def _repr_html_(self) -> str:
        table = self.verdicts.to_html(index=False, na_rep="–")
        return f"<p>{escape(str(self.verdict))}: {escape(self.reason)}</p>{table}"
