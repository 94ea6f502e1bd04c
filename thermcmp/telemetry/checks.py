"""A check of the protocol, and the means and movements that checks judge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from thermcmp.telemetry.protocol import Verdict
from thermcmp.telemetry.steady import time_weights

Floats = npt.NDArray[np.float64]

_BLOCKS: Final = 5


@dataclass(frozen=True, slots=True)
class Check:
    """One check of the protocol.

    Attributes
    ----------
    name : str
        What was checked.
    verdict : Verdict
        Its outcome.
    words : str
        What was found, in plain words.
    figure : float
        The figure that was judged; NaN where there is none.
    limit : float
        What it was judged against.
    unit : str
        Unit of both.
    second : float
        When it broke [s]; NaN where it held.
    sensor : str
        Sensor it is about; empty for the whole run.
    """

    name: str
    verdict: Verdict
    words: str
    figure: float = float("nan")
    limit: float = float("nan")
    unit: str = ""
    second: float = float("nan")
    sensor: str = ""


def between(frame: pd.DataFrame, start_s: float, end_s: float) -> pd.DataFrame:
    """Return the readings of a span of time.

    Parameters
    ----------
    frame : pandas.DataFrame
        A telemetry frame.
    start_s, end_s : float
        Ends of the span, both included [s].

    Returns
    -------
    pandas.DataFrame
        A slice of the frame.
    """
    time_s = frame["time_s"].to_numpy(dtype=float)
    first = int(np.searchsorted(time_s, start_s, side="left"))
    return frame.iloc[first : int(np.searchsorted(time_s, end_s, side="right"))]


def weighted_mean(frame: pd.DataFrame, name: str) -> float:
    """Return the time-weighted mean of a column, NaN without readings.

    Parameters
    ----------
    frame : pandas.DataFrame
        A piece of a telemetry frame.
    name : str
        Column; need not be there.

    Returns
    -------
    float
        Mean in the column's unit.
    """
    if name not in frame:
        return float("nan")
    values = frame[name].to_numpy(dtype=float)
    known = ~np.isnan(values)
    if not known.any():
        return float("nan")
    weights = time_weights(frame["time_s"].to_numpy(dtype=float)[known])
    return float(np.average(values[known], weights=weights))


def movement(window: pd.DataFrame, name: str) -> tuple[float, float]:
    """Return how far a column moved in a window, and when it was farthest off.

    Parameters
    ----------
    window : pandas.DataFrame
        Readings of the window.
    name : str
        Column.

    Returns
    -------
    moved : float
        Range of the means of five parts of the window, in the column's unit: swings
        within a part do not count, trends and steps do. NaN with fewer than ten readings.
    second : float
        Middle of the part that is farthest from the mean [s].
    """
    values = window[name].to_numpy(dtype=float)
    known = ~np.isnan(values)
    if np.count_nonzero(known) < 2 * _BLOCKS:
        return float("nan"), float("nan")
    values, times = values[known], window["time_s"].to_numpy(dtype=float)[known]
    edges = np.linspace(0, len(values), _BLOCKS + 1).astype(int)
    means = np.add.reduceat(values, edges[:-1]) / np.diff(edges)
    worst = int(np.argmax(np.abs(means - means.mean())))
    second = float(times[(edges[worst] + edges[worst + 1]) // 2])
    return float(np.ptp(means)), second


def stated_value(run: Mapping[str, Any], name: str) -> float:
    """Return a number of the run sheet, NaN where it has none.

    Parameters
    ----------
    run : mapping
        The run's row.
    name : str
        Column of the run sheet.

    Returns
    -------
    float
        The value.
    """
    value = run.get(name)
    return float("nan") if value is None or pd.isna(value) else float(value)
