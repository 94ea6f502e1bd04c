"""The numbers of a margin: the build in air of one temperature, and where the limit is reached."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermcmp._types import Array
from thermcmp.physics.reach import Reach
from thermcmp.prediction.card import MOST_UNSETTLED, CardState
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.prediction.response import (
    CardNoise,
    FanResponse,
    Response,
    checked_state,
    speeds_reach,
)
from thermcmp.questions.limit_margin.lowest_speed import LowestSpeed, lowest_speed


@dataclass(frozen=True, slots=True, eq=False)
class AirRow:
    """A build in air of one temperature."""

    #: Air of the room and at the cooler's intake [°C].
    room_c: float
    intake_c: float
    state: CardState
    #: Sound level [dB(A)], shape (n,); None where no noise was measured.
    noise_dba: Array | None
    #: The lowest fan speed that is enough; None where nothing has fans.
    enough: LowestSpeed | None
    #: Level at that speed [dB(A)], shape (n,).
    enough_dba: Array | None
    #: Why there is no number; "" where there is one.
    problem: str
    remarks: tuple[str, ...]

    def settled(self, values: Array) -> Array:
        """Return the values of the draws that have a steady state."""
        return values[self.state.settled]

    @property
    def temperature_c(self) -> Array:
        """Temperatures of the draws that have a steady state [°C]; NaN where not estimable."""
        return self.settled(self.state.temperature_c)

    def p_exceed(self, limit_c: float) -> float:
        """Compute the probability that the limit is exceeded; NaN where not estimable."""
        return float("nan") if self.problem else float(np.mean(self.temperature_c > limit_c))


@dataclass(frozen=True, slots=True, eq=False)
class AtLimit:
    """Where the limit is reached, per draw."""

    #: Room temperature there [°C], shape (n,); NaN in all draws where that is not estimable.
    room_c: Array
    #: The fan's speed there [rpm], shape (n,), or other flow speed.
    fan_rpm: Array
    #: Where that speed lies against the measured ones.
    reach: Reach
    #: Share of the draws in which warmer air may bring the sensor below the limit again.
    several: float

    @property
    def known(self) -> Array:
        """Rooms of the draws in which it is estimable [°C]."""
        return self.room_c[np.isfinite(self.room_c)]


@dataclass(frozen=True, slots=True, eq=False)
class Sweep:
    """What a row needs: the build's response, its noise, and what was measured."""

    fitted: FittedBuild
    response: Response
    #: The build's noise law; None where it was not measured.
    noise: CardNoise | None
    limit_c: float
    #: Allowed probability of exceeding the limit.
    risk: float
    case_rise_k: float

    def row(self, room_c: float) -> AirRow:
        """Return the row of one ambient."""
        intake_c = room_c + self.case_rise_k
        state, problem, remarks = checked_state(self.response.state(intake_c), self.fitted)
        noise, enough, enough_dba = None, None, None
        if self.noise is not None:
            noise, words = self.noise.at(state.fan_rpm)
            if words and words not in remarks and not problem:
                remarks = (*remarks, words)
        if isinstance(self.response, FanResponse):
            judged = self.response.card.judged.at(ambient_c=intake_c, power_w=state.power_w)
            enough = lowest_speed(judged, self.limit_c, self.risk, self.fitted.nearest_speeds)
            if self.noise is not None:
                enough_dba, _ = self.noise.at(enough.fan_rpm)
        return AirRow(room_c, intake_c, state, noise, enough, enough_dba, problem, remarks)

    def at_limit(self) -> AtLimit:
        """Return the room at which the limit is reached."""
        limit = self.response.at_limit(self.limit_c)
        room_c = limit.ambient_c - self.case_rise_k
        reach = speeds_reach(limit.fan_rpm, self.fitted.nearest_speeds)
        if reach is Reach.REFUSED or np.mean(np.isnan(room_c)) > MOST_UNSETTLED:
            room_c = np.full(room_c.shape, np.nan)
        return AtLimit(room_c, limit.fan_rpm, reach, float(np.mean(limit.multiple)))
