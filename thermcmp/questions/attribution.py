"""Fix attribution: how much of an improvement is hardware, how much firmware."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations
from typing import TYPE_CHECKING, Any

import numpy as np

from thermcmp.inference.noise_fit import NoiseFit, fit_noise
from thermcmp.model.conditions import Build, Conditions
from thermcmp.questions.answer import Answer
from thermcmp.questions.figures import attribution_figure
from thermcmp.questions.firmware_settings import Setting, stock_setting
from thermcmp.questions.hardware_parts import hardware_parts
from thermcmp.questions.prediction import Scope, build_of, rise_draws
from thermcmp.questions.wording import PROB, check_prob, fit_caveats, range_words, summary

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import pandas as pd
    import xarray as xr
    from matplotlib.axes import Axes

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.priors import Array

#: A corner: hardware, fan speed and power, each as before (False) or after (True).
Corner = tuple[bool, bool, bool]
MAIN_PARTS = ("hardware", "firmware: fan speed", "firmware: power")


@dataclass(frozen=True, slots=True, eq=False)
class _Study:
    """Everything the parts are computed from."""

    fit: Fit
    builds: tuple[Build, Build]
    settings: tuple[Setting, Setting]
    scope: Scope
    noise: NoiseFit | None
    rise: dict[Corner, Array]


def attribute(
    fit: Fit,
    before: Build | str,
    after: Build | str,
    at: Conditions | None = None,
    *,
    scope: str = "specimens",
    before_setting: Conditions | None = None,
    after_setting: Conditions | None = None,
    prob: float = PROB,
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
        `ambient_c` places the temperatures; a `power_w` given here is held for both
        builds, so that no part is due to power.
    scope : {"specimens", "product line"}
        The parts that were on the bench, or their lines.
    before_setting, after_setting : Conditions, optional
        Fan speed [rpm] and power [W] of a firmware, where no stock run has them.
    prob : float
        Probability of the equal-tailed intervals.

    Returns
    -------
    Answer
        Table: part, mean_k, sd_k, low_k, high_k [K], noise_db (change of level that
        came with the part [dB], negative is quieter), health. Values `before_c` and
        `after_c` [°C], `settings`.

    Raises
    ------
    InputError
        If a product, firmware, scope or `prob` is not known.
    NotEstimableError
        If a part was never measured or a firmware has no stock run; the missing run
        is named.
    """
    check_prob(prob)
    at = at or Conditions()
    where = Scope.of(scope)
    builds = (build_of(fit, before), build_of(fit, after))
    study = _study(fit, builds, (before_setting, after_setting), at, where)
    parts = _parts(study)
    total = parts["total"]
    before_c = at.ambient_c + float(np.mean(study.rise[False, False, False]))
    details = {
        "before_c": before_c,
        "after_c": before_c - float(np.mean(total)),
        "settings": {build.name: setting for build, setting in
                     zip(builds, study.settings, strict=True)},
        "scope": str(where),
    }
    return Answer(
        kind="attribution",
        title=f"From {builds[0].name} to {builds[1].name}: {fit.sensor}",
        table=_table(study, parts, prob),
        draws=_dataset(parts),
        sentences=_sentences(study, parts, prob, before_c),
        caveats=_caveats(study),
        prob=prob,
        draw_figure=_figure,
        details=details,
    )


def order_free(value: Callable[[tuple[bool, ...]], Any], factors: int) -> list[Any]:
    """Average contribution of each factor over all orders of change (Shapley 1953).

    Parameters
    ----------
    value : callable
        Value at a corner, a tuple with False (before) or True (after) per factor.
    factors : int
        Number of factors.

    Returns
    -------
    list
        Contribution of each factor: value before less value after; they sum to the
        value at the first corner less that at the last.
    """
    orders = list(permutations(range(factors)))
    shares: list[Any] = [0.0] * factors
    for order in orders:
        corner = [False] * factors
        for factor in order:
            start = value(tuple(corner))
            corner[factor] = True
            shares[factor] = shares[factor] + (start - value(tuple(corner))) / len(orders)
    return shares


def _study(
    fit: Fit, builds: tuple[Build, Build], stated: tuple[Conditions | None, Conditions | None],
    at: Conditions, scope: Scope,
) -> _Study:
    """Settings, noise law and rises at the eight corners."""
    held = at.power_w
    found = [stock_setting(fit, build, given) for build, given in zip(builds, stated, strict=True)]
    if held is not None:
        found = [Setting(s.drive, held, s.source, s.elsewhere) for s in found]
    settings = (found[0], found[1])
    rise = {
        (hardware, fan, power): rise_draws(
            fit, builds[hardware], scope, drive=settings[fan].drive, power_w=settings[power].power_w
        )
        for hardware in (False, True)
        for fan in (False, True)
        for power in (False, True)
    }
    noise = None
    if fit.design.law.column == "fan_rpm":
        noise = fit_noise(fit.results, reference_rpm=fit.reference.drive,
                          distance_m=at.mic_distance_m, seed=fit.seed)
    return _Study(fit, builds, settings, scope, noise, rise)


