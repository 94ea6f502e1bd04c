"""The steady rise of one sensor in one run: measured, extrapolated or refused."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from thermcmp._types import Array
from thermcmp.telemetry.loaded_record.wander import (
    LAST_S,
    Wander,
    cycle_mean,
    end_departure_k,
    wander_over,
)
from thermcmp.telemetry.steady_state.checks import Check
from thermcmp.telemetry.steady_state.protocol import Protocol, Verdict
from thermcmp.telemetry.steady_state.relaxation import CREEP_ODDS, CREEP_S, KNOWN_ODDS, SLOW_SHARE
from thermcmp.telemetry.steady_state.sampling_interval import usual_step_s
from thermcmp.telemetry.steady_state.soak import SoakTail, soak_end, soak_tail
from thermcmp.telemetry.steady_state.window_mean import Z95, Settled, WindowMean, window_mean

#: A soak with less than this to go has ended [K].
_ENDED_K: Final = 0.3
#: A slow part against the rise is more than noise from here on (measured: noise of 0.3 K leaves
#: 0.4 K at most in 1,200 simulated soaks) [K].
_BACK_K: Final = 0.5
#: A rise that swings by more than this is a cycle, whatever the protocol allows; the default
#: limit of `Protocol` [K].
_CYCLE_K: Final = 5.0
#: A cycle that a window averages is reported from this swing on [K].
_SLOW_SWING_K: Final = 1.0
#: A smaller correction is not reported [K], nor a smaller error for a cycle.
REPORTED_K: Final = 0.05
_UNSEEN_K: Final = 0.3
#: A shift is at most this many times its standard error, which is widened until it is. In a
#: record at load that is shorter than the second figure [s] part of a cycle may look like a
#: soak, and then nothing was to be added; a shift against the rise is rather such a part.
_SHIFT_ERRORS: Final = 3.0
_SHORT_S: Final = 1_200.0
_SHORT_ERRORS: Final = 1.5
_BACK_ERRORS: Final = 0.5
#: No mean of a log is known better than to this [K]: the instruments themselves drift (common
#: practice, no source).
_LEAST_ERROR_K: Final = 0.02
#: Error for what a record does not hold whole, a cycle or a slow part: this share of how far the
#: end moves when the last part is left out, and in a run that stopped after half of the soak and
#: window this much [K], the later the less (choices, from simulated cycles of 350 to 1,200 s and
#: slow parts of 250 to 2,800 s).
_MOVED: Final = 0.5
_EARLY_K: Final = 1.6
#: The conditions were held if they were so from this share of the time at load on.
_HELD_SHARE: Final = 0.2
#: A rise follows a condition within this many time constants.
_FOLLOWS: Final = 4.0
#: A rise whose window means wander by more than this over the record is not steady [K].
_WANDERS_K: Final = 0.5
#: A drift shows when it is this many times its noise.
_SHOWN: Final = 2.0
#: A drift that is neither shown nor ruled out is carried as error up to this many times the
#: limit, with a rest of the soak that is uncertain by up to this many times
#: `extrapolation_error_k`.
_CARRIED: Final = 3.0
_DOUBT: Final = 1.5
#: Name of the check of a creep.
CREEP: Final = "creep"
#: Smallest share of its expected readings that a complete window holds [%].
LEAST_COVERAGE: Final = 90.0


@dataclass(frozen=True, slots=True)
class Series:
    """One sensor's readings over the stretch at load, shape (n,), without missing ones."""

    name: str
    step_k: float
    air_step_k: float  #: step of the air's thermometer; 0 where the air does not move [K]
    delay_s: float  #: delay behind the air [s]
    time_s: Array
    rise_k: Array
    temperature_c: Array
    ahead_k: Array  #: how far the air is ahead of that which the rise is over [K]
    doubt_k: Array  #: standard deviation of that [K]

    def since(self, start_s: float) -> Series:
        """Return the readings from a time on."""
        return self.last(len(self.time_s) - int(np.searchsorted(self.time_s, start_s)))

    def last(self, n: int) -> Series:
        """Return the last readings."""
        part = slice(len(self.time_s) - n, None)
        arrays = (self.time_s, self.rise_k, self.temperature_c, self.ahead_k, self.doubt_k)
        numbers = self.step_k, self.air_step_k, self.delay_s
        return Series(self.name, *numbers, *(values[part] for values in arrays))


