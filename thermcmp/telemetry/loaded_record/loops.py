"""Loops of a load that pauses again and again: means over whole ones, by the load's own period."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from thermcmp._types import Array, BoolArray, Int64Array
from thermcmp.telemetry.quantities import NOISE, POWER
from thermcmp.telemetry.steady_state.checks import Check
from thermcmp.telemetry.steady_state.load import Stretch
from thermcmp.telemetry.steady_state.protocol import Protocol, Verdict
from thermcmp.telemetry.steady_state.run_data import Readings

#: Name of the check of loops that more time at load makes enough.
LOOPS: Final = "loops"
#: Fewest whole loops for a mean: with fewer nothing shows that one is like the next.
_LEAST_LOOPS: Final = 3
#: Loops are even if each, or each few between which a pause fell between two readings, is a whole
#: number of the usual one to this share of it.
_EVEN: Final = 0.2
#: Pauses count from where power falls in them below this share of that at load (common practice,
#: no source): a load of 0 % in one reading may be none.
_LOWER: Final = 0.8
#: Loops that the first and the last one are continued by; more than any record holds.
_FAR: Final = 1e6


@dataclass(frozen=True, slots=True)
class _Loops:
    """Pauses within a stretch at load, and what repeats between them."""

    starts_s: Array  #: when the load set in again after each pause [s]
    numbers: Array  #: whole loops since the first of these times; NaN where they are uneven
    usual_s: float  #: usual length of a loop [s]
    lost_share: float  #: share of the power at load that pauses take off the mean

    def before(self, time_s: Array) -> Array:
        """Return the times one loop before some times [s]."""
        far = np.array([-_FAR, _FAR])
        axis = np.insert(
            self.starts_s, [0, len(self.starts_s)], self.starts_s[[0, -1]] + far * self.usual_s
        )
        number = np.insert(self.numbers, [0, len(self.numbers)], self.numbers[[0, -1]] + far)
        return np.asarray(np.interp(np.interp(time_s, axis, number) - 1.0, number, axis))


def over_loops(
    readings: Readings, stretch: Stretch, loaded: BoolArray | None, protocol: Protocol
) -> tuple[Readings, list[Check]]:
    """Return readings at load as means over the loop before each, and the check of the loops.

    The load's own pauses are the period, so that power, fan speed, air and sensors are averaged
    alike. A mean over whole loops approaches its end as the rise of a steady load does. Before
    the first loop is over, the readings before it are taken to be as the first one.
    """
    loops = _loops_in(readings, stretch, loaded)
    if loops is None:
        return readings, []
    count = (stretch.end_s - stretch.start_s) / loops.usual_s
    words = (
        f"the load pauses {len(loops.starts_s)} times, every {loops.usual_s:.0f} s or so, which "
        f"takes {100.0 * loops.lost_share:.0f} % off its power"
    )
    uneven = bool(np.isnan(loops.numbers).any())
    if uneven or count < _LEAST_LOOPS:
        if loops.lost_share <= protocol.power_drift_share / 2.0:
            return readings, []
        # More time at load brings more loops, and no even ones.
        name = "uneven loops" if uneven else LOOPS
        if uneven:
            words += "; they come at uneven times: run without pauses, or in even loops"
        else:
            words += (
                f"; {_LEAST_LOOPS} whole loops are needed for a mean: run "
                f"{np.ceil(_LEAST_LOOPS * loops.usual_s / 60.0):.0f} min or more, or without pauses"
            )
        return readings, [Check(name, Verdict.REFUSED, words, count, _LEAST_LOOPS)]
    inside = slice(stretch.first, stretch.last + 1)
    columns = dict(readings.columns)
    for name, values in readings.columns.items():
        if name not in ("time_s", NOISE) and values.dtype == np.float64:
            means = values.copy()
            means[inside] = _means(readings.time_s[inside], values[inside], loops)
            columns[name] = means
    words += f"; means are over whole loops, {int(count)} of them"
    return Readings(columns), [Check(LOOPS, Verdict.CORRECTED, words, count, _LEAST_LOOPS)]


def _loops_in(readings: Readings, stretch: Stretch, loaded: BoolArray | None) -> _Loops | None:
    """Return the loops of a stretch; None where its load does not pause twice or more."""
    if loaded is None:
        return None
    inside = slice(stretch.first, stretch.last + 1)
    at_load, time_s = loaded[inside], readings.time_s[inside]
    again = np.flatnonzero(at_load[1:] & ~at_load[:-1]) + 1
    if len(again) < 2:
        return None
    lost_share = 1.0 - float(np.mean(at_load))
    power_w = readings.columns.get(POWER, np.full(len(loaded), np.nan))[inside]
    known = ~np.isnan(power_w)
    if (known & at_load).any():
        high_w = float(np.median(power_w[known & at_load]))
        if _low_power_w(power_w, at_load, again) >= _LOWER * high_w:
            return None
        lost_share = 1.0 - float(np.mean(power_w[known])) / high_w
    starts_s = time_s[again]
    lengths_s = np.diff(starts_s)
    usual_s = float(np.median(lengths_s))
    whole = np.maximum(np.round(lengths_s / usual_s), 1.0)
    whole[np.abs(lengths_s / usual_s - whole) > _EVEN * whole] = np.nan
    numbers = np.concatenate([[0.0], np.cumsum(whole)])
    return _Loops(starts_s, numbers, usual_s, lost_share)


def _low_power_w(power_w: Array, at_load: BoolArray, again: Int64Array) -> float:
    """Return the power that pauses fall to, by their ends: a logged load may be late [W]."""
    begins = np.flatnonzero(~at_load[1:] & at_load[:-1]) + 1
    lows = []
    # From the last one on: a stretch may begin within a pause.
    for begin, end in zip(begins[::-1], again[::-1], strict=False):
        around = power_w[max(2 * begin - end, 0) : 2 * end - begin]
        if not np.isnan(around).all():
            lows.append(float(np.nanmin(around)))
    return float(np.median(lows)) if lows else 0.0


def _means(time_s: Array, values: Array, loops: _Loops) -> Array:
    """Return the mean over the loop before each reading; NaN where there is none."""
    known = ~np.isnan(values)
    if np.count_nonzero(known) < 2:
        return values
    t, y = time_s[known], values[known]
    before_s = loops.before(t)
    total = np.concatenate([[0.0], np.cumsum(np.diff(t) * (y[1:] + y[:-1]) / 2.0)])
    earlier = np.interp(before_s, t, total) - y[0] * np.maximum(t[0] - before_s, 0.0)
    means = np.full(len(values), np.nan)
    means[known] = (total - earlier) / (t - before_s)
    return means
