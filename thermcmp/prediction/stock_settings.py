"""Fan speed and power that a firmware chose in its stock runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final
from zlib import crc32

import numpy as np

from thermcmp._types import Array, BoolArray
from thermcmp.errors import NotEstimableError
from thermcmp.model.conditions import Build, Conditions
from thermcmp.prediction.build_rise import matching_rows

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.inference.posterior import Fit

#: Stock runs of one of these are repeats of each other.
_REPEATED: Final = ("cooler_model", "board_model", "firmware")
#: Fewest degrees of freedom of a mean's error: below them Student's t has no variance.
_FEWEST_DEGREES: Final = 3


@dataclass(frozen=True, slots=True)
class Setting:
    """Fan speed and power of a build under its firmware.

    Attributes
    ----------
    flow_speed : float
        Mean fan speed [rpm] (or the airflow law's own column).
    power_w : float
        Mean board power [W].
    source : str
        Where the numbers come from, in words.
    elsewhere : bool
        True where the firmware was measured on other hardware only.
    flow_speed_error, power_error_w : float
        Standard errors of the two means, from the scatter of all repeated stock runs;
        0 where stated, and where no stock run was repeated.
    degrees : int
        Degrees of freedom behind that scatter; 0 where it is not known.
    held_c : float, optional
        Temperature at which a control loop held the sensor in all of those stock runs
        [°C]; None where it did not.
    """

    flow_speed: float
    power_w: float
    source: str
    elsewhere: bool
    flow_speed_error: float = 0.0
    power_error_w: float = 0.0
    degrees: int = 0
    held_c: float | None = None

    def draws(self, count: int, seed: int | None) -> tuple[Array, Array]:
        """Draws of the mean fan speed and power, shape (count,) each.

        Student's t about the means. Seeded by the setting's own numbers too: equal
        settings have equal draws, and swapping two builds swaps theirs.
        """
        own = crc32(repr((self.flow_speed, self.power_w, self.flow_speed_error)).encode())
        rng = np.random.default_rng([seed or 0, own])
        strayed = rng.standard_t(max(self.degrees, _FEWEST_DEGREES), (2, count))
        return (
            self.flow_speed + self.flow_speed_error * strayed[0],
            self.power_w + self.power_error_w * strayed[1],
        )


def stock_setting(fit: Fit, build: Build, stated: Conditions | None = None) -> Setting:
    """What a build's firmware does, from its stock runs or as stated."""
    rpm = stated.fan_rpm if stated is not None else None
    power = stated.power_w if stated is not None else None
    if rpm is not None and power is not None:
        return Setting(rpm, power, "stated", False)
    hit, elsewhere = stock_rows(fit, build)
    if not hit.any():
        which = f"firmware '{build.firmware}'" if build.firmware else "its firmware (none is named)"
        named = "" if build.firmware else _named_firmware(fit, build)
        raise NotEstimableError(
            f"{build.name}: fan speed and power under {which} are not known. Fix: {named}add a "
            f"stock run (fan_mode 'stock') of {build.cooler_model} on {build.board_model} under "
            "it, or state fan_rpm and power_w."
        )
    rows, column = fit.results, fit.design.law.column
    count = int(hit.sum())
    flow_speed_scatter, degrees = _scatter(rows, column)
    power_scatter, _ = _scatter(rows, "power_w")
    # A speed or a power stated instead is no longer that of those runs.
    held = rpm is None and power is None and rows.loc[hit, "regulated"].fillna(False).all()
    where = "other hardware" if elsewhere else "its own hardware"
    return Setting(
        flow_speed=float(rows.loc[hit, column].mean()) if rpm is None else rpm,
        power_w=float(rows.loc[hit, "power_w"].mean()) if power is None else power,
        source=f"mean of {count} stock run(s) on {where}",
        elsewhere=elsewhere,
        flow_speed_error=flow_speed_scatter / np.sqrt(count) if rpm is None else 0.0,
        power_error_w=power_scatter / np.sqrt(count) if power is None else 0.0,
        degrees=degrees,
        held_c=float(rows.loc[hit, "temperature_c"].mean()) if held else None,
    )


def stock_rows(fit: Fit, build: Build) -> tuple[BoolArray, bool]:
    """Stock runs that tell what a build's firmware does.

    Returns hit (n,), elsewhere.
    """
    rows = fit.results
    stock = rows["fan_mode"].eq("stock").fillna(False).to_numpy(bool)
    stock &= rows["firmware"].eq(build.firmware or "").fillna(False).to_numpy(bool)
    own = stock & matching_rows(rows, build)
    return (own, False) if own.any() else (stock, bool(stock.any()))


def _named_firmware(fit: Fit, build: Build) -> str:
    """Describe how to name a firmware that a build's own rows have, in front of other fixes."""
    rows = fit.results
    own = rows["cooler_model"].eq(build.cooler_model) & rows["board_model"].eq(build.board_model)
    known = sorted(rows.loc[own.fillna(False), "firmware"].dropna().unique())
    return f"name it, as in '{build.name} / {known[0]}', " if known else ""


def _scatter(rows: pd.DataFrame, column: str) -> tuple[float, int]:
    """Standard deviation of a column among repeated stock runs, and its degrees of freedom.

    Pooled over all firmwares and hardware of the fit: two repeats alone say next to
    nothing of how far a third would be off.
    """
    stock = rows[rows["fan_mode"].eq("stock").fillna(False)]
    groups = stock.groupby(list(_REPEATED), dropna=False)[column]
    apart = (stock[column] - groups.transform("mean")).to_numpy(float)
    degrees = len(stock) - groups.ngroups
    return (float(np.sqrt(np.sum(apart**2) / degrees)), degrees) if degrees > 0 else (0.0, 0)
