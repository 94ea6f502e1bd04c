"""How a build answers warmer air: with its fan held, or set by its firmware, draw by draw."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.physics.characteristic import FanStatus
from thermcmp.physics.closed_loop import LimitAmbient, ambient_at_limit
from thermcmp.physics.fan_controls import FanCurve, ObservedSpeed, TargetTemperature
from thermcmp.physics.firmware import Firmware
from thermcmp.physics.noise_law import NoiseLaw, fan_noise_dba
from thermcmp.physics.reach import Reach, reach_of
from thermcmp.prediction.card import (
    MOST_UNSETTLED,
    Card,
    CardState,
    card_of,
    fresh_specimen,
    settle,
)
from thermcmp.prediction.fitted_build import FittedBuild, noise_law

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Remark on a temperature or a noise beyond the measured fan speeds.
BEYOND: Final = "beyond the measured fan speeds"
#: Share of draws with further steady states from which they are mentioned.
WORTH_SAYING: Final = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class FanResponse:
    """A card with fans: the firmware that is stated, or the fan speed that is held."""

    #: The firmware; one that holds the speed where none was stated.
    firmware: Firmware
    #: The card at the power that the load asks for, n draws.
    card: Card

    def state(self, intake_c: float) -> CardState:
        """Return the steady state in air of that temperature at the intake."""
        return settle(self.firmware, self.card.at(ambient_c=intake_c))

    def at_limit(self, limit_c: float) -> LimitAmbient:
        """Return the air at the intake at which the judged sensor reaches the limit."""
        return ambient_at_limit(self.firmware, self.card.judged, limit_c, control=self.card.control)

    def at_most(self) -> Array | None:
        """Return the air at the intake from which the fan is at its highest speed, shape (n,) [°C].

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
    """A card whose coolant flow, or whatever drives its airflow law, is held; n draws."""

    rise_k: Array
    flow_speed: Array
    power_w: Array

    def state(self, intake_c: float) -> CardState:
        """Return the steady state in air of that temperature."""
        temperature = intake_c + self.rise_k
        status = np.full(temperature.shape, FanStatus.OBSERVED, dtype=object)
        single = np.zeros(temperature.shape, dtype=bool)
        return CardState(temperature, temperature, self.flow_speed, self.power_w, status, single)

    def at_limit(self, limit_c: float) -> LimitAmbient:
        """Return the air at which the judged sensor reaches the limit."""
        state = self.state(0.0)
        return LimitAmbient(limit_c - self.rise_k, self.flow_speed, state.status, state.multiple)

    def at_most(self) -> None:
        """Return None: no fan follows a temperature."""
        return


Response = FanResponse | HeldFlow


def response_of(
    fitted: FittedBuild,
    flow_speed: Array,
    power_w: Array,
    *,
    firmware: Firmware | None,
    control: Fit | None,
) -> Response:
    """Return a build's answer to warmer air, from draws of its fan speed and power.

    For the product line it is a newly bought card: a fresh specimen of each part and a
    fresh assembly, and where a new laboratory reads it, all that is that laboratory's own.
    """
    fit, scope = fitted.fit, fitted.scope
    fresh_seed = (fit.seed or 0) if scope.is_of_line else None
    if firmware is None and fit.design.law.column != "fan_rpm":
        deviation = None if fresh_seed is None else fresh_specimen(fit, fresh_seed, scope)
        rise = replace(fitted, deviation=deviation).rise(flow_speed, power_w)
        return HeldFlow(rise, flow_speed, power_w)
    acting = firmware or Firmware(name="held", fan=ObservedSpeed(flow_speed))
    card = card_of(fitted, acting, control=control, fresh_seed=fresh_seed)
    return FanResponse(acting, card.at(power_w=power_w[card.chosen]))


