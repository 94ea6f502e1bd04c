"""Steps of fan or power within the time at load: the soak starts anew at the last one."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from thermcmp._types import Array
from thermcmp.telemetry.quantities import FAN_DUTY, FAN_SPEED, POWER
from thermcmp.telemetry.steady_state.condition_checks import UNITS
from thermcmp.telemetry.steady_state.load import Span, Stretch
from thermcmp.telemetry.steady_state.protocol import Protocol
from thermcmp.telemetry.steady_state.run_data import Readings, block_means
from thermcmp.telemetry.steady_state.sampling_interval import readings_in

#: Levels before and after a step are taken over this time [s], in blocks of this length [s].
_LEVEL_S: Final = 60.0
_BLOCK_S: Final = 10.0
_BLOCKS: Final = int(_LEVEL_S / _BLOCK_S)
#: A change of this share of the level is a step.
_STEP_SHARE: Final = 0.03
#: A step is this many times larger than the spread of the levels beside it.
_CLEAR: Final = 4.0
#: A condition that moves by this share over the record moves a rise (a choice).
_MOVED_SHARE: Final = 0.01
#: Share of a step that comes within a block or two.
_AT_ONCE: Final = 0.8
_NAMES: Final = {FAN_SPEED: "the fan", FAN_DUTY: "the fan", POWER: "the power"}


def since_last_step(
    readings: Readings, stretch: Stretch, protocol: Protocol
) -> tuple[Stretch, list[Span]]:
    """Return the time at load since fan or power were last switched, and the span before.

    A rest that is too short for a window and half a soak leaves the stretch whole, so that
    the moved condition refuses the run.
    """
    latest_s, what = stretch.start_s, ""
    part = readings.between(stretch.start_s, stretch.end_s)
    for name, words in _NAMES.items():
        if name not in part or (name == FAN_DUTY and FAN_SPEED in part):
            continue
        step_s = _last_step_s(*part.known(name))
        if step_s > latest_s:
            latest_s, what = step_s, words
    least_s = max(protocol.window_s, (protocol.soak_s + protocol.window_s) / 2.0)
    if not what or stretch.end_s - latest_s < least_s:
        return stretch, []
    first = int(np.searchsorted(readings.time_s, latest_s))
    reason = f"before {what} was switched"
    span = Span(stretch.start_s, float(readings.time_s[max(first - 1, 0)]), reason)
    return replace(stretch, first=first, start_s=float(readings.time_s[first])), [span]


def moved_meanwhile(part: Readings) -> str:
    """Return how power and fan moved from the first to the last quarter; empty if held."""
    moved = []
    for name, words in _NAMES.items():
        if name not in part or (name == FAN_DUTY and FAN_SPEED in part):
            continue
        values = part.known(name)[1]
        quarter = len(values) // 4
        if not quarter:
            continue
        first, last = float(np.mean(values[:quarter])), float(np.mean(values[-quarter:]))
        if abs(last - first) > _MOVED_SHARE * abs(first):
            moved.append(f"{words} went from {first:.0f} to {last:.0f} {UNITS[name]}")
    return f"; meanwhile {' and '.join(moved)}" if moved else ""


def _last_step_s(time_s: Array, values: Array) -> float:
    """Return when a column last stepped from one level to another [s]; minus infinity if never."""
    if len(values) < 4 * _BLOCKS or time_s[-1] - time_s[0] < 2.0 * _LEVEL_S:
        return -np.inf
    size = readings_in(_BLOCK_S, time_s)
    means, starts = block_means(values, size), time_s[::size]
    # A switch takes a moment, within a block or two; a loop that searches its point takes longer.
    jumps = np.abs(means[2:] - means[:-2]) > _AT_ONCE * _STEP_SHARE * np.abs(means[:-2])
    last = np.flatnonzero(jumps[_BLOCKS - 1 : len(means) - _BLOCKS - 1])[:, None]
    if not len(last):
        return -np.inf
    # Blocks before a step, a block that may hold it, and blocks after it.
    before = means[last + np.arange(_BLOCKS)]
    after = means[last + _BLOCKS + 1 + np.arange(_BLOCKS - 1)]
    change = after.mean(axis=1) - before.mean(axis=1)
    spread = np.maximum(before.std(axis=1), after.std(axis=1))
    level = np.abs(before.mean(axis=1))
    at_once = np.abs(after[:, 0] - before[:, -1]) > _AT_ONCE * np.abs(change)
    steps = (np.abs(change) > np.maximum(_STEP_SHARE * level, _CLEAR * spread)) & at_once
    if not steps.any():
        return -np.inf
    # The clearest place of the last cluster.
    hits, spreads = last[steps, 0], spread[steps]
    cluster = hits > hits[-1] - 3
    at = int(hits[cluster][np.argmin(spreads[cluster])]) + _BLOCKS + 1
    return float(starts[min(at, len(starts) - 1)])
