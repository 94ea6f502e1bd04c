"""The window of a run: where in the stretch at load its means are taken."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from thermcmp._types import Array, Int64Array
from thermcmp.telemetry.steady_state.checks import Check
from thermcmp.telemetry.steady_state.load import Stretch
from thermcmp.telemetry.steady_state.protocol import Protocol, Verdict
from thermcmp.telemetry.steady_state.sampling_interval import usual_step_s

#: A window is made up to so many times longer while the rise stays settled.
LONGER: Final = (2, 4)


@dataclass(frozen=True, slots=True)
class Window:
    """Where the means of a run are taken.

    Attributes
    ----------
    start_s, end_s : float
        Ends of the window [s].
    earlier_s : tuple of float
        Starts of longer windows with the same end, nearest first [s].
    full_soak : bool
        Whether the least soak lay before it; else its rise must be extrapolated.
    """

    start_s: float
    end_s: float
    earlier_s: tuple[float, ...]
    full_soak: bool


def choose_window(
    time_s: Array,
    segment: Int64Array,
    stretch: Stretch,
    protocol: Protocol,
) -> tuple[Window | None, Check]:
    """Choose the last window that follows the soak and spans no gap.

    Shapes: time_s (n,), segment (n,). Returns window, check.
    """
    pieces = _pieces(time_s, segment, stretch, protocol.gap_s)
    soaked_s = stretch.start_s + protocol.soak_s
    for start, end in reversed(pieces):
        earliest = max(start, soaked_s)
        if end - earliest >= protocol.window_s:
            longer = [end - k * protocol.window_s for k in LONGER]
            earlier = tuple(s for s in longer if s >= earliest)
            soak = end - protocol.window_s - stretch.start_s
            words = f"{soak:.0f} s at load before the window"
            window = Window(end - protocol.window_s, end, earlier, True)
            return window, Check("soak", Verdict.PASS, words, soak, protocol.soak_s, "s")
    return _short(pieces, stretch, protocol)


def _short(
    pieces: list[tuple[float, float]], stretch: Stretch, protocol: Protocol
) -> tuple[Window | None, Check]:
    """Judge a run that stopped before its soak was over, or has gaps everywhere."""
    _, end = pieces[-1]
    length = end - stretch.start_s
    wanted = protocol.soak_s + protocol.window_s
    words = f"{length:.0f} s at load without a gap where {wanted:.0f} s are needed"
    whole = len(pieces) == 1
    if whole and protocol.extrapolate and length >= max(protocol.window_s, wanted / 2.0):
        window = Window(end - protocol.window_s, end, (), False)
        words += "; the rise can only be extrapolated"
        return window, Check("soak", Verdict.CORRECTED, words, length, wanted, "s", end)
    return None, Check("soak", Verdict.REFUSED, words, length, wanted, "s", end)


def _pieces(
    time_s: Array, segment: Int64Array, stretch: Stretch, gap_s: float
) -> list[tuple[float, float]]:
    """Split a stretch at gaps and clock steps."""
    inside = slice(stretch.first, stretch.last + 1)
    times, segments = time_s[inside], segment[inside]
    # Readings further apart than the gap by their own period leave no gap.
    steps = np.diff(times)
    longest = max(gap_s, 1.5 * usual_step_s(times))
    edges = np.flatnonzero((steps > longest) | (segments[1:] != segments[:-1])) + 1
    starts, ends = np.concatenate([[0], edges]), np.concatenate([edges, [len(times)]]) - 1
    return [(float(times[a]), float(times[b])) for a, b in zip(starts, ends, strict=True)]
