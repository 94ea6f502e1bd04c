"""Noise at equal temperature: the fan speed that each product needs, and what it sounds like."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.physics.reach import FARTHEST
from thermcmp.prediction.builds import Scope
from thermcmp.prediction.card import MOST_UNSETTLED
from thermcmp.prediction.equal_conditions import (
    FOLLOWED,
    UNHEARD,
    kelvin_per_decibel_at,
    measured_noise,
)
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.questions.phrases import interval
from thermcmp.questions.ranking.tables import ranks_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from thermcmp.inference.noise_fit import NoiseFit
    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build, Conditions

#: Fan speeds between which a temperature is interpolated.
_SPEEDS: Final = 60
#: Two speeds within this ratio are one, but for rounding.
_SAME: Final = 1.0 + 1e-9
_QUANTITIES: Final = ("fan_rpm", "noise_dba", "kelvin_per_db")
_COLUMNS: Final = (
    "product",
    *(column for name in _QUANTITIES for column in (name, f"{name}_low", f"{name}_high")),
    "rank_mean", "rank_low", "rank_high", "p_quietest", "network", "health",
)  # fmt: skip


def noise_table(
    fit: Fit,
    networks: Mapping[str, float],
    builds: Mapping[str, Build],
    held: Conditions,
    scope: str,
    temperature_c: float,
    prob: float,
) -> pd.DataFrame:
    """Return a row per product, quietest first, network by network."""
    import pandas as pd

    if not (np.isfinite(temperature_c) and temperature_c > held.intake_c):
        fault = Fault("not above the air at the intake", f"state more than {held.intake_c:g} °C",
                      column="temperature_c", value=str(temperature_c))  # fmt: skip
        raise InputError("The noise at equal temperature cannot be stated:", [fault])
    noise = measured_noise(fit, held)
    power_w = held.power_w if held.power_w is not None else fit.reference.power_w
    rows, levels = [], {}
    for name, network in networks.items():
        fitted = FittedBuild(fit, builds[name], Scope.of(scope), held)
        speed, words = _speed_at(fitted, noise, power_w, temperature_c)
        row: dict[str, object] = {"product": name, "network": network}
        row["health"] = "; ".join(filter(None, [str(fit.health), words])) if len(speed) else words
        if len(speed):
            level = np.asarray(noise.level_dba(builds[name].cooler_model, speed))
            slope = kelvin_per_decibel_at(fitted, noise, speed, power_w)
            levels[name] = level
            for column, draws in zip(_QUANTITIES, (speed, level, slope), strict=True):
                row[column] = float(np.median(draws))
                row[f"{column}_low"], row[f"{column}_high"] = interval(draws, prob)
        rows.append(row)
    table = pd.DataFrame(rows, columns=list(_COLUMNS)).set_index("product", drop=False)
    heard = table.loc[list(levels)]
    for _, members in heard.groupby("network")["product"]:
        cells = np.transpose(ranks_of(np.stack([levels[m] for m in members], axis=1), prob))
        table.loc[members, ["rank_mean", "rank_low", "rank_high", "p_quietest"]] = cells
    return table.sort_values(["network", "noise_dba"], ignore_index=True)


def _speed_at(
    fitted: FittedBuild, noise: NoiseFit, power_w: float, temperature_c: float
) -> tuple[Array, str]:
    """Return the fan speeds at which a product has a temperature, shape (S,), and what limits it.

    None, shape (0,), where it is too warm at all speeds that were measured, or near them.
    """
    nothing = np.empty(0)
    heard = noise.design.speed_range_rpm(fitted.build.cooler_model)
    if heard is None:
        return nothing, UNHEARD
    ends = np.array([fitted.nearest_speeds, heard])
    lowest, highest = float(ends[:, 0].max()), float(ends[:, 1].min())
    if lowest > highest:
        return nothing, "not estimable: no fan speed with both temperature and noise"
    speeds = np.geomspace(lowest, FARTHEST * highest, _SPEEDS)
    warmth = fitted.air.intake_c + np.array([fitted.rise(speed, power_w) for speed in speeds])
    # Where more fan warms in some draw, by the scatter of its law, the first speed counts.
    warmth = np.minimum.accumulate(warmth)
    warmer = float(np.mean(warmth[-1] > temperature_c))
    if warmer > MOST_UNSETTLED:
        return nothing, (
            f"not surely reached: warmer at {speeds[-1]:.0f} rpm with {100.0 * warmer:.0f}% "
            f"probability, measured were {lowest:.0f} to {highest:.0f}"
        )
    steps = np.log(speeds)
    found = np.array([np.interp(-temperature_c, -draw, steps) for draw in warmth.T])
    speed = np.exp(found)
    middle = float(np.median(speed))
    if middle <= lowest * _SAME:
        return speed, f"cooler at all measured fan speeds, from {lowest:.0f} rpm: it may be quieter"
    return speed, FOLLOWED if middle > highest else ""
