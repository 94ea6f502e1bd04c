"""Columns of a run, or of a part of it, as plain arrays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from thermcmp._types import Array
from thermcmp.telemetry.quantities import FIRMWARE, POWER, THROTTLED, dimension_of
from thermcmp.telemetry.steady_state.autocorrelation import (
    autocorrelation,
    cycle_in,
    effective_size,
)
from thermcmp.telemetry.steady_state.sampling_interval import usual_step_s

_BLOCKS: Final = 5


@dataclass(frozen=True, eq=False)
class Readings:
    """Columns of a part of a run, by canonical name."""

    #: Arrays of shape (n,): numbers as floats in the unit of their name, ``throttled`` as bool,
    #: ``firmware`` as read; always with ``time_s`` [s].
    columns: Mapping[str, npt.NDArray[Any]]

    @classmethod
    def of(cls, frame: pd.DataFrame) -> Readings:
        """Return the columns of a telemetry frame."""
        columns: dict[str, npt.NDArray[Any]] = {}
        for name in map(str, frame.columns):
            if name == "time_s" or dimension_of(name) is not None:
                columns[name] = frame[name].to_numpy(dtype=float)
            elif name == THROTTLED:
                columns[name] = frame[name].to_numpy(dtype=bool)
            elif name == FIRMWARE:
                columns[name] = frame[name].to_numpy(dtype=object)
        return cls(columns)

    def __contains__(self, name: str) -> bool:
        return name in self.columns

    def __getitem__(self, name: str) -> npt.NDArray[Any]:
        return self.columns[name]

    def get(self, name: str) -> Array | None:
        """Return a column; None where there is none."""
        return self.columns.get(name)

    @property
    def time_s(self) -> Array:
        """Times [s]."""
        return self.columns["time_s"]

    def between(self, start_s: float, end_s: float) -> Readings:
        """Return the readings of a span of time, both ends included, without a copy."""
        first = int(np.searchsorted(self.time_s, start_s, side="left"))
        inside = slice(first, int(np.searchsorted(self.time_s, end_s, side="right")))
        return Readings({name: values[inside] for name, values in self.columns.items()})

    def known(self, name: str) -> tuple[Array, Array]:
        """Return the times [s] and values at which a column was read."""
        values = self.columns[name]
        missing = np.isnan(values)
        # Usually nothing is missing; then a long log is not copied.
        return (self.time_s[~missing], values[~missing]) if missing.any() else (self.time_s, values)

    def mean(self, name: str) -> float:
        """Return the time-weighted mean of a column; NaN without readings."""
        if name not in self.columns:
            return float("nan")
        times, values = self.known(name)
        if not len(values):
            return float("nan")
        weights = self._weights if times is self.time_s else time_weights(times)
        return float(weights @ values / weights.sum())

    def mean_error(self, name: str) -> float:
        """Return the standard error of that mean by its own scatter; NaN without readings."""
        values = self.known(name)[1] if name in self.columns else np.empty(0)
        if not len(values):
            return float("nan")
        return float(np.std(values) / np.sqrt(effective_size(values)))

    def movement(self, name: str) -> tuple[float, float]:
        """Return how far a column moved, and when it was farthest from its mean [s].

        Means of power are over whole cycles, where it has them, as in a looped test.
        """
        times, values = self.known(name)
        if len(values) < 2 * _BLOCKS:
            return float("nan"), float("nan")
        edges = np.linspace(0, len(values), _BLOCKS + 1).astype(int)
        cycle = cycle_in(autocorrelation(values)) if name == POWER else None
        if cycle is not None:
            size = cycle * max(len(values) // _BLOCKS // cycle, 1)
            edges = np.arange(0, len(values) + 1, size)
            times, values = times[: edges[-1]], values[: edges[-1]]
        means = np.add.reduceat(values, edges[:-1]) / np.diff(edges)
        worst = int(np.argmax(np.abs(means - means.mean())))
        second = float(times[(edges[worst] + edges[worst + 1]) // 2])
        return float(np.ptp(means)), second

    @cached_property
    def _weights(self) -> Array:
        """Time that each reading represents [s]."""
        return time_weights(self.time_s)


def time_weights(time_s: npt.ArrayLike) -> Array:
    """Return the time that each reading represents [s], shape (n,)."""
    t = np.asarray(time_s, dtype=np.float64)
    if len(t) < 2:
        return np.ones(len(t))
    usual = usual_step_s(t)
    steps = np.full(len(t) + 1, usual)
    np.minimum(t[1:] - t[:-1], 1.5 * usual, out=steps[1:-1])
    return np.asarray((steps[:-1] + steps[1:]) / 2.0)


def lagged(values: Array, share: float, start: float) -> Array:
    """Return values after a first-order lag, which takes up a share of a move in each step."""
    from scipy.signal import lfilter

    followed, _ = lfilter([share], [1.0, share - 1.0], values, zi=[(1.0 - share) * start])
    return np.asarray(followed)


def block_means(values: Array, size: int, every: int = 1) -> Array:
    """Return the means of whole blocks of neighbouring readings, or of every k-th block."""
    whole = len(values) // size * size
    blocks = values[:whole].reshape(-1, size)[::every]
    # A product with a vector is many times faster than a mean along a short axis.
    return np.asarray(blocks @ np.full(size, 1.0 / size))
