"""The first-order rise of a warming body, fitted to a run that stopped early."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log
from typing import Final

import numpy as np
import numpy.typing as npt

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.telemetry.steady_state.autocorrelation import effective_size

_LEAST_READINGS: Final = 6
#: With fewer time constants per span than this the readings lie on a straight line.
_LEAST_RATE: Final = 0.02
#: Rates beyond this logarithm are a step or a straight line.
_LOG_RATE: Final = 12.0
#: Number of rates that are tried first, and the largest of them.
_GRID: Final = 12
_LARGEST_RATE: Final = 200.0


@dataclass(frozen=True, slots=True)
class FirstOrderRise:
    """Fit of ``rise(t) = final + (initial - final) * exp(-t / time_constant)``."""

    #: Rise in the long run and at time zero [K].
    final_k: float
    initial_k: float
    time_constant_s: float
    #: Standard errors [K], [s].
    final_error_k: float
    time_constant_error_s: float
    residual_sd_k: float  #: standard deviation of the residuals [K]
    #: Covariance of final rise [K], logarithm of the time constant and initial rise [K], shape
    #: (3, 3); without the last where it was known, shape (2, 2).
    covariance: Array

    def at(self, time_s: npt.ArrayLike) -> Array:
        """Return the fitted rise."""
        decay = np.exp(-np.asarray(time_s, dtype=np.float64) / self.time_constant_s)
        return self.final_k + (self.initial_k - self.final_k) * decay

    def lacking_error_k(self, time_s: npt.ArrayLike) -> float:
        """Return the standard error of the final rise minus the mean rise over some times."""
        age = np.asarray(time_s, dtype=np.float64) / self.time_constant_s
        decay = np.exp(-age)
        mean = float(np.mean(decay))
        by_log_constant = (self.final_k - self.initial_k) * float(np.mean(age * decay))
        slopes = np.array([mean, by_log_constant, -mean])[: len(self.covariance)]
        return float(np.sqrt(max(slopes @ self.covariance @ slopes, 0.0)))


def fit_first_order_rise(
    time_s: npt.ArrayLike,
    rise_k: npt.ArrayLike,
    *,
    initial_k: float | None = None,
    independent: bool = False,
) -> FirstOrderRise:
    """Fit a first-order rise by least squares.

    References
    ----------
    With `initial_k` zero it is the model of Misra1a and BoxBOD of the NIST Statistical
    Reference Datasets, ``b1 * (1 - exp(-b2 * x))``.
    """
    t = np.asarray(time_s, dtype=np.float64)
    y = np.asarray(rise_k, dtype=np.float64)
    if len(t) < _LEAST_READINGS or not np.ptp(t) > 0.0:
        raise _no_rise("too few readings", f"give at least {_LEAST_READINGS}")
    # Scaled so that all parameters are about one: rises in units of the largest one, times
    # in units of the span. The rate is fitted by its logarithm, so it stays above zero.
    span, top = float(np.ptp(t)), float(np.max(np.abs(y))) or 1.0
    x, z = t / span, y / top
    known = None if initial_k is None else initial_k / top
    final, initial, rate = _least_squares(x, z, known)
    decay = np.exp(-rate * x)
    parts = [1.0 - decay, -(initial - final) * rate * x * decay]
    jacobian = np.array([*parts, decay] if known is None else parts).T
    spread = jacobian.T @ jacobian
    values = np.linalg.eigvalsh(spread) if np.isfinite(spread).all() else np.zeros(1)
    regular = values[0] > 0.0 and values[-1] < 1e14 * values[0]
    if not (rate > 1.001 * _LEAST_RATE and regular):
        raise _no_rise("the readings show no rise towards a final value", "run longer")
    left = final + (initial - final) * decay - z
    variance = float(left @ left) / (len(t) - jacobian.shape[1])
    widening = 1.0 if independent else len(t) / effective_size(left)
    # The time constant's logarithm is the rate's with the other sign.
    units = np.array([top, -1.0, top])[: jacobian.shape[1]]
    covariance = np.asarray(np.linalg.inv(spread) * (variance * widening))
    covariance = covariance * np.outer(units, units)
    errors = np.sqrt(np.diag(covariance))
    # The error of a logarithm is a share.
    return FirstOrderRise(
        final * top, initial * top, span / rate, float(errors[0]), span / rate * float(errors[1]),
        float(np.sqrt(variance)) * top, covariance,
    )  # fmt: skip


def _least_squares(x: Array, z: Array, known: float | None) -> tuple[float, float, float]:
    """Return final rise, initial rise and rate by least squares.

    The model is linear but for the rate, which is searched on a grid, then where the slope
    of the sum of squares is zero [1]_. A rate below the least accepted one is returned as is.

    .. [1] G. H. Golub and V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432.
    """
    from scipy.optimize import brentq

    rates = np.geomspace(_LEAST_RATE, _LARGEST_RATE, _GRID)
    sums = [_linear_part(np.exp(-rate * x), z, known)[2] for rate in rates]
    best = int(np.argmin(sums))

    def slope(log_rate: float) -> float:
        decay = np.exp(-exp(log_rate) * x)
        final, initial, _, left = _linear_part(decay, z, known)
        return (initial - final) * float((x * decay) @ left)

    low = log(rates[max(best - 1, 0)])
    high = log(rates[best + 1]) if best + 1 < _GRID else _LOG_RATE
    ends = slope(low), slope(high)
    log_rate = low if ends[0] >= 0.0 else high
    if ends[0] < 0.0 < ends[1]:
        log_rate = brentq(slope, low, high, xtol=1e-12)
    rate = exp(log_rate)
    final, initial, *_ = _linear_part(np.exp(-rate * x), z, known)
    return final, initial, rate


def _linear_part(decay: Array, z: Array, known: float | None) -> tuple[float, float, float, Array]:
    """Return final and initial rise for a decay, the sum of squares and the residuals."""
    if known is None:
        # A straight line of the rise against the decay.
        mean, level = float(decay.sum()) / len(z), float(z.sum()) / len(z)
        shape, beside = decay - mean, z - level
    else:
        mean, level = 0.0, known
        shape, beside = 1.0 - decay, z - known * decay
    reach = float(shape @ beside) / max(float(shape @ shape), 1e-300)
    left = beside - reach * shape
    final, initial = level - reach * mean, level - reach * mean + reach
    if known is not None:
        final, initial = reach, known
    return final, initial, float(left @ left), left


def _no_rise(message: str, fix: str) -> InputError:
    """Return the error for readings without such a rise."""
    return InputError("A first-order rise cannot be fitted:", [Fault(message, fix)])
