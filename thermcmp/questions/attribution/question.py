"""Fix attribution: how much of an improvement is hardware, how much firmware."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError, NotEstimableError
from thermcmp.inference.checks.prior_sensitivity import power_scaling
from thermcmp.model.conditions import Build, Conditions
from thermcmp.prediction.build_rise import Scope, build_of
from thermcmp.questions.answer import Answer
from thermcmp.questions.attribution.caveats import fix_limits
from thermcmp.questions.attribution.closed_loop import AttributionQuery
from thermcmp.questions.attribution.corners import FixStudy, corner, fix_study
from thermcmp.questions.attribution.data_shares import linear_parts, part_shares, weak_parts
from thermcmp.questions.attribution.figure import attribution_figure
from thermcmp.questions.attribution.identifiability import unidentified
from thermcmp.questions.attribution.kelvin_per_db import KelvinPerDecibel, bought
from thermcmp.questions.attribution.parts import fix_parts, main_parts, noise_parts
from thermcmp.questions.attribution.tables import (
    NEAR_POWER,
    NEAR_SPEED,
    bought_table,
    changes_table,
    corners_table,
    parts_table,
)
from thermcmp.questions.attribution.text import AttributionContext, fix_sentences
from thermcmp.questions.caveats import (
    Linear,
    fit_caveats,
    influence_words,
    refuse_bad_health,
)
from thermcmp.questions.phrases import PROB, check_prob

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import xarray as xr
    from matplotlib.axes import Axes

    from thermcmp.inference.posterior import Fit
    from thermcmp.physics.firmware import Firmware


def attribute(  # noqa: PLR0913 - the public face; all but four are keyword-only
    fit: Fit,
    before: Build | str,
    after: Build | str,
    at: Conditions | None = None,
    *,
    scope: str = "specimens",
    before_setting: Conditions | None = None,
    after_setting: Conditions | None = None,
    firmware: Mapping[str, Firmware] | None = None,
    control: Fit | None = None,
    matters_k: float = 1.0,
    prob: float = PROB,
    allow_prior: bool = False,
    allow_bad_health: bool = False,
) -> Answer:
    """Split a fix's improvement into hardware, fan speed and power.

    The rise is computed at all corners of hardware, fan speed and power, each as before
    or as after; which of them were measured is told. Every part is an improvement:
    before minus after, positive is cooler. The order-free parts average over all orders
    of the changes (Shapley 1953; Das Gupta 1993 for two and more factors) and add up to
    the total in every draw. A fit with the term "firmware" (see `fit`) has a further
    part, "firmware: direct": what the firmware does beyond fan speed and power.

    Parameters
    ----------
    fit : Fit
        The fit.
    before, after : Build or str
        The builds, or "product / firmware". Fan speed and power of each firmware
        come from its stock runs.
    at : Conditions, optional
        The air, also in a warm case or at an altitude, places the temperatures, and a
        fan whose rule is given answers it. A `power_w` or `fan_rpm` given here is
        held for both builds, so that no part is due to it. Noise cannot be held: the
        row "hardware, at equal noise" tells what it would bring.
    scope : {"specimens", "product line"}
        The parts that were on the bench, or their lines.
    before_setting, after_setting : Conditions, optional
        Fan speed [rpm] and power [W] of a firmware, where no stock run has them.
    firmware : mapping of str to Firmware, optional
        What firmwares do, by name, as from `read_firmware`. The fan speed under such a
        firmware is the equilibrium of its rule with the hardware, at the ambient and at
        the power that it allows, draw by draw. The hardware part still is one at equal
        speed; what the rule gives back as silence is in the fan speed's part.
    control : Fit, optional
        Fit of the sensor that those firmwares follow, where it is not the fit's own; best
        one of the same `fit_sensors`.
    matters_k : float
        Size that matters [K].
    prob : float
        Probability of the equal-tailed intervals.
    allow_prior : bool
        Split even where no run tells what fan speed buys; recorded as a caveat.
    allow_bad_health : bool
        Answer even if the fit's health is "bad"; recorded as a caveat.

    Returns
    -------
    Answer
        Table: part, mean_k, sd_k, low_k, high_k [K], data_share and prior_influence (see
        `separate`), noise_db with noise_low_db and noise_high_db (change of level that
        came with the part [dB], negative is quieter), health. Values `before_c` and
        `after_c` [°C], `settings`; tables `corners` (the four of old and new hardware and
        firmware: temperature, fan speed, power, level, and whether measured), `changes`
        and `kelvin_per_db`.

    Raises
    ------
    InputError
        If a product, firmware, scope, `prob` or `matters_k` is not known, noise is held,
        or a firmware's rule lacks its control sensor's fit, or such a fit its rule.
    EngineError
        If a fit's health is "bad" and not allowed.
    NotEstimableError
        If a part was never measured, a firmware has neither stock run nor rule, a rule
        has no steady state, or no run tells what the fan speed brought; the missing run
        is named.
    """
    check_prob(prob)
    _check_matters(matters_k)
    for one in (fit, control):
        if one is not None:
            refuse_bad_health(one, allowed=allow_bad_health, what="attributed")
    if control is not None and firmware is None:
        fault = Fault("no firmware follows it", "give firmware= too", column="control")
        raise InputError("A control sensor's fit was given alone:", [fault])
    at = at or Conditions()
    asked = AttributionQuery(
        (build_of(fit, before), build_of(fit, after)), at, Scope.of(scope), control
    )
    study = fix_study(fit, asked, (before_setting, after_setting), firmware)
    parts, noise, shares = fix_parts(study), noise_parts(study), part_shares(study)
    from_prior = unidentified(study, parts, shares, prob=prob, matters_k=matters_k)
    if from_prior and not allow_prior:
        raise NotEstimableError(from_prior)
    found = power_scaling(fit, np.stack(list(parts.values())))
    price = bought(study, parts, noise)
    weak = weak_parts(study, shares, matters_k)
    told = AttributionContext(study, parts, noise, weak, price, prob, matters_k, bool(from_prior))
    details = _details(study, parts, price, prob)
    return Answer(
        kind="attribution",
        title=f"From {asked.builds[0].name} to {asked.builds[1].name}: {fit.sensor}",
        table=parts_table(study, parts, noise, shares, found.prior, weak, prob),
        draws=_dataset(parts, noise),
        sentences=fix_sentences(told),
        caveats=(
            *fit_caveats(
                fit,
                influence=influence_words(list(parts), found),
                linear=Linear(*linear_parts(study)),
            ),
            *fix_limits(told),
        ),
        prob=prob,
        draw_figure=_figure,
        further_tables=details.pop("tables"),
        details=details,
        fits=(fit,) if control is None else (fit, control),
    )


def _check_matters(matters_k: float) -> None:
    if not 0.0 < matters_k < np.inf:
        fault = Fault(
            "out of range", "give kelvins above 0", column="matters_k", value=str(matters_k)
        )
        raise InputError("The size that matters:", [fault])


def _details(
    study: FixStudy, parts: Mapping[str, Array], price: Sequence[KelvinPerDecibel], prob: float
) -> dict[str, Any]:
    before_c = float(np.mean(study.temperature_c(corner(False, False))))
    tables = {
        f"The four corners; measured means its own stock runs, or within {NEAR_SPEED:.0%} of fan "
        f"speed and {NEAR_POWER:.0%} of power": corners_table(study, prob),
        "What changed, after minus before": changes_table(study, prob),
    }
    corners, changes = tables.values()
    per_db = bought_table(price, prob)
    if len(per_db):
        tables["Kelvin per decibel of fan speed, and what the same kelvins cost"] = per_db
    return {
        "before_c": before_c,
        "after_c": before_c - float(np.mean(parts["total"])),
        "settings": {
            build.name: setting for build, setting in zip(study.builds, study.settings, strict=True)
        },
        "corners": corners,
        "changes": changes,
        "kelvin_per_db": per_db,
        "tables": tables,
        "main_parts": main_parts(study),
        "scope": str(study.scope),
        "health": str(study.fit.health),
    }


def _dataset(parts: Mapping[str, Array], noise: Mapping[str, Array]) -> xr.Dataset:
    import xarray as xr

    found = {"improvement_k": (("part", "draw"), np.stack(list(parts.values())))}
    if noise:
        unknown = np.full(len(parts["total"]), np.nan)
        levels = np.stack([noise.get(name, unknown) for name in parts])
        found["noise_db"] = (("part", "draw"), levels)
    return xr.Dataset(found, {"part": list(parts)})


def _figure(answer: Answer, ax: Axes) -> None:
    attribution_figure(
        answer,
        ax,
        parts=answer.details["main_parts"],
        before_c=answer.details["before_c"],
        after_c=answer.details["after_c"],
    )
