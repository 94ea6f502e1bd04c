"""Inspection of one log: its layout, columns, times and load."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from html import escape
from io import BytesIO
from os import PathLike
from pathlib import Path
from textwrap import shorten
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from thermcmp._files import write_whole
from thermcmp.errors import Fault, InputError
from thermcmp.telemetry.inspection.columns import column_table
from thermcmp.telemetry.inspection.sample import sample_of
from thermcmp.telemetry.quantities import (
    DATE,
    DEVICE,
    LOAD,
    POWER,
    TIME,
    is_extreme,
    sensor_names,
)
from thermcmp.telemetry.reading.frame import read_record
from thermcmp.telemetry.reading.options import Column, Reading
from thermcmp.telemetry.side_by_side import cards_in, of_card
from thermcmp.telemetry.steady_state.load import LONG_GAP_S, at_load
from thermcmp.telemetry.steady_state.run_data import Readings
from thermcmp.telemetry.steady_state.sampling_interval import usual_step_s

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: A step of more periods than this is a gap.
_GAP_PERIODS: Final = 5.0
_POINTS: Final = 2_000
_STYLE: Final = (
    "body{font:15px/1.5 sans-serif;margin:2em;max-width:75em}table{border-collapse:collapse;"
    "display:block;overflow-x:auto}td,th{padding:.2em .6em;text-align:left}pre{white-space:"
    "pre-wrap}svg{max-width:100%;height:auto}"
)


@dataclass(frozen=True, slots=True, eq=False)
class Inspection:
    """What a log holds.

    Attributes
    ----------
    file : str
        Name of the file.
    layout : str
        Delimiter, headings and first reading in words.
    preamble : tuple of str
        Lines above the readings.
    columns : pandas.DataFrame
        A row per column: position, heading, what it is read as, unit, range, step, shares
        of equal, zero and missing cells, and a remark.
    times : tuple of str
        Form of the times, period, gaps, sessions, devices, load phases and blocks, and what
        was left out or corrected when the log was read.
    problems : tuple of str
        What must be stated before the log can be read; empty if nothing.
    suggestion : dict of str to str or int
        Columns to be given to `read_telemetry` as they are.
    frame : pandas.DataFrame or None
        The readings that were inspected; None where the log cannot be read as it is.
    """

    file: str
    layout: str
    preamble: tuple[str, ...]
    columns: pd.DataFrame
    times: tuple[str, ...]
    problems: tuple[str, ...]
    suggestion: dict[str, str | int]
    frame: pd.DataFrame | None = field(repr=False)

    @property
    def json(self) -> str:
        """The suggested columns as JSON, for ``--columns`` of ``thermcmp watch`` and ``import``."""
        return json.dumps(self.suggestion, ensure_ascii=False)

    def __str__(self) -> str:
        lines = [f"{self.file}: {self.layout}"]
        lines += [f"Above the readings: {line}" for line in self.preamble[:5]]
        lines += ["", self.columns.to_string(index=False, na_rep="–"), "", *self.times]
        lines += [f"To be stated: {problem}" for problem in self.problems]
        return "\n".join([*lines, f"columns={self.suggestion!r}"])

    def _repr_html_(self) -> str:
        facts = (self.layout, *self.times, *(f"To be stated: {p}" for p in self.problems))
        listed = "".join(f"<li>{escape(fact)}</li>" for fact in facts)
        table = self.columns.to_html(index=False, na_rep="–")
        code = escape(f"columns={self.suggestion!r}")
        return f"<h3>{escape(self.file)}</h3><ul>{listed}</ul>{table}<pre>{code}</pre>"

    def save_html(self, path: str | PathLike[str]) -> None:
        """Write the inspection as one page that needs no network, with its figure.

        Parameters
        ----------
        path : str or path-like
            Where to write it; a file there is replaced. A log that cannot be read as it is
            has no figure.

        Raises
        ------
        OSError
            If it cannot be written there.
        """
        figure = ""
        if self.frame is not None:
            buffer = BytesIO()
            picture: Any = self.plot().get_figure(root=True)
            picture.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
            svg = buffer.getvalue().decode("utf-8")
            figure = svg[svg.index("<svg") :]
        above = "".join(f"<li>Above the readings: {escape(line)}</li>" for line in self.preamble)
        title = f'<!doctype html><meta charset="utf-8"><title>{escape(self.file)}</title>'
        page = f"{title}<style>{_STYLE}</style>{self._repr_html_()}<ul>{above}</ul>{figure}"
        write_whole(Path(path), page.encode("utf-8"))

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the temperatures that were read, with the time at load.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Axes to draw on; by default those of a new figure (without pyplot).

        Returns
        -------
        matplotlib.axes.Axes
            Their ``.figure`` can be saved.

        Raises
        ------
        InputError
            If the log cannot be read as it is.
        """
        if self.frame is None:
            fix = "state by inspect(path, …) what read_telemetry needs"
            faults = [Fault(problem.replace(". Fix: ", ": "), fix) for problem in self.problems]
            raise InputError("This log cannot be drawn yet:", faults)
        if ax is None:
            from matplotlib.figure import Figure

            ax = Figure(figsize=(8.6, 4.2), layout="constrained").subplots()
        thin = self.frame.iloc[:: max(len(self.frame) // _POINTS, 1)]
        minutes = thin["time_s"] / 60.0
        for name in [c for c in thin if str(c).endswith("_c")]:
            label = shorten(str(name).removesuffix("_c").replace("_", " "), 40, placeholder=" …")
            ax.plot(minutes, thin[name], lw=1.1, label=label)
        loaded = _loaded(self.frame)
        if loaded is not None:
            shown = loaded[:: max(len(self.frame) // _POINTS, 1)]
            where: dict[str, Any] = {"transform": ax.get_xaxis_transform(), "color": "0.9"}
            ax.fill_between(
                minutes, 0.0, 1.0, where=shown, zorder=0, lw=0, label="at load", **where
            )
        ax.set_xlabel("time [min]")
        ax.set_ylabel("temperature [°C]")
        ax.set_title(self.file, fontsize=9, loc="left")
        if ax.get_legend_handles_labels()[0]:
            ax.legend(loc="best", fontsize=8)
        return ax


def inspect(
    path: str | PathLike[str], columns: Mapping[str, Column] | None = None, **options: Any
) -> Inspection:
    """Show what an unknown log holds, before anything is decided.

    Parameters
    ----------
    path : str or path-like
        The log, as delimited text or Parquet. Of a large file the beginning is inspected.
    columns : mapping, optional
        Columns to read, as for `read_telemetry`; by default the suggested ones.
    **options
        What is known about the log, as for `read_telemetry`.

    Returns
    -------
    Inspection
        Layout, columns, times and load as text, HTML and a figure, with columns to be
        pasted into `read_telemetry`.

    Raises
    ------
    InputError
        If the file cannot be opened, or holds no table.
    """
    with sample_of(Path(path), Reading.of(columns, options)) as sample:
        table, suggestion = column_table(sample.headings, sample.cells)
        problems: tuple[str, ...] = ()
        frame = None
        notes: list[str] = []
        # As stated, else as suggested, else as it is by default.
        ways = (columns,) if columns else (suggestion, None) if suggestion else (None,)
        for stated in ways:
            try:
                record = read_record(sample.path, Reading.of(stated, options))
                frame, notes = record.frame, [f"Note: {note}" for note in record.notes]
                problems = ()
                break
            except InputError as error:
                # What is wrong with the suggestion is what the user will meet.
                problems = problems or tuple(str(replace(f, file="")) for f in error.faults[:5])
    times = () if frame is None else _times(frame, sample.cells, suggestion)
    return Inspection(
        file=Path(path).name,
        layout=sample.layout,
        preamble=sample.preamble,
        columns=table,
        times=(*((sample.part,) if sample.part else ()), *times, *notes),
        problems=problems,
        suggestion=suggestion,
        frame=frame,
    )


def _times(
    frame: pd.DataFrame, cells: pd.DataFrame, suggestion: dict[str, str | int]
) -> tuple[str, ...]:
    """Describe times, gaps, sessions, devices, load phases and set-point blocks."""
    lines = []
    first = frame
    if DEVICE in frame:
        devices = list(frame[DEVICE].dropna().unique())
        lines.append(f"Devices: {', '.join(map(str, devices))}")
        first = frame[frame[DEVICE] == devices[0]] if devices else frame
    elif cards := cards_in(frame):
        lines.append(f"Cards side by side: {', '.join(cards)}; split_by='device' makes runs")
        first = of_card(frame, cards[0])
    time_s = first["time_s"].to_numpy(dtype=float)
    period_s = usual_step_s(time_s)
    steps = np.diff(time_s)
    gaps = steps[steps > _GAP_PERIODS * period_s]
    form = "with dates" if "recorded_at" in frame else "elapsed or of the day"
    lines.append(
        f"Times {form}: {len(time_s)} readings in {time_s[-1] - time_s[0]:.0f} s, every "
        f"{period_s:.3g} s; gaps: {len(gaps)}"
        + (f", the longest {gaps.max():.0f} s" if len(gaps) else "")
    )
    sessions = 1 + int(np.sum(gaps > LONG_GAP_S))
    more = "; split_by='gap' makes runs" if sessions > 1 else ""
    lines.append(f"Sessions (gaps above {LONG_GAP_S:.0f} s): {sessions}{more}")
    loaded = _loaded(first)
    if loaded is not None:
        edges = np.flatnonzero(np.diff(np.concatenate([[False], loaded, [False]]).astype(int)))
        phases = [
            f"{time_s[a]:.0f} to {time_s[b - 1]:.0f} s"
            for a, b in zip(edges[::2], edges[1::2], strict=True)
        ]
        more = f" and {len(phases) - 8} more" if len(phases) > 8 else ""
        lines.append(f"At load: {', '.join(phases[:8]) or 'never'}{more}")
    # A date that changes at midnight is no set point.
    kept = [s for name, s in suggestion.items() if name.endswith(LOAD) or name in (DATE, TIME)]
    for heading in cells:
        if is_extreme(str(heading)) or heading in kept:
            continue
        values = cells[heading].to_numpy(dtype=object)
        changes = int(np.sum(values[1:] != values[:-1]))
        if 0 < changes <= 50 and len(values) >= 60 * (changes + 1):
            shown = ", ".join(map(str, dict.fromkeys(values)))[:80]
            lines.append(f"Blocks of '{heading}': {shown}; split_by={str(heading)!r} makes runs")
    lines += [] if sensor_names(list(map(str, frame.columns))) else ["No sensor is read."]
    return tuple(lines)


def _loaded(frame: pd.DataFrame) -> Any:
    """Return which readings were taken at load; None where it was not logged."""
    readings = Readings.of(frame)
    return at_load(readings.time_s, readings.get(POWER), readings.get(LOAD))