@dataclass(frozen=True, slots=True)
class SteadyRise:
    """The steady rise of a sensor, NaN where refused, with its window and checks."""

    rise_k: float
    standard_error_k: float
    window: WindowMean
    check: Check
    shift: Check | None = None  #: what was added to the window's mean; None if nothing was
    creep: Check | None = None  #: how likely a creep is; None if none was looked for
    wanders: bool = False  #: whether it was refused, as it wanders over the record


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
    held_since_s: float,
) -> SteadyRise:
    """Return the steady rise of a sensor.

    A window that is settled after the full soak is taken as it is. Before that, and where a
    drift shows or cannot be ruled out, the fitted approach must show where the soak ends. The
    whole record at load must agree with the window.
    """
    if mean.settled is Settled.TOO_FEW:
        return _judged(series, mean, Verdict.REFUSED, _why_unsettled(mean), protocol)
    at_load = series.since(load_start_s)
    since_s = at_load.time_s - load_start_s
    held = held_since_s <= _HELD_SHARE * since_s[-1]
    # A short record shows nothing of a creep: to allow for one would refuse most of them.
    creep = CREEP_ODDS if since_s[-1] >= _SHORT_S else 0.0
    creep = KNOWN_ODDS if series.name in protocol.creeping else creep
    tail = soak_tail(since_s, at_load.rise_k, mean.n, held=held, creep=creep)
    settles_s = tail.settles_s
    if not held and held_since_s < since_s[-mean.n]:
        # A condition that keeps moving through the window is no excuse for a rise that does.
        settles_s = max(settles_s, held_since_s + _FOLLOWS * tail.time_constant_s)
    settled_s = since_s[int(np.searchsorted(since_s, min(settles_s, since_s[-mean.n]))) :]
    level_k = tail.level_k(settled_s, at_load.rise_k[-len(settled_s) :])
    left_k = end_departure_k(at_load.time_s[-mean.n :], level_k[-mean.n :], series.step_k)
    if left_k:
        refused = _judged(series, mean, Verdict.REFUSED, _why_departed(left_k), protocol)
        second = float(series.time_s[-1]) - LAST_S
        return replace(refused, check=replace(refused.check, second=second))
    window_s = float(since_s[-1] - since_s[-mean.n])
    # Steps of the air move the rise as those of the sensor do.
    steps_k = series.air_step_k / np.sqrt(12.0), series.air_step_k / 2.0
    noise = np.hypot((mean.standard_error_k, mean.rounding_k), steps_k)
    wander = wander_over(settled_s, level_k, window_s, protocol.window_s, *noise)
    cycling = mean.settled is Settled.CYCLING
    if cycling or wander.rms_k > _WANDERS_K:
        # A longer window shows more of a cycle.
        shown = mean_from(series, earlier_s[-1], protocol) if earlier_s and cycling else mean
        words = _why_unsettled(shown) if cycling else _why_wandering(wander)
        period_s = shown.cycle_s if cycling else wander.period_s
        whole = None if np.isnan(period_s) else cycle_mean(settled_s, level_k, period_s)
        if whole is not None and protocol.cycles != "mean":
            words += '; Protocol(cycles="mean") takes that of its whole cycles'
        if whole is None or protocol.cycles != "mean":
            refused = _judged(series, mean, Verdict.REFUSED, words, protocol)
            return replace(refused, wanders=not cycling)
        words += f"; the mean is that of {whole.cycles} whole cycles of {whole.period_s:.0f} s"
        over_cycles = whole.mean_k, float(np.hypot(whole.standard_error_k, tail.error_k))
        return _judged(series, mean, Verdict.CORRECTED, words, protocol, over_cycles)
    rest_k = float(np.mean(tail.lacking_k))
    # Slow parts go the way of the fast one, but for what noise leaves.
    up = np.sign(mean.mean_k - at_load.rise_k[0])
    back_k, slow_k = -up * rest_k, 0.0 if tail.fit is None else -up * tail.fit.slow_k
    if back_k - steps_k[1] > max(_ENDED_K, _SHOWN * tail.error_k) or slow_k - steps_k[1] > _BACK_K:
        back_k = max(back_k, slow_k)
        words = f"the rise goes back by {back_k:.1f} K, as in a cycle and in no soak"
        refused = _judged(series, mean, Verdict.REFUSED, words, protocol)
        return replace(refused, creep=_creep(tail, series.name)) if creep else refused
    window = _at_soak_end(mean, tail, series, protocol, held=held)
    rise = _decided(series, window, tail, earlier_s, protocol, full_soak=full_soak, held=held)
    if not np.isnan(rise.rise_k):
        rise = _widened(rise, wander, _unseen_k(tail, since_s[-1], protocol))
        rise = _with_shift(rise, mean, series, tail, protocol)
    return replace(rise, creep=_creep(tail, series.name)) if creep else rise


