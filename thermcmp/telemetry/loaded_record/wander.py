"""Cycles and slow drifts of a rise over its whole record at load, beyond its window."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from thermcmp._types import Array
from thermcmp.telemetry.steady_state.autocorrelation import autocorrelation
from thermcmp.telemetry.steady_state.run_data import block_means
from thermcmp.telemetry.steady_state.sampling_interval import readings_in, usual_step_s

#: Time in which what leaves its level at the end shows [s], smallest move beyond a step [K], and
#: how many times it is that of earlier times.
LAST_S: Final = 20.0
_LEFT_K: Final = 0.5
_CLEAR: Final = 6.0
_LEAST_BLOCKS: Final = 6
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
#: Parts of a record whose means show a cycle that is too long for it: their spread is this many
#: times what neighbours differ by. So it is with less than three cycles; for means without a
#: cycle it is 1 ± 0.13 (von Neumann's ratio; measured on simulated runs).
_PARTS: Final = 20
_SLOW_RATIO: Final = 1.6
#: An approach that is fitted through part of a cycle ends this many times further away than
#: what the fit leaves over (a choice, from simulated cycles of 350 to 1,200 s).
_HIDDEN: Final = 5.0


@dataclass(frozen=True, slots=True)
class Wander:
    """How the mean of a window wanders over the record."""

    rms_k: float  #: root mean square change of earlier windows' means, beyond their noise [K]
    period_s: float  #: period of a cycle [s]; NaN where none is seen
    span_s: float  #: time that was seen [s]
    swing_k: float = 0.0  #: twice the amplitude of a sine with the spread of the record [K]
    too_long: bool = False  #: whether what moves is too long for the record to be seen whole


@dataclass(frozen=True, slots=True)
class CycleMean:
    """Mean of a rise over whole cycles, with its standard error [K]."""

    mean_k: float
    standard_error_k: float
    cycles: int
    period_s: float


def wander_over(
    time_s: Array,
    level_k: Array,
    window_s: float,
    least_s: float,
    noise_k: float,
    rounding_k: float = 0.0,
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
    hidden_k = _hidden_k(level_k, rounding_k)
    if places < _LEAST_PLACES:
        return Wander(hidden_k, float("nan"), span_s, too_long=hidden_k > 0.0)
    total = np.concatenate([[0.0], np.cumsum(means)])
    moving = (total[_BLOCKS:] - total[:-_BLOCKS]) / _BLOCKS
    away = moving[:-1] - moving[-1]
    # Overlapping windows share their noise.
    apart = np.minimum(np.arange(len(away), 0, -1), _BLOCKS) / _BLOCKS
    beyond = float(np.mean(away**2)) - 2.0 * (noise_k / share) ** 2 * float(np.mean(apart))
    rms_k = share * float(np.sqrt(max(beyond, 0.0)))
    period = _period(means)
    period_s = float("nan") if period is None else period * size_s
    swing_k, too_long = float(np.sqrt(8.0) * np.std(means)), hidden_k > rms_k
    return Wander(max(rms_k, hidden_k), period_s, span_s, swing_k, too_long)


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


def end_departure_k(time_s: Array, level_k: Array, step_k: float) -> float:
    """Return how far a level, shapes (n,), leaves itself at its very end [K]; 0 where it does not.

    Medians leave out a few readings after the load.
    """
    size = readings_in(LAST_S, time_s)
    if len(level_k) < _LEAST_BLOCKS * size:
        return 0.0
    blocks = np.median(level_k[len(level_k) % size :].reshape(-1, size), axis=1)
    # What fails may do so some blocks before the end.
    before = blocks[: 2 * len(blocks) // 3]
    away = float(blocks[-1] - np.mean(before))
    least_k = max(_LEFT_K + step_k, _CLEAR * float(np.std(before)))
    return away if abs(away) > least_k else 0.0


def _hidden_k(level_k: Array, rounding_k: float) -> float:
    """Return how far a cycle that is too long for its record may have moved the end [K]."""
    size = len(level_k) // _PARTS
    if not size:
        return 0.0
    means = block_means(level_k[len(level_k) % size :], size)
    spread, noise = float(np.std(means)), float(np.sqrt(np.mean(np.diff(means) ** 2) / 2.0))
    # A bias anywhere between its ends is a rectangular distribution (JCGM 100, 4.3.7).
    if spread <= _SLOW_RATIO * float(np.hypot(noise, rounding_k / np.sqrt(3.0))):
        return 0.0
    return _HIDDEN * float(np.sqrt(spread**2 - noise**2))


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
