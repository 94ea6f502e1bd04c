"""Fan speed and power that a firmware chose in its stock runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING
from zlib import crc32

import numpy as np

from thermcmp.errors import NotEstimableError
from thermcmp.model.conditions import Build, Conditions
from thermcmp.questions.prediction import matching_rows

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit
    from thermcmp.model.priors import Array


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
    drive_error, power_error_w : float
        Standard errors of the two means; 0 where stated or seen in one run only.
    """

    drive: float
    power_w: float
    source: str
    elsewhere: bool
    drive_error: float = 0.0
    power_error_w: float = 0.0

    def draws(self, count: int, seed: int | None) -> tuple[Array, Array]:
        """Draws of the mean fan speed and power, shape (count,) each.

        Seeded by the setting's own numbers too: equal settings have equal draws, and
        swapping two builds swaps theirs.
        """
        own = crc32(repr((self.drive, self.power_w, self.drive_error)).encode())
        rng = np.random.default_rng([seed or 0, own])
        return (
            self.drive + self.drive_error * rng.standard_normal(count),
            self.power_w + self.power_error_w * rng.standard_normal(count),
        )


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
    drive, drive_error = _mean_and_error(rows.loc[hit, fit.design.law.column].to_numpy(float))
    watts, watts_error = _mean_and_error(rows.loc[hit, "power_w"].to_numpy(float))
    where = "other hardware" if elsewhere else "its own hardware"
    source = f"mean of {int(hit.sum())} stock run(s) on {where}"
    return Setting(
        drive=drive if rpm is None else rpm,
        power_w=watts if power is None else power,
        source=source,
        elsewhere=elsewhere,
        drive_error=drive_error if rpm is None else 0.0,
        power_error_w=watts_error if power is None else 0.0,
    )


def _mean_and_error(values: Array) -> tuple[float, float]:
    """Mean and its standard error; the error of a single value is not known and counts as 0."""
    n = len(values)
    return float(np.mean(values)), float(np.std(values, ddof=1) / np.sqrt(n)) if n > 1 else 0.0
