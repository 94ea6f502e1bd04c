"""The end of a soak: the rise missing in a settled window, or the end of a short run."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from thermcmp._types import Array
from thermcmp.errors import InputError
from thermcmp.telemetry.steady_state.first_order import fit_first_order_rise
from thermcmp.telemetry.steady_state.relaxation import (
    CREEP_ODDS,
    SLOW_S,
    SLOW_SHARE,
    SLOW_SPREAD,
    Relaxation,
    fit_relaxation,
)
from thermcmp.telemetry.steady_state.run_data import block_means
from thermcmp.telemetry.steady_state.sampling_interval import readings_in

#: Points of a fit: enough for its parameters, and averages over a few readings smooth a
#: coarse step.
_POINTS: Final = 120
_LEAST_POINTS: Final = 12
_LEAST_TIME_CONSTANTS: Final = 1.75
#: More likely than not.
_RAMP: Final = 0.5
_LARGEST_REMAINDER: Final = 0.10
_LARGEST_REMAINDER_K: Final = 5.0
#: The fit begins when this share of the rise is missing for the last time, as the fast parts
#: of a cooler have then settled (common practice, no source).
_MISSING: Final = 0.15
#: Time constants after which a first-order rise is there.
_CONSTANTS: Final = float(-np.log(_MISSING))
#: Readings are averaged over this time before times are taken from them [s].
_SMOOTHED_S: Final = 10.0
#: Most averages that times are taken from.
_MOST_MEANS: Final = 4_000
#: Smallest rise whose approach is followed [K].
_LEAST_REACH_K: Final = 1.0
#: Nothing is lacking if it is below this [K] even for an approach that is this many times
#: slower than the readings show.
_NOTHING_K: Final = 0.002
#: A rise with less than this to go has settled, where nothing is fitted [K].
_LEFT_K: Final = 0.05
_SLOWER: Final = 3.0
#: The fit is repeated on these shares of the record: a soak ends at one place, however much of
#: it is seen, and a cycle that resembles one does not.
_CUTS: Final = (0.85, 0.7)
_SLOWEST_S: Final = float(SLOW_S[-1] * np.exp(SLOW_SPREAD))


@dataclass(frozen=True, slots=True)
class SoakTail:
    """Rise still missing in a window before the end of its soak."""

    #: Rise still missing at each reading of the window [K], shape (n,).
    lacking_k: Array
    error_k: float  #: standard error of its mean [K]
    time_constant_s: float
    span_s: float  #: time over which the approach was seen [s]
    settles_s: float  #: when the rise is over but for the fitted rest [s]
    fit: Relaxation | None = None  #: None where no fit was made
    moved_k: float = 0.0  #: how far the end moves when the last part of the record is left out

    def level_k(self, time_s: Array, rise_k: Array) -> Array:
        """Return the readings with the rise that each still lacks [K].

        Where the rise goes on in a straight line, which is judged by itself, the line is left out.
        """
        if self.straight:
            away = time_s - time_s.mean()
            return rise_k - away * float(away @ rise_k / (away @ away))
        if self.fit is None:
            return rise_k
        return rise_k + self.fit.lacking_at(time_s)

    @property
    def straight(self) -> bool:
        """Whether the rise goes on in a straight line."""
        return self.fit is not None and self.fit.ramp_odds > _RAMP


@dataclass(frozen=True, slots=True)
class SoakEnd:
    """Where a rise would end."""

    #: Rise at the end of the soak, NaN where refused, and its standard error with the doubt about
    #: slow parts [K].
    final_k: float
    standard_error_k: float
    remaining_k: float  #: rise still missing when the run stopped [K]
    approach: str = ""  #: the approach in words
    refusal: str = ""  #: why the end cannot be determined; empty where it can


def soak_tail(
    time_s: npt.ArrayLike,
    rise_k: npt.ArrayLike,
    n: int,
    *,
    held: bool = True,
    creep: float = CREEP_ODDS,
) -> SoakTail:
    """Return the rise that is still missing in the last n readings of a soak.

    The approach over the last seventh of the rise is fitted by exponentials and continued;
    see `fit_relaxation` for slow parts that noise hides. `creep` is the prior probability of the
    slowest of them.
    """
    t, y = np.asarray(time_s, dtype=np.float64), np.asarray(rise_k, dtype=np.float64)
    tail = _tail(t, y, n, held=held, creep=creep)
    if tail.fit is None or tail.straight:
        return tail
    parts = [int(share * len(t)) for share in _CUTS]
    cuts = [
        _tail(t[:part], y[:part], min(n, part // 2), held=held, creep=creep).fit for part in parts
    ]
    moved = [abs(cut.final_k - tail.fit.final_k) for cut in cuts if cut is not None]
    lacking_k = tail.fit.lacking_at(t[-n:])
    return replace(tail, lacking_k=lacking_k, moved_k=max(moved, default=0.0))


def _tail(t: Array, y: Array, n: int, *, held: bool, creep: float) -> SoakTail:
    """Return the tail of a record, but for what each of its last n readings still lacks."""
    level_k = float(np.mean(y[-n:]))
    reach_k = abs(level_k - float(y[0]))
    start_s, later_s = _last_share(t, y, level_k)
    start_s = min(start_s, float(t[-n]))
    constant_s = max(later_s - start_s, start_s / _CONSTANTS, _SMOOTHED_S)
    span_s = float(t[-1]) - start_s
    first = int(np.searchsorted(t, start_s))
    # Long after the end of the rise nothing is left, however slow its approach.
    left_k = _MISSING * np.exp(-(t[-n] - start_s) / (_SLOWER * constant_s))
    slow_k = SLOW_SHARE * np.exp(-t[-n] / _SLOWEST_S)
    over = (left_k + slow_k) * reach_k < _NOTHING_K or reach_k < _LEAST_REACH_K
    # Until what is left of a first-order rise is small.
    settles_s = start_s + constant_s * float(np.log(max(_MISSING * reach_k / _LEFT_K, 1.0)))
    if over or not held or len(t) - first < _LEAST_POINTS:
        return SoakTail(np.zeros(n), 0.0, constant_s, span_s, settles_s)
    size = max((len(t) - first) // _POINTS, 1)
    times, rises = block_means(t[first:], size), block_means(y[first:], size)
    constant_s = min(constant_s, SLOW_S[0])
    try:
        first_order = fit_first_order_rise(times, rises)
    except InputError:
        first_order = None
    fit = fit_relaxation(times, rises, t[-n:], constant_s, reach_k, first_order, creep=creep)
    if fit.ramp_odds > _RAMP:
        # It may be the beginning of a slow part, or not a soak at all: nothing is added.
        return SoakTail(np.zeros(n), 0.0, SLOW_S[-1], span_s, settles_s, fit)
    constant_s = fit.time_constant_s
    return SoakTail(np.zeros(n), fit.lacking_error_k, constant_s, span_s, start_s, fit)


def soak_end(tail: SoakTail, *, error_limit_k: float, rounding_k: float = 0.0) -> SoakEnd:
    """Extrapolate a rise to the end of its soak."""
    fit = tail.fit
    if fit is None:
        return _refusal("the readings show no rise towards a final value")
    # By the faster part alone: refusing runs that show a slow part would select those in which
    # noise hides it.
    if tail.span_s < _LEAST_TIME_CONSTANTS * fit.time_constant_s:
        return _refusal(
            f"{tail.span_s:.0f} s are less than {_LEAST_TIME_CONSTANTS:g} time constants of "
            f"{fit.time_constant_s:.0f} s"
        )
    if tail.straight:
        return _refusal("the rise goes on in a straight line")
    limit = min(_LARGEST_REMAINDER * abs(fit.final_k), _LARGEST_REMAINDER_K)
    if abs(fit.remaining_k) > limit:
        return _refusal(f"{fit.remaining_k:.1f} K were still to come")
    # A bias anywhere between its ends is a rectangular distribution (JCGM 100, 4.3.7).
    error = float(np.hypot(fit.final_error_k, rounding_k / np.sqrt(3.0)))
    if not error <= error_limit_k:
        return _refusal(f"the final rise is uncertain by {error:.1f} K")
    return SoakEnd(fit.final_k, error, fit.remaining_k, fit.approach)


def rough_constant_s(t: Array, y: Array, level_k: float) -> float:
    """Return the time constant of a first-order rise that lacks as much as late [s]."""
    return _last_share(t, y, level_k)[0] / _CONSTANTS


def _last_share(t: Array, y: Array, level_k: float) -> tuple[float, float]:
    """Return when `_MISSING` of a rise was last missing, and when an e-th part of it [s]."""
    size = readings_in(_SMOOTHED_S, t)
    every = max(len(t) // size // _MOST_MEANS, 1)
    means, times = block_means(y, size, every), block_means(t, size, every)
    # A card that was hotter before cools down to its level: the share is the same.
    reach_k = level_k - float(y[0])
    missing = (level_k - means) / (reach_k if abs(reach_k) > 1e-9 else 1e-9)
    # For the last time, as a swing may cross a share often.
    start_s, later_s = (
        float(times[np.flatnonzero(missing > share)[-1]]) if (missing > share).any() else 0.0
        for share in (_MISSING, _MISSING / math.e)
    )
    return start_s, later_s


def _refusal(why: str) -> SoakEnd:
    """Return the result for a soak whose end cannot be determined."""
    nan = float("nan")
    return SoakEnd(nan, nan, nan, refusal=why)
