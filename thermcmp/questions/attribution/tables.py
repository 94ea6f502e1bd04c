"""The tables of an attribution: parts, four corners, changes, kelvin per decibel."""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, BoolArray
from thermcmp.physics.reach import Reach
from thermcmp.prediction.builds import matching_rows
from thermcmp.prediction.stock_settings import stock_rows
from thermcmp.questions.attribution.corners import AttributionStudy, corner
from thermcmp.questions.attribution.hardware import FIRMWARE, parts_split_by_prior
from thermcmp.questions.attribution.parts import DIRECT, HARDWARE, INSIDE, ON_HARDWARE
from thermcmp.questions.phrases import RANGE_PROB, WITHHELD, interval, other_sign_words, summary

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from thermcmp.questions.attribution.context import AttributionContext
    from thermcmp.questions.attribution.kelvin_per_db import KelvinPerDecibel

#: A run counts as one of a corner if its fan speed and its power are so near to the corner's,
#: as a share (common practice, no source): 3 % of fan speed is about 1 K of a rise of 60 K.
NEAR_SPEED: Final = 0.03
NEAR_POWER: Final = 0.05


def runs_at(study: AttributionStudy, hardware: bool, firmware: bool) -> int:
    """Return the number of the fit's runs on a hardware at a firmware's fan speed and power."""
    return int(_near(study, hardware, firmware).sum())


def _near(study: AttributionStudy, hardware: bool, firmware: bool) -> BoolArray:
    """Return which of the fit's runs are near a corner, shape (n,)."""
    rows, state = study.fit.design.rows, corner(hardware, firmware)
    hit = matching_rows(rows, study.builds[hardware])
    speed, power = np.mean(study.flow_speed(state)), np.mean(study.power_w[firmware])
    hit &= np.abs(study.fit.design.flow_speed / speed - 1.0) <= NEAR_SPEED
    hit &= np.abs(rows["power_w"].to_numpy(float) / power - 1.0) <= NEAR_POWER
    if study.has_direct:
        same = rows["firmware"].eq(study.builds[firmware].firmware or "")
        hit &= same.fillna(False).to_numpy(bool)
    return hit | _averaged(study, firmware) if hardware is firmware else hit


def _averaged(study: AttributionStudy, is_new: bool) -> BoolArray:
    """Return the stock runs whose mean a build's setting is, however far they scatter, (n,)."""
    setting, rows = study.settings[is_new], study.fit.design.rows
    stock, elsewhere = stock_rows(study.fit, study.builds[is_new])
    if elsewhere or not stock.any() or study.loops[is_new] is not None:
        return np.zeros(len(rows), bool)
    means = rows.loc[stock, [study.fit.design.law.column, "power_w"]].mean()
    return stock & np.allclose(means, (setting.flow_speed, setting.power_w), rtol=1e-9)


def parts_table(
    context: AttributionContext, shares: Mapping[str, float], influence: Array
) -> pd.DataFrame:
    """Return a row per part; `influence` of the priors has shape (parts,)."""
    import pandas as pd

    study, parts, prob = context.study, context.parts, context.prob
    inseparable = parts_split_by_prior(study.fit, study.builds)
    nothing = np.full(len(parts["total"]), np.nan)
    rows = []
    for (name, draws), moved in zip(parts.items(), influence, strict=True):
        share = shares.get(name, np.nan)
        level, _, low, high = summary(context.noise.get(name, nothing), prob)
        health = _part_health(context, name, draws, inseparable)
        numbers = summary(draws, prob)
        if name in context.withheld:
            numbers = (np.nan, np.nan, *interval(draws, RANGE_PROB))
        else:
            health += other_sign_words(draws, prob)
            health += "; mostly the prior's" if name in context.weak else ""
        rows.append((name, *numbers, share, moved, level, low, high, health))
    columns = ["part", "mean_k", "sd_k", "low_k", "high_k", "data_share", "prior_influence"]
    columns += ["noise_db", "noise_low_db", "noise_high_db", "health"]
    return pd.DataFrame(rows, columns=columns)


