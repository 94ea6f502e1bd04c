"""What limits an attribution, beside what limits every answer of the fit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermcmp.physics.characteristic import FanStatus
from thermcmp.physics.reach import Reach, reach_of
from thermcmp.questions.attribution.corners import corner
from thermcmp.questions.attribution.hardware import FIRMWARE, parts_split_by_prior
from thermcmp.questions.attribution.parts import main_parts

if TYPE_CHECKING:
    from thermcmp.questions.attribution.text import AttributionContext


def fix_limits(told: AttributionContext) -> tuple[str, ...]:
    """What limits the attribution, beside what limits every answer of the fit."""
    return (*_settings(told), *_priors(told), *_loops(told), *_inseparable(told))


def _settings(told: AttributionContext) -> list[str]:
    study, caveats = told.study, list[str]()
    if study.at.altitude_m is not None:
        caveats.append(study.at.altitude_words)
    for build, setting in zip(study.builds, study.settings, strict=True):
        if setting.elsewhere:
            caveats.append(
                f"{build.name}: its firmware was run on other hardware only, so its fan speed and "
                "power on this one are taken from there."
            )
        if setting.held_c is not None:
            caveats.append(
                f"{build.name}: a control loop held the {study.fit.sensor} in its stock runs, so "
                "they tell by fan speed and power, not by temperature."
            )
    once = [one for one in study.settings if "stock run" in one.source and not one.degrees]
    if once:
        caveats.append(
            "No stock run was repeated, so how far the firmware's fan speed and power stray from "
            "run to run is not known and counts as nothing. Fix: repeat a stock run."
        )
    return caveats


def _priors(told: AttributionContext) -> list[str]:
    study, caveats = told.study, []
    law, speeds = study.fit.design.law, study.fit.design.flow_speed
    if np.ptp(speeds) < 0.02 * np.mean(speeds):
        caveats.append(
            f"All runs were at about {np.mean(speeds):.0f} {law.unit}: what fan speed buys comes "
            "from the prior. Fix: add a run at another fixed fan speed."
        )
    weak = [name for name in main_parts(study) if name in told.weak]
    if weak:
        caveats.append(
            f"Mostly the prior's word, not the data's: {', '.join(weak)}. Fix: run each "
            f"cooler at two fixed fan speeds at least ({law.unit} held, fan_mode 'fixed')."
        )
    if told.allowed_prior:
        caveats.append(
            "Split although no run tells what fan speed buys (allow_prior=True): the shares of "
            "hardware and fan speed are the prior's, only the total is measured."
        )
    return caveats


def _loops(told: AttributionContext) -> list[str]:
    study, caveats = told.study, list[str]()
    for own in (False, True):
        known = study.speeds_run(own)
        middle = float(np.median(study.flow_speed(corner(own, own))))
        if known is not None and reach_of(middle, *known) is Reach.REFUSED:
            caveats.append(
                f"{study.builds[own].name}: its fan speed of {middle:.0f} "
                f"{study.fit.design.law.unit} is far from those that its hardware was run at "
                f"({known[0]:.0f} to {known[1]:.0f}), so the airflow law was followed far. Fix: "
                "run it there."
            )
    for own, loop in zip((False, True), study.loops, strict=True):
        if loop is None:
            continue
        caveats += loop.notes
        if loop.doing[own] == FanStatus.REGULATED:
            sensor = loop.firmware.control_sensor or study.fit.sensor
            caveats.append(
                f"Under '{loop.firmware.name}' the fan follows the {sensor} (regulated in "
                f"{loop.share[own]:.0%} of the draws): that temperature is no measure of the "
                "hardware; fan speed, level and power are."
            )
    return list(dict.fromkeys(caveats))


def _inseparable(told: AttributionContext) -> list[str]:
    fit, caveats = told.study.fit, []
    unsettled = parts_split_by_prior(fit, told.study.builds)
    inside = sorted(unsettled - {FIRMWARE})
    if inside:
        caveats.append(
            f"Inside the hardware part the shares of {', '.join(inside)} cannot be told apart: "
            "they follow the priors. See the separation for the swap that would tell."
        )
    if FIRMWARE in unsettled:
        old, new = (str(build.firmware) for build in told.study.builds)
        found = fit.aliases.of("firmware", old, new)
        caveats.append(
            "What the firmware does directly cannot be told from the hardware, since they changed "
            "together: their sum is measured, the split is the prior's. "
            + (found.sentence if found is not None else "")
        )
    return caveats
