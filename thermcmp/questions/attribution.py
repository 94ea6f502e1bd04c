"""Fix attribution: how much of an improvement is hardware, how much firmware."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermcmp.inference.power_scaling import power_scaling
from thermcmp.model.conditions import Build, Conditions
from thermcmp.questions.answer import Answer
from thermcmp.questions.caveats import (
    Linear,
    fit_caveats,
    influence_words,
    refuse_bad_health,
)
from thermcmp.questions.figures import attribution_figure
from thermcmp.questions.fix_corners import (
    INSIDE,
    MAIN_PARTS,
    FixStudy,
    fix_parts,
    fix_study,
    noise_changes,
)
from thermcmp.questions.hardware_parts import parts_split_by_prior
from thermcmp.questions.part_shares import linear_parts, part_shares
from thermcmp.questions.prediction import Scope, build_of
from thermcmp.questions.wording import PROB, check_prob, range_words, summary

#: Share of the data below which a part is said to rest on the prior.
MOSTLY_PRIOR = 0.5

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    import xarray as xr
    from matplotlib.axes import Axes

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.priors import Array


def attribute(  # noqa: PLR0913 - the public face; all but four are keyword-only
    fit: Fit,
    before: Build | str,
    after: Build | str,
    at: Conditions | None = None,
    *,
    scope: str = "specimens",
    before_setting: Conditions | None = None,
    after_setting: Conditions | None = None,
    prob: float = PROB,
    allow_bad_health: bool = False,
) -> Answer:
    """Split a fix's improvement into hardware, fan speed and power.

    The rise is computed at all eight corners of hardware, fan speed and power, each
    as before or as after. Every part is an improvement: before minus after, positive
    is cooler. The order-free parts average over all orders of the three changes
    (Shapley 1953; Das Gupta 1993 for two and more factors) and add up to the total
    in every draw.

    Parameters
    ----------
    fit : Fit
        The fit.
    before, after : Build or str
        The builds, or "product / firmware". Fan speed and power of each firmware
        come from its stock runs.
    at : Conditions, optional
        `ambient_c` places the temperatures; a `power_w` or `fan_rpm` given here is
        held for both builds, so that no part is due to it. Noise cannot be held: the
        row "hardware, at equal noise" tells what it would bring.
    scope : {"specimens", "product line"}
        The parts that were on the bench, or their lines.
    before_setting, after_setting : Conditions, optional
        Fan speed [rpm] and power [W] of a firmware, where no stock run has them.
    prob : float
        Probability of the equal-tailed intervals.
    allow_bad_health : bool
        Answer even if the fit's health is "bad"; recorded as a caveat.

    Returns
    -------
    Answer
        Table: part, mean_k, sd_k, low_k, high_k [K], data_share and
        prior_influence (see `separate`), noise_db (change of level that came with the
        part [dB], negative is quieter), health. Values `before_c` and `after_c` [°C], `settings`.

    Raises
    ------
    InputError
        If a product, firmware, scope or `prob` is not known, or noise is held.
    EngineError
        If the fit's health is "bad" and not allowed.
    NotEstimableError
        If a part was never measured or a firmware has no stock run; the missing run
        is named.
    """
    check_prob(prob)
    refuse_bad_health(fit, allowed=allow_bad_health, what="attributed")
    at = at or Conditions()
    where = Scope.of(scope)
    builds = (build_of(fit, before), build_of(fit, after))
    study = fix_study(fit, builds, (before_setting, after_setting), at, where)
    parts = fix_parts(study)
    shares = part_shares(study)
    found = power_scaling(fit, np.stack(list(parts.values())))
    total = parts["total"]
    before_c = at.ambient_c + float(np.mean(study.rise[False, False, False]))
    details = {
        "before_c": before_c,
        "after_c": before_c - float(np.mean(total)),
        "settings": {
            build.name: setting for build, setting in zip(builds, study.settings, strict=True)
        },
        "scope": str(where),
        "health": str(fit.health),
    }
    return Answer(
        kind="attribution",
        title=f"From {builds[0].name} to {builds[1].name}: {fit.sensor}",
        table=_table(study, parts, shares, found.prior, prob),
        draws=_dataset(parts),
        sentences=_sentences(study, parts, prob, before_c),
        caveats=(
            *fit_caveats(
                fit,
                influence=influence_words(list(parts), found),
                linear=Linear(*linear_parts(study)),
            ),
            *_caveats(study, shares),
        ),
        prob=prob,
        draw_figure=_figure,
        details=details,
    )


def _table(
    study: FixStudy,
    parts: Mapping[str, Array],
    shares: Mapping[str, float],
    influence: Array,
    prob: float,
) -> pd.DataFrame:
    import pandas as pd

    noise = noise_changes(study)
    unsettled = parts_split_by_prior(study.fit, study.builds)
    crossed = any(setting.elsewhere for setting in study.settings)
    rows = []
    for (name, draws), moved in zip(parts.items(), influence, strict=True):
        health = str(study.fit.health)
        if np.isnan(draws).any():
            health = "not estimable: that level was not reached by the measured fan speeds"
        elif name.removeprefix(INSIDE) in unsettled:
            health = "not separable: the split is the prior's"
        elif crossed and name.startswith(("firmware", "total")):
            health += "; firmware seen on other hardware only"
        share = shares.get(name, np.nan)
        if share < MOSTLY_PRIOR:
            health += "; mostly the prior's"
        rows.append((name, *summary(draws, prob), share, moved, noise.get(name, np.nan), health))
    columns = ["part", "mean_k", "sd_k", "low_k", "high_k"]
    columns += ["data_share", "prior_influence", "noise_db", "health"]
    return pd.DataFrame(rows, columns=columns)


def _dataset(parts: Mapping[str, Array]) -> xr.Dataset:
    import xarray as xr

    return xr.Dataset(
        {"improvement_k": (("part", "draw"), np.stack(list(parts.values())))},
        {"part": list(parts)},
    )


def _sentences(
    study: FixStudy, parts: Mapping[str, Array], prob: float, before_c: float
) -> tuple[str, ...]:
    """The verdict in plain words."""
    old, new = study.settings
    total = parts["total"]
    hardware, fan, power = (range_words(parts[name], prob) for name in MAIN_PARTS)
    sentences = [
        f"{study.builds[1].name} runs {range_words(total, prob)} cooler than "
        f"{study.builds[0].name} ({before_c:.1f} °C before), each at its own firmware's "
        f"{old.drive:.0f} and {new.drive:.0f} {study.fit.design.law.unit}, {old.power_w:.0f} and "
        f"{new.power_w:.0f} W.",
        f"Of that, order-free: hardware {hardware}, fan speed {fan}, power {power}.",
    ]
    mean_total = float(np.mean(total))
    if abs(mean_total) > 2.0 * float(np.std(total)):
        share = float(np.mean(parts[MAIN_PARTS[0]])) / mean_total
        sentences.append(f"The hardware's share of the improvement is about {share:.0%}.")
    else:
        sentences.append("The total is too uncertain to state shares of it.")
    noise = noise_changes(study)
    if noise:
        sentences.append(
            f"The new build is {noise['total']:+.1f} dB against the old one; its fan speed alone "
            f"made {noise[MAIN_PARTS[1]]:+.1f} dB."
        )
    equal = parts.get("hardware, at equal noise")
    if equal is not None and not np.isnan(equal).any():
        sentences.append(f"At equal noise the hardware brings {range_words(equal, prob)}.")
    return tuple(sentences)


def _caveats(study: FixStudy, shares: Mapping[str, float]) -> tuple[str, ...]:
    caveats = []
    for build, setting in zip(study.builds, study.settings, strict=True):
        if setting.elsewhere:
            caveats.append(
                f"{build.name}: its firmware was run on other hardware only, so its fan speed and "
                "power on this one are taken from there."
            )
    law = study.fit.design.law
    speeds = study.fit.design.drive
    if np.ptp(speeds) < 0.02 * np.mean(speeds):
        caveats.append(
            f"All runs were at about {np.mean(speeds):.0f} {law.unit}: what fan speed buys comes "
            "from the prior. Mend: add a run at another fixed fan speed."
        )
    weak = [name for name in MAIN_PARTS if shares.get(name, 1.0) < MOSTLY_PRIOR]
    if weak:
        caveats.append(
            f"Mostly the prior's word, not the data's: {', '.join(weak)}. Mend: run each "
            f"cooler at two fixed fan speeds at least ({law.unit} held, fan_mode 'fixed')."
        )
    unsettled = sorted(parts_split_by_prior(study.fit, study.builds))
    if unsettled:
        caveats.append(
            f"Inside the hardware part the shares of {', '.join(unsettled)} cannot be told apart: "
            "they follow the priors. See the separation for the swap that would tell."
        )
    return tuple(caveats)


def _figure(answer: Answer, ax: Axes) -> None:
    attribution_figure(
        answer,
        ax,
        parts=MAIN_PARTS,
        before_c=answer.details["before_c"],
        after_c=answer.details["after_c"],
    )
