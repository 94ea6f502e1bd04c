"""When a card was at load: stretches, pauses and gaps in a run."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from thermcmp._types import Array, BoolArray, Int64Array
from thermcmp.telemetry.steady_state.sampling_interval import readings_in, usual_step_s

#: Without a logged load a card is at load above this share of its high power: an idle card
#: takes less, one that is cut back under load takes more (common practice, no source).
_LOAD_SHARE: Final = 0.4
#: A card is at load above this utilisation [%].
_LOAD_PERCENT: Final = 50.0
#: Power counts as high when it stays so for this long [s], so that neither a spike nor a
#: rare load in a long idle log misleads.
_LEVEL_S: Final = 30.0
_SOME_BLOCKS: Final = 256
#: Load before a gap longer than this shows nothing about the time since [s].
LONG_GAP_S: Final = 60.0
#: Why a stretch at load was not used.
ANOTHER_STRETCH: Final = "another stretch at load"


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time that was not used, and why."""

    start_s: float
    end_s: float
    reason: str


@dataclass(frozen=True, slots=True)
class Stretch:
    """The longest stretch at load."""

    #: Positions of its first and last reading.
    first: int
    last: int
    start_s: float
    end_s: float
    known_load: bool  #: whether power or load were logged; else the whole run counts as load
    load_start_s: float  #: when the load began, before any switch of fan or power [s]


def at_load(time_s: Array, power_w: Array | None, load_percent: Array | None) -> BoolArray | None:
    """Return which readings were taken at load, shape (n,); None where it was not logged.

    A logged load goes before power, which a limit may cut while the load goes on.
    """
    has_power = power_w is not None and not np.isnan(power_w).all()
    if load_percent is not None and not np.isnan(load_percent).all():
        # A missing reading is taken as the one before it.
        loaded = _filled(load_percent) >= _LOAD_PERCENT
        # A load that never rises may be another processor's.
        if loaded.any() or not has_power:
            return loaded
    if power_w is not None and has_power:
        high = _high_level(power_w, readings_in(_LEVEL_S, time_s))
        return _filled(power_w) >= _LOAD_SHARE * high
    return None


def pauses_in(time_s: Array, loaded: BoolArray | None, most_s: float) -> tuple[int, float]:
    """Return how many pauses in the load are no longer than a time, and the longest of them [s]."""
    if loaded is None:
        return 0, 0.0
    lengths = [float(time_s[end] - time_s[start]) for start, end in _pauses(loaded)]
    short = [length for length in lengths if length <= most_s]
    return len(short), max(short, default=0.0)


def pause_advice(time_s: Array, loaded: BoolArray | None, pause_s: float) -> str:
    """Return how the pauses of a looped test are joined; empty where they are."""
    count, longest_s = pauses_in(time_s, loaded, LONG_GAP_S)
    if not count or longest_s <= pause_s:
        return ""
    return (
        f"the load pauses {count} times for up to {longest_s:.0f} s: "
        f"Protocol(pause_s={np.ceil(longest_s):.0f}) joins what a looped test interrupts"
    )


def _pauses(loaded: BoolArray) -> list[tuple[int, int]]:
    """Return where each pause between two times at load begins and ends."""
    changes = np.flatnonzero(loaded[1:] != loaded[:-1]) + 1
    return [(int(start), int(end)) for start, end in pairwise(changes) if not loaded[start]]


def longest_stretch(
    time_s: Array, segment: Int64Array, loaded: BoolArray | None, pause_s: float
) -> tuple[Stretch | None, list[Span]]:
    """Return the longest stretch at load, and the spans that are left out."""
    n = len(time_s)
    busy = np.ones(n, dtype=bool)
    if loaded is not None:
        busy = loaded.copy()
        for start, end in _pauses(loaded):
            if time_s[end] - time_s[start] <= pause_s:
                busy[start:end] = True
    new_segment = np.flatnonzero(segment[1:] != segment[:-1])
    steps = time_s[new_segment + 1] - time_s[new_segment]
    # A gap has a length; a step of the clock has none, so nothing runs on over it.
    broken = new_segment[(steps > LONG_GAP_S) | (steps <= 2.0 * usual_step_s(time_s))]
    edges = np.union1d(broken, np.flatnonzero(busy[1:] != busy[:-1])) + 1
    starts = np.concatenate([[0], edges])
    ends = np.concatenate([edges, [n]]) - 1
    lengths = np.where(busy[starts], time_s[ends] - time_s[starts], -1.0)
    best = int(np.argmax(lengths))
    if lengths[best] <= 0.0:
        return None, [Span(float(time_s[0]), float(time_s[-1]), "not at load")]
    stretches = [
        Stretch(
            int(a), int(b), float(time_s[a]), float(time_s[b]), loaded is not None, float(time_s[a])
        )
        for a, b in zip(starts, ends, strict=True)
    ]
    reasons = [ANOTHER_STRETCH if busy[s.first] else "not at load" for s in stretches]
    spans = [Span(s.start_s, s.end_s, why) for s, why in zip(stretches, reasons, strict=True)]
    return stretches[best], [*spans[:best], *spans[best + 1 :]]


def _high_level(values: Array, size: int) -> float:
    """Return the highest level that a block of readings holds for half its length."""
    missing = np.isnan(values)
    known = values[~missing] if missing.any() else values
    size = min(size, len(known))
    whole = len(known) // size * size
    blocks = known[-whole:].reshape(-1, size)
    # A long log has many blocks, so that medians are taken only of those whose upper half is
    # above the level of a sample.
    level = float(np.median(blocks[:: max(len(blocks) // _SOME_BLOCKS, 1)], axis=1).max())
    above = (blocks > level).astype(np.float32) @ np.ones(size, dtype=np.float32)
    higher = above >= size // 2
    return max(level, float(np.median(blocks[higher], axis=1).max(initial=level)))


def _filled(values: Array) -> Array:
    """Carry each reading forward over missing ones."""
    if not np.isnan(values).any():
        return values
    known = np.where(np.isnan(values), 0, np.arange(len(values)))
    carried = values[np.maximum.accumulate(known)]
    return np.where(np.isnan(carried), -np.inf, carried)
