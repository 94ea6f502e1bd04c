"""What becomes of one run: its result rows, or why there are none."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from html import escape
from typing import TYPE_CHECKING

import pandas as pd

from thermcmp.telemetry.checks import Check
from thermcmp.telemetry.protocol import Protocol, Verdict
from thermcmp.telemetry.stretches import Span

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Columns of a verdict table.
VERDICT_COLUMNS = ("check", "sensor", "verdict", "figure", "limit", "unit", "second", "words")


def worst(checks: tuple[Check, ...] | list[Check]) -> Verdict:
    """Return the worst verdict of some checks; a pass without any.

    Parameters
    ----------
    checks : sequence of Check
        The checks.

    Returns
    -------
    Verdict
        The worst of them.
    """
    return max((c.verdict for c in checks), key=lambda v: v.severity, default=Verdict.PASS)


def reason_of(checks: tuple[Check, ...] | list[Check]) -> str:
    """Say why a verdict is not a plain pass.

    Parameters
    ----------
    checks : sequence of Check
        The checks.

    Returns
    -------
    str
        The words of the worst checks first, with the second where each broke.
    """
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
        What was met or mended while reading.
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
        from thermcmp.telemetry.picture import draw_run

        return draw_run(self, ax)

    def __str__(self) -> str:
        shown = ["sensor", "temperature_c", "standard_error_k", "ambient_c", "fan_rpm", "power_w"]
        lines = [f"Run: {self.verdict}" + (f" ({self.reason})" if self.reason else "")]
        if len(self.rows):
            lines.append(self.rows[shown].to_string(index=False, na_rep="–"))
        return "\n".join([*lines, *(f"Note: {note}" for note in self.notes)])

    def _repr_html_(self) -> str:
        table = self.verdicts.to_html(index=False, na_rep="–")
        return f"<p>{escape(str(self.verdict))}: {escape(self.reason)}</p>{table}"
