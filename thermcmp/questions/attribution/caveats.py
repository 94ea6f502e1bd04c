"""What limits an attribution, beside what limits every answer of the fit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermcmp.physics.characteristic import FanStatus
from thermcmp.physics.reach import Reach
from thermcmp.questions.attribution.corners import corner
from thermcmp.questions.attribution.hardware import FIRMWARE, parts_split_by_prior
from thermcmp.questions.attribution.parts import DIRECT, main_parts
from thermcmp.questions.phrases import interval
from thermcmp.questions.went_with import went_with_words

if TYPE_CHECKING:
    from thermcmp.questions.attribution.context import AttributionContext


def attribution_caveats(context: AttributionContext) -> tuple[str, ...]:
    """Return what limits the attribution, beside what limits every answer of the fit."""
    return (*_settings(context), *_priors(context), *_loops(context), *_inseparable(context))


def _settings(context: AttributionContext) -> list[str]:
    study, caveats = context.study, list[str]()
    old, new = (build.cooler_model for build in study.builds)
    caveats += went_with_words(study.fit, [(old, new)] if old != new else [])
    if study.at.altitude_m is not None:
        caveats.append(study.at.altitude_words)
    if context.noise and study.noise is not None:
        caveats += study.noise.notes
    for build, setting in zip(study.builds, study.settings, strict=True):
        if setting.elsewhere:
            caveats.append(
                f"{build.name}: its firmware was run on other hardware only, so its fan speed and "
                "power on this one are taken from there."
            )
        if setting.held_c is not None:
            caveats.append(
                f"{build.name}: a control loop held the {study.fit.sensor} in its stock runs, so "
                "fan speed and power are their result, not the temperature."
            )
    if any("stock run" in s.source and not s.degrees for s in study.settings):
        caveats.append(
            "No stock run was repeated, so the scatter of the firmware's fan speed and power from "
            "run to run is not known and not in the intervals. Fix: repeat a stock run."
        )
    return caveats


def _priors(context: AttributionContext) -> list[str]:
    study, caveats = context.study, []
    law, speeds = study.fit.design.law, study.fit.design.flow_speed
    if np.ptp(speeds) < 0.02 * np.mean(speeds):
        caveats.append(
            f"All runs were at about {np.mean(speeds):.0f} {law.unit}: the convective part "
            "comes from the prior. Fix: add a run at another fixed fan speed."
        )
    withheld = [name for name in main_parts(study) if name in context.withheld - {DIRECT}]
    if withheld:
        caveats.append(
            f"The runs do not hold these parts, so only their range is stated: "
            f"{', '.join(withheld)}. Fix: {'; '.join(context.fixes)}."
        )
    weak = [name for name in main_parts(study) if name in context.weak - context.withheld]
    if weak:
        caveats.append(
            f"Mostly from the prior, not the data: {', '.join(weak)}. Fix: run each "
            f"cooler at two fixed fan speeds at least ({law.unit} held, fan_mode 'fixed')."
        )
    if context.allowed_prior:
        caveats.append(
            "Split although no run identifies the convective part (allow_prior=True): the shares "
            "of hardware and fan speed are the prior's, only the total is measured."
        )
    return caveats


def _loops(context: AttributionContext) -> list[str]:
    study, caveats = context.study, list[str]()
    for is_new in (False, True):
        measured = study.fitted[is_new, is_new].measured_speeds
        if measured is not None and study.reach(corner(is_new, is_new)) is Reach.REFUSED:
            middle = float(np.median(study.flow_speed(corner(is_new, is_new))))
            caveats.append(
                f"{study.builds[is_new].name}: its fan speed of {middle:.0f} "
                f"{study.fit.design.law.unit} is far from those that its hardware was run at "
                f"({measured[0]:.0f} to {measured[1]:.0f}), so the airflow law is extrapolated "
                "far. Fix: run it there."
            )
    for is_new, loop in zip((False, True), study.loops, strict=True):
        if loop is None:
            continue
        caveats += loop.notes
        if loop.doing[is_new] == FanStatus.REGULATED:
            sensor = loop.firmware.control_sensor or study.fit.sensor
            caveats.append(
                f"Under '{loop.firmware.name}' the fan follows the {sensor} (regulated in "
                f"{loop.share[is_new]:.0%} of the draws): that temperature does not measure "
                "the hardware; fan speed, level and power do."
            )
    return list(dict.fromkeys(caveats))


def _inseparable(context: AttributionContext) -> list[str]:
    fit, caveats = context.study.fit, []
    inseparable = parts_split_by_prior(fit, context.study.builds)
    inside = sorted(inseparable - {FIRMWARE})
    if inside:
        caveats.append(
            f"Inside the hardware part the shares of {', '.join(inside)} are not separable: "
            "they follow the priors. See the separation for the swap that separates them."
        )
    if FIRMWARE in inseparable:
        old, new = (str(build.firmware) for build in context.study.builds)
        alias = fit.aliases.of("firmware", old, new)
        caveats.append(
            "Firmware and hardware changed together, so what the firmware does beyond fan speed "
            "and power (voltages, timings) is not separable from the hardware: the hardware's "
            f"interval allows {_allowance_k(context):.1f} K for it either way. "
            + (alias.sentence if alias is not None else "")
        )
    return caveats


def _allowance_k(context: AttributionContext) -> float:
    low, high = interval(context.parts[DIRECT], context.prob)
    return (high - low) / 2.0
