"""A control's characteristic: the line from temperature to fan speed, and the search on it.

Both questions of a closed loop are one search along that line, for the first place from
the cold end where a gap is no longer above zero. The gap between the sensor's and the
line's temperature leads to the equilibrium, the gap between a limit and the judged
temperature to the ambient.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thermcmp._types import Array, BoolArray
from thermcmp.physics._checks import floats
from thermcmp.physics.fan_controls import FanCurve, TargetTemperature

#: Gap [K] as a function of (temperature of the line, fan speed, draws), elementwise.
Gap = Callable[..., Array]
#: Pieces per segment for draws that more air does not cool.
PIECES: Final = 16


class FanStatus(StrEnum):
    """State of a firmware's fan in the steady state of one draw.

    `AT_MINIMUM`, `AT_MAXIMUM`: at the lowest or highest speed of the control.
    `REGULATED`: between them, following the temperature. `HELD`: at a fixed speed.
    `OBSERVED`: at the speed of the stock runs, which was not solved for. `FAN_STOPS`:
    the turning fan cools the control sensor below `stop_c`, so it stops and starts or
    stands still, which the model does not cover. `HUNTING`: no steady state, since it
    would be inside a step of the curve.
    """

    AT_MINIMUM = "at minimum speed"
    AT_MAXIMUM = "at maximum speed"
    REGULATED = "regulated"
    HELD = "held"
    OBSERVED = "observed"
    FAN_STOPS = "fan stops"
    HUNTING = "hunting"


class Meeting(NamedTuple):
    """First point of a characteristic where a gap closes, per draw.

    Attributes
    ----------
    fan_rpm : numpy.ndarray, shape (n,)
        Fan speed there [rpm]; NaN where the loop hunts.
    status : numpy.ndarray of FanStatus, shape (n,)
        State of the fan there.
    multiple : numpy.ndarray of bool, shape (n,)
        Whether the gap opens and closes again further on.
    """

    fan_rpm: Array
    status: NDArray[np.object_]
    multiple: BoolArray


@dataclass(frozen=True, slots=True, eq=False)
class Characteristic:
    """The line from temperature to fan speed.

    Attributes
    ----------
    temperature_c : numpy.ndarray, shape (k,)
        Temperatures, never falling [°C].
    fan_rpm : numpy.ndarray, shape (k,)
        Speeds, never falling [rpm].
    rests_in_steps : bool
        Whether the control settles at speeds inside a step, as one that holds a
        target does; a curve jumps from one end to the other.
    """

    temperature_c: Array
    fan_rpm: Array
    rests_in_steps: bool

    @classmethod
    def of(cls, control: FanCurve | TargetTemperature, *, lowered_k: float = 0.0) -> Characteristic:
        """Return a control's characteristic, or its falling branch.

        Parameters
        ----------
        control : FanCurve or TargetTemperature
            The fan control.
        lowered_k : float
            How far the line is below its stated temperatures [K]: the hysteresis,
            for the branch of falling temperature.

        Returns
        -------
        Characteristic
            The line.
        """
        if isinstance(control, FanCurve):
            warm, speed = floats(control.temperature_c), floats(control.fan_rpm)
            return cls(warm - lowered_k, speed, False)
        warm = np.full(2, float(control.target_c))
        return cls(warm - lowered_k, floats([control.lowest_rpm, control.highest_rpm]), True)

    def first_meeting(self, gap: Gap, draws: tuple[Array, ...]) -> Meeting:
        """Find the first point where a gap is no longer above zero.

        Parameters
        ----------
        gap : callable
            Function of temperature and speed of the line and of the draws; elementwise.
            It counts as open far below the line and closed far above.
        draws : tuple of numpy.ndarray, each of shape (n,)
            Further arguments of the gap.

        Returns
        -------
        Meeting
            The point, per draw.
        """
        meeting, rises = self._search(gap, draws)
        if rises.any():
            # More air does not cool such a draw, so its gap may close and open again
            # inside a segment, which the ends alone do not show.
            places = np.arange(len(self.fan_rpm))
            fine = np.linspace(0.0, places[-1], places[-1] * PIECES + 1)
            warm, speed = (np.interp(fine, places, v) for v in (self.temperature_c, self.fan_rpm))
            line = Characteristic(warm, speed, self.rests_in_steps)
            rising, _ = line._search(gap, tuple(values[rises] for values in draws))
            for values, refined in zip(meeting, rising, strict=True):
                values[rises] = refined
        return meeting

    def _search(self, gap: Gap, draws: tuple[Array, ...]) -> tuple[Meeting, BoolArray]:
        """Find the meeting between points, and the draws that more air does not cool."""
        warm, speed = self.temperature_c, self.fan_rpm
        gaps = gap(warm[:, None], speed[:, None], *draws)
        draw_count, last = gaps.shape[1], len(speed)
        ends = np.ones((2, draw_count), dtype=bool)
        is_open = np.concatenate([ends[:1], gaps > 0.0, ~ends[:1]])
        # The first closed point: 0 is the cold end, `last` is beyond the warm one.
        place = np.argmin(is_open, axis=0) - 1
        multiple = np.count_nonzero(is_open[1:] != is_open[:-1], axis=0) > 1

        rpm = np.where(place == 0, speed[0], speed[-1])
        inside = np.flatnonzero((place > 0) & (place < last))
        if inside.size:
            k = place[inside]
            v = _fraction(
                gap,
                (warm[k - 1], warm[k], speed[k - 1], speed[k]),
                (gaps[k - 1, inside], gaps[k, inside]),
                tuple(values[inside] for values in draws),
            )
            # Clipped, so that rounding does not leave a level stretch of the line.
            rpm[inside] = np.clip(_between(v, speed[k - 1], speed[k]), speed[k - 1], speed[k])
        status = self._status(rpm)
        if not self.rests_in_steps and inside.size:
            stepped = (
                (warm[k] == warm[k - 1]) & (speed[k - 1] < rpm[inside]) & (rpm[inside] < speed[k])
            )
            status[inside[stepped]] = FanStatus.HUNTING
            rpm[inside[stepped]] = np.nan
        rises = np.any(np.diff(gaps + warm[:, None], axis=0) > 0.0, axis=0)
        return Meeting(rpm, status, multiple), rises

    def _status(self, rpm: Array) -> NDArray[np.object_]:
        """Return the state of the fan at its speeds."""
        lowest, highest = self.fan_rpm[0], self.fan_rpm[-1]
        status = np.empty(rpm.shape, dtype=object)
        status[...] = FanStatus.REGULATED
        status[rpm <= lowest] = FanStatus.AT_MINIMUM
        status[rpm >= highest] = FanStatus.AT_MAXIMUM
        if lowest == highest:
            status[...] = FanStatus.HELD
        return status


def _between(v: Array, first: Array, second: Array) -> Array:
    """Return the value between first (v = 0) and second (v = 1), exact at both ends."""
    return (1.0 - v) * first + v * second


def _fraction(
    gap: Gap, corners: tuple[Array, ...], gaps: tuple[Array, Array], draws: tuple[Array, ...]
) -> Array:
    """Return the fraction of its segment, 0 to 1, at which each draw's gap closes."""
    from scipy.optimize.elementwise import find_root

    def along(v: Array, *args: Array) -> Array:
        cold, warm, slow, fast, *values = args
        return gap(_between(v, cold, warm), _between(v, slow, fast), *values)

    ends = (np.zeros(len(gaps[0])), np.ones(len(gaps[0])))
    root = find_root(along, ends, args=(*corners, *draws))
    # Where rounding hides the change of sign, one of the ends is the root.
    return np.where(root.success, root.x, np.abs(gaps[1]) < np.abs(gaps[0]))
