"""The corners of a fix: what the card does with each of its parts as before or as after."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.inference.noise_fit import NoiseFit
from thermcmp.model.conditions import Build, Conditions
from thermcmp.physics.reach import Reach, reach_of
from thermcmp.prediction.build_rise import Scope, airflow_term, effect_weights, matching_rows
from thermcmp.prediction.equal_conditions import noise_for
from thermcmp.prediction.stock_settings import Setting, stock_setting
from thermcmp.questions.attribution.closed_loop import (
    AttributionQuery,
    Loop,
    loop_power,
    loops_of,
    solve_loop,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from thermcmp.inference.posterior import Fit
    from thermcmp.physics.firmware import Firmware


class State(NamedTuple):
    """A thought card: each field as before (False) or as after (True).

    Attributes
    ----------
    hardware : bool
        The hardware that carries the heat.
    rule : bool
        The firmware that sets the fan.
    seen_hardware, seen_power : bool
        The hardware and the power that the fan's loop answers to. They do nothing to a
        fan whose speed is held or was observed.
    power : bool
        The power that the board takes.
    direct : bool
        What the firmware does beyond fan speed and power.
    """

    hardware: bool
    rule: bool
    seen_hardware: bool
    seen_power: bool
    power: bool
    direct: bool


def corner(hardware: bool, firmware: bool) -> State:
    """State of one of the four corners: a hardware under a firmware, as a user runs it."""
    return State(hardware, firmware, hardware, firmware, firmware, firmware)


@dataclass(frozen=True, slots=True, eq=False)
class FixStudy:
    """Everything the parts of a fix are computed from.

    Attributes
    ----------
    fit : Fit
        The fit.
    builds : tuple of Build
        Old and new build.
    settings : tuple of Setting
        Fan speed and power of the old and of the new build under its own firmware.
    scope : Scope
        For whom the answer speaks.
    at : Conditions
        The air: its `intake_c` and `density_ratio` count.
    noise : NoiseFit, optional
        The noise law; None where no level was measured.
    power_w : tuple of ndarray, each of shape (S,)
        Power under the old and the new firmware [W].
    speed : dict of (rule, hardware, power) to ndarray, shape (S,)
        Fan speed [rpm] (or the airflow law's own column).
    loops : tuple of (Loop or None)
        Closed loops of the old and the new firmware, where their rules were given.
    sides : dict of (hardware, direct) to (resistance, airflow), each of shape (q,)
        Weights of the effects.
    """

    fit: Fit
    builds: tuple[Build, Build]
    settings: tuple[Setting, Setting]
    scope: Scope
    at: Conditions
    noise: NoiseFit | None
    power_w: tuple[Array, Array]
    speed: Mapping[tuple[bool, bool, bool], Array]
    loops: tuple[Loop | None, Loop | None]
    sides: Mapping[tuple[bool, bool], tuple[Array, Array]]
    _rises: dict[State, Array] = field(default_factory=dict, init=False)
    _drawn: dict[tuple[bool, bool], tuple[Array, Array]] = field(default_factory=dict, init=False)

    @property
    def has_direct(self) -> bool:
        """Whether the fit holds what a firmware does beyond fan speed and power."""
        return has_firmware_term(self.fit)

    def flow_speed(self, state: State) -> Array:
        """Fan speed of a state [rpm], shape (S,)."""
        return self.speed[state.rule, state.seen_hardware, state.seen_power]

    def speeds_run(self, hardware: bool) -> tuple[float, float] | None:
        """Lowest and highest fan speed that a hardware was run at [rpm]; None if never run."""
        flow_speed = self.fit.design.flow_speed[
            matching_rows(self.fit.results, self.builds[hardware])
        ]
        return (float(flow_speed.min()), float(flow_speed.max())) if len(flow_speed) else None

    def drawn(self, hardware: bool, direct: bool) -> tuple[Array, Array]:
        """Resistance and its convective part, shape (S,) each [K at reference power]."""
        if (hardware, direct) not in self._drawn:
            effects, (whole, airflow) = self.fit.effects, self.sides[hardware, direct]
            self._drawn[hardware, direct] = (effects @ whole, effects @ airflow)
        return self._drawn[hardware, direct]

    def rise(self, state: State) -> Array:
        """Rise of a state over ambient [K], shape (S,)."""
        if state not in self._rises:
            resistance, airflow = self.drawn(state.hardware, state.direct)
            flow = airflow_term(self.fit, self.flow_speed(state), self.at.density_ratio)
            watts = self.power_w[state.power] / self.fit.reference.power_w
            self._rises[state] = (resistance + airflow * flow) * watts
        return self._rises[state]

    def temperature_c(self, state: State) -> Array:
        """Temperature of a state [°C], shape (S,)."""
        return self.at.intake_c + self.rise(state)

    def level(self, state: State) -> Array:
        """Sound level of a state [dB(A)], shape (S,).

        NaN where there is no noise law, or where the speed is far outside those at which
        the cooler's noise was measured.
        """
        nothing = np.full(len(self.power_w[0]), np.nan)
        if self.noise is None:
            return nothing
        cooler, flow_speed = self.builds[state.hardware].cooler_model, self.flow_speed(state)
        known = self.noise.design.speed_range_rpm(cooler)
        found = self.noise.level_dba(cooler, flow_speed)
        if found is None or known is None:
            return nothing
        return nothing if reach_of(np.median(flow_speed), *known) is Reach.REFUSED else found

    @property
    def noise_known(self) -> bool:
        """Whether the levels of both builds under their own firmware are known."""
        ends = (corner(False, False), corner(True, True))
        return not any(np.isnan(self.level(state)).any() for state in ends)


def has_firmware_term(fit: Fit) -> bool:
    """Whether a fit holds a firmware's direct effect, from a term over ``firmware``."""
    return any(term.columns == ("firmware",) for term in fit.design.terms)


def fix_study(
    fit: Fit,
    asked: AttributionQuery,
    stated: tuple[Conditions | None, Conditions | None],
    rules: Mapping[str, Firmware] | None = None,
) -> FixStudy:
    """Find the settings, the noise law, and what all corners follow from."""
    given = loops_of(rules, asked.builds)
    held = tuple(_held(asked.at, own) for own in stated)
    settings, drawn, loops = [], [], []
    for build, own, firmware in zip(asked.builds, held, given, strict=True):
        if firmware is not None:
            _refuse_both(build, own)
            setting = loop_power(fit, build, own, firmware)
        else:
            setting = stock_setting(fit, build, own)
        settings.append(setting)
        drawn.append(setting.draws(fit.draw_count, fit.seed))
    power_w = (drawn[0][1], drawn[1][1])
    speed: dict[tuple[bool, bool, bool], Array] = {}
    for rule, firmware in zip((False, True), given, strict=True):
        loop = None
        if firmware is not None:
            loop = solve_loop(fit, asked, firmware, power_w, rule)
            found = loop.rpm[rule, rule]
            settings[rule] = replace(
                settings[rule],
                flow_speed=float(np.mean(found)),
                source=f"closed loop of {firmware.name}; {settings[rule].source}",
            )
        loops.append(loop)
        for hardware in (False, True):
            for power in (False, True):
                speed[rule, hardware, power] = (
                    drawn[rule][0] if loop is None else loop.rpm[hardware, power]
                )
    return FixStudy(
        fit,
        asked.builds,
        (settings[0], settings[1]),
        asked.scope,
        asked.at,
        noise_for(fit, asked.at),
        power_w,
        speed,
        (loops[0], loops[1]),
        _sides(fit, asked),
    )


def _sides(fit: Fit, asked: AttributionQuery) -> dict[tuple[bool, bool], tuple[Array, Array]]:
    """Weights of the effects by hardware and by the firmware whose direct effect counts."""
    return {
        (hardware, direct): effect_weights(
            fit,
            replace(asked.builds[hardware], firmware=asked.builds[direct].firmware),
            asked.scope,
        )
        for hardware in (False, True)
        for direct in (False, True)
    }


def _held(at: Conditions, stated: Conditions | None) -> Conditions:
    """Fan speed and power of one firmware as held for both builds, else as stated for it."""
    if at.noise_dba is not None:
        raise InputError(
            "A fix is attributed at fan speeds:",
            [
                Fault(
                    "noise cannot be held here",
                    "leave it out: the row 'hardware, at equal noise' answers that",
                    column="noise_dba",
                    value=str(at.noise_dba),
                )
            ],
        )
    own = stated if stated is not None else Conditions()
    return Conditions(
        fan_rpm=at.fan_rpm if at.fan_rpm is not None else own.fan_rpm,
        power_w=at.power_w if at.power_w is not None else own.power_w,
    )


def _refuse_both(build: Build, held: Conditions) -> None:
    if held.fan_rpm is not None:
        fault = Fault(
            f"the rule of '{build.firmware}' is given too",
            "give one of them: the rule sets the speed",
            column="fan_rpm",
            value=f"{held.fan_rpm:g}",
        )
        raise InputError("The fan speed is stated twice:", [fault])
