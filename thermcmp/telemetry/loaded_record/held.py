"""From when on fan and power were held, or the fan only followed a sensor."""

from __future__ import annotations

from typing import Final

import numpy as np

from thermcmp._types import Array
from thermcmp.telemetry.quantities import FAN_DUTY, FAN_SPEED, POWER, sensor_names
from thermcmp.telemetry.steady_state.protocol import Protocol
from thermcmp.telemetry.steady_state.run_data import Readings, block_means
from thermcmp.telemetry.steady_state.sampling_interval import readings_in

#: Length of the blocks over which fan and power are seen to be held [s].
_BLOCK_S: Final = 60.0
#: Fewest blocks that show whether a fan follows a sensor.
_LEAST_BLOCKS: Final = 8


def fan_and_power_held_since(part: Readings, window_s: float, protocol: Protocol) -> float:
    """Return the time at load from which fan and power were held until the end [s].

    `part` is the time at load, whose window begins at `window_s`. A fan that follows a sensor
    moves as the rise does and settles with it: what it differs from that by counts.
    """
    shares = {
        FAN_SPEED: protocol.fan_drift_share,
        FAN_DUTY: protocol.fan_drift_share,
        POWER: protocol.power_drift_share,
    }
    since_s = 0.0
    for name, share in shares.items():
        times, values = part.known(name) if name in part else (np.empty(0), np.empty(0))
        if not len(values):
            continue
        size = min(readings_in(_BLOCK_S, times), len(values))
        means, starts = block_means(values, size), times[::size]
        late = min(int(np.searchsorted(times, window_s)), len(values) - 1)
        level = float(np.mean(values[late:]))
        moves = means - level
        if name != POWER:
            followed = [_beyond(moves, sensor) for sensor in _sensor_means(part, size)]
            moves = min([moves, *followed], key=lambda left: float(np.ptp(left)))
        moved = np.flatnonzero(np.abs(moves) > share * abs(level))
        if len(moved):
            held_s = starts[min(int(moved[-1]) + 1, len(starts) - 1)]
            since_s = max(since_s, float(held_s) - float(part.time_s[0]))
    return since_s


def _sensor_means(part: Readings, size: int) -> list[Array]:
    """Return block means of each sensor that is read throughout."""
    columns = [part[f"{name}_c"] for name in sensor_names(list(part.columns))]
    return [block_means(values, size) for values in columns if not np.isnan(values).any()]


def _beyond(moves: Array, sensor_c: Array) -> Array:
    """Return moves of a fan less those that follow a sensor; all of them where none do."""
    if len(moves) != len(sensor_c) or len(moves) < _LEAST_BLOCKS:
        return moves
    # The first block holds the spin-up.
    away = sensor_c - sensor_c[1:].mean()
    slope = float(away[1:] @ moves[1:]) / max(float(away[1:] @ away[1:]), 1e-9)
    # A sensor that answers a fan falls as it rises.
    return moves - slope * (sensor_c - sensor_c[-1]) if slope > 0.0 else moves
