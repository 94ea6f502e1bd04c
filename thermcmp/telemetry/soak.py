"""The end of a soak that a run did not wait for: extrapolated with its error, or refused."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from thermcmp.errors import InputError
from thermcmp.telemetry.first_order import FirstOrderRise, fit_first_order_rise

Floats = npt.NDArray[np.float64]

#: Points that a fit is made on: enough for three parameters, and averaging over a few
#: readings takes the edge off a coarse step.
_POINTS: Final = 400
#: The fast parts of a cooler follow within the first fifth of the time at load; the
#: slow part that is left is what a first-order rise describes (common practice, no
#: source).
_SKIPPED: Final = 0.2
_LEAST_TIME_CONSTANTS: Final = 2.0
_LARGEST_REMAINDER: Final = 0.10
_LARGEST_REMAINDER_K: Final = 5.0


@dataclass(frozen=True, slots=True)
class SoakEnd:
    """Where a rise is heading.

    Attributes
    ----------
    final_k : float
        Rise at the end of the soak [K]; NaN where refused.
    standard_error_k : float
        Its standard error, with the model's own doubt [K].
    remaining_k : float
        What was still to come when the run stopped [K].
    time_constant_s : float
        Time constant of the slow part [s].
    refusal : str
        Why it cannot be told; empty where it can.
    """

    final_k: float
    standard_error_k: float
    remaining_k: float
    time_constant_s: float
    refusal: str = ""


def soak_end(time_s: npt.ArrayLike, rise_k: npt.ArrayLike, *, error_limit_k: float) -> SoakEnd:
    """Extrapolate a rise to the end of its soak.

    Two fits, to the last four fifths and to the later half of the time at load, must
    agree; their difference is part of the error, as a body with several time constants
    goes on rising when a single exponential has ended.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Times since the load came on [s].
    rise_k : array_like, shape (n,)
        Rise over ambient [K].
    error_limit_k : float
        Largest standard error of an extrapolation that is given [K].

    Returns
    -------
    SoakEnd
        Final rise and its error, or the reason of the refusal.
    """
    t, y = _thinned(np.asarray(time_s, dtype=float), np.asarray(rise_k, dtype=float))
    span = float(t[-1]) if len(t) else 0.0
    late, later = t >= _SKIPPED * span, t >= 0.5 * span
    try:
        whole = fit_first_order_rise(t[late], y[late])
    except InputError:
        return _refusal("the readings hold no rise towards a final value")
    try:
        half_k = fit_first_order_rise(t[later], y[later]).final_k
    except InputError:
        # Nothing rises in the later half: it is where its mean is.
        half_k = float(np.mean(y[later]))
    fitted = span * (1.0 - _SKIPPED)
    if fitted < _LEAST_TIME_CONSTANTS * whole.time_constant_s:
        return _refusal(
            f"{fitted:.0f} s are less than two time constants of {whole.time_constant_s:.0f} s"
        )
    return _judged(whole, half_k, span, error_limit_k)


def _judged(whole: FirstOrderRise, half_k: float, span: float, error_limit_k: float) -> SoakEnd:
    """Compare the fits to the whole and to the later half, and decide."""
    remaining = whole.final_k - float(whole.at(span))
    apart = abs(half_k - whole.final_k)
    error = float(np.sqrt(whole.final_error_k**2 + apart**2 + (0.1 * remaining) ** 2))
    limit = min(_LARGEST_REMAINDER * abs(whole.final_k), _LARGEST_REMAINDER_K)
    if abs(remaining) > limit:
        return _refusal(f"{remaining:.1f} K were still to come")
    if not error <= error_limit_k:
        return _refusal(f"the final rise is uncertain by {error:.1f} K")
    return SoakEnd(whole.final_k, error, remaining, whole.time_constant_s)


def _refusal(why: str) -> SoakEnd:
    """Make the outcome of a soak whose end cannot be told."""
    nan = float("nan")
    return SoakEnd(nan, nan, nan, nan, why)


def _thinned(t: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Average neighbouring readings to about `_POINTS` points."""
    size = max(len(t) // _POINTS, 1)
    whole = len(t) // size * size
    return t[:whole].reshape(-1, size).mean(axis=1), y[:whole].reshape(-1, size).mean(axis=1)
