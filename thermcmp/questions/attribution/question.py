"""Attribution of a fix: how much of an improvement is hardware, how much firmware."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError, NotEstimableError
from thermcmp.inference.checks.prior_sensitivity import power_scaling
from thermcmp.model.conditions import Build, Conditions
from thermcmp.physics.firmware import sources_of
from thermcmp.prediction.builds import Scope, ScopeName, build_of
from thermcmp.prediction.card import refuse_lone_control
from thermcmp.questions.attribution.answer import Attribution
from thermcmp.questions.attribution.caveats import attribution_caveats
from thermcmp.questions.attribution.context import AttributionContext
from thermcmp.questions.attribution.corners import (
    AttributionQuery,
    AttributionStudy,
    attribution_study,
    corner,
)
from thermcmp.questions.attribution.data_shares import linear_parts, part_shares, weak_parts
from thermcmp.questions.attribution.figure import attribution_figure
from thermcmp.questions.attribution.identifiability import (
    missing_runs,
    unidentified,
    withheld_parts,
)
from thermcmp.questions.attribution.kelvin_per_db import kelvin_per_decibel
from thermcmp.questions.attribution.parts import (
    FAN,
    attribution_parts,
    main_parts,
    noise_parts,
)
from thermcmp.questions.attribution.tables import (
    NEAR_POWER,
    NEAR_SPEED,
    changes_table,
    corners_table,
    kelvin_per_decibel_table,
    parts_table,
)
from thermcmp.questions.attribution.text import attribution_sentences
from thermcmp.questions.caveats import Linear, fit_caveats, influence_words, refuse_bad_health
from thermcmp.questions.phrases import PROB, check_prob

if TYPE_CHECKING:
    from collections.abc import Mapping

    import xarray as xr

    from thermcmp.inference.posterior import Fit
    from thermcmp.physics.firmware import Firmware


def attribute(  # noqa: PLR0913 - the public face; all but four are keyword-only
    fit: Fit,
    before: Build | str,
    after: Build | str,
    at: Conditions | None = None,
    *,
    scope: ScopeName = "specimens",
    settings: Mapping[Literal["before", "after"], Conditions] | None = None,
    firmware: Mapping[str, Firmware] | None = None,
    control: Fit | None = None,
    matters_k: float = 1.0,
    prob: float = PROB,
    allow_prior: bool = False,
    allow_bad_health: bool = False,
    ambient_c: float | None = None,
    power_w: float | None = None,
    fan_rpm: float | None = None,
    noise_dba: float | None = None,
    mic_distance_m: float | None = None,
    case_rise_k: float | None = None,
    altitude_m: float | None = None,
    measured_altitude_m: float | None = None,
) -> Attribution:
    """Split a fix's improvement into hardware, fan speed and power.

    The rise is computed at all corners of hardware, fan speed and power, each as before
    or as after; `corners` states which of them were measured. Every part is an improvement:
    before minus after, positive is cooler. The order-free parts average over all orders
    of the changes (Shapley 1953; Das Gupta 1993 for two and more factors) and add up to
    the total in every draw. A fit of several firmwares has a further part,
    "firmware: direct": what the firmware does beyond fan speed and power.

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
        row "hardware, at equal noise" answers that.
    scope : {"specimens", "product line"}
        The parts that were on the bench, or their lines.
    settings : mapping of {"before", "after"} to Conditions, optional
        Fan speed [rpm] and power [W] of one build alone, where no stock run has them.
    firmware : mapping of str to Firmware, optional
        What firmwares do, by name, as from `read_firmware`. The fan speed under such a
        firmware is the equilibrium of its rule with the hardware, at the ambient and at
        the power that it allows, draw by draw. The hardware part still is one at equal
        speed; what the rule turns into lower noise is in the fan speed's part.
    control : Fit, optional
        Fit of the sensor that those firmwares follow, where it is not the fit's own; best
        one of the same `fit_sensors`.
    matters_k : float
        Size that matters [K].
    prob : float
        Probability of the equal-tailed intervals.
    allow_prior : bool
        State every part as a number, even where the prior makes it; recorded as a caveat.
    allow_bad_health : bool
        Answer even if the fit's health is "bad"; recorded as a caveat.
    ambient_c, power_w, fan_rpm, noise_dba : float, optional
        Fields of `Conditions`, in place of those of `at`.
    mic_distance_m, case_rise_k, altitude_m, measured_altitude_m : float, optional
        Likewise.

    Returns
    -------
    Attribution
        Table: part, mean_k, sd_k, low_k, high_k [K], data_share and prior_influence (see
        `separate`), noise_db with noise_low_db and noise_high_db (change of level that
        came with the part [dB], negative is quieter), health. A part that the runs do not
        hold (data_share below 0.5) has NaN for mean_k and sd_k and the range that it may
        have in low_k and high_k; the caveats name the run that would settle it.

    Raises
    ------
    InputError
        If a product, firmware, scope, `prob` or `matters_k` is not known, noise is held,
        or a firmware's rule lacks its control sensor's fit, or such a fit its rule.
    EngineError
        If a fit's health is "bad" and not allowed.
    NotEstimableError
        If a part was never measured, a firmware has neither stock run nor rule, a rule
        has no steady state, or no run identifies the fan speed's part; the missing run is
        named.
    """
    check_prob(prob)
    _check_matters(matters_k)
    for model in (fit, control):
        if model is not None:
            refuse_bad_health(model, allowed=allow_bad_health, what="attributed")
    refuse_lone_control(control, firmware)
    stated = {
        "ambient_c": ambient_c, "power_w": power_w, "fan_rpm": fan_rpm, "noise_dba": noise_dba,
        "mic_distance_m": mic_distance_m, "case_rise_k": case_rise_k, "altitude_m": altitude_m,
        "measured_altitude_m": measured_altitude_m,
    }  # fmt: skip
    query = AttributionQuery(
        fit=fit,
        builds=(build_of(fit, before), build_of(fit, after)),
        at=Conditions.of(at, stated),
        scope=Scope.of(scope),
        stated=_stated(settings),
        rules=firmware,
        control=control,
    )
    context, shares = _context(
        attribution_study(query), prob=prob, matters_k=matters_k, allow_prior=allow_prior
    )
    return _answer(query, context, shares)


def _context(
    study: AttributionStudy, *, prob: float, matters_k: float, allow_prior: bool
) -> tuple[AttributionContext, dict[str, float]]:
    """Compute the parts and the data's share in each, or refuse what no run identifies."""
    parts, noise, linear = attribution_parts(study), noise_parts(study), linear_parts(study)
    shares = part_shares(study.fit, linear)
    weak = weak_parts(study.fit, linear, shares, matters_k)
    from_prior = unidentified(study, parts, shares, prob=prob, matters_k=matters_k)
    if from_prior and not allow_prior:
        raise NotEstimableError(from_prior)
    withheld = frozenset[str]() if allow_prior else withheld_parts(study, parts, weak)
    context = AttributionContext(
        study=study,
        parts=parts,
        noise=noise,
        linear=linear,
        weak=weak,
        withheld=withheld,
        fixes=missing_runs(study, withheld),
        kelvin_per_decibel=() if FAN in withheld else kelvin_per_decibel(study, parts, noise),
        prob=prob,
        matters_k=matters_k,
        allowed_prior=bool(from_prior),
    )
    return context, shares


