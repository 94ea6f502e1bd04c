"""Whether a rise has settled, and its mean with a standard error.

The test is one of equivalence: a rise is settled when its drift is shown to be below the
limit, not when none is seen. Coarse steps and slow noise widen the possible drift.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from thermcmp._types import Array
from thermcmp.telemetry.steady_state.autocorrelation import (
    autocorrelation,
    cycle_in,
    effective_size,
    size_by,
)
from thermcmp.telemetry.steady_state.quantization import rounding_bias_of
from thermcmp.telemetry.steady_state.run_data import time_weights
from thermcmp.telemetry.steady_state.sampling_interval import usual_step_s

#: Fewest readings for a mean.
LEAST_READINGS: Final = 20
_LEAST_CYCLES: Final = 3
#: Readings within this many steps are at one of two neighbouring ones.
_ONE_STEP: Final = 1.01
#: One-sided 95 % point of the normal distribution.
Z95: Final = 1.6448536


class Settled(StrEnum):
    """What the readings show about the drift of a window."""

    SETTLED = "settled"
    UNDECIDED = "undecided"
    DRIFTING = "drifting"
    CYCLING = "cycling"
    TOO_FEW = "too few readings"


@dataclass(frozen=True, slots=True)
class WindowMean:
    """Mean of the rise in a window."""

    settled: Settled
    #: Time-weighted mean of the rise, over whole cycles where it cycles, and its standard error
    #: with autocorrelation and the sensor's step [K].
    mean_k: float
    standard_error_k: float
    drift_k_per_min: float  #: slope of the rise [K/min]
    #: Smallest and largest drift that the readings allow (one-sided 95 % each) [K/min].
    drift_low_k_per_min: float
    drift_high_k_per_min: float
    effective_n: float  #: effective number of independent readings
    n: int
    swing_k: float  #: width of the middle 95 % of the rise around its slope [K]
    cycle_s: float  #: period of a cycle in the rise [s]; NaN where there is none
    rounding_k: float  #: largest bias of the mean by the sensor's step [K]


def window_mean(
    time_s: npt.ArrayLike,
    rise_k: npt.ArrayLike,
    *,
    step_k: float,
    drift_limit_k_per_min: float,
    swing_limit_k: float,
    reading_c: npt.ArrayLike | None = None,
) -> WindowMean:
    """Return the mean and the drift of a window of readings, all of shape (n,)."""
    from scipy.special import stdtrit

    t = np.asarray(time_s, dtype=np.float64)
    y = np.asarray(rise_k, dtype=np.float64)
    if len(y) < LEAST_READINGS or not t[-1] > t[0]:
        nan = float("nan")
        return WindowMean(Settled.TOO_FEW, nan, nan, nan, nan, nan, 0.0, len(y), nan, nan, nan)
    axis = _axis(t.tobytes())
    mean, slope, residual = axis.line(y)
    rounded = residual if reading_c is None else axis.line(np.asarray(reading_c, float))[2]
    bias = rounding_bias_of(rounded, step_k)
    r = autocorrelation(residual)
    cycle = cycle_in(r)
    whole = 0 if cycle is None else len(y) // cycle
    if cycle is not None and whole >= _LEAST_CYCLES:
        t, y = t[-whole * cycle :], y[-whole * cycle :]
        mean, _, residual = _axis(t.tobytes()).line(y)
        # Readings within a cycle depend on each other; only whole cycles are repeats.
        t_cycles, y_cycles = (v.reshape(whole, cycle).mean(axis=1) for v in (t, y))
        _, slope, left = _axis(t_cycles.tobytes()).line(y_cycles)
        n_eff, spread_t = float(whole), float(np.std(t_cycles))
        # A few cycles may agree by chance: the noise within them shows how well they can.
        cycles = residual.reshape(whole, cycle)
        noise = (cycles - cycles.mean(axis=0)).ravel()
        least = float(noise @ noise) / noise.size / effective_size(noise) * whole / (whole - 1)
    else:
        left, n_eff, spread_t, least = residual, size_by(r), axis.spread_s, 0.0
    ordered = np.sort(residual)
    places = np.array([0.025, 0.975]) * (len(ordered) - 1)
    swing = float(np.diff(np.interp(places, np.arange(len(ordered)), ordered))[0])
    # A trend and a mean absorb some of a correlated spread: the residuals are too small.
    freedom = max(n_eff - 2.0, 1.0)
    variance = max(float(left @ left) / len(left) * n_eff / freedom, least * n_eff)
    slope_error = np.sqrt(variance / n_eff) / spread_t
    # The rounding bias may have opposite signs in the two halves of the window.
    doubt = 60.0 * (stdtrit(freedom, 0.95) * slope_error + 2.0 * bias / float(t[-1] - t[0]))
    error = variance / n_eff
    if reading_c is not None and np.ptp(reading_c) <= _ONE_STEP * step_k:
        # Between two neighbouring steps rounding moves a mean by half a step at most and a slope
        # by 1.5 steps over its length, however long it stays at one of them.
        quick = float(np.mean(np.diff(residual) ** 2)) / 2.0 / len(residual)
        most = 1.5 * step_k / float(t[-1] - t[0])
        doubt = min(doubt, 60.0 * (most + Z95 * np.sqrt(quick) / spread_t))
        error = min(error, step_k**2 / 12.0 + quick)
    drift = 60.0 * slope
    low, high = float(max(abs(drift) - doubt, 0.0)), float(abs(drift) + doubt)
    if swing > swing_limit_k:
        settled = Settled.CYCLING
    elif high <= drift_limit_k_per_min:
        settled = Settled.SETTLED
    else:
        settled = Settled.DRIFTING if low > drift_limit_k_per_min else Settled.UNDECIDED
    # A bias anywhere between its ends is a rectangular distribution (JCGM 100, 4.3.7).
    error = float(np.sqrt(error + bias**2 / 3.0))
    cycle_s = float("nan") if cycle is None else cycle * axis.period_s
    return WindowMean(settled, mean, error, drift, low, high, n_eff, len(y), swing, cycle_s, bias)


@dataclass(frozen=True, slots=True)
class _Axis:
    """Times of a window, prepared for fitting straight lines."""

    weights: Array
    away: Array
    period_s: float
    spread_s: float

    def line(self, y: Array) -> tuple[float, float, Array]:
        """Return the time-weighted mean, the slope and the residuals of a straight line."""
        mean = float(self.weights @ y)
        centred, pull = y - mean, self.weights * self.away
        slope = float(pull @ centred / (pull @ self.away))
        return mean, slope, centred - slope * self.away


# The sensors of a run share their times, and each window is used several times.
@lru_cache(maxsize=16)
def _axis(times: bytes) -> _Axis:
    """Return the axis of times [s], passed as bytes so that they can be cached."""
    t = np.frombuffer(times)
    weights = time_weights(t)
    weights = weights / weights.sum()
    return _Axis(weights, t - float(weights @ t), usual_step_s(t), float(np.std(t)))
