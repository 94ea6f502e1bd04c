"""Cycles and slow drifts of a rise over its whole record at load, beyond its window."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from thermcmp._types import Array
from thermcmp.telemetry.steady_state.autocorrelation import autocorrelation
from thermcmp.telemetry.steady_state.run_data import block_means
from thermcmp.telemetry.steady_state.sampling_interval import readings_in, usual_step_s

#: Blocks per window.
_BLOCKS: Final = 10
#: Fewest positions of a window over which it is seen to wander.
_LEAST_PLACES: Final = 3
#: A later peak of the autocorrelation that is as high as this is a cycle.
_PEAK: Final = 0.3
#: Share of the highest peak that the first one has.
_FIRST: Final = 0.8
#: Fewest whole cycles for a mean.
_LEAST_CYCLES: Final = 2


@dataclass(frozen=True, slots=True)
class Wander:
    """How the mean of a window wanders over the record."""

    rms_k: float  #: root mean square change of earlier windows' means, beyond their noise [K]
    period_s: float  #: period of a cycle [s]; NaN where none is seen
    span_s: float  #: time that was seen [s]
    swing_k: float = 0.0  #: twice the amplitude of a sine with the spread of the record [K]


@dataclass(frozen=True, slots=True)
class CycleMean:
    """Mean of a rise over whole cycles, with its standard error [K]."""

    mean_k: float
    standard_error_k: float
    cycles: int
    period_s: float


def wander_over(
    time_s: Array, level_k: Array, window_s: float, least_s: float, noise_k: float
) -> Wander:
    """Return how far window means of a level, shapes (n,), differ from that of the last window.

    A window that is long beside the record is seen in shorter ones, whose means scatter more.
    """
    span_s = float(time_s[-1] - time_s[0])
    seen_s = min(window_s, max(least_s, span_s / 2.0))
    share = float(np.sqrt(seen_s / window_s))
    size_s = seen_s / _BLOCKS
    size = readings_in(size_s, time_s)
    # Whole blocks that end with the record.
    means = block_means(level_k[len(level_k) % size :], size)
    places = len(means) - _BLOCKS + 1
    if places < _LEAST_PLACES:
        return Wander(0.0, float("nan"), span_s)
    total = np.concatenate([[0.0], np.cumsum(means)])
    moving = (total[_BLOCKS:] - total[:-_BLOCKS]) / _BLOCKS
    away = moving[:-1] - moving[-1]
    # Overlapping windows share their noise.
    apart = np.minimum(np.arange(len(away), 0, -1), _BLOCKS) / _BLOCKS
    beyond = float(np.mean(away**2)) - 2.0 * (noise_k / share) ** 2 * float(np.mean(apart))
    rms_k = share * float(np.sqrt(max(beyond, 0.0)))
    period = _period(means)
    period_s = float("nan") if period is None else period * size_s
    return Wander(rms_k, period_s, span_s, float(np.sqrt(8.0) * np.std(means)))


def cycle_mean(time_s: Array, rise_k: Array, period_s: float) -> CycleMean | None:
    """Return the mean of a rise over its last whole cycles; None if there are too few."""
    cycles = int((time_s[-1] - time_s[0] + usual_step_s(time_s)) / period_s)
    if cycles < _LEAST_CYCLES:
        return None
    age = ((time_s[-1] - time_s) / period_s).astype(np.int64)
    inside = age < cycles
    counts = np.bincount(age[inside], minlength=cycles)
    means = np.bincount(age[inside], rise_k[inside], minlength=cycles) / np.maximum(counts, 1)
    scatter = float(np.std(means, ddof=1)) / np.sqrt(cycles)
    # A period that is wrong by a tenth leaves that share of a cycle's swing.
    swing = float(np.std(rise_k[inside]))
    error = float(np.hypot(scatter, 0.1 * swing / cycles))
    return CycleMean(float(means.mean()), error, cycles, period_s)


def _period(means: Array) -> int | None:
    """Return the period of a cycle in blocks; None without one."""
    n = len(means)
    r = autocorrelation(means) * n / np.maximum(n - np.arange(n), 1)
    negative = np.flatnonzero(r[: 2 * n // 3] < 0.0)
    if not len(negative):
        return None
    later = r[negative[0] : 2 * n // 3]
    # The first peak: those of two and three cycles are as high.
    high = np.flatnonzero(later >= max(_FIRST * float(later.max()), _PEAK))
    if not len(high):
        return None
    peak = high[: int(np.argmax(np.append(np.diff(high) > 1, True))) + 1]
    lag = int(negative[0] + peak[np.argmax(later[peak])])
    return lag if lag >= 3 else None
