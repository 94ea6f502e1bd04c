"""First-order soak of a run through stages of constant conditions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import ceil, log

import numpy as np
import numpy.typing as npt

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.simulation.log_faults import FanSlip, LogFault, Throttling

#: Steady rise [K] of a sensor in a stage.
Steady = Callable[[str, "Stage"], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """Conditions that stay constant from a time on."""

    start_s: float  #: when they begin [s]
    #: Mean fan speed [rpm] and board power [W].
    fan_rpm: float
    power_w: float
    #: Factor on every steady rise; more than 1 with the intake partly covered.
    rise_factor: float = 1.0
    #: Whether the load is on, and whether the card cuts its power.
    at_load: bool = True
    throttled: bool = False


def stages_of(
    idle: Stage, load_s: float, power_w: float, seconds: int, fault: LogFault | None,
    *, ambient_c: float, steady: Steady, time_constants_s: dict[str, float],
) -> list[Stage]:  # fmt: skip
    """Return the stages of a run: idle, load, and those of a fault."""
    load = replace(idle, start_s=load_s, power_w=power_w, at_load=True)
    stages = [idle, load]
    if isinstance(fault, FanSlip):
        start_s = seconds - fault.before_end_s
        stages.append(replace(load, start_s=start_s, fan_rpm=load.fan_rpm * (1.0 - fault.share)))
    if isinstance(fault, Throttling):
        covered = replace(
            load, start_s=seconds - fault.before_end_s, rise_factor=1.0 + fault.extra_share
        )
        stages.append(covered)
        tau_s = time_constants_s[fault.sensor]
        stages.append(_throttled(stages, fault, fault.limit_c - ambient_c, tau_s, steady))
    return stages


def soaked_rise_k(
    time_s: npt.ArrayLike, stages: Sequence[Stage], sensor: str, tau_s: float, steady: Steady
) -> Array:
    """Return the first-order rise through all stages, steady when the first one begins [K]."""
    t = np.asarray(time_s, dtype=float)
    level = steady(sensor, stages[0])
    rise = np.full(t.shape, level)
    ends = [*(stage.start_s for stage in stages[1:]), np.inf]
    for stage, end_s in zip(stages, ends, strict=True):
        target = steady(sensor, stage)
        inside = t >= stage.start_s
        rise[inside] = target + (level - target) * np.exp(-(t[inside] - stage.start_s) / tau_s)
        level = target + (level - target) * float(np.exp(-(end_s - stage.start_s) / tau_s))
    return rise


def _throttled(
    stages: Sequence[Stage], fault: Throttling, room_k: float, tau_s: float, steady: Steady
) -> Stage:
    """Return the stage that begins when the limit is reached, at the power that holds it."""
    covered = stages[-1]
    target = steady(fault.sensor, covered)
    before = float(soaked_rise_k([covered.start_s], stages[:-1], fault.sensor, tau_s, steady)[0])
    if before >= room_k or target <= room_k:
        when = "before the fault" if before >= room_k else "never"
        raise InputError(
            "This fault cannot be planted:",
            [
                Fault(f"the limit is reached {when}", f"give a limit between {before:.0f} and "
                      f"{target:.0f} K above ambient", column="limit_c", value=str(fault.limit_c))
            ],
        )  # fmt: skip
    reached_s = covered.start_s + tau_s * log((target - before) / (target - room_k))
    # The rise is then that of the limit, and a steady rise is proportional to power.
    return replace(
        covered,
        start_s=float(ceil(reached_s)),
        power_w=covered.power_w * room_k / target,
        throttled=True,
    )