def _parts(study: _Study) -> dict[str, Array]:
    """Draws of every part, shape (S,) each."""
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
    for name, draws in hardware_parts(
        study.fit, study.builds, study.scope, [(s.drive, s.power_w) for s in study.settings]
    ).items():
        parts[f"of the hardware: {name}"] = draws
    equal = _equal_noise(study)
    if equal is not None:
        parts["hardware, at equal noise"] = equal
    return parts


def _equal_noise(study: _Study) -> Array | None:
    """Hardware part with the new cooler as loud as the old build was, shape (S,)."""
    if study.noise is None:
        return None
    old_law = study.noise.law(study.builds[0].cooler_model)
    new_law = study.noise.law(study.builds[1].cooler_model)
    reach = study.noise.design.speed_range_rpm(study.builds[1].cooler_model)
    if old_law is None or new_law is None or reach is None:
        return None
    reference, setting = study.noise.design.reference_rpm, study.settings[0]
    loud = old_law[0] + old_law[1] * np.log10(setting.drive / reference)
    speed = reference * 10.0 ** ((loud - new_law[0]) / np.maximum(new_law[1], 1.0))
    middle = float(np.median(speed))
    if not reach[0] / 1.25 <= middle <= reach[1] * 1.25:
        return np.full(len(speed), np.nan)
    at_equal = rise_draws(study.fit, study.builds[1], study.scope, drive=speed,
                          power_w=setting.power_w)
    return study.rise[False, False, False] - at_equal


def _noise_changes(study: _Study) -> Mapping[str, float]:
    """Mean change of level that came with each part [dB]."""
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


def _table(study: _Study, parts: Mapping[str, Array], prob: float) -> pd.DataFrame:
    import pandas as pd

    noise = _noise_changes(study)
    crossed = any(setting.elsewhere for setting in study.settings)
    rows = []
    for name, draws in parts.items():
        health = str(study.fit.health)
        if np.isnan(draws).any():
            health = "not estimable: that level was not reached by the measured fan speeds"
        elif crossed and name.startswith(("firmware", "total")):
            health += "; firmware seen on other hardware only"
        rows.append((name, *summary(draws, prob), noise.get(name, np.nan), health))
    columns = ["part", "mean_k", "sd_k", "low_k", "high_k", "noise_db", "health"]
    return pd.DataFrame(rows, columns=columns)


def _dataset(parts: Mapping[str, Array]) -> xr.Dataset:
    import xarray as xr

    return xr.Dataset(
        {"improvement_k": (("part", "draw"), np.stack(list(parts.values())))},
        {"part": list(parts)},
    )


def _sentences(
    study: _Study, parts: Mapping[str, Array], prob: float, before_c: float
) -> tuple[str, ...]:
    """The verdict in plain words."""
    old, new = study.settings
    total = parts["total"]
    sentences = [
        f"{study.builds[1].name} runs {range_words(total, prob)} cooler than "
        f"{study.builds[0].name} ({before_c:.1f} °C before), each at its own firmware's "
        f"{old.drive:.0f} and {new.drive:.0f} {study.fit.design.law.unit}, {old.power_w:.0f} and "
        f"{new.power_w:.0f} W.",
        f"Of that, order-free: hardware {range_words(parts[MAIN_PARTS[0]], prob)}, fan speed "
        f"{range_words(parts[MAIN_PARTS[1]], prob)}, power {range_words(parts[MAIN_PARTS[2]], prob)}.",
    ]
    mean_total = float(np.mean(total))
    if abs(mean_total) > 2.0 * float(np.std(total)):
        share = float(np.mean(parts[MAIN_PARTS[0]])) / mean_total
        sentences.append(f"The hardware's share of the improvement is about {share:.0%}.")
    else:
        sentences.append("The total is too uncertain to state shares of it.")
    noise = _noise_changes(study)
    if noise:
        sentences.append(
            f"The new build is {noise['total']:+.1f} dB against the old one; its fan speed alone "
            f"made {noise[MAIN_PARTS[1]]:+.1f} dB."
        )
    equal = parts.get("hardware, at equal noise")
    if equal is not None and not np.isnan(equal).any():
        sentences.append(f"At equal noise the hardware brings {range_words(equal, prob)}.")
    return tuple(sentences)


def _caveats(study: _Study) -> tuple[str, ...]:
    caveats = fit_caveats(study.fit)
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
    changed = [
        c for c in study.fit.aliases.contrasts
        if not c.estimable and {c.first, c.second} & {
            study.builds[0].board_model, study.builds[1].board_model,
            study.builds[0].cooler_model, study.builds[1].cooler_model,
        }
    ]
    if changed:
        caveats.append("Inside the hardware part not every share can be told apart: see the "
                       "separation.")
    return tuple(caveats)


def _figure(answer: Answer, ax: Axes) -> None:
    attribution_figure(answer, ax, parts=MAIN_PARTS, before_c=answer.details["before_c"],
                       after_c=answer.details["after_c"])
