"""Columns that repeat one value: frozen, clipped at a ceiling, or typed in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from thermcmp._types import Array, BoolArray
from thermcmp.errors import InputError
from thermcmp.telemetry.steady_state.first_order import fit_first_order_rise
from thermcmp.telemetry.steady_state.quantization import find_step
from thermcmp.telemetry.steady_state.run_data import block_means

#: A shorter repeat is never called frozen [s], [readings].
_LEAST_S: Final = 60.0
_LEAST_READINGS: Final = 20
#: A column with fewer readings may be constant by chance.
_LEAST_CONSTANT: Final = 60
#: Readings per block from which noise is taken.
_BLOCK: Final = 12
_LEAST_BLOCKS: Final = 5
_MOST_BLOCKS: Final = 2_000
#: With less noise than this [steps] a reading may rest in the middle of a step.
_LEAST_NOISE: Final = 0.15
#: Share of the estimated noise that is counted on, as a slope adds to it; and how many times
#: longer than all others a frozen repeat is.
_NOISE_SHARE: Final = 0.8
_LONGER: Final = 4.0
#: A repeat with a probability below exp(-20) is not due to chance.
_CHANGES: Final = 20.0
#: A rise that stops short by less than this, and than this many steps, is not called frozen [K].
_SHORT_K: Final = 1.0
_SHORT_STEPS: Final = 1.0
_POINTS: Final = 100
#: A sensor rests while it still rose by its own readings and by those of others, if it rose as
#: they do: by more than this many of its steps (choices, from simulated frozen and quiet sensors
#: beside others with unlike parts).
_RISING_STEPS: Final = 0.1
_BEHIND_STEPS: Final = 1.5
#: A condition that changes by this share explains why a rise stops.
_EXPLAINS: Final = 0.03
#: A jump in one reading that no thermal mass follows [K], [steps].
_JUMP_K: Final = 5.0
_JUMP_STEPS: Final = 8.0
#: Time after the load begins or ends in which every sensor follows [s].
_FOLLOWS_S: Final = 60.0
#: Shares of readings at the ceiling, and of those that fall by steps at once, when clipped.
_PILED: Final = 0.1
_FALLS: Final = 0.05
_FALL_STEPS: Final = 3.0
#: A condition that is this share away from its median has left its level.
_LEFT: Final = 0.2


@dataclass(frozen=True, slots=True)
class Repeat:
    """The longest run of equal readings, by positions in the record."""

    first: int
    last: int
    value: float


def is_constant(values: Array) -> bool:
    """Return whether a column has one value throughout."""
    # Most columns change at once; a long one is not copied for that.
    if not _same(values[:_LEAST_CONSTANT]):
        return False
    known = values[~np.isnan(values)]
    return len(known) >= _LEAST_CONSTANT and _same(known)


def _same(values: Array) -> bool:
    """Return whether all readings that are not missing are equal."""
    known = values[~np.isnan(values)]
    return not np.any(known != known[:1])


def longest_repeat(values: Array, first: int, last: int) -> Repeat | None:
    """Return the longest repeat within positions, with its ends in the whole record."""
    part = values[first : last + 1]
    edges = np.concatenate([[0], np.flatnonzero(part[1:] != part[:-1]) + 1, [len(part)]])
    lengths = np.diff(edges)
    at = int(np.argmax(lengths))
    if lengths[at] < _LEAST_READINGS:
        return None
    start, end = first + int(edges[at]), first + int(edges[at + 1]) - 1
    value = float(values[start])
    while start and values[start - 1] == value:
        start -= 1
    while end + 1 < len(values) and values[end + 1] == value:
        end += 1
    return Repeat(start, end, value)


def frozen(
    time_s: Array,
    values: Array,
    first: int,
    last: int,
    *,
    loaded: BoolArray | None = None,
    conditions: tuple[Array, ...] = (),
    others: tuple[Array, ...] = (),
    thermal: bool = True,
) -> tuple[Repeat, str] | None:
    """Return the repeat that shows a frozen column within positions, and the reason.

    `thermal` is whether it is a sensor's temperature, which rises at load and cools after it,
    and `others` are the other sensors.
    """
    repeat = longest_repeat(values, first, last)
    if repeat is None or time_s[repeat.last] - time_s[repeat.first] < _LEAST_S:
        return None
    step = find_step(values)
    # The noise beside it must be that of the same conditions.
    rest = np.concatenate([values[first : repeat.first], values[repeat.last + 1 : last + 1]])
    if _beyond_noise(rest, step, repeat):
        return repeat, "its noise had changed it far sooner before"
    if not thermal:
        return None
    if loaded is not None:
        busy = np.flatnonzero(loaded[repeat.first : repeat.last + 1]) + repeat.first
        warmed_s = time_s[repeat.last] - time_s[busy[0]] if len(busy) else 0.0
        cooled_s = time_s[repeat.last] - time_s[busy[-1]] if len(busy) else 0.0
        if (busy[:1] > repeat.first and warmed_s > _FOLLOWS_S) or cooled_s > _FOLLOWS_S:
            return repeat, "the load began or ended meanwhile"
    jump = max(_JUMP_K, _JUMP_STEPS * step)
    before = repeat.first > first and abs(values[repeat.first - 1] - repeat.value) > jump
    after = repeat.last < last and abs(values[repeat.last + 1] - repeat.value) > jump
    if before or after:
        return repeat, "it jumps in a single reading beside it"
    if _explained(conditions, first, repeat):
        return None
    missing, least = _short_of(time_s, values, first, repeat)
    if least > max(_SHORT_K, _SHORT_STEPS * step):
        return repeat, f"it was still rising, with about {abs(missing):.0f} K to go"
    # Others alone show nothing: their slow parts may be larger.
    rising = missing > 0.0 and least > _RISING_STEPS * step
    behind = _behind(values, others, first, repeat) if rising else 0.0
    if behind > _BEHIND_STEPS * step:
        return repeat, f"it was still rising, and others rose on, as if it had {behind:.1f} K to go"
    return None


def clipped(
    values: Array, first: int, last: int, step: float, conditions: tuple[Array, ...] = ()
) -> float | None:
    """Return the ceiling at which a noisy column is clipped; None if it is not.

    Where power or fan leave their usual level a sensor falls by itself.
    """
    part = values[first : last + 1]
    known = ~np.isnan(part)
    part = part[known]
    if len(part) < _LEAST_CONSTANT or not step > 0.0:
        return None
    top = float(part.max())
    piled = part >= top - step / 4.0
    if np.mean(piled) < _PILED:
        return None
    leaves = piled[:-1]
    falls = leaves & (part[1:] <= top - (_FALL_STEPS - 0.5) * step)
    for condition in conditions:
        held = condition[first : last + 1][known]
        level = float(np.median(held))
        left = np.abs(held - level) > _LEFT * abs(level)
        falls &= ~np.convolve(left, np.ones(_BLOCK), "same").astype(bool)[1:]
    return top if falls.sum() >= _FALLS * leaves.sum() and falls.sum() >= 10 else None


def _beyond_noise(rest: Array, step: float, repeat: Repeat) -> bool:
    """Return whether noise as in the other readings would have ended a repeat."""
    rest = rest[~np.isnan(rest)]
    whole = len(rest) // _BLOCK
    if whole < _LEAST_BLOCKS or not step > 0.0:
        return False
    blocks = rest[-whole * _BLOCK :].reshape(whole, _BLOCK)[:: max(whole // _MOST_BLOCKS, 1)]
    away = np.arange(_BLOCK) - (_BLOCK - 1) / 2.0
    centred = blocks - blocks.mean(axis=1, keepdims=True)
    slopes = centred @ away / (away @ away)
    left = centred - slopes[:, None] * away
    variance = np.median(np.sum(left**2, axis=1)) / (_BLOCK - 2) / step**2 - 1.0 / 12.0
    if variance < _LEAST_NOISE**2:
        return False
    # A reading that happens to rest in the middle of a step does so more than once.
    edges = np.flatnonzero(np.diff(rest, prepend=np.nan, append=np.nan) != 0.0)
    if repeat.last - repeat.first < _LONGER * np.diff(edges).max():
        return False
    noise = _NOISE_SHARE * float(np.sqrt(variance))
    # Slow blocks, as a slope changes readings too.
    slow = np.abs(slopes) * _BLOCK <= max(2.0 * noise, 1.0) * step
    chosen = blocks[slow] if np.count_nonzero(slow) >= _LEAST_BLOCKS else blocks
    changes = float(np.mean(np.diff(chosen, axis=1) != 0.0))
    usual, least = _change_shares(noise)
    return repeat.last - repeat.first > _CHANGES * usual / (least * max(changes, 1e-9))


def _change_shares(noise: float) -> tuple[float, float]:
    """Return how often rounded readings change, on average and in the middle of a step."""
    from scipy.special import ndtr

    cells = np.arange(-12, 13)[:, None]
    phases = np.linspace(-0.5, 0.5, 41)
    upper, lower = (ndtr((cells + edge - phases) / noise) for edge in (0.5, -0.5))
    changes = 1.0 - np.sum((upper - lower) ** 2, axis=0)
    return float(changes.mean()), float(changes[20])


def _explained(conditions: tuple[Array, ...], first: int, repeat: Repeat) -> bool:
    """Return whether a condition changed when a rise stopped, or too little is before it."""
    n = repeat.first - first
    if n < _LEAST_READINGS:
        return True
    before, after = slice(first + n // 2, repeat.first), slice(repeat.first, repeat.last + 1)
    means = [(np.nanmean(part[before]), np.nanmean(part[after])) for part in conditions]
    return any(not abs(late - early) <= _EXPLAINS * abs(early) for early, late in means)


def _behind(values: Array, others: tuple[Array, ...], first: int, repeat: Repeat) -> float:
    """Return how far a column would have risen in a repeat as the others did [K]; 0 without any.

    Others that rest themselves show nothing; of the rest the middle one counts.
    """
    parts = (
        slice(first, first + _BLOCK),
        slice(repeat.first - _BLOCK, repeat.first + _BLOCK),
        slice(repeat.last + 1 - 2 * _BLOCK, repeat.last + 1),
    )
    rises = []
    for other in others:
        late = other[(repeat.first + repeat.last) // 2 : repeat.last + 1]
        if np.all(late == late[0]) or any(np.isnan(other[part]).all() for part in parts):
            continue
        begun, start, end = (float(np.nanmean(other[part])) for part in parts)
        # By less than what a coarse step of its own leaves open.
        if start - begun > _JUMP_K:
            rises.append((end - start - find_step(other) / 2.0) / (start - begun))
    return float(np.median(rises)) * (repeat.value - values[first]) if rises else 0.0


def _short_of(time_s: Array, values: Array, first: int, repeat: Repeat) -> tuple[float, float]:
    """Return how far a rise stopped short of where it was going, and by how much at least [K]."""
    n = repeat.first - first
    # The later part: a cooler's fast parts are then over.
    start = first + n // 3
    t, y = time_s[start : repeat.first], values[start : repeat.first]
    known = ~np.isnan(y)
    t, y = t[known], y[known]
    size = max(len(t) // _POINTS, 1)
    t, y = block_means(t, size), block_means(y, size)
    if len(t) < 12:
        return 0.0, 0.0
    last_s = float(time_s[repeat.last]) - float(t[0])
    try:
        fit = fit_first_order_rise(t - t[0], y)
    except InputError:
        # A straight line: what it adds in a minute is missing.
        slope, level = np.polyfit(t - t[-1], y, 1)
        error = float(np.std(y - np.polyval((slope, level), t - t[-1])))
        missing = slope * _LEAST_S
    else:
        missing = float(fit.at(last_s)) - repeat.value
        error = fit.final_error_k
    # Of a short rise its end is uncertain by a factor and not by kelvins.
    least = abs(missing) * float(np.exp(-2.0 * error / max(abs(missing), 1e-9)))
    return float(missing), least
