"""The steady rise of one sensor in one run: measured, extrapolated or refused."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from thermcmp._types import Array
from thermcmp.telemetry.steady_state.checks import Check
from thermcmp.telemetry.steady_state.protocol import Protocol, Verdict
from thermcmp.telemetry.steady_state.sampling_interval import usual_step_s
from thermcmp.telemetry.steady_state.soak import SoakTail, soak_end, soak_tail
from thermcmp.telemetry.steady_state.window_mean import Settled, WindowMean, window_mean

#: A soak with less than this to go has ended [K].
_ENDED_K: Final = 0.3
#: A rise that swings by more than this is a cycle, whatever the protocol allows; the default
#: limit of `Protocol` [K].
_CYCLE_K: Final = 5.0
#: A smaller correction is not reported [K].
_REPORTED_K: Final = 0.05
#: One-sided 95 % point of the normal distribution.
_Z95: Final = 1.6448536
#: A drift shows when it is this many times its noise.
_SHOWN: Final = 2.0
#: A drift that is neither shown nor ruled out is carried as error up to this many times the
#: limit.
_CARRIED: Final = 3.0
#: Smallest share of its expected readings that a complete window holds [%].
LEAST_COVERAGE: Final = 90.0


@dataclass(frozen=True, slots=True)
class Series:
    """One sensor's readings over the stretch at load, shape (n,), without missing ones."""

    name: str
    time_s: Array
    rise_k: Array
    temperature_c: Array
    step_k: float

    def since(self, start_s: float) -> Series:
        """Return the readings from a time on."""
        return self.last(len(self.time_s) - int(np.searchsorted(self.time_s, start_s)))

    def last(self, n: int) -> Series:
        """Return the last readings."""
        part = slice(len(self.time_s) - n, None)
        t, rise, temperature = self.time_s[part], self.rise_k[part], self.temperature_c[part]
        return Series(self.name, t, rise, temperature, self.step_k)


@dataclass(frozen=True, slots=True)
class SteadyRise:
    """The steady rise of a sensor, NaN where refused, with its window and check."""

    rise_k: float
    standard_error_k: float
    window: WindowMean
    check: Check


def mean_from(series: Series, start_s: float, protocol: Protocol) -> WindowMean:
    """Return the mean of the window that starts at a time and ends with the stretch."""
    return _mean_of(series.since(start_s), protocol)


def _mean_of(part: Series, protocol: Protocol, added_k: Array | None = None) -> WindowMean:
    """Return the mean of a series, with something added to its readings."""
    rise_k, reading_c = part.rise_k, part.temperature_c
    if added_k is not None:
        rise_k, reading_c = rise_k + added_k, reading_c + added_k
    return window_mean(
        part.time_s,
        rise_k,
        step_k=part.step_k,
        drift_limit_k_per_min=protocol.drift_k_per_min,
        swing_limit_k=protocol.swing_k,
        reading_c=reading_c,
    )


def steady_rise(
    series: Series,
    mean: WindowMean,
    earlier_s: list[float],
    load_start_s: float,
    protocol: Protocol,
    *,
    full_soak: bool,
    held: bool,
) -> SteadyRise:
    """Return the steady rise of a sensor.

    A window that is settled after the full soak is taken as it is. Before that, and where a
    drift shows or cannot be ruled out, the fitted approach must show where the soak ends.
    """
    if mean.settled in (Settled.TOO_FEW, Settled.CYCLING):
        # A longer window shows more of a cycle.
        shown = mean_from(series, earlier_s[-1], protocol) if earlier_s else mean
        return _judged(series, mean, Verdict.REFUSED, _why_unsettled(shown), protocol)
    at_load = series.since(load_start_s)
    tail = soak_tail(at_load.time_s - load_start_s, at_load.rise_k, mean.n, held=held)
    window = _at_soak_end(mean, tail, series, protocol, held=held)
    added_k = window.mean_k - mean.mean_k
    settled = window
    if window.settled is Settled.UNDECIDED and full_soak:
        longer = (mean_from(series, earlier, protocol) for earlier in earlier_s)
        settled = next((m for m in longer if m.settled is Settled.SETTLED), window)
    if settled.settled is Settled.SETTLED and full_soak:
        if settled is window and tail.error_k > protocol.extrapolation_error_k:
            words = f"the rest of the soak is uncertain by {tail.error_k:.1f} K: run longer"
            return _judged(series, window, Verdict.REFUSED, words, protocol)
        words = f"drift below {settled.drift_high_k_per_min:.2g} K/min"
        words += "" if settled is window else " in a longer window"
        return _passed(series, window, words, added_k, tail)
    end = None
    if held and protocol.extrapolate:
        limit_k = protocol.extrapolation_error_k
        end = soak_end(tail, error_limit_k=limit_k, rounding_k=window.rounding_k)
        if not end.refusal:
            if window.settled is not Settled.DRIFTING and abs(end.remaining_k) <= _ENDED_K:
                words = f"the soak had {end.remaining_k:.2f} K to go"
                return _passed(series, window, words, added_k, tail)
            words = (
                f"extrapolated by {end.remaining_k:.1f} K along {end.approach}, "
                f"± {end.standard_error_k:.2f} K"
            )
            rise = (end.final_k, end.standard_error_k)
            return _judged(series, window, Verdict.CORRECTED, words, protocol, rise)
    carried = _CARRIED * protocol.drift_k_per_min
    undecided = window.settled is Settled.UNDECIDED and full_soak
    shown = window
    # Where fan or power moved in the run, a drift is likely and not merely possible.
    if undecided and held and window.drift_high_k_per_min <= carried:
        longest = mean_from(series, earlier_s[-1], protocol) if earlier_s else window
        if longest.settled is not Settled.DRIFTING:
            return _carried(series, window, protocol)
        # A longer window shows a ramp that coarse steps hide in the window.
        shown = longest
    words = _why_unsettled(shown) + ("" if held else ", and fan or power moved during the soak")
    words += f", and not extrapolated: {end.refusal}" if end else ""
    return _judged(series, window, Verdict.REFUSED, words, protocol)


