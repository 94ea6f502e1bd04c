"""The end of a soak: what a settled window lacks of it, or where a short run was heading."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from thermcmp.errors import InputError
from thermcmp.telemetry.cadence import usual_step_s
from thermcmp.telemetry.first_order import FirstOrderRise, fit_first_order_rise
from thermcmp.telemetry.readings import block_means

Floats = npt.NDArray[np.float64]

#: Points that a fit is made on: enough for three parameters, and averaging over a few
#: readings takes the edge off a coarse step.
_POINTS: Final = 200
#: The fast parts of a cooler follow within the first fifth of the time at load; the
#: slow part that is left is what a first-order rise describes (common practice, no
#: source).
_SKIPPED: Final = 0.2
_LEAST_TIME_CONSTANTS: Final = 2.0
_LARGEST_REMAINDER: Final = 0.10
_LARGEST_REMAINDER_K: Final = 5.0
#: A second fit must be as sure as this to vouch for the first [K].
_VOUCHES_K: Final = 0.25
#: The slow part of a rise is alone when this share of it is missing.
_TENTH: Final = 0.1
#: A first-order rise gets there after so many time constants.
_TENTH_CONSTANTS: Final = float(-np.log(_TENTH))
#: Readings are averaged over this before times are read off them [s].
_SMOOTHED_S: Final = 10.0
#: What is lacking is below this [K] even if the approach is so many times slower than the
#: last tenth shows.
_NOTHING_K: Final = 0.002
_SLOWER: Final = 3.0
#: What is lacking shows when the fit's rise is so many times its error.
_SHOWN: Final = 3.0


@dataclass(frozen=True, slots=True)
class SoakTail:
    """The first-order approach that is left in a window that looks settled.

    Attributes
    ----------
    lacking_k : numpy.ndarray, shape (n,)
        What each reading of the window lacks of the end of the soak [K].
    error_k : float
        Standard error of its mean [K].
    time_constant_s : float
        Time constant of the slow part [s].
    """

    lacking_k: Floats
    error_k: float
    time_constant_s: float


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


def soak_tail(
    time_s: npt.ArrayLike, rise_k: npt.ArrayLike, n: int, *, held: bool = True
) -> SoakTail:
    """Tell what the last readings of a rise lack of the end of its soak.

    Where the last tenth of the rise follows a first-order approach that shows beyond its
    noise, that approach is carried on into the window; else nothing is lacking there. A
    second fit starts a time constant later: what of their difference is not its noise is
    part of the error, as a body with several time constants is slower at its end.

    Parameters
    ----------
    time_s : array_like, shape (m,)
        Times since the load came on [s].
    rise_k : array_like, shape (m,)
        Rise over ambient [K].
    n : int
        Readings in the window, at the end of these.
    held : bool
        Whether fan and power were held meanwhile; else no approach is looked for.

    Returns
    -------
    SoakTail
        What is lacking; all zero, with the time constant that the last tenth shows, where
        no approach can be told from noise.
    """
    t, y = np.asarray(time_s, dtype=np.float64), np.asarray(rise_k, dtype=np.float64)
    tenth_s, later_s = _last_tenth(t, y, float(np.mean(y[-n:])))
    constant_s = max(later_s - tenth_s, tenth_s / _TENTH_CONSTANTS)
    # Long after the last tenth nothing is left, however slow its approach.
    age = (t[-n] - tenth_s) / (_SLOWER * max(constant_s, _SMOOTHED_S))
    left_k = _TENTH * abs(float(np.mean(y[-n:])) - float(y[0])) * np.exp(-age)
    fit = _approach(t, y, tenth_s) if held and left_k > _NOTHING_K else None
    if fit is None or t[-1] - tenth_s < _LEAST_TIME_CONSTANTS * fit.time_constant_s:
        return SoakTail(np.zeros(n), 0.0, constant_s)
    window = t[-n:]
    lacking, error_k = fit.final_k - fit.at(window), fit.lacking_error_k(window)
    second = _approach(t, y, later_s)
    if second is not None:
        apart_k = float(np.mean(second.final_k - second.at(window) - lacking))
        noise_k = second.lacking_error_k(window)
        error_k = float(np.hypot(error_k, np.sqrt(max(apart_k**2 - noise_k**2, 0.0))))
    return SoakTail(lacking, error_k, fit.time_constant_s)


def _approach(t: Floats, y: Floats, start_s: float) -> FirstOrderRise | None:
    """Fit the approach from a time on; None where it does not show."""
    first = int(np.searchsorted(t, start_s))
    try:
        fit = fit_first_order_rise(*_thinned(t[first:], y[first:]))
    except InputError:
        return None
    shown = abs(fit.final_k - float(fit.at(start_s))) > _SHOWN * fit.lacking_error_k([start_s])
    return fit if shown else None


def _last_tenth(t: Floats, y: Floats, level_k: float) -> tuple[float, float]:
    """Return when a tenth of a rise was missing, and when an e-th part of that [s]."""
    size = max(int(_SMOOTHED_S / usual_step_s(t)), 1)
    means, times = block_means(y, size), block_means(t, size)
    missing = (level_k - means) / max(level_k - float(y[0]), 1e-9)
    # When a share of the rise was missing for the last time; a swing may cross it often.
    tenth_s, later_s = (
        float(times[np.flatnonzero(missing > share)[-1]]) if (missing > share).any() else 0.0
        for share in (_TENTH, _TENTH / np.e)
    )
    return tenth_s, later_s


def soak_end(
    time_s: npt.ArrayLike,
    rise_k: npt.ArrayLike,
    *,
    error_limit_k: float,
    rounding_k: float = 0.0,
) -> SoakEnd:
    """Extrapolate a rise to the end of its soak.

    Two fits, to the last four fifths and to the later half of the time at load, must
    agree; what of their difference is not their noise is part of the error, as a body with
    several time constants goes on rising when a single exponential has ended.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Times since the load came on [s].
    rise_k : array_like, shape (n,)
        Rise over ambient [K].
    error_limit_k : float
        Largest standard error of an extrapolation that is given [K].
    rounding_k : float
        Largest bias that the sensor's step gives to a mean of late readings [K].

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
        half = fit_first_order_rise(t[later], y[later])
        half_k, half_error_k = half.final_k, half.final_error_k
    except InputError:
        # Nothing rises in the later half: it is where its mean is.
        half_k, half_error_k = float(np.mean(y[later])), 0.0
    fitted = span * (1.0 - _SKIPPED)
    if fitted < _LEAST_TIME_CONSTANTS * whole.time_constant_s:
        return _refusal(
            f"{fitted:.0f} s are less than two time constants of {whole.time_constant_s:.0f} s"
        )
    # A later half that tells little vouches for nothing: its noise is no excuse then.
    excuse_k = half_error_k if half_error_k <= _VOUCHES_K else 0.0
    apart_k = float(np.sqrt(max((half_k - whole.final_k) ** 2 - excuse_k**2, 0.0)))
    # A bias anywhere between its ends is a rectangular distribution (JCGM 100, 4.3.7).
    doubt_k = float(np.hypot(apart_k, rounding_k / np.sqrt(3.0)))
    return _judged(whole, doubt_k, span, error_limit_k)


def _judged(whole: FirstOrderRise, doubt_k: float, span: float, error_limit_k: float) -> SoakEnd:
    """Decide by what is still to come and how uncertain that is."""
    remaining = whole.final_k - float(whole.at(span))
    error = float(np.linalg.norm([whole.final_error_k, doubt_k, 0.1 * remaining]))
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
    return block_means(t, size), block_means(y, size)
