"""Runs in which a control loop held the sensor, so that its temperature is not a result.

A firmware or limiter that cuts power or moves the fan to keep a target makes two coolers
read the same. One run shows it: power or fan speed changed enough to move the temperature
by kelvins, and the temperature did not follow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from thermcmp._types import Array, BoolArray, Int64Array
from thermcmp.telemetry.steady_state.run_data import block_means, lagged
from thermcmp.telemetry.steady_state.sampling_interval import readings_in, usual_step_s

#: Exponent of rise against fan speed, for a rough expectation only: 0.65 on the part
#: of the resistance that air flow can change (common practice, no source).
_FAN_EXPONENT: Final = 0.5
_BLOCK_S: Final = 30.0
#: A sensor follows power and fan within this time [s], or its own delay if that is longer.
_FOLLOW_S: Final = 60.0
_LEAST_BLOCKS: Final = 5
_EXPECTED_K: Final = 2.0
_FOLLOWED_SHARE: Final = 1.0 / 3.0
_BAND_K: Final = 1.0
#: A power that sags by as much as this moves the sensor [K], or the sensor is held.
_SAG_K: Final = 1.0
#: Change from one half minute to the next that is a step, as a share.
_STEP_SHARE: Final = 0.03
#: Movement beside its largest step, as a share, below which a value was switched once.
_REST: Final = 0.2


@dataclass(frozen=True, slots=True)
class Regulation:
    """How a sensor was held."""

    held_c: float  #: temperature it was held at [°C]
    #: What was moved: "power", "fan", "fan and power" where neither moved the sensor twice as far
    #: as the other, or "" where only the target is known.
    actuator: str
    #: First and last value of what was moved more, in its unit.
    start: float
    end: float
    start_s: float  #: when the sensor reached the target [s]


def find_regulation(
    time_s: Array,
    temperature_c: Array,
    rise_k: Array,
    power_w: Array | None,
    fan: Array | None,
    *,
    held_c: float,
    step_k: float,
    delay_s: float = _FOLLOW_S,
) -> Regulation | None:
    """Return how power or fan speed held a sensor, all of shape (n,); None if they did not."""
    band = max(_BAND_K, step_k)
    level_k = float(np.nanmean(rise_k[len(rise_k) // 2 :]))
    # Power and fan cannot have moved the rise by a larger share of it.
    most = _range_ratio(power_w) * _range_ratio(fan) ** _FAN_EXPONENT
    if (most - 1.0 / most) * abs(level_k) < _EXPECTED_K:
        return None
    # From when on half a minute is mostly at the level or above, or stays near it.
    reached = _mostly(temperature_c >= held_c - band, time_s)
    outside = np.flatnonzero(~_mostly(np.abs(temperature_c - held_c) <= band, time_s))
    stays = int(outside[-1]) + 1 if len(outside) else 0
    stepped = 0 if power_w is None else _after_last_step(time_s, power_w)
    for first, is_held in (
        (int(np.argmax(reached)), _Moves.are_absorbed),
        (stays, _Moves.are_not_followed),
        (max(stays, stepped) if stepped else len(time_s), _Moves.sag_unanswered),
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
            step_k,
            max(delay_s, _FOLLOW_S),
        )
        if not is_held(moves):
            continue
        heat, air = (float(np.ptp(moves.means(values))) for values in (moves.heat, moves.air))
        actuator, moved = ("power", power_w) if heat >= air else ("fan", fan)
        if moved is None:
            return None
        values = moves.means(moved[first:])
        if _is_one_step(values):
            # Someone switched it; a loop moves it again and again.
            continue
        if min(heat, air) > 0.5 * max(heat, air):
            actuator = "fan and power"
        return Regulation(held_c, actuator, float(values[0]), float(values[-1]), float(t[0]))
    return None


@dataclass(frozen=True, slots=True)
class _Moves:
    """Moves of the actuators, as factors of the rise, and of the sensor."""

    time_s: Array
    blocks: Int64Array
    temperature_c: Array
    heat: Array
    air: Array
    level_k: float
    step_k: float
    follow_s: float

    def means(self, values: Array) -> Array:
        """Average over blocks of half a minute, without those that lack half their readings."""
        blocks, missing = self.blocks, np.isnan(values)
        if missing.any():
            values, blocks = values[~missing], blocks[~missing]
        sums, counts = np.bincount(blocks, values), np.bincount(blocks)
        whole = counts >= max(0.5 * counts.max(), 1.0)
        return sums[whole] / counts[whole]

    def are_absorbed(self) -> bool:
        """Return whether the sensor stayed where it arrived only because power or fan moved."""
        expected = self.means(self.heat * self.air) * self.level_k
        seen = self.means(self.temperature_c)
        late = max(len(expected) // 4, 1)
        drop = float(expected[0] - expected[-late:].mean())
        away = np.abs(seen - seen[-late:].mean())
        # A sensor that only passed the level on its way up was not held at it.
        stayed = away[0] <= drop / 2.0 and float(away.mean()) <= drop * _FOLLOWED_SHARE
        # Power that comes back is that of scenes, or hunts.
        lasts = float(expected[-2 * late :].max()) <= expected[0] - drop / 2.0
        return drop >= _EXPECTED_K + _BAND_K and bool(stayed) and lasts

    def are_not_followed(self) -> bool:
        """Return whether the sensor stays still while power or fan move, at a cooler's delay."""
        rise = self.heat * self.air
        share = 1.0 - np.exp(-usual_step_s(self.time_s) / self.follow_s)
        # It starts from the usual level, wherever a hunting power happens to be.
        start = float(np.mean(rise[: readings_in(self.follow_s, self.time_s)]))
        followed = lagged(rise, share, start)
        expected_swing = float(np.ptp(self.means(followed * self.level_k)))
        seen_swing = float(np.ptp(self.means(self.temperature_c)))
        return expected_swing >= _EXPECTED_K and seen_swing <= expected_swing * _FOLLOWED_SHARE

    def sag_unanswered(self) -> bool:
        """Return whether power falls on and on and the sensor stands still.

        A limiter that is reached at once cuts power in one step; what the slow parts of the
        cooler still take up it then cuts bit by bit.
        """
        expected_k = _trend(self.means(self.heat) * self.level_k)
        seen_k = _trend(self.means(self.temperature_c))
        enough = expected_k <= -max(_SAG_K, 2.0 * self.step_k)
        return enough and abs(seen_k) <= abs(expected_k) * _FOLLOWED_SHARE