def _at_soak_end(
    window: WindowMean, tail: SoakTail, series: Series, protocol: Protocol, *, held: bool
) -> WindowMean:
    """Return the mean of a window at the end of its soak.

    The rest of the fitted approach is added. A drift beyond noise that remains will go on:
    what it may still add goes into the standard error.
    """
    flat = _mean_of(series.last(window.n), protocol, tail.lacking_k)
    noise = (flat.drift_high_k_per_min - abs(flat.drift_k_per_min)) / _Z95
    # Where nothing was fitted, a drift that noise hides may go on as well.
    hidden = -((_SHOWN * noise) ** 2) if held else noise**2
    left_k_per_s = np.sqrt(max(flat.drift_k_per_min**2 + hidden, 0.0)) / 60.0
    error = np.linalg.norm(
        [flat.standard_error_k, tail.error_k, left_k_per_s * tail.time_constant_s]
    )
    return replace(window, mean_k=flat.mean_k, standard_error_k=float(error))


def _carried(series: Series, window: WindowMean, protocol: Protocol) -> SteadyRise:
    """Return the mean of a window, with a drift that cannot be ruled out as error."""
    half_s = window.n * usual_step_s(series.time_s) / 2.0
    doubt = window.drift_high_k_per_min / 60.0 * half_s
    error = float(np.hypot(window.standard_error_k, doubt / np.sqrt(3.0)))
    words = (
        f"a drift up to {window.drift_high_k_per_min:.2g} K/min could not be ruled out; the "
        "standard error is widened for it"
    )
    rise = (window.mean_k, error)
    return _judged(series, window, Verdict.CORRECTED, words, protocol, rise)


def _why_unsettled(window: WindowMean) -> str:
    """Describe why a window's mean is not a steady state."""
    cycle = "" if np.isnan(window.cycle_s) else f" every {window.cycle_s:.0f} s"
    return {
        Settled.TOO_FEW: f"{window.n} readings in the window are too few",
        Settled.CYCLING: f"the rise swings by {window.swing_k:.0f} K{cycle} around "
        f"{window.mean_k:.1f} K: a cycle has a mean, but is not a steady state",
        Settled.SETTLED: "it looks settled, but before the end of the soak that does not show a "
        "steady state",
        Settled.UNDECIDED: f"a drift up to {window.drift_high_k_per_min:.2g} K/min is possible",
        Settled.DRIFTING: f"still drifting by {window.drift_k_per_min:+.2f} K/min",
    }[window.settled]


def _passed(
    series: Series, window: WindowMean, words: str, added_k: float, tail: SoakTail
) -> SteadyRise:
    """Return the mean of a window, as a correction where the rest of the soak is notable."""
    cycles = window.swing_k > _CYCLE_K
    doubt_k = tail.error_k
    if cycles:
        words += f"; the rise swings by {window.swing_k:.0f} K, which is not a steady state"
    if tail.straight:
        doubt_k = abs(window.drift_k_per_min) / 60.0 * tail.time_constant_s
        words += f"; it goes on in a straight line: nothing is added, uncertain by {doubt_k:.2f} K"
    elif tail.fit is not None and max(abs(added_k), tail.error_k) >= _REPORTED_K:
        words += (
            f"; {added_k:+.2f} ± {tail.error_k:.2f} K for the rest of the soak, "
            f"by {tail.fit.approach}"
        )
    notable = cycles or max(abs(added_k), doubt_k) > _ENDED_K
    verdict, drift = Verdict.CORRECTED if notable else Verdict.PASS, window.drift_k_per_min
    check = Check("settled", verdict, words, drift, unit="K/min", sensor=series.name)
    return SteadyRise(window.mean_k, window.standard_error_k, window, check)


def _judged(
    series: Series,
    window: WindowMean,
    verdict: Verdict,
    words: str,
    protocol: Protocol,
    rise: tuple[float, float] = (np.nan, np.nan),
) -> SteadyRise:
    """Return a refused or corrected rise with its standard error, and the window's figures."""
    start = float(series.time_s[-window.n]) if window.n else np.nan
    drift, limit = window.drift_k_per_min, protocol.drift_k_per_min
    check = Check("settled", verdict, words, drift, limit, "K/min", start, series.name)
    return SteadyRise(*rise, window, check)