def _decided(
    series: Series,
    window: WindowMean,
    tail: SoakTail,
    earlier_s: list[float],
    protocol: Protocol,
    *,
    full_soak: bool,
    held: bool,
) -> SteadyRise:
    """Return the rise of a window at its soak's end, extrapolated or refused."""
    settled, limit_k = window, protocol.extrapolation_error_k
    doubt_k = _rest_error_k(window, tail)
    if window.settled is Settled.UNDECIDED and full_soak:
        longer = (mean_from(series, earlier, protocol) for earlier in earlier_s)
        settled = next((m for m in longer if m.settled is Settled.SETTLED), window)
    if settled.settled is Settled.SETTLED and full_soak:
        if settled is window and doubt_k > limit_k:
            words = "it goes on in a straight line and " if tail.straight else ""
            words += f"the rest of the soak is uncertain by {doubt_k:.1f} K: run longer"
            return _judged(series, window, Verdict.REFUSED, words, protocol)
        words = f"drift below {settled.drift_high_k_per_min:.2g} K/min"
        words += "" if settled is window else " in a longer window"
        return _passed(series, window, words, tail)
    end = None
    if held and protocol.extrapolate:
        end = soak_end(tail, error_limit_k=limit_k, rounding_k=window.rounding_k)
        if not end.refusal:
            if window.settled is not Settled.DRIFTING and abs(end.remaining_k) <= _ENDED_K:
                words = f"the soak had {end.remaining_k:.2f} K to go"
                return _passed(series, window, words, tail)
            words = f"extrapolated by {end.remaining_k:.1f} K, ± {end.standard_error_k:.2f} K"
            rise = (end.final_k, end.standard_error_k)
            return _judged(series, window, Verdict.CORRECTED, words, protocol, rise)
    undecided = window.settled is Settled.UNDECIDED and full_soak and doubt_k <= _DOUBT * limit_k
    shown = window
    # Where fan or power moved in the run, a drift is likely and not merely possible.
    if undecided and held and window.drift_high_k_per_min <= _CARRIED * protocol.drift_k_per_min:
        longest = mean_from(series, earlier_s[-1], protocol) if earlier_s else window
        if longest.settled is not Settled.DRIFTING:
            return _carried(series, window, protocol)
        # A longer window shows a ramp that coarse steps hide in the window.
        shown = longest
    words = _why_unsettled(shown) + ("" if held else ", and fan or power moved during the soak")
    words += f", and not extrapolated: {end.refusal}" if end else ""
    return _judged(series, window, Verdict.REFUSED, words, protocol)


def _creep(tail: SoakTail, sensor: str) -> Check | None:
    """Return how likely a creep is; where it is likelier than not, the rise is a correction."""
    if tail.fit is None:
        return None
    share = 100.0 * tail.fit.creep_odds
    words = f"a creep of {CREEP_S:,.0f} s and more has a probability of {share:.0f} %"
    likely = share > 50.0 and abs(tail.fit.creep_k) >= REPORTED_K
    if likely:
        words += ", and where it ends is a guess: run for an hour or more"
    verdict = Verdict.CORRECTED if likely else Verdict.PASS
    return Check(CREEP, verdict, words, share, unit="%", sensor=sensor)


def _unseen_k(tail: SoakTail, load_s: float, protocol: Protocol) -> float:
    """Return the standard error for what the record does not hold whole [K]."""
    needed_s = protocol.soak_s + protocol.window_s
    early = max(needed_s - load_s, 0.0) / (needed_s / 2.0)
    # What the error of the fit does not allow for.
    moved_k = np.sqrt(max((_MOVED * tail.moved_k) ** 2 - tail.error_k**2, 0.0))
    return float(np.hypot(moved_k, _EARLY_K * early))


def _widened(rise: SteadyRise, wander: Wander, unseen_k: float) -> SteadyRise:
    """Return a rise with its wander over the record, seen and not yet seen, in its error."""
    words, check = rise.check.words, rise.check
    if wander.rms_k >= REPORTED_K:
        words += f"; {_why_wandering(wander)}; the standard error is widened for it"
    elif wander.swing_k > _SLOW_SWING_K and not np.isnan(wander.period_s):
        words += (
            f"; it swings by {wander.swing_k:.1f} K every {wander.period_s:.0f} s, which is not a "
            "steady state"
        )
    if unseen_k >= _UNSEEN_K:
        words += (
            f"; {unseen_k:.2g} K of the standard error is for a cycle or slow part not seen whole"
        )
    if words != check.words:
        check = replace(check, verdict=Verdict.CORRECTED, words=words)
    error_k = float(np.linalg.norm([rise.standard_error_k, wander.rms_k, unseen_k]))
    return replace(rise, standard_error_k=error_k, check=check)


