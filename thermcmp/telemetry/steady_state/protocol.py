"""The test protocol: what is held, within which tolerance, and for how long."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from enum import StrEnum
from typing import Any

import pandas as pd

from thermcmp.errors import Fault, InputError


class Verdict(StrEnum):
    """Outcome of a protocol check; the words are those of the results table."""

    PASS = "pass"
    CORRECTED = "corrected"
    REFUSED = "refused"

    @property
    def severity(self) -> int:
        """Order from harmless to fatal."""
        return list(Verdict).index(self)


@dataclass(frozen=True, slots=True)
class Held:
    """A quantity that a test holds at a value.

    Attributes
    ----------
    target : float
        Target value, in the quantity's unit.
    tolerance : float
        Largest deviation that passes.
    correctable : float
        Largest deviation that passes with a correction, as the row carries the actual value
        and comparisons convert it to equal conditions; beyond, the run is refused. Equal to
        `tolerance` by default.
    """

    target: float
    tolerance: float
    correctable: float | None = None

    def judge(self, value: float) -> Verdict:
        """Judge a value.

        Parameters
        ----------
        value : float
            Mean over the window, in the quantity's unit.

        Returns
        -------
        Verdict
            Refused for NaN.
        """
        away = abs(value - self.target)
        if away <= self.tolerance:
            return Verdict.PASS
        return Verdict.CORRECTED if away <= (self.correctable or 0.0) else Verdict.REFUSED


@dataclass(frozen=True, slots=True, kw_only=True)
class Protocol:
    """How a run must have been made to enter a comparison.

    The defaults are common practice (no source) unless stated otherwise.

    Attributes
    ----------
    fan_rpm : Held, optional
        Fan speed by tachometer [rpm]; only its steadiness is checked by default.
    power_w : Held, optional
        Board power [W]; only its steadiness is checked by default.
    ambient_c : Held, optional
        Air temperature at the cooler's intake [°C]; only its steadiness by default.
    firmware : str, optional
        Required firmware.
    soak_s : float
        Shortest time at load before the window [s].
    window_s : float
        Shortest length of the averaged window [s], which ends with the time at load and is
        made up to four times longer while the rise stays settled.
    drift_k_per_min : float
        Largest drift of a settled rise [K/min]; it must be shown to be smaller.
    swing_k : float
        Largest swing of a settled rise [K]; beyond, it is a cycle and not a steady state.
    ambient_drift_k : float
        Largest change of ambient in the window [K]; up to three times as much passes with
        a correction, as the rise is over the air as the sensor has followed it.
    fan_drift_share, power_drift_share : float
        Largest change of fan speed and power in the window, as a share of their means.
    pause_s : float
        Longest break in the load that does not restart the soak [s].
    gap_s : float
        Longest time without readings that a window may span [s].
    tachometer : bool
        Whether the fan speed must be known in rpm. Duty in % is not fan speed: the same
        38 % gave 1700 to 1800 rpm on cards of one model.
    throttling : {"refuse", "mark"}
        Treatment of a run with throttled seconds in its window.
    cycles : {"refuse", "mean"}
        Treatment of a rise that cycles over the record at load. ``"mean"`` takes the mean over
        whole cycles, as a correction; it needs two of them.
    extrapolate : bool
        Whether a run that stopped early may be extrapolated, if it was at load for half of
        `soak_s` and `window_s` together while fan and power were held.
    extrapolation_error_k : float
        Largest standard error of an extrapolated rise, and of the rest of the soak that is
        added to a settled window [K].
    targets_c : mapping of str to float
        Temperatures that the firmware is known to regulate to, by sensor [°C].
    limits_c : mapping of str to float
        Highest allowed temperatures by sensor [°C]; a mean at it is marked ``at_limit``.
    truncated : tuple of str, optional
        Sensors that cut digits off where others round, so that half a step is added to their
        readings; ``()`` if all round. Not known by default: no reading shows it, and the
        standard errors allow for it.
    creeping : tuple of str
        Sensors that creep for half an hour and more, as in a case or on a paste that beds in:
        it is looked for in all runs and widens their errors. `reduce_logs` adds those of which
        its runs together show it.

    Raises
    ------
    InputError
        If a value is out of range.
    """

    fan_rpm: Held | None = None
    power_w: Held | None = None
    ambient_c: Held | None = None
    firmware: str | None = None
    soak_s: float = 600.0
    window_s: float = 300.0
    drift_k_per_min: float = 0.1
    swing_k: float = 5.0
    ambient_drift_k: float = 1.0
    fan_drift_share: float = 0.02
    power_drift_share: float = 0.03
    pause_s: float = 3.0
    gap_s: float = 5.0
    tachometer: bool = True
    throttling: str = "refuse"
    cycles: str = "refuse"
    extrapolate: bool = True
    extrapolation_error_k: float = 1.0
    targets_c: Mapping[str, float] = field(default_factory=dict)
    limits_c: Mapping[str, float] = field(default_factory=dict)
    truncated: tuple[str, ...] | None = None
    creeping: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        faults = [*self._faults(), *self._name_faults()]
        if faults:
            raise InputError("The protocol is not valid:", faults)

    def _faults(self) -> Iterator[Fault]:
        """Check all values for their range."""
        for name in (f.name for f in fields(self) if isinstance(f.default, float)):
            value = getattr(self, name)
            if name in ("soak_s", "pause_s"):
                sound, message = 0.0 <= value < float("inf"), "must not be negative"
            else:
                sound, message = 0.0 < value < float("inf"), "must be above zero"
            if not sound:
                yield Fault(message, "give a finite number", column=name, value=str(value))
        for name in ("fan_rpm", "power_w", "ambient_c"):
            held = getattr(self, name)
            sound = isinstance(held, Held) and held.tolerance > 0.0
            if sound and held.correctable is not None:
                sound = held.correctable >= held.tolerance
            if held is not None and not sound:
                fix = "give Held(target, tolerance), with a correctable of at least the tolerance"
                yield Fault("not a held quantity", fix, column=name, value=str(held))
        for name, other in (("throttling", "mark"), ("cycles", "mean")):
            value = str(getattr(self, name))
            if value not in ("refuse", other):
                fix = f"use 'refuse' or '{other}'"
                yield Fault("unknown choice", fix, column=name, value=value)

    def _name_faults(self) -> Iterator[Fault]:
        """Check that sensors are named in tuples."""
        for name, kind, more in (
            ("truncated", tuple | None, ", or give () if all round"),
            ("creeping", tuple, ""),
        ):
            if not isinstance(value := getattr(self, name), kind):
                fix = f"name the sensors, as ('memory',){more}"
                yield Fault("not a tuple", fix, column=name, value=str(value))

    def cut_k(self, sensor: str, step_k: float) -> tuple[float, float]:
        """Return what is added for the digits that a sensor cuts off, and its error.

        Parameters
        ----------
        sensor : str
            Name of the sensor.
        step_k : float
            Step of its readings [K].

        Returns
        -------
        tuple of float
            Half a step for a sensor that cuts digits off [K], and the standard error where it is
            not known whether it does [K]: the root mean square of none and half a step.
        """
        if self.truncated is None:
            return 0.0, step_k / 2.0 / math.sqrt(2.0)
        return (step_k / 2.0 if sensor in self.truncated else 0.0), 0.0

    def for_run(self, run: Mapping[str, Any]) -> Protocol:
        """Return the protocol with a run's own targets.

        Parameters
        ----------
        run : mapping
            Row of the run sheet; ``target_fan_rpm``, ``target_power_w`` and
            ``target_ambient_c`` replace the targets and keep the tolerances, by default
            1 % of the speed, 3 % of the power and 5 % of the ambient temperature (common
            practice, no source).

        Returns
        -------
        Protocol
            Unchanged where the run states no target.
        """
        changed: dict[str, Any] = {}
        for name, share in (("fan_rpm", 0.01), ("power_w", 0.03), ("ambient_c", 0.05)):
            value = run.get(f"target_{name}")
            if value is not None and not pd.isna(value):
                target, held = float(value), getattr(self, name)
                changed[name] = replace(held or Held(0.0, share * target), target=target)
        return replace(self, **changed) if changed else self