@dataclass(frozen=True, slots=True, eq=False)
class CardNoise:
    """Noise law of a build, paired with the draws of its temperatures."""

    #: Level at the reference speed [dB(A)] and slope [dB per tenfold speed], shape (n,).
    level_dba: Array
    slope_db: Array
    reference_rpm: float
    #: Lowest and highest speed at which its noise was measured [rpm].
    measured_rpm: tuple[float, float]
    law: NoiseLaw

    @classmethod
    def of(
        cls, fitted: FittedBuild, chosen: IntArray, *, fresh_seed: int | None = None
    ) -> CardNoise | None:
        """Return the noise of a build for chosen draws; None where it was not measured.

        With a `fresh_seed` it is that of an untested specimen.
        """
        cooler = fitted.build.cooler_model
        noise = noise_law(fitted.fit, fitted.air.mic_distance_m)
        law = None if noise is None else noise.law(cooler, fresh_seed=fresh_seed)
        measured = None if noise is None else noise.design.speed_range_rpm(cooler)
        if noise is None or law is None or measured is None:
            return None
        level, slope = (draws[chosen] for draws in law)
        return cls(level, slope, noise.design.reference_rpm, measured, noise.design.law)

    def at(self, fan_rpm: Array | float) -> tuple[Array, str]:
        """Return levels at fan speeds, shape (n,) [dB(A)], and what limits them in words.

        NaN where the speeds' median lies too far outside the measured ones.
        """
        middle = float(np.nanmedian(fan_rpm)) if np.isfinite(fan_rpm).any() else np.nan
        reach = reach_of(middle, *self.measured_rpm)
        if reach is Reach.REFUSED:
            low, high = self.measured_rpm
            nothing = np.full(self.level_dba.shape, np.nan)
            return nothing, f"noise not known: it was measured from {low:.0f} to {high:.0f} rpm"
        levels = fan_noise_dba(
            fan_rpm,
            level_dba=self.level_dba,
            slope_db=self.slope_db,
            reference_rpm=self.reference_rpm,
            law=self.law,
        )
        return levels, BEYOND if reach is Reach.EXTRAPOLATED else ""


def noise_of(fitted: FittedBuild, response: Response) -> CardNoise | None:
    """Return the noise of the card that responds; for the product line an untested specimen's."""
    if not isinstance(response, FanResponse):
        return None
    # Apart from the seeds of the fresh specimens' temperatures.
    fresh_seed = (fitted.fit.seed or 0) + 2 if fitted.scope.is_of_line else None
    return CardNoise.of(fitted, response.card.chosen, fresh_seed=fresh_seed)


def speeds_reach(flow_speed: Array, measured: tuple[float, float]) -> Reach:
    """Return where speeds lie against the measured ones, by their median."""
    finite = flow_speed[np.isfinite(flow_speed)]
    return Reach(str(reach_of(np.median(finite), *measured))) if finite.size else Reach.REFUSED


def checked_state(state: CardState, fitted: FittedBuild) -> tuple[CardState, str, tuple[str, ...]]:
    """Return a state without what is not estimable, why it is not, and what limits the rest."""
    measured, unit = fitted.nearest_speeds, fitted.fit.design.law.unit
    remarks = []
    nothing = np.full(state.fan_rpm.shape, np.nan)
    unsettled = 1.0 - float(np.mean(state.settled))
    if unsettled > 0.0:
        kinds = ", ".join(sorted(set(state.status[~state.settled].astype(str))))
        words = f"no steady state in {unsettled:.0%} of the draws ({kinds})"
        if unsettled > MOST_UNSETTLED:
            return replace(state, temperature_c=nothing, fan_rpm=nothing), words, ()
        remarks.append(f"{words}, left out")
    reach = speeds_reach(state.fan_rpm, measured)
    if reach is Reach.REFUSED:
        middle, (low, high) = float(np.nanmedian(state.fan_rpm)), measured
        words = f"{middle:.0f} {unit} is too far from the measured {low:.0f} to {high:.0f}"
        return replace(state, temperature_c=nothing), words, ()
    if reach is Reach.EXTRAPOLATED:
        remarks.append(BEYOND)
    if words := fitted.power_words(float(np.mean(state.power_w))):
        remarks.append(words)
    several = float(np.mean(state.multiple))
    if several >= WORTH_SAYING:
        remarks.append(f"further steady states in {several:.0%} of the draws")
    return state, "", tuple(remarks)
