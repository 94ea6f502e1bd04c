"""The first-order rise of a warming body, fitted to a run that stopped early."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from thermcmp.errors import Fault, InputError
from thermcmp.telemetry.autocorrelation import effective_size

Floats = npt.NDArray[np.float64]

_LEAST_READINGS: Final = 6
#: Below so many time constants per span the readings lie on a straight line.
_LEAST_RATE: Final = 0.02
#: Rates beyond this logarithm are a step or a straight line.
_LOG_RATE: Final = 12.0


@dataclass(frozen=True, slots=True)
class FirstOrderRise:
    """Fit of ``rise(t) = final + (initial - final) * exp(-t / time_constant)``.

    Attributes
    ----------
    final_k, initial_k : float
        Rise at the end of all times and at time zero [K].
    time_constant_s : float
        Time constant [s].
    final_error_k, time_constant_error_s : float
        Their standard errors [K], [s].
    residual_sd_k : float
        Standard deviation of the residuals [K].
    covariance : numpy.ndarray, shape (3, 3) or (2, 2)
        Covariance of final rise [K], logarithm of the time constant and initial rise [K];
        without the last where it was known.
    """

    final_k: float
    initial_k: float
    time_constant_s: float
    final_error_k: float
    time_constant_error_s: float
    residual_sd_k: float
    covariance: Floats

    def at(self, time_s: npt.ArrayLike) -> Floats:
        """Return the fitted rise.

        Parameters
        ----------
        time_s : array_like
            Times on the fit's own time [s].

        Returns
        -------
        numpy.ndarray
            Rise [K].
        """
        decay = np.exp(-np.asarray(time_s, dtype=np.float64) / self.time_constant_s)
        return self.final_k + (self.initial_k - self.final_k) * decay

    def lacking_error_k(self, time_s: npt.ArrayLike) -> float:
        """Return the standard error of what the mean over some times lacks of the end.

        Parameters
        ----------
        time_s : array_like
            Times on the fit's own time [s].

        Returns
        -------
        float
            Standard error of the mean of ``final - rise(t)`` [K].
        """
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

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Times [s].
    rise_k : array_like, shape (n,)
        Rise over ambient [K].
    initial_k : float, optional
        Rise at time zero, where it is known [K]; fitted by default.
    independent : bool
        Whether the residuals are taken as independent; by default the errors are
        widened by their autocorrelation.

    Returns
    -------
    FirstOrderRise
        Estimates and standard errors.

    Raises
    ------
    InputError
        If there are fewer than six readings, or the readings hold no such rise.

    References
    ----------
    With `initial_k` zero it is the model of Misra1a and BoxBOD of the NIST Statistical
    Reference Datasets, ``b1 * (1 - exp(-b2 * x))``.
    """
    from scipy.optimize import leastsq

    t = np.asarray(time_s, dtype=np.float64)
    y = np.asarray(rise_k, dtype=np.float64)
    if len(t) < _LEAST_READINGS or not np.ptp(t) > 0.0:
        raise _no_rise("too few readings", f"give at least {_LEAST_READINGS}")
    # Scaled so that all parameters are about one: rises in units of the largest one, times
    # in units of the span. The rate is fitted by its logarithm, so it stays above zero.
    span, top = float(np.ptp(t)), float(np.max(np.abs(y))) or 1.0
    x, z = t / span, y / top
    known = None if initial_k is None else initial_k / top

    def unpack(p: Floats) -> tuple[float, float, float]:
        rate = float(np.exp(np.clip(p[1], -_LOG_RATE, _LOG_RATE)))
        return float(p[0]), float(p[2]) if known is None else known, rate

    def residual(p: Floats) -> Floats:
        final, initial, rate = unpack(p)
        return final + (initial - final) * np.exp(-rate * x) - z

    def slopes(p: Floats) -> Floats:
        final, initial, rate = unpack(p)
        decay = np.exp(-rate * x)
        parts = [1.0 - decay, -(initial - final) * rate * x * decay]
        return np.array([*parts, decay] if known is None else parts).T

    tiny = 1e-15  # As far as the digits go: the fit is to be exact.
    best, *_ = leastsq(
        residual, _start(x, z, known), Dfun=slopes, full_output=True,
        xtol=tiny, ftol=tiny, gtol=tiny, maxfev=400,
    )  # fmt: skip
    final, initial, rate = unpack(best)
    jacobian = slopes(best)
    spread = jacobian.T @ jacobian
    bent = rate > _LEAST_RATE and np.isfinite(spread).all() and np.linalg.cond(spread) < 1e14
    if not bent:
        raise _no_rise("the readings hold no rise towards a final value", "run longer")
    left = residual(best)
    variance = float(left @ left) / (len(t) - len(best))
    widening = 1.0 if independent else len(t) / effective_size(left)
    # The time constant's logarithm is the rate's with the other sign.
    units = np.array([top, -1.0, top])[: len(best)]
    covariance = np.asarray(np.linalg.inv(spread) * (variance * widening))
    covariance = covariance * np.outer(units, units)
    errors = np.sqrt(np.diag(covariance))
    # The error of a logarithm is a share.
    return FirstOrderRise(
        final * top, initial * top, span / rate, float(errors[0]), span / rate * float(errors[1]),
        float(np.sqrt(variance)) * top, covariance,
    )  # fmt: skip


def _start(x: Floats, z: Floats, known: float | None) -> Floats:
    """Find a starting point: the best of a grid of rates, linear in the rest."""
    rates = np.geomspace(0.02, 200.0, 40)
    decay = np.exp(-rates[:, None] * x)
    if known is None:
        # A straight line of z against the decay, for all rates at once.
        mean, away = decay.mean(axis=1), decay - decay.mean(axis=1, keepdims=True)
        slope = away @ (z - z.mean()) / np.maximum(np.sum(away**2, axis=1), 1e-300)
        final = z.mean() - slope * mean
        initial = final + slope
    else:
        grown = 1.0 - decay
        final = np.sum(grown * (z - known * decay), axis=1) / np.sum(grown**2, axis=1)
        initial = np.full(len(rates), known)
    fitted = final[:, None] + (initial - final)[:, None] * decay
    best = int(np.argmin(np.sum((fitted - z) ** 2, axis=1)))
    chosen = np.array([final[best], np.log(rates[best]), initial[best]])
    return chosen if known is None else chosen[:2]


def _no_rise(message: str, mend: str) -> InputError:
    """Make the error for readings without such a rise."""
    return InputError("A first-order rise cannot be fitted:", [Fault(message, mend)])