def _trend(means: Array) -> float:
    """Return by how much the last third of some means differs from the first."""
    third = max(len(means) // 3, 1)
    return float(means[-third:].mean() - means[:third].mean())


def _after_last_step(time_s: Array, values: Array) -> int:
    """Return the position from which a value no longer moves by steps."""
    size = readings_in(_BLOCK_S, time_s)
    means = block_means(values, size)
    jumps = np.flatnonzero(~(np.abs(np.diff(means)) <= _STEP_SHARE * np.abs(means[1:])))
    # The step may end within a block.
    return int(jumps[-1] + 2) * size if len(jumps) else 0


def _is_one_step(values: Array) -> bool:
    """Return whether a value only went from one level to another."""
    steps = np.diff(values)
    at = int(np.argmax(np.abs(steps)))
    # The step may fall within a block.
    ends = values[: max(at, 1)], values[at + 2 :]
    left = max((float(np.ptp(part)) for part in ends if len(part)), default=0.0)
    return left <= _REST * float(np.ptp(values))


def _range_ratio(values: Array | None) -> float:
    """Return the largest over the smallest reading; 1 where it did not move."""
    if values is None:
        return 1.0
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    if low > 0.0:
        return high / low
    return 1.0 if high == low else float("inf")


def _relative(values: Array | None, first: int, n: int) -> Array:
    """Return values over their mean; 1 where they are not known."""
    if values is None:
        return np.ones(n)
    part = values[first:]
    missing = np.isnan(part)
    known = part[~missing] if missing.any() else part
    mean = float(known.mean()) if len(known) else 0.0
    if not mean > 0.0:
        return np.ones(n)
    share = np.minimum(np.maximum(part / mean, 0.05), 20.0)
    share[missing] = 1.0
    return share


def _mostly(flags: BoolArray, time_s: Array) -> BoolArray:
    """Return where at least half of the readings within half a minute are set."""
    size = min(readings_in(_BLOCK_S, time_s), len(flags))
    total = np.concatenate([[0.0], np.cumsum(flags)])
    low = np.maximum(np.arange(-(size // 2), len(flags) - size // 2), 0)
    high = np.minimum(low + size, len(flags))
    return (total[high] - total[low]) / (high - low) >= 0.5
