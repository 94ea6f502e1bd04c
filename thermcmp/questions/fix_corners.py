"""The eight corners of a fix, and the parts that follow from them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.errors import Fault, InputError
from thermcmp.inference.noise_fit import NoiseFit, fit_noise
from thermcmp.model.conditions import Build, Conditions
from thermcmp.questions.firmware_settings import Setting, stock_setting
from thermcmp.questions.hardware_parts import hardware_parts
from thermcmp.questions.order_of_change import order_free
from thermcmp.questions.prediction import Scope, rise_draws

if TYPE_CHECKING:
    from collections.abc import Mapping

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.priors import Array

#: A corner: hardware, fan speed and power, each as before (False) or after (True).
Corner = tuple[bool, bool, bool]
#: What the names of the hardware's own parts begin with.
INSIDE: Final = "of the hardware: "
#: The parts that add up to the total.
MAIN_PARTS: Final = ("hardware", "firmware: fan speed", "firmware: power")


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
        Fan speed and power of the old and of the new firmware.
    drawn : tuple of (drive, power), each of shape (S,)
        Draws of the same, within the errors of their means.
    scope : Scope
        For whom the answer speaks.
    noise : NoiseFit, optional
        The noise law; None where no level was measured.
    rise : dict of Corner to ndarray, shape (S,)
        Rise at each corner [K].
    """

    fit: Fit
    builds: tuple[Build, Build]
    settings: tuple[Setting, Setting]
    drawn: tuple[tuple[Array, Array], tuple[Array, Array]]
    scope: Scope
    noise: NoiseFit | None
    rise: dict[Corner, Array]


def fix_study(
    fit: Fit,
    builds: tuple[Build, Build],
    stated: tuple[Conditions | None, Conditions | None],
    at: Conditions,
    scope: Scope,
) -> FixStudy:
    """Find the settings, the noise law and the rises at the eight corners.

    Parameters
    ----------
    fit : Fit
        The fit.
    builds : tuple of Build
        Old and new build.
    stated : tuple of (Conditions or None)
        Fan speed [rpm] and power [W] stated for each firmware.
    at : Conditions
        Ambient, and what is held for both builds.
    scope : Scope
        For whom the answer speaks.

    Returns
    -------
    FixStudy
        The corners.

    Raises
    ------
    InputError
        If noise is to be held.
    NotEstimableError
        If a part was never measured or a firmware has no stock run.
    """
    found = [
        stock_setting(fit, build, _held(at, given))
        for build, given in zip(builds, stated, strict=True)
    ]
    settings = (found[0], found[1])
    count = len(fit.effects)
    drawn = (settings[0].draws(count, fit.seed), settings[1].draws(count, fit.seed))
    rise = {
        (hardware, fan, power): rise_draws(
            fit, builds[hardware], scope, drive=drawn[fan][0], power_w=drawn[power][1]
        )
        for hardware in (False, True)
        for fan in (False, True)
        for power in (False, True)
    }
    noise = None
    if fit.design.law.column == "fan_rpm":
        noise = fit_noise(
            fit.results,
            reference_rpm=fit.reference.drive,
            distance_m=at.mic_distance_m,
            draws=len(fit.effects),
            seed=fit.seed,
        )
    return FixStudy(fit, builds, settings, drawn, scope, noise, rise)


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


def fix_parts(study: FixStudy) -> dict[str, Array]:
    """Draws of every part of a fix.

    Parameters
    ----------
    study : FixStudy
        The corners.

    Returns
    -------
    dict of str to ndarray, shape (S,)
        Improvement [K] by part: the total, the order-free parts, and what else is
        asked of a fix.
    """
    rise = study.rise
    hardware, fan, power = order_free(lambda corner: rise[corner[0], corner[1], corner[2]], 3)
    old = rise[False, False, False] - rise[True, False, False]
    new = rise[False, True, True] - rise[True, True, True]
    parts = {
        "total": rise[False, False, False] - rise[True, True, True],
        MAIN_PARTS[0]: hardware,
        MAIN_PARTS[1]: fan,
        MAIN_PARTS[2]: power,
        "hardware, fan and power as before": old,
        "hardware, fan and power as after": new,
        "firmware, on the old hardware": rise[False, False, False] - rise[False, True, True],
        "firmware, on the new hardware": rise[True, False, False] - rise[True, True, True],
        "interaction": new - old,
    }
    for name, draws in hardware_parts(study.fit, study.builds, study.scope, study.drawn).items():
        parts[f"{INSIDE}{name}"] = draws
    equal = _equal_noise(study)
    if equal is not None:
        parts["hardware, at equal noise"] = equal
    return parts


def _equal_noise(study: FixStudy) -> Array | None:
    """Hardware part with the new cooler as loud as the old build was, shape (S,)."""
    if study.noise is None:
        return None
    old_law = study.noise.law(study.builds[0].cooler_model)
    new_law = study.noise.law(study.builds[1].cooler_model)
    reach = study.noise.design.speed_range_rpm(study.builds[1].cooler_model)
    if old_law is None or new_law is None or reach is None:
        return None
    reference, (drive, power_w) = study.noise.design.reference_rpm, study.drawn[0]
    loud = old_law[0] + old_law[1] * np.log10(drive / reference)
    speed = reference * 10.0 ** ((loud - new_law[0]) / np.maximum(new_law[1], 1.0))
    middle = float(np.median(speed))
    if not reach[0] / 1.25 <= middle <= reach[1] * 1.25:
        return np.full(len(speed), np.nan)
    at_equal = rise_draws(study.fit, study.builds[1], study.scope, drive=speed, power_w=power_w)
    return study.rise[False, False, False] - at_equal


def noise_changes(study: FixStudy) -> Mapping[str, float]:
    """Mean change of level that came with each part.

    Parameters
    ----------
    study : FixStudy
        The corners.

    Returns
    -------
    mapping of str to float
        Change [dB] by part, negative is quieter; empty where a level is not known.
    """
    if study.noise is None:
        return {}
    level = {}
    for hardware in (False, True):
        for fan in (False, True):
            found = study.noise.level_dba(
                study.builds[hardware].cooler_model, study.settings[fan].drive
            )
            if found is None:
                return {}
            level[hardware, fan] = float(np.mean(found))
    hardware_db, fan_db = order_free(lambda corner: level[corner[0], corner[1]], 2)
    return {
        "total": level[True, True] - level[False, False],
        MAIN_PARTS[0]: -hardware_db,
        MAIN_PARTS[1]: -fan_db,
        MAIN_PARTS[2]: 0.0,
        "hardware, fan and power as before": level[True, False] - level[False, False],
        "hardware, fan and power as after": level[True, True] - level[False, True],
        "firmware, on the old hardware": level[False, True] - level[False, False],
        "firmware, on the new hardware": level[True, True] - level[True, False],
        "hardware, at equal noise": 0.0,
    }
