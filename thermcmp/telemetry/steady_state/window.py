"""The window of a run, the part of the stretch at load over which means are taken."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from thermcmp._types import Array, Int64Array
from thermcmp.telemetry.steady_state.checks import Check
from thermcmp.telemetry.steady_state.load import Stretch
from thermcmp.telemetry.steady_state.protocol import Protocol, Verdict
from thermcmp.telemetry.steady_state.sampling_interval import longest_step_s, usual_step_s
from thermcmp.telemetry.steady_state.window_mean import LEAST_READINGS

#: A window is made this many times longer while the rise stays settled.
LONGER: Final = (2, 4)


@dataclass(frozen=True, slots=True)
class Window:
    """Window over which the means of a run are taken."""

    start_s: float
    end_s: float
    earlier_s: tuple[float, ...]  #: starts of longer windows with the same end, nearest first [s]
    full_soak: bool  #: whether the required soak precedes it; else its rise must be extrapolated


def choose_window(
    time_s: Array, segment: Int64Array, stretch: Stretch, protocol: Protocol
) -> tuple[Window | None, Check]:
    """Return the last window that follows the soak and spans no gap, and the check of the soak."""
    inside = slice(stretch.first, stretch.last + 1)
    times, segments = time_s[inside], segment[inside]
    steps = np.diff(times)
    gaps = steps > longest_step_s(times, protocol.gap_s)
    # A step of the clock has no length that is known; a gap of the reader's has one.
    stepped = (segments[1:] != segments[:-1]) & (steps <= 2.0 * usual_step_s(times))
    edges = np.flatnonzero(gaps | stepped) + 1
    starts, ends = np.concatenate([[0], edges]), np.concatenate([edges, [len(times)]]) - 1
    pieces = [(float(times[a]), float(times[b])) for a, b in zip(starts, ends, strict=True)]
    soaked_s = stretch.start_s + protocol.soak_s
    # A slow logger needs a longer window for its readings.
    window_s = max(protocol.window_s, LEAST_READINGS * usual_step_s(times))
    for start, end in reversed(pieces):
        earliest = max(start, soaked_s)
        if end - earliest >= window_s:
            longer = [end - k * window_s for k in LONGER]
            earlier = tuple(s for s in longer if s >= earliest)
            soak = end - window_s - stretch.start_s
            words = f"{soak:.0f} s at load before the window"
            check = Check("soak", Verdict.PASS, words, soak, protocol.soak_s, "s")
            return Window(end - window_s, end, earlier, True), check
    # The run stopped before its soak was over, or has gaps everywhere.
    _, end = pieces[-1]
    length_s = end - stretch.start_s
    wanted_s = protocol.soak_s + window_s
    words = f"{length_s:.0f} s at load without a gap where {wanted_s:.0f} s are needed"
    if len(pieces) > 1:
        longest_s = max(b - a for a, b in pieces)
        words = (
            f"{length_s:.0f} s at load in {len(pieces)} pieces, the longest {longest_s:.0f} s "
            f"without a gap, where {wanted_s:.0f} s with {window_s:.0f} s without a gap "
            f"are needed; Protocol(gap_s={np.ceil(steps.max()):.0f}) would span the longest gap"
        )
    window, verdict = None, Verdict.REFUSED
    enough = length_s >= max(window_s, wanted_s / 2.0)
    if len(pieces) == 1 and protocol.extrapolate and enough:
        window, verdict = Window(end - window_s, end, (), False), Verdict.CORRECTED
        words += "; the rise can only be extrapolated"
    return window, Check("soak", verdict, words, length_s, wanted_s, "s", end)
