"""A margin in plain words."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from thermcmp._types import Array
from thermcmp.model.conditions import Conditions
from thermcmp.physics.characteristic import FanStatus
from thermcmp.physics.fan_controls import FanCurve, TargetTemperature
from thermcmp.physics.firmware import Firmware
from thermcmp.physics.reach import Reach
from thermcmp.prediction.builds import matching_rows
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.prediction.response import WORTH_SAYING, FanResponse
from thermcmp.prediction.stock_settings import Setting
from thermcmp.questions.caveats import build_caveats
from thermcmp.questions.limit_margin.rows import AirRow, AtLimit, Sweep
from thermcmp.questions.phrases import chance_words, interval, range_words, remark_words
from thermcmp.tabular.names import counted

#: Change of the fan speed that is worth a sentence [rpm].
_WORTH_RPM: Final = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class MarginQuery:
    """The build, settings and interval of a margin."""

    fitted: FittedBuild
    #: Power, and the fan speed where it is held.
    setting: Setting
    #: What sets the fan; None where its speed is held.
    firmware: Firmware | None
    prob: float

    @property
    def held(self) -> Conditions:
        """Ambient, case and altitude."""
        return self.fitted.air


def margin_sentences(
    query: MarginQuery, sweep: Sweep, here: AirRow, at_limit: AtLimit
) -> tuple[str, ...]:
    """Return the margin in plain words."""
    words = [_state(query, sweep, here), _limit(query, at_limit)]
    if query.firmware is not None:
        words += [_climb(query, sweep, here), *_regulated(query, sweep)]
    words += _turned_down(query, sweep, here)
    return tuple(sentence for sentence in words if sentence)


def _state(query: MarginQuery, sweep: Sweep, here: AirRow) -> str:
    """Describe temperature and risk at the ambient asked for."""
    name, limit_c, prob = query.fitted.build.name, sweep.limit_c, query.prob
    if here.problem:
        return f"In {query.held.air_words}, {name} cannot be judged: {here.problem}."
    watts = float(np.mean(here.state.power_w))
    warm = here.temperature_c
    chance = chance_words(here.p_exceed(limit_c), len(warm))
    if query.firmware is None:
        unit = query.fitted.fit.design.law.unit
        how = f"at {query.setting.flow_speed:.0f} {unit} and {watts:.0f} W, "
    else:
        speed, level = _whole(here.settled(here.state.fan_rpm), prob, "rpm"), ""
        if here.noise_dba is not None and not np.isnan(here.settled(here.noise_dba)).any():
            level = f" and {range_words(here.settled(here.noise_dba), prob, 'dB(A)')}"
            level += f" at {query.held.mic_distance_m:g} m"
        how = f"under firmware '{query.firmware.name}' at {speed}{level}, {watts:.0f} W, "
    reach = "reaches" if query.fitted.scope.is_of_line else "reach"
    return (
        f"In {query.held.air_words}, {how}{query.fitted.scope.cards} of {name} {reach} "
        f"{range_words(warm, prob, '°C')} at the {query.fitted.fit.sensor}: {chance} probability "
        f"of exceeding {limit_c:g} °C{remark_words(here.remarks)}."
    )


def _limit(query: MarginQuery, at_limit: AtLimit) -> str:
    """Describe where the limit is reached."""
    known = at_limit.known
    if not len(known):
        return "The ambient at the limit is not estimable from the measured fan speeds."
    low, high = interval(known, query.prob)
    case = query.held.case_rise_k
    place = "a room" if case else "air"
    words = f"The limit is reached in {place} of {np.mean(known):.1f} °C ({low:.1f} to {high:.1f})"
    if case:
        words += f", {np.mean(known) + case:.1f} °C at the intake"
    if query.firmware is not None:
        words += f", with the fan at {np.nanmean(at_limit.fan_rpm):.0f} rpm"
        if at_limit.reach is Reach.EXTRAPOLATED:
            words += ", beyond the measured speeds"
    if at_limit.several >= WORTH_SAYING:
        words += (
            f"; in {at_limit.several:.0%} of the draws warmer air, which speeds the fan up, brings "
            "it below the limit again"
        )
    return f"{words}."


def _climb(query: MarginQuery, sweep: Sweep, here: AirRow) -> str:
    """Describe speed and noise under the firmware, from the open bench to the air asked for."""
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
        f"{_whole(sign * more, query.prob, 'rpm')} {'faster' if faster else 'slower'}"
    )
    if bench.noise_dba is None or here.noise_dba is None:
        return f"{words}."
    louder = here.noise_dba - bench.noise_dba
    louder = sign * louder[np.isfinite(louder)]
    if not len(louder):
        return f"{words}."
    kind = "louder" if faster else "quieter"
    return f"{words} and is {range_words(louder, query.prob, 'dB')} {kind}."


def _regulated(query: MarginQuery, sweep: Sweep) -> list[str]:
    """Describe where the firmware holds a temperature, and from where on it no longer can."""
    response, firmware = sweep.response, query.firmware
    if firmware is None or not isinstance(response, FanResponse):
        return []
    most = response.at_most()
    if most is None:
        return []
    case = query.held.case_rise_k
    place = "a room" if case else "air"
    words = (
        f"Its fan is at its highest speed from {place} of "
        f"{range_words(most - case, query.prob, '°C')} on"
    )
    if not isinstance(firmware.fan, TargetTemperature):
        return [f"{words}."]
    target = firmware.fan.target_c
    is_judged = response.card.control is response.card.judged
    lead = query.fitted.fit.sensor if is_judged else firmware.control_sensor or "control sensor"
    held = f"{words}; up to there the firmware holds the {lead} at {target:g} °C"
    if not is_judged:
        return [
            f"{held}, and a better cooler shows as less fan and in the {query.fitted.fit.sensor}."
        ]
    return [
        f"{held}, so its margin of {sweep.limit_c - target:g} K is set by the firmware: a "
        "better cooler shows as less fan speed and noise, not as a lower temperature."
    ]


def _turned_down(query: MarginQuery, sweep: Sweep, here: AirRow) -> list[str]:
    """Describe how far the fan could be turned down."""
    enough = here.enough
    if enough is None:
        return []
    where, risk = query.held.air_words, f"{sweep.risk:.0%} risk"
    if enough.reach is Reach.REFUSED:
        low, high = query.fitted.nearest_speeds
        return [
            f"In {where} no fan speed within reach of the measured {low:.0f} to {high:.0f} rpm "
            f"keeps the limit at {risk}."
        ]
    words = f"In {where}, {np.ceil(enough.fan_rpm):.0f} rpm keep the limit at {risk}"
    if enough.is_lowest:
        words += ", the lowest speed within reach of the measured ones"
    elif enough.reach is Reach.EXTRAPOLATED:
        words += ", beyond the measured speeds"
    speed = here.settled(here.state.fan_rpm)
    if not len(speed) or np.isnan(speed).any():
        return [f"{words}."]
    less = float(np.mean(speed)) - enough.fan_rpm
    side, kind, sign = ("below", "quieter", 1.0) if less >= 0.0 else ("above", "louder", -1.0)
    reference = "the firmware's own" if query.firmware is not None else "the speed held"
    words += f": {sign * less:.0f} rpm {side} {reference}"
    saved = saved_db(here)
    if saved is not None:
        words += f" and {range_words(sign * saved, query.prob, 'dB')} {kind}"
    return [f"{words}."]


def saved_db(here: AirRow) -> Array | None:
    """Compute how much quieter the lowest fan speed that is enough is, per draw [dB], if known."""
    if here.noise_dba is None or here.enough_dba is None:
        return None
    saved = here.settled(here.noise_dba - here.enough_dba)
    return saved if len(saved) and np.isfinite(saved).all() else None


def _whole(values: Array, prob: float, unit: str) -> str:
    """Return the mean in whole units, with its interval where there is one."""
    low, high = interval(values, prob)
    mean = f"{np.mean(values):.0f} {unit}"
    return mean if round(high) == round(low) else f"{mean} ({low:.0f} to {high:.0f})"


def margin_caveats(query: MarginQuery, sweep: Sweep, here: AirRow) -> list[str]:
    """Return what limits the answer beside the fit's caveats."""
    caveats = []
    if query.firmware is None:
        caveats.append(
            "Fan speed and power are held while the air warms; a firmware that speeds up its fan "
            "keeps the card cooler and is louder, one at its power limit may differ. "
            "Fix: give firmware=."
        )
        rows = query.fitted.fit.design.rows
        hit = matching_rows(rows, query.fitted.build)
        hit &= rows["regulated"].fillna(False).to_numpy(bool)
        hit &= rows["fan_mode"].eq("stock").fillna(False).to_numpy(bool)
        if query.held.fan_rpm is None and hit.any():
            caveats.append(
                f"In {counted(int(hit.sum()), 'stock run')} of this hardware a control loop held a "
                "temperature, so in warmer air its fan does not stay where it was. Fix: give "
                "firmware= with a target temperature."
            )
    else:
        caveats += _firmware_caveats(query, sweep, here)
    if query.setting.elsewhere:
        what = "Fan speed and power" if query.firmware is None else "Power"
        caveats.append(f"{what}: {query.setting.source}.")
    caveats += build_caveats(query.fitted, float(np.mean(here.state.power_w)))
    speed = here.settled(here.state.fan_rpm)
    if here.enough is not None and len(speed) and here.enough.fan_rpm < np.mean(speed):
        caveats.append(
            f"The lower fan speed was held against the {query.fitted.fit.sensor}'s limit only: "
            "every other sensor and part has its own. Turn a fan down in steps, and watch them all."
        )
    return caveats


def _firmware_caveats(query: MarginQuery, sweep: Sweep, here: AirRow) -> list[str]:
    """Return what limits a fan that responds."""
    response, firmware = sweep.response, query.firmware
    caveats = list(response.card.notes) if isinstance(response, FanResponse) else []
    if firmware is None:
        return caveats
    if query.setting.source.startswith("the power limit"):
        caveats.append(f"Power: {query.setting.source}, since no stock run shows what it takes.")
    falling = here.state.falling_rpm
    more = np.empty(0) if falling is None else falling - here.state.fan_rpm
    more = more[np.isfinite(more)]
    if len(more):
        caveats.append(
            f"With its hysteresis of {firmware.hysteresis_k:g} K the fan may also rest at up to "
            f"{np.mean(more):.0f} rpm more, where the card was warmer before."
        )
    if isinstance(firmware.fan, FanCurve | TargetTemperature):
        caveats.append("Steady states only: whether the fan swings about them is not modelled.")
    elif here.state.share(FanStatus.OBSERVED) > 0.0:
        caveats.append("The fan speed is an observed one: how it answers other air was not seen.")
    return caveats
