"""The lowest fan speed that keeps the limit at a stated risk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermcmp.errors import Fault, InputError
from thermcmp.physics.characteristic import FanStatus
from thermcmp.physics.closed_loop import speed_keeping_limit
from thermcmp.physics.reach import FARTHEST, Reach, reach_of

if TYPE_CHECKING:
    from thermcmp.physics.sensor_law import SensorLaw


@dataclass(frozen=True, slots=True)
class LowestSpeed:
    """Lowest fan speed that keeps a limit at a stated risk."""

    #: The speed [rpm]; NaN where no speed within reach keeps the risk.
    fan_rpm: float
    #: Share of the draws above the limit at that speed; at the highest speed within reach where
    #: none is enough.
    p_exceed: float
    reach: Reach
    #: Whether it is the lowest speed within reach: a lower one may be enough, which is not known.
    is_lowest: bool

    @property
    def words(self) -> str:
        """What kind of speed it is, for a table."""
        if self.reach is Reach.REFUSED:
            return "none in reach"
        return "lowest in reach" if self.is_lowest else str(self.reach)


def check_risk(risk: float) -> None:
    """Refuse a risk that is not between 0 and 0.5."""
    if not 0.0 < risk <= 0.5:
        fault = Fault("out of range", "give 0.05 for 5 %", column="risk", value=str(risk))
        raise InputError(
            "The risk of exceeding the limit must be above 0 and at most 0.5:", [fault]
        )


def lowest_speed(
    judged: SensorLaw, limit_c: float, risk: float, measured_rpm: tuple[float, float]
) -> LowestSpeed:
    """Compute the lowest fan speed at which the risk of exceeding a limit is kept.

    Each draw has a speed that just keeps its limit. The speed that is enough for all
    but the stated share of them is their quantile.
    """
    lowest, highest = measured_rpm[0] / FARTHEST, measured_rpm[1] * FARTHEST
    keeping = speed_keeping_limit(judged, limit_c, lowest_rpm=lowest, highest_rpm=highest)
    needed = np.where(keeping.status == FanStatus.AT_MAXIMUM, np.inf, keeping.fan_rpm)
    # The smallest of the draws' speeds that is enough for at least 1 - risk of them.
    speed = float(np.quantile(needed, 1.0 - risk, method="inverted_cdf"))
    chance = float(np.mean(needed > speed))
    if not np.isfinite(speed):
        chance = float(np.mean(np.isinf(needed)))
        return LowestSpeed(float("nan"), chance, Reach.REFUSED, False)
    reach = Reach(str(reach_of(speed, *measured_rpm)))
    return LowestSpeed(speed, chance, reach, speed <= lowest)
