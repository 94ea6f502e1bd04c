"""What a margin says in plain words."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.model.conditions import Build, Conditions
from thermcmp.physics.characteristic import FanStatus
from thermcmp.physics.fan_controls import FanCurve, TargetTemperature
from thermcmp.physics.firmware import Firmware
from thermcmp.physics.reach import Reach
from thermcmp.prediction.build_rise import Scope, matching_rows
from thermcmp.prediction.stock_settings import Setting
from thermcmp.questions.limit_margin.response import FanResponse
from thermcmp.questions.limit_margin.rows import WORTH_SAYING, AirRow, AtLimit, Sweep
from thermcmp.questions.phrases import chance_words, interval, range_words

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Change of the fan speed that is worth a sentence [rpm].
_WORTH_RPM: Final = 10.0


@dataclass(frozen=True, slots=True)
class MarginQuery:
    """What was asked, for the words.

    Attributes
    ----------
    fit : Fit
        The judged sensor's fit.
    build : Build
        The build.
    held : Conditions
        Ambient, case and altitude.
    scope : Scope
        For whom the answer speaks.
    setting : Setting
        Power, and the fan speed where it is held.
    firmware : Firmware, optional
        What sets the fan.
    prob : float
        Probability of the intervals.
    """

    fit: Fit
    build: Build
    held: Conditions
    scope: Scope
    setting: Setting
    firmware: Firmware | None
    prob: float


def whose(scope: Scope) -> str:
    """Whom the scope speaks of."""
    return "a newly bought card" if scope is Scope.PRODUCT_LINE else "the cards tested"


def sentences(asked: MarginQuery, sweep: Sweep, here: AirRow, at_limit: AtLimit) -> tuple[str, ...]:
    """What to say in plain words."""
    found = [_state(asked, sweep, here), _limit(asked, at_limit)]
    if asked.firmware is not None:
        found += [_climb(asked, sweep, here), *_regulated(asked, sweep)]
    found += _turned_down(asked, sweep, here)
    return tuple(sentence for sentence in found if sentence)


def _state(asked: MarginQuery, sweep: Sweep, here: AirRow) -> str:
    """Temperature and risk at the ambient asked for."""
    name, limit_c, prob = asked.build.name, sweep.limit_c, asked.prob
    if here.problem:
        return f"In {asked.held.air_words}, {name} cannot be judged: {here.problem}."
    watts = float(np.mean(here.state.power_w))
    warm = here.temperature_c
    chance = chance_words(here.p_exceed(limit_c), len(warm))
    if asked.firmware is None:
        how = f"at {asked.setting.flow_speed:.0f} {sweep.unit} and {watts:.0f} W, "
    else:
        speed = _whole(here.settled(here.state.fan_rpm), prob, "rpm")
        how = (
            f"under firmware '{asked.firmware.name}' at {speed}{_heard(asked, here)}, "
            f"{watts:.0f} W, "
        )
    reach = "reaches" if asked.scope is Scope.PRODUCT_LINE else "reach"
    return (
        f"In {asked.held.air_words}, {how}{whose(asked.scope)} of {name} {reach} "
        f"{range_words(warm, prob, '°C')} at the {asked.fit.sensor}: {chance} probability of "
        f"exceeding {limit_c:g} °C."
    )


def _heard(asked: MarginQuery, here: AirRow) -> str:
    """The level at the ambient asked for."""
    if here.noise_dba is None or np.isnan(here.settled(here.noise_dba)).any():
        return ""
    words = range_words(here.settled(here.noise_dba), asked.prob, "dB(A)")
    return f" and {words} at {asked.held.mic_distance_m:g} m"


def _limit(asked: MarginQuery, at_limit: AtLimit) -> str:
    """Where the limit is reached."""
    known = at_limit.known
    if not len(known):
        return "At which ambient the limit is reached cannot be told from the measured fan speeds."
    low, high = interval(known, asked.prob)
    case = asked.held.case_rise_k
    place = "a room" if case else "air"
    words = f"The limit is reached in {place} of {np.mean(known):.1f} °C ({low:.1f} to {high:.1f})"
    if case:
        words += f", {np.mean(known) + case:.1f} °C at the intake"
    if asked.firmware is not None:
        words += f", with the fan at {np.nanmean(at_limit.fan_rpm):.0f} rpm"
        if at_limit.reach is Reach.EXTRAPOLATED:
            words += ", beyond the measured speeds"
    if at_limit.several >= WORTH_SAYING:
        words += (
            f"; in {at_limit.several:.0%} of the draws warmer air, which speeds the fan up, brings "
            "it below the limit again"
        )
    return f"{words}."


def _climb(asked: MarginQuery, sweep: Sweep, here: AirRow) -> str:
    """What the firmware does to speed and noise, from the open bench to the air asked for."""
    bench = replace(sweep, case_rise_k=0.0).row(Conditions().ambient_c)
    if here.problem or bench.problem:
        return ""
    more = here.state.fan_rpm - bench.state.fan_rpm
    more = more[np.isfinite(more)]
    if not len(more) or abs(float(np.mean(more))) < _WORTH_RPM:
        return ""
    faster = float(np.mean(more)) > 0.0
    sign = 1.0 if faster else -1.0
    words = (
        f"Against an open bench in air of {bench.room_c:g} °C the fan turns "
        f"{_whole(sign * more, asked.prob, 'rpm')} {'faster' if faster else 'slower'}"
    )
    if bench.noise_dba is None or here.noise_dba is None:
        return f"{words}."
    louder = here.noise_dba - bench.noise_dba
    louder = sign * louder[np.isfinite(louder)]
    if not len(louder):
        return f"{words}."
    kind = "louder" if faster else "quieter"
    return f"{words} and is {range_words(louder, asked.prob, 'dB')} {kind}."


def _regulated(asked: MarginQuery, sweep: Sweep) -> list[str]:
    """Where the firmware holds a temperature, and from where on it no longer can."""
    response, firmware = sweep.response, asked.firmware
    if firmware is None or not isinstance(response, FanResponse):
        return []
    most = response.at_most()
    if most is None:
        return []
    case = asked.held.case_rise_k
    place = "a room" if case else "air"
    words = (
        f"Its fan is at its highest speed from {place} of "
        f"{range_words(most - case, asked.prob, '°C')} on"
    )
    if not isinstance(firmware.fan, TargetTemperature):
        return [f"{words}."]
    target = firmware.fan.target_c
    own = response.card.control is response.card.judged
    lead = asked.fit.sensor if own else firmware.control_sensor or "control sensor"
    held = f"{words}; up to there the firmware holds the {lead} at {target:g} °C"
    if not own:
        return [f"{held}, and a better cooler shows as less fan and in the {asked.fit.sensor}."]
    return [
        f"{held}, so its margin of {sweep.limit_c - target:g} K is the firmware's doing: a better "
        "cooler shows as less fan speed and noise, not as a lower temperature."
    ]


def _turned_down(asked: MarginQuery, sweep: Sweep, here: AirRow) -> list[str]:
    """How far the fan could be turned down."""
    enough = here.enough
    if enough is None:
        return []
    where, risk = asked.held.air_words, f"{sweep.risk:.0%} risk"
    if enough.reach is Reach.REFUSED:
        low, high = sweep.measured
        return [
            f"In {where} no fan speed within reach of the measured {low:.0f} to {high:.0f} rpm "
            f"keeps the limit at {risk}."
        ]
    words = f"In {where}, {np.ceil(enough.fan_rpm):.0f} rpm keep the limit at {risk}"
    if enough.is_lowest:
        words += ", the lowest speed that the measured ones allow to judge"
    elif enough.reach is Reach.EXTRAPOLATED:
        words += ", beyond the measured speeds"
    own = here.settled(here.state.fan_rpm)
    if not len(own) or np.isnan(own).any():
        return [f"{words}."]
    less = float(np.mean(own)) - enough.fan_rpm
    side, kind, sign = ("below", "quieter", 1.0) if less >= 0.0 else ("above", "louder", -1.0)
    whom = "the firmware's own" if asked.firmware is not None else "the speed held"
    words += f": {sign * less:.0f} rpm {side} {whom}"
    saved = saved_db(here)
    if saved is not None:
        words += f" and {range_words(sign * saved, asked.prob, 'dB')} {kind}"
    return [f"{words}."]


def saved_db(here: AirRow) -> Array | None:
    """How much quieter the lowest fan speed that is enough is, per draw [dB].

    None where no noise is known, or no such speed.
    """
    if here.noise_dba is None or here.enough_dba is None:
        return None
    saved = here.settled(here.noise_dba - here.enough_dba)
    return saved if len(saved) and np.isfinite(saved).all() else None


def _whole(values: Array, prob: float, unit: str) -> str:
    """Mean in whole units, with its interval where there is one."""
    low, high = interval(values, prob)
    mean = f"{np.mean(values):.0f} {unit}"
    return mean if round(high) == round(low) else f"{mean} ({low:.0f} to {high:.0f})"


def margin_caveats(asked: MarginQuery, sweep: Sweep, here: AirRow) -> list[str]:
    """What limits the answer beside the fit's own caveats."""
    found = []
    if asked.firmware is None:
        found.append(
            "Fan speed and power are held while the air warms; a firmware that answers heat with "
            "more fan will do better and be louder, one that is at its power limit may differ. "
            "Fix: give firmware=."
        )
        found += _loop_caveat(asked)
    else:
        found += _firmware_caveats(asked, sweep, here)
    if asked.setting.elsewhere:
        what = "Fan speed and power" if asked.firmware is None else "Power"
        found.append(f"{what}: {asked.setting.source}.")
    if asked.held.altitude_m is not None:
        found.append(asked.held.altitude_words)
    terms = {term.name for term in asked.fit.design.terms}
    if asked.scope is Scope.PRODUCT_LINE and not terms & {"cooler", "board"}:
        found.append(
            "Only one specimen of each part was tested, so the spread of newly bought "
            "cards is not included."
        )
    own = here.settled(here.state.fan_rpm)
    if here.enough is not None and len(own) and here.enough.fan_rpm < np.mean(own):
        found.append(
            f"The lower fan speed was held against the {asked.fit.sensor}'s limit only: every "
            "other sensor and part has its own. Turn a fan down in steps, and watch them all."
        )
    return found


