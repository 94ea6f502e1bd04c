"""Runs in which a control loop held the sensor: its temperature is then no result.

A firmware or limiter that cuts power or moves the fan to keep a target makes two
coolers read the same. It shows in one run: power or fan speed moved enough to move the
temperature by kelvins, and the temperature did not follow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from thermcmp._types import Array, BoolArray, Int64Array
from thermcmp.telemetry.steady_state.sampling_interval import usual_step_s

#: Exponent of rise against fan speed, for a rough expectation only: 0.65 on the part
#: of the resistance that air flow can change (common practice, no source).
_FAN_EXPONENT: Final = 0.5
_BLOCK_S: Final = 30.0
_FOLLOW_S: Final = 60.0
_LEAST_BLOCKS: Final = 5
_EXPECTED_K: Final = 2.0
_FOLLOWED_SHARE: Final = 1.0 / 3.0
_BAND_K: Final = 1.0


@dataclass(frozen=True, slots=True)
class Regulation:
    """How a sensor was held.

    Attributes
    ----------
    held_c : float
        Temperature it was held at [°C].
    actuator : str
        What was moved: "power", "fan", "fan and power" where neither moved the sensor twice
        as far as the other, or "" where only the target is known.
    start, end : float
        First and last value of what was moved most, in its unit.
    start_s : float
        When the sensor reached the target [s].
    """

    held_c: float
    actuator: str
    start: float
    end: float
    start_s: float


def find_regulation(
    time_s: Array,
    temperature_c: Array,
    rise_k: Array,
    power_w: Array | None,
    fan: Array | None,
    *,
    held_c: float,
    step_k: float,
) -> Regulation | None:
    """Find out whether a sensor was held by moving power or fan speed.

    Shapes: time_s (n,), temperature_c (n,), rise_k (n,), power_w (n,), fan (n,).
    """
    band = max(_BAND_K, step_k)
    level_k = float(np.nanmean(rise_k[len(rise_k) // 2 :]))
    if _largest_move(power_w, fan) * abs(level_k) < _EXPECTED_K:
        return None
    for first, is_held in (
        (_arrived(time_s, temperature_c, held_c - band), _never_followed_on),
        (_stays(time_s, np.abs(temperature_c - held_c) <= band), _does_not_follow),
    ):
        t = time_s[first:]
        if not len(t) or t[-1] - t[0] < _LEAST_BLOCKS * _BLOCK_S:
            continue
        moves = _Moves(
            t,
            ((t - t[0]) / _BLOCK_S).astype(np.int64),
            temperature_c[first:],
            _relative(power_w, first, len(t)),
            _relative(fan, first, len(t)) ** -_FAN_EXPONENT,
            level_k,
        )
        if is_held(moves):
            return _regulation(moves, power_w, fan, first, held_c)
    return None


@dataclass(frozen=True, slots=True)
class _Moves:
    """What the firmware moved, and what the sensor did meanwhile."""

    time_s: Array
    blocks: Int64Array
    temperature_c: Array
    heat: Array
    air: Array
    level_k: float

    def means(self, values: Array) -> Array:
        """Average over blocks of half a minute."""
        return _block_means(values, self.blocks)


def _never_followed_on(moves: _Moves) -> bool:
    """Return whether a sensor that arrived stayed only since power or fan then moved."""
    expected = moves.means(moves.heat * moves.air) * moves.level_k
    seen = moves.means(moves.temperature_c)
    late = max(len(expected) // 4, 1)
    drop = float(expected[0] - expected[-late:].mean())
    change = abs(float(seen[-late:].mean() - seen[0]))
    return drop >= _EXPECTED_K + _BAND_K and change <= drop / 2.0


def _does_not_follow(moves: _Moves) -> bool:
    """Return whether a sensor keeps still while power or fan move."""
    expected = _followed(moves.heat * moves.air, moves.time_s) * moves.level_k
    expected_swing = float(np.ptp(moves.means(expected)))
    seen_swing = float(np.ptp(moves.means(moves.temperature_c)))
    return expected_swing >= _EXPECTED_K and seen_swing <= expected_swing * _FOLLOWED_SHARE


def _regulation(
    moves: _Moves, power_w: Array | None, fan: Array | None, first: int, held_c: float
) -> Regulation | None:
    """Describe what was moved, from where to where."""
    heat, air = (float(np.ptp(moves.means(values))) for values in (moves.heat, moves.air))
    by_power = heat >= air
    actuated = power_w if by_power else fan
    if actuated is None:
        return None
    moved = moves.means(actuated[first:])
    name = "power" if by_power else "fan"
    if min(heat, air) > 0.5 * max(heat, air):
        name = "fan and power"
    return Regulation(held_c, name, float(moved[0]), float(moved[-1]), float(moves.time_s[0]))


def _arrived(time_s: Array, temperature_c: Array, level_c: float) -> int:
    """Return the first reading from which half a minute is mostly at a level or above."""
    above = _smoothed((temperature_c >= level_c).astype(float), time_s, _BLOCK_S)
    return int(np.argmax(above > 0.0))


def _stays(time_s: Array, near: BoolArray) -> int:
    """Return the first reading from which on a sensor stays near, but for single ones."""
    outside = np.flatnonzero(_smoothed(near.astype(float), time_s, _BLOCK_S) == 0.0)
    return int(outside[-1]) + 1 if len(outside) else 0


def _largest_move(power_w: Array | None, fan: Array | None) -> float:
    """Return a share of the rise that power and fan cannot have moved it by more than."""
    most = _range_ratio(power_w) * _range_ratio(fan) ** _FAN_EXPONENT
    return most - 1.0 / most


def _range_ratio(values: Array | None) -> float:
    """Return the largest over the smallest reading; one where it did not move."""
    if values is None:
        return 1.0
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    if low > 0.0:
        return high / low
    return 1.0 if high == low else float("inf")


def _relative(values: Array | None, first: int, n: int) -> Array:
    """Return values over their mean; one where they are not known."""
    if values is None:
        return np.ones(n)
    part = values[first:]
    missing = np.isnan(part)
    mean = float(part.mean()) if not missing.any() else _known_mean(part, missing)
    if not mean > 0.0:
        return np.ones(n)
    share = np.minimum(np.maximum(part / mean, 0.05), 20.0)
    share[missing] = 1.0
    return share


def _known_mean(values: Array, missing: BoolArray) -> float:
    """Return the mean of what is not missing, zero where all is."""
    return 0.0 if missing.all() else float(values[~missing].mean())


def _followed(expected: Array, t: Array) -> Array:
    """Let an expected rise follow with the delay of a cooler."""
    from scipy.signal import lfilter

    period = usual_step_s(t)
    share = 1.0 - np.exp(-period / _FOLLOW_S)
    level = expected
    # It starts from the usual level, not from where a hunting power happens to be.
    start = float(np.mean(level[: max(int(_FOLLOW_S / period), 1)]))
    followed, _ = lfilter([share], [1.0, share - 1.0], level, zi=[(1.0 - share) * start])
    return np.asarray(followed)


def _block_means(values: Array, blocks: Int64Array) -> Array:
    """Average over blocks; blocks with less than half the usual readings are left out."""
    missing = np.isnan(values)
    if missing.any():
        values, blocks = values[~missing], blocks[~missing]
    sums, counts = np.bincount(blocks, values), np.bincount(blocks)
    whole = counts >= max(0.5 * counts.max(), 1.0)
    return sums[whole] / counts[whole]


def _smoothed(flags: Array, time_s: Array, span_s: float) -> Array:
    """Return 1 where most of the readings around are set, else 0."""
    period = usual_step_s(time_s)
    size = int(max(span_s / max(period, 1e-6), 1.0))
    size = min(size, len(flags))
    total = np.concatenate([[0.0], np.cumsum(flags)])
    low = np.maximum(np.arange(-(size // 2), len(flags) - size // 2), 0)
    high = np.minimum(low + size, len(flags))
    return ((total[high] - total[low]) / (high - low) >= 0.5).astype(float)
