"""The corners of an attribution: a card with each of its parts as before or as after."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import product
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.inference.noise_fit import NoiseFit
from thermcmp.model.conditions import Build, Conditions
from thermcmp.physics.reach import Reach, reach_of
from thermcmp.prediction.builds import Scope
from thermcmp.prediction.equal_conditions import noise_for
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.prediction.stock_settings import Setting, setting_of
from thermcmp.questions.attribution.closed_loop import Loop, rules_of, solve_loop

if TYPE_CHECKING:
    from collections.abc import Mapping

    from thermcmp.inference.posterior import Fit
    from thermcmp.physics.firmware import Firmware


class State(NamedTuple):
    """A counterfactual card: each field as before (False) or as after (True)."""

    #: The hardware that carries the heat.
    hardware: bool
    #: The firmware that sets the fan.
    rule: bool
    #: The hardware and the power that the fan's loop answers to. They do nothing to a fan whose
    #: speed is held or was observed.
    seen_hardware: bool
    seen_power: bool
    #: The power that the board takes.
    power: bool
    #: What the firmware does beyond fan speed and power.
    direct: bool


def corner(hardware: bool, firmware: bool) -> State:
    """Return the state of one of the four corners: a hardware under a firmware, as run."""
    return State(hardware, firmware, hardware, firmware, firmware, firmware)


@dataclass(frozen=True, slots=True, eq=False)
class AttributionQuery:
    """Conditions and options of an attribution; pairs are (before, after)."""

    fit: Fit
    builds: tuple[Build, Build]
    #: The air, and what is held for both builds.
    at: Conditions
    scope: Scope
    #: Fan speed and power stated for one build.
    stated: tuple[Conditions, Conditions]
    rules: Mapping[str, Firmware] | None
    #: Fit of the sensor that the fans follow.
    control: Fit | None


@dataclass(frozen=True, slots=True, eq=False)
class AttributionStudy:
    """Everything that the parts of an attribution are computed from; pairs are (before, after)."""

    fit: Fit
    builds: tuple[Build, Build]
    settings: tuple[Setting, Setting]
    scope: Scope
    at: Conditions
    #: The noise law; None where no level was measured.
    noise: NoiseFit | None
    #: Power under each firmware [W], shape (S,) each.
    power_w: tuple[Array, Array]
    #: Fan speed [rpm] (or the airflow law's column), shape (S,), by rule, hardware and power.
    speed: Mapping[tuple[bool, bool, bool], Array]
    #: Closed loops, where the rule of a firmware is known.
    loops: tuple[Loop | None, Loop | None]
    #: By hardware, and by the firmware whose direct effect counts.
    fitted: Mapping[tuple[bool, bool], FittedBuild]
    _rises: dict[State, Array] = field(default_factory=dict, init=False)

    @property
    def has_direct(self) -> bool:
        """Whether the fit has a term for what a firmware does beyond fan speed and power."""
        return any(term.columns == ("firmware",) for term in self.fit.design.terms)

    def flow_speed(self, state: State) -> Array:
        """Return the fan speed of a state, shape (S,) [rpm]."""
        return self.speed[state.rule, state.seen_hardware, state.seen_power]

    def rise(self, state: State) -> Array:
        """Return the rise of a state over ambient, shape (S,) [K]."""
        if state not in self._rises:
            fitted = self.fitted[state.hardware, state.direct]
            self._rises[state] = fitted.rise(self.flow_speed(state), self.power_w[state.power])
        return self._rises[state]

    def temperature_c(self, state: State) -> Array:
        """Return the temperature of a state, shape (S,) [°C]."""
        return self.at.intake_c + self.rise(state)

    def level(self, state: State) -> Array:
        """Return the sound level of a state, shape (S,) [dB(A)]; NaN where it is not known."""
        return self.fitted[state.hardware, state.direct].level(self.flow_speed(state))

    def reach(self, state: State) -> Reach | None:
        """Return where a state's fan speed lies among those that its hardware was run at.

        None where the parts were never run together.
        """
        measured = self.fitted[state.hardware, state.hardware].measured_speeds
        if measured is None:
            return None
        return Reach(str(reach_of(np.median(self.flow_speed(state)), *measured)))

    @property
    def noise_known(self) -> bool:
        """Whether the levels of both builds under their own firmware are known."""
        ends = (corner(False, False), corner(True, True))
        return not any(np.isnan(self.level(state)).any() for state in ends)


def attribution_study(query: AttributionQuery) -> AttributionStudy:
    """Compute the settings, the noise law, and what all corners follow from."""
    fit, builds, at = query.fit, query.builds, query.at
    if at.noise_dba is not None:
        fix, value = "leave it out: the row 'hardware, at equal noise' answers that", at.noise_dba
        fault = Fault("noise cannot be held here", fix, column="noise_dba", value=str(value))
        raise InputError("A fix is attributed at fan speeds:", [fault])
    fitted = {
        (hardware, direct): FittedBuild(
            fit, replace(builds[hardware], firmware=builds[direct].firmware), query.scope, at
        )
        for hardware, direct in product((False, True), repeat=2)
    }
    rules = rules_of(query.rules, builds)
    settings = []
    for build, stated, rule in zip(builds, query.stated, rules, strict=True):
        # As held for both builds, else as stated for this one.
        fan_rpm = at.fan_rpm if at.fan_rpm is not None else stated.fan_rpm
        watts = at.power_w if at.power_w is not None else stated.power_w
        settings.append(setting_of(fit, build, Conditions(fan_rpm=fan_rpm, power_w=watts), rule))
    (old_speed, old_w), (new_speed, new_w) = (setting.draws(fit) for setting in settings)
    power_w = (old_w, new_w)
    speed: dict[tuple[bool, bool, bool], Array] = {}
    loops: list[Loop | None] = []
    for is_new, rule in zip((False, True), rules, strict=True):
        loop = None
        if rule is not None:
            hardware_pair = (fitted[False, is_new], fitted[True, is_new])
            loop = solve_loop(rule, hardware_pair, query.control, power_w, is_new=is_new)
            settings[is_new] = replace(
                settings[is_new],
                flow_speed=float(np.mean(loop.rpm[is_new, is_new])),
                source=f"closed loop of {rule.name}; power: {settings[is_new].source}",
            )
        loops.append(loop)
        drawn = new_speed if is_new else old_speed
        for hardware, power in product((False, True), repeat=2):
            speed[is_new, hardware, power] = drawn if loop is None else loop.rpm[hardware, power]
    return AttributionStudy(
        fit=fit,
        builds=builds,
        settings=(settings[0], settings[1]),
        scope=query.scope,
        at=at,
        noise=noise_for(fit, at),
        power_w=power_w,
        speed=speed,
        loops=(loops[0], loops[1]),
        fitted=fitted,
    )