def _loop_caveat(asked: MarginQuery) -> list[str]:
    """Describe where the speed held comes from runs in which a control loop chose it."""
    rows = asked.fit.results
    hit = matching_rows(rows, asked.build) & rows["regulated"].fillna(False).to_numpy(bool)
    hit &= rows["fan_mode"].eq("stock").fillna(False).to_numpy(bool)
    if asked.held.fan_rpm is not None or not hit.any():
        return []
    return [
        f"In {int(hit.sum())} stock run(s) of this hardware a control loop held a temperature, so "
        "in warmer air its fan does not stay where it was. Fix: give firmware= with a target "
        "temperature."
    ]


def _firmware_caveats(asked: MarginQuery, sweep: Sweep, here: AirRow) -> list[str]:
    """What limits a fan that responds."""
    response, firmware = sweep.response, asked.firmware
    found = list(response.card.notes) if isinstance(response, FanResponse) else []
    if firmware is None:
        return found
    if asked.setting.source.startswith("the power limit"):
        found.append(f"Power: {asked.setting.source}, since no stock run tells what it asks for.")
    falling = here.state.falling_rpm
    more = np.empty(0) if falling is None else falling - here.state.fan_rpm
    more = more[np.isfinite(more)]
    if len(more):
        found.append(
            f"With its hysteresis of {firmware.hysteresis_k:g} K the fan may also rest at up to "
            f"{np.mean(more):.0f} rpm more, where the card was warmer before."
        )
    if isinstance(firmware.fan, FanCurve | TargetTemperature):
        found.append("Steady states only: whether the fan swings about them is not modelled.")
    elif here.state.share(FanStatus.OBSERVED) > 0.0:
        found.append("The fan speed is an observed one: how it answers other air was not seen.")
    return found