def _why_departed(left_k: float) -> str:
    """Describe a rise that leaves its level at the very end."""
    return (
        f"in the last seconds the rise leaves its level by {left_k:+.1f} K: something changed, as "
        "when a fan fails or the load ends; to_s in the run sheet ends the run before it"
    )


def _why_wandering(wander: Wander) -> str:
    """Describe how the rise wanders over the whole record."""
    if wander.too_long:
        return (
            f"over {wander.span_s:.0f} s at load the rise moves about its approach, as in a cycle "
            f"that they are too short to show: its mean may be off by {wander.rms_k:.2g} K; run "
            "longer"
        )
    cycle = "" if np.isnan(wander.period_s) else f", in a cycle of about {wander.period_s:.0f} s"
    return (
        f"over {wander.span_s:.0f} s at load, and not only in the window, the rise wanders by "
        f"{wander.rms_k:.2g} K{cycle}"
    )


def _with_shift(
    rise: SteadyRise, mean: WindowMean, series: Series, tail: SoakTail, protocol: Protocol
) -> SteadyRise:
    """State what a rise has beyond its window's mean.

    What it has beyond the last of its readings is never much larger than its error: a long window
    may begin in the soak that its own end has seen out.
    """
    added_k = rise.rise_k - mean.mean_k
    last = series.since(float(series.time_s[-1]) - protocol.window_s).rise_k
    beyond_k = rise.rise_k - float(np.mean(last))
    error_k = float(np.hypot(rise.standard_error_k, _LEAST_ERROR_K))
    most = _SHORT_ERRORS if np.ptp(series.time_s) < _SHORT_S else _SHIFT_ERRORS
    if added_k * (mean.mean_k - series.rise_k[0]) < 0.0:
        most = _BACK_ERRORS
    error_k = max(error_k, min(abs(added_k), abs(beyond_k)) / most)
    if abs(added_k) < REPORTED_K:
        return replace(rise, standard_error_k=error_k)
    mean_c = float(np.mean(series.last(mean.n).temperature_c))
    words = (
        f"window mean {mean_c:.2f} °C, {added_k:+.2f} ± {max(tail.error_k, error_k):.2f} K added "
        "for the unfinished soak"
    )
    if tail.fit is not None:
        words += f", by {tail.fit.approach}"
        if abs(tail.fit.slow_k) >= REPORTED_K:
            words += (
                f"; {tail.fit.slow_k:+.2f} K of it by slow parts, which have the prior of "
                f"{100.0 * SLOW_SHARE:.0f} % of the rise in half of all coolers"
            )
    shift = Check("soak end", Verdict.CORRECTED, words, added_k, unit="K", sensor=series.name)
    return replace(rise, standard_error_k=error_k, shift=shift)


def _at_soak_end(
    window: WindowMean, tail: SoakTail, series: Series, protocol: Protocol, *, held: bool
) -> WindowMean:
    """Return the mean of a window at the end of its soak.

    The rest of the fitted approach is added. A drift beyond noise that remains will go on:
    what it may still add goes into the standard error.
    """
    flat = _mean_of(series.last(window.n), protocol, tail.lacking_k)
    noise = (flat.drift_high_k_per_min - abs(flat.drift_k_per_min)) / Z95
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


def _rest_error_k(window: WindowMean, tail: SoakTail) -> float:
    """Return the uncertainty of what is left of a soak; of a straight line all that it adds [K]."""
    if not tail.straight:
        return tail.error_k
    return abs(window.drift_k_per_min) / 60.0 * tail.time_constant_s


def _passed(series: Series, window: WindowMean, words: str, tail: SoakTail) -> SteadyRise:
    """Return the mean of a window, as a correction where its doubt is notable."""
    cycles = window.swing_k > _CYCLE_K
    doubt_k = _rest_error_k(window, tail)
    if cycles:
        words += f"; the rise swings by {window.swing_k:.0f} K, which is not a steady state"
    if tail.straight:
        words += f"; it goes on in a straight line: nothing is added, uncertain by {doubt_k:.2f} K"
    notable = cycles or doubt_k > _ENDED_K
    verdict, drift = Verdict.CORRECTED if notable else Verdict.PASS, window.drift_k_per_min
    if notable and not (cycles or tail.straight):
        words += f"; the rest of the soak is uncertain by {doubt_k:.2f} K"
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