def _check_matters(matters_k: float) -> None:
    if not 0.0 < matters_k < np.inf:
        fault = Fault(
            "out of range", "give kelvins above 0", column="matters_k", value=str(matters_k)
        )
        raise InputError("The size that matters:", [fault])


def _stated(
    settings: Mapping[Literal["before", "after"], Conditions] | None,
) -> tuple[Conditions, Conditions]:
    """Return what is stated for each build alone."""
    by_side = dict(settings or {})
    faults = [
        Fault("names neither build", "use 'before' and 'after'", column="settings", value=str(side))
        for side in by_side
        if side not in ("before", "after")
    ]
    if faults:
        raise InputError("Settings are stated by build:", faults)
    return by_side.get("before", Conditions()), by_side.get("after", Conditions())


def _answer(
    query: AttributionQuery, context: AttributionContext, shares: Mapping[str, float]
) -> Attribution:
    fit, study, parts, prob = query.fit, context.study, context.parts, context.prob
    sensitivity = power_scaling(fit, np.stack(list(parts.values())))
    before_c = float(np.mean(study.temperature_c(corner(False, False))))
    corners, changes = corners_table(context), changes_table(study, prob)
    per_db = kelvin_per_decibel_table(context.kelvin_per_decibel, prob)
    tables = {
        "The four corners; measured means stock runs of the build, or runs within "
        f"{NEAR_SPEED:.0%} of fan speed and {NEAR_POWER:.0%} of power": corners,
        "What changed, after minus before": changes,
    }
    if len(per_db):
        tables["Kelvin per decibel, and what the change of fan speed costs at that ratio"] = per_db
    names = [build.name for build in study.builds]
    return Attribution(
        kind="attribution",
        title=f"From {names[0]} to {names[1]}: {fit.sensor}",
        table=parts_table(context, shares, sensitivity.prior),
        draws=_dataset(parts, context.noise),
        sentences=attribution_sentences(context),
        caveats=(
            *fit_caveats(
                fit,
                influence=influence_words(list(parts), sensitivity),
                linear=Linear(*context.linear),
                held=study.at,
            ),
            *attribution_caveats(context),
        ),
        prob=prob,
        draw_figure=attribution_figure,
        further_tables=tables,
        fits=(fit,) if query.control is None else (fit, query.control),
        source=sources_of(query.rules),
        builds=study.builds,
        conditions=study.at,
        before_c=before_c,
        after_c=before_c - float(np.mean(parts["total"])),
        settings=dict(zip(names, study.settings, strict=True)),
        corners=corners,
        changes=changes,
        kelvin_per_db=per_db,
        main_parts=main_parts(study),
        scope=str(study.scope),
    )


def _dataset(parts: Mapping[str, Array], noise: Mapping[str, Array]) -> xr.Dataset:
    import xarray as xr

    variables = {"improvement_k": (("part", "draw"), np.stack(list(parts.values())))}
    if noise:
        unknown = np.full(len(parts["total"]), np.nan)
        levels = np.stack([noise.get(name, unknown) for name in parts])
        variables["noise_db"] = (("part", "draw"), levels)
    return xr.Dataset(variables, {"part": list(parts)})
