"""Faults of a run, to be planted in simulated logs."""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import isfinite

from thermcmp.errors import Fault, InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class LogFault:
    """A fault towards the end of a run.

    Attributes
    ----------
    before_end_s : float
        When it begins, counted from the end of the run [s].
    """

    before_end_s: float = 150.0

    def __post_init__(self) -> None:
        faults = [
            Fault("out of range", "give a value above 0", column=f.name, value=str(value))
            for f in fields(self)
            for value in (getattr(self, f.name),)
            if not isinstance(value, str) and not (isfinite(value) and value > 0)
        ]
        if faults:
            raise InputError("This fault cannot be planted:", faults)


@dataclass(frozen=True, slots=True, kw_only=True)
class AmbientDrift(LogFault):
    """The air at the intake warms up steadily until the end.

    Attributes
    ----------
    before_end_s : float
        When it begins, counted from the end of the run [s].
    change_k : float
        Change up to the end of the run [K].
    """

    before_end_s: float = 300.0
    change_k: float = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FanSlip(LogFault):
    """The fan falls to a lower speed at unchanged duty.

    Attributes
    ----------
    before_end_s : float
        When it begins, counted from the end of the run [s].
    share : float
        Share of the speed that is lost, below 1.
    """

    share: float = 0.10

    def __post_init__(self) -> None:
        # A dataclass with slots is a new class, so `super()` without arguments fails.
        LogFault.__post_init__(self)
        if self.share >= 1.0:
            fault = Fault("out of range", "give less than 1", column="share", value=str(self.share))
            raise InputError("This fault cannot be planted:", [fault])


@dataclass(frozen=True, slots=True, kw_only=True)
class Throttling(LogFault):
    """The intake is partly covered; at the limit the card cuts its power to hold it.

    Attributes
    ----------
    before_end_s : float
        When the intake is covered, counted from the end of the run [s].
    extra_share : float
        Share by which every rise grows.
    sensor : str
        Sensor that reaches its limit.
    limit_c : float
        The limit [°C].
    """

    before_end_s: float = 250.0
    extra_share: float = 0.25
    sensor: str = "memory"
    limit_c: float = 95.0
