"""The air that a cooler has followed, where the air around it warms, cools or cycles.

A cooler follows the air only after some minutes. Over the air of the same second its rise is
too small while the air warms, and swings where the air does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from thermcmp._types import Array
from thermcmp.telemetry.steady_state.run_data import lagged
from thermcmp.telemetry.steady_state.sampling_interval import usual_step_s
from thermcmp.telemetry.steady_state.soak import rough_constant_s

#: A delay is known to this factor: of simulated cards of 27 volumes it is 1.05 times that of
#: `delay_of`, with a scatter of 13 %; of cards with less behind their dies more, and of readings
#: that move with the air at once none, which is within two standard errors still (a choice).
_FACTOR: Final = 1.65
#: Shortest and longest delay of a cooler behind the air [s] (a choice).
_DELAYS_S: Final = (30.0, 600.0)
#: Steps of the filter in a delay.
_STEPS: Final = 25
#: Between readings of the air that are further apart it is not known [s] (a choice).
_APART_S: Final = 150.0


@dataclass(frozen=True, slots=True)
class FollowedAir:
    """The air as a sensor has followed it, at each of its readings, shapes (n,)."""

    followed_c: Array
    doubt_k: Array  #: standard deviation of that, as the delay is known roughly [K]


def air_between(time_s: Array, ambient_c: Array) -> Array:
    """Return the air at all times, also between its readings; NaN where these are far apart."""
    known = np.flatnonzero(~np.isnan(ambient_c))
    if len(known) in (0, len(time_s)):
        return ambient_c
    read_s = time_s[known]
    after = np.searchsorted(read_s, time_s)
    before_s = np.where(after > 0, read_s[np.maximum(after - 1, 0)], -np.inf)
    after_s = np.where(after < len(known), read_s[np.minimum(after, len(known) - 1)], np.inf)
    # Beyond the ends half as far from one reading.
    gap_s = np.where(
        np.isinf(after_s - before_s),
        2.0 * np.minimum(time_s - before_s, after_s - time_s),
        after_s - before_s,
    )
    near = (gap_s <= _APART_S) | ~np.isnan(ambient_c)
    return np.where(near, np.interp(time_s, read_s, ambient_c[known]), np.nan)


def followed_air(time_s: Array, ambient_c: Array, delay_s: float, at_s: Array) -> FollowedAir:
    """Return the air of a record, shapes (m,), as a sensor has followed it at some times."""
    known = ~np.isnan(ambient_c)
    step_s = max(delay_s / _STEPS, usual_step_s(time_s))
    grid_s = np.arange(time_s[0], time_s[-1] + step_s, step_s)
    air_c = np.interp(grid_s, time_s[known], ambient_c[known])
    # A delay in steps, from a beginning in balance.
    early, followed, late = (
        lagged(air_c, step_s / (step_s + delay_s * factor), float(air_c[0]))
        for factor in (1.0 / _FACTOR, 1.0, _FACTOR)
    )
    doubt = (early - late) / 2.0
    return FollowedAir(np.interp(at_s, grid_s, followed), np.interp(at_s, grid_s, doubt))


def delay_of(time_s: Array, rise_k: Array, level_k: float) -> float:
    """Return the delay of a sensor behind the air, by how fast it approached its level [s].

    What a cooler stores of the heat of a load it stores of the air's as well: for one body
    both delays are its time constant.
    """
    return float(np.clip(rough_constant_s(time_s, rise_k, level_k), *_DELAYS_S))
