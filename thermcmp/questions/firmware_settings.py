"""Fan speed and power that a firmware chose in its stock runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermcmp.errors import NotEstimableError
from thermcmp.model.conditions import Build, Conditions
from thermcmp.questions.prediction import matching_rows

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit


@dataclass(frozen=True, slots=True)
class Setting:
    """Fan speed and power of a build under its firmware.

    Attributes
    ----------
    drive : float
        Mean fan speed [rpm] (or the airflow law's own column).
    power_w : float
        Mean board power [W].
    source : str
        Where the numbers come from, in words.
    elsewhere : bool
        True where the firmware was measured on other hardware only.
    """

    drive: float
    power_w: float
    source: str
    elsewhere: bool


def stock_setting(fit: Fit, build: Build, stated: Conditions | None = None) -> Setting:
    """What a build's firmware does, from its stock runs or as stated.

    Parameters
    ----------
    fit : Fit
        The fit, whose rows hold the stock runs.
    build : Build
        The build; its `firmware` must be named unless `stated` gives both values.
    stated : Conditions, optional
        Fan speed [rpm] and power [W] that replace what was measured.

    Returns
    -------
    Setting
        Mean over the stock runs of the build's own hardware, or of other hardware
        under the same firmware where its own was not run.

    Raises
    ------
    NotEstimableError
        If no stock run of that firmware exists; the missing run is named.
    """
    rpm = stated.fan_rpm if stated is not None else None
    power = stated.power_w if stated is not None else None
    if rpm is not None and power is not None:
        return Setting(rpm, power, "stated", False)
    rows = fit.results
    stock = rows["fan_mode"].eq("stock").fillna(False).to_numpy(bool)
    if build.firmware is not None:
        stock &= rows["firmware"].eq(build.firmware).fillna(False).to_numpy(bool)
    own = stock & matching_rows(rows, build)
    hit, elsewhere = (own, False) if own.any() else (stock, True)
    if build.firmware is None or not hit.any():
        which = f"firmware '{build.firmware}'" if build.firmware else "its firmware (none is named)"
        raise NotEstimableError(
            f"{build.name}: fan speed and power under {which} are not known. Mend: add a stock run "
            f"(fan_mode 'stock') of {build.cooler_model} on {build.board_model} under it, or state "
            "fan_rpm and power_w."
        )
    drive = float(np.mean(rows.loc[hit, fit.design.law.column].to_numpy(float)))
    watts = float(np.mean(rows.loc[hit, "power_w"].to_numpy(float)))
    where = "other hardware" if elsewhere else "its own hardware"
    source = f"mean of {int(hit.sum())} stock run(s) on {where}"
    return Setting(
        rpm if rpm is not None else drive, power if power is not None else watts, source, elsewhere
    )
