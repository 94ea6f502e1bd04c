"""How a build answers warmer air: with its fan held, or set by its firmware, draw by draw."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError, NotEstimableError
from thermcmp.physics.characteristic import FanStatus
from thermcmp.physics.closed_loop import LimitAmbient, ambient_at_limit
from thermcmp.physics.fan_controls import FanCurve, ObservedSpeed, TargetTemperature
from thermcmp.physics.firmware import Firmware
from thermcmp.prediction.build_rise import Scope, airflow_term, rise_draws
from thermcmp.prediction.card import Card, CardState, card_of, fresh_specimen, settle
from thermcmp.prediction.stock_settings import Setting, stock_setting

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build, Conditions

#: Stands for the fan speed of a build whose firmware sets it, which does not count [rpm].
_ANY_RPM: Final = 1000.0


@dataclass(frozen=True, slots=True, eq=False)
class FanResponse:
    """A card with fans: the firmware that is stated, or the fan speed that is held.

    Attributes
    ----------
    firmware : Firmware
        The firmware; one that holds the speed where none was stated.
    card : Card
        The card at the power that the load asks for, n draws.
    """

    firmware: Firmware
    card: Card

    def state(self, intake_c: float) -> CardState:
        """Steady state in air of that temperature at the intake."""
        return settle(self.firmware, self.card.at(ambient_c=intake_c))

    def at_limit(self, limit_c: float) -> LimitAmbient:
        """Air at the intake at which the judged sensor reaches the limit."""
        return ambient_at_limit(self.firmware, self.card.judged, limit_c, control=self.card.control)

    def at_most(self) -> Array | None:
        """Air at the intake from which the fan is at its highest speed, shape (n,) [°C].

        None where the fan does not follow a temperature.
        """
        fan = self.firmware.fan
        if isinstance(fan, TargetTemperature):
            warm, rpm = fan.target_c, fan.highest_rpm
        elif isinstance(fan, FanCurve):
            rpm = fan.fan_rpm[-1]
            warm = fan.temperature_c[fan.fan_rpm.index(rpm)]
        else:
            return None
        power_w = self.firmware.power_w(self.card.control.power_w)
        control = self.card.control.at(power_w=power_w, ambient_c=0.0)
        return np.asarray(warm - control.temperature_c(rpm))


@dataclass(frozen=True, slots=True, eq=False)
class HeldFlow:
    """A card whose coolant flow, or whatever drives its airflow law, is held.

    Attributes
    ----------
    rise_k, flow_speed, power_w : numpy.ndarray, shape (n,)
        Rise [K], flow_speed [the law's unit] and board power [W].
    """

    rise_k: Array
    flow_speed: Array
    power_w: Array

    def state(self, intake_c: float) -> CardState:
        """Steady state in air of that temperature."""
        temperature = intake_c + self.rise_k
        status = np.full(temperature.shape, FanStatus.OBSERVED, dtype=object)
        single = np.zeros(temperature.shape, dtype=bool)
        return CardState(temperature, temperature, self.flow_speed, self.power_w, status, single)

    def at_limit(self, limit_c: float) -> LimitAmbient:
        """Air at which the judged sensor reaches the limit."""
        found = self.state(0.0)
        return LimitAmbient(limit_c - self.rise_k, self.flow_speed, found.status, found.multiple)

    def at_most(self) -> None:
        """No fan follows a temperature."""
        return


Response = FanResponse | HeldFlow


def setting_of(fit: Fit, build: Build, held: Conditions, firmware: Firmware | None) -> Setting:
    """Fan speed and power: as given, else those of the firmware's stock runs."""
    doing = "A margin is asked at a fan speed:"
    if held.noise_dba is not None:
        fix = "give fan_rpm=, or leave both out for the firmware's own speed"
        value = f"{held.noise_dba:g}"
        fault = Fault("noise cannot be held here", fix, column="noise_dba", value=value)
        raise InputError(doing, [fault])
    if firmware is None:
        return stock_setting(fit, build, held)
    if held.fan_rpm is not None:
        words = f"the firmware '{firmware.name}' sets the fan"
        fix = "leave fan_rpm out, or leave firmware out to hold the speed"
        fault = Fault(words, fix, column="fan_rpm", value=f"{held.fan_rpm:g}")
        raise InputError(doing, [fault])
    under = replace(build, firmware=firmware.name)
    try:
        return stock_setting(fit, under, replace(held, fan_rpm=_ANY_RPM))
    except NotEstimableError:
        if firmware.power_limit_w is None:
            raise NotEstimableError(
                f"{build.name}: the power under firmware '{firmware.name}' is not known. Fix: "
                "state power_w, give the firmware's power_limit_w, or add a stock run."
            ) from None
        source = f"the power limit of firmware '{firmware.name}'"
        return Setting(_ANY_RPM, firmware.power_limit_w, source, False)


def response_of(
    fit: Fit,
    build: Build,
    held: Conditions,
    scope: Scope,
    setting: Setting,
    *,
    firmware: Firmware | None,
    control: Fit | None,
) -> Response:
    """Return a build's answer to warmer air."""
    flow_speed, power_w = setting.draws(fit.draw_count, fit.seed)
    fresh = (fit.seed or 0) if scope is Scope.PRODUCT_LINE else None
    if firmware is None and fit.design.law.column != "fan_rpm":
        # Refuses thin air: an altitude says nothing of another coolant.
        ratio = held.density_ratio
        rise = rise_draws(
            fit, build, scope, flow_speed=flow_speed, power_w=power_w, density_ratio=ratio
        )
        if fresh is not None:
            resistance, airflow = fresh_specimen(fit, fresh)
            apart = resistance + airflow * airflow_term(fit, flow_speed)
            rise = rise + apart * power_w / fit.reference.power_w
        return HeldFlow(rise, flow_speed, power_w)
    acting = firmware
    if acting is None:
        acting = Firmware(name="held", fan=ObservedSpeed(flow_speed))
    card = card_of(
        fit,
        build,
        scope,
        acting,
        control=control,
        density_ratio=held.density_ratio,
        fresh_seed=fresh,
    )
    return FanResponse(acting, card.at(power_w=power_w[card.chosen]))