def _part_health(
    context: AttributionContext, name: str, draws: Array, inseparable: frozenset[str]
) -> str:
    study = context.study
    if np.isnan(draws).any():
        return "not estimable: that level was not reached by the measured fan speeds"
    withheld = name in context.withheld
    if name == HARDWARE and FIRMWARE in inseparable:
        health = WITHHELD if withheld else study.fit.health
        return f"{health}; allows for a direct firmware effect"
    if withheld:
        return WITHHELD
    if name == DIRECT and FIRMWARE in inseparable:
        return "not separable: the split is the prior's"
    if name.removeprefix(INSIDE) in inseparable:
        return "not separable: the split is the prior's"
    crossed = any(setting.elsewhere for setting in study.settings)
    if crossed and name.startswith(("firmware", "total")):
        return f"{study.fit.health}; firmware seen on other hardware only"
    return str(study.fit.health)


def corners_table(context: AttributionContext) -> pd.DataFrame:
    """Return the four corners that a user can build: old or new hardware and firmware.

    What takes a build to a crossed corner may be withheld; that corner then has a range only.
    """
    import pandas as pd

    study, rows = context.study, []
    for hardware, firmware in product((False, True), repeat=2):
        state = corner(hardware, firmware)
        mean, _, low, high = summary(study.temperature_c(state), context.prob)
        is_open = hardware is not firmware and ON_HARDWARE[hardware] in context.withheld
        if is_open:
            mean, (low, high) = np.nan, interval(study.temperature_c(state), RANGE_PROB)
        fan, loop = "held", study.loops[firmware]
        if loop is not None:
            share = loop.share[hardware]
            fan = loop.doing[hardware] + (f" ({share:.0%} of the draws)" if share < 0.995 else "")
        elif "stock" in study.settings[firmware].source:
            fan = "as in the stock runs"
        rows.append(
            {
                "hardware": "new" if hardware else "old",
                "firmware": "new" if firmware else "old",
                "mean_c": mean,
                "low_c": low,
                "high_c": high,
                study.fit.design.law.column: float(np.mean(study.flow_speed(state))),
                "power_w": float(np.mean(study.power_w[firmware])),
                "noise_dba": float(np.mean(study.level(state))),
                "basis": _basis(study, hardware, firmware) + ", range only" * is_open,
                "fan_status": fan,
            }
        )
    return pd.DataFrame(rows)


def changes_table(study: AttributionStudy, prob: float) -> pd.DataFrame:
    """Return what changed from the old build to the new one, each under its own firmware."""
    import pandas as pd

    old, new = corner(False, False), corner(True, True)
    law = study.fit.design.law
    quantities = {
        "temperature": ("°C", study.temperature_c(old), study.temperature_c(new)),
        "fan speed" if law.column == "fan_rpm" else law.column: (
            law.unit,
            study.flow_speed(old),
            study.flow_speed(new),
        ),
        "power": ("W", *study.power_w),
    }
    if study.noise_known:
        quantities["sound level"] = ("dB(A)", study.level(old), study.level(new))
    rows = []
    for name, (unit, before, after) in quantities.items():
        low, high = interval(after - before, prob)
        ends = (float(np.mean(before)), float(np.mean(after)))
        rows.append((name, unit, *ends, ends[1] - ends[0], low, high))
    columns = ["quantity", "unit", "before", "after", "change", "low", "high"]
    return pd.DataFrame(rows, columns=columns)


def kelvin_per_decibel_table(rows: Sequence[KelvinPerDecibel], prob: float) -> pd.DataFrame:
    """Return kelvin per decibel, and what the fan speed's part costs at that ratio."""
    import pandas as pd

    cells = []
    for row in rows:
        mean, _, low, high = summary(row.k_per_db, prob)
        cost, _, least, most = summary(row.cost_db, prob)
        cells.append((row.name, mean, low, high, cost, least, most, row.health or "ok"))
    columns = ["part", "mean_k_per_db", "low_k_per_db", "high_k_per_db"]
    columns += ["cost_db", "cost_low_db", "cost_high_db", "health"]
    return pd.DataFrame(cells, columns=columns)


def _basis(study: AttributionStudy, hardware: bool, firmware: bool) -> str:
    near = _near(study, hardware, firmware)
    runs = int(near.sum())
    if runs:
        held = study.fit.design.rows.loc[near, "regulated"].fillna(False).all()
        kind = "regulated run" if held else "run"
        return f"measured in {runs} {kind}{'s' if runs > 1 else ''}"
    reach = study.reach(corner(hardware, firmware))
    if reach is None:
        return "predicted: these parts were never run together"
    return "predicted" if reach is Reach.MEASURED else "predicted beyond the measured fan speeds"
