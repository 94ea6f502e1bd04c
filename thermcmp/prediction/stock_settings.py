"""Fan speed and power of a build: as stated, of its firmware's stock runs, or by its limit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final
from zlib import crc32

import numpy as np

from thermcmp._types import Array, BoolArray
from thermcmp.errors import Fault, InputError, NotEstimableError
from thermcmp.model.conditions import Build, Conditions
from thermcmp.model.design import SHARED
from thermcmp.prediction.builds import matching_rows
from thermcmp.tabular.names import counted

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.inference.posterior import Fit
    from thermcmp.physics.firmware import Firmware

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
        Mean fan speed [rpm] (or the airflow law's own column); NaN where a firmware's rule
        sets it.
    power_w : float
        Mean board power [W], at most the firmware's limit where its rule is known.
    source : str
        Where the numbers come from, in words.
    elsewhere : bool
        Whether the firmware was measured on other hardware only.
    flow_speed_error, power_error_w : float
        Standard errors of the two means, from the scatter of all repeated stock runs;
        0 where stated, at the power limit, and where no stock run was repeated.
    degrees : int
        Degrees of freedom behind that scatter; 0 where it is not known.
    held_c : float, optional
        Temperature at which a control loop held the sensor in all of those stock runs
        [°C]; None where it did not.
    flow_speed_gains, power_gains : tuple of float
        What each of the fit's shared errors takes fan speed and power from their readings
        [-]; empty where they are stated.
    """

    flow_speed: float
    power_w: float
    source: str
    elsewhere: bool
    flow_speed_error: float = 0.0
    power_error_w: float = 0.0
    degrees: int = 0
    held_c: float | None = None
    flow_speed_gains: tuple[float, ...] = ()
    power_gains: tuple[float, ...] = ()

    def draws(self, fit: Fit) -> tuple[Array, Array]:
        """Draw the mean fan speed and power, shape (S,) each.

        Student's t about the means, by the instruments' gains in the fit's draws. Seeded by
        the setting's own numbers too: equal settings have equal draws, and swapping two builds
        swaps theirs.
        """
        digest = crc32(repr((self.flow_speed, self.power_w, self.flow_speed_error)).encode())
        rng = np.random.default_rng([fit.seed or 0, digest])
        deviations = rng.standard_t(max(self.degrees, _FEWEST_DEGREES), (2, fit.draw_count))
        flow_speed = self.flow_speed + self.flow_speed_error * deviations[0]
        power_w = self.power_w + self.power_error_w * deviations[1]
        if self.flow_speed_gains:
            flow_speed = flow_speed * (1.0 + fit.draws(SHARED) @ np.array(self.flow_speed_gains))
        if self.power_gains:
            power_w = power_w * (1.0 + fit.draws(SHARED) @ np.array(self.power_gains))
        return flow_speed, power_w


def setting_of(
    fit: Fit, build: Build, stated: Conditions, firmware: Firmware | None = None
) -> Setting:
    """Return the fan speed and power of a build: as stated, else those of its stock runs.

    Where its firmware's rule is known, that sets the fan speed and limits the power; the
    limit stands for a power that neither a statement nor a stock run has.
    """
    if firmware is None:
        return _stock_setting(fit, build, stated.fan_rpm, stated.power_w)
    for column, kind in (("fan_rpm", "speed"), ("noise_dba", "level")):
        if (value := getattr(stated, column)) is not None:
            words = f"the rule of firmware '{firmware.name}' sets the fan"
            fix = f"leave {column} out, or leave firmware= out to hold the {kind}"
            fault = Fault(words, fix, column=column, value=f"{value:g}")
            raise InputError("The fan speed is stated twice:", [fault])
    limit_w = firmware.power_limit_w
    if stated.power_w is not None:
        setting = Setting(np.nan, stated.power_w, "stated", elsewhere=False)
    elif stock_rows(fit, build)[0].any():
        setting = _stock_setting(fit, build, None, None)
    elif limit_w is not None:
        source = f"the power limit of firmware '{firmware.name}'"
        setting = Setting(np.nan, limit_w, source, elsewhere=False)
    else:
        raise NotEstimableError(
            f"{build.name}: the power under firmware '{firmware.name}' is not known. Fix: add a "
            f"stock run (fan_mode 'stock') of {build.cooler_model} on {build.board_model} under "
            "it, state power_w, or give the firmware's power_limit_w."
        )
    is_limited = limit_w is not None and setting.power_w > limit_w
    return replace(
        setting,
        flow_speed=np.nan,
        flow_speed_error=0.0,
        power_w=float(firmware.power_w(setting.power_w)),
        power_error_w=0.0 if is_limited else setting.power_error_w,
        power_gains=() if is_limited else setting.power_gains,
    )


def _stock_setting(fit: Fit, build: Build, rpm: float | None, power: float | None) -> Setting:
    """Return the means of a firmware's stock runs, but for what is stated."""
    if rpm is not None and power is not None:
        return Setting(rpm, power, "stated", elsewhere=False)
    hit, elsewhere = stock_rows(fit, build)
    if not hit.any():
        which, named = f"firmware '{build.firmware}'", ""
        if not build.firmware:
            which = "its firmware (none is named)"
            hardware = matching_rows(fit.design.rows, replace(build, memory_vendor=None))
            known = sorted(fit.design.rows.loc[hardware, "firmware"].dropna().unique())
            named = f"name it, as in '{build.name} / {known[0]}', " if known else ""
        raise NotEstimableError(
            f"{build.name}: fan speed and power under {which} are not known. Fix: {named}add a "
            f"stock run (fan_mode 'stock') of {build.cooler_model} on {build.board_model} under "
            "it, or state fan_rpm and power_w."
        )
    rows, column = fit.design.rows, fit.design.law.column
    count = int(hit.sum())
    flow_speed_scatter, degrees = _scatter(rows, column)
    power_scatter, _ = _scatter(rows, "power_w")
    shared = fit.design.shared
    # A speed or a power stated instead is no longer that of those runs.
    held = rpm is None and power is None and rows.loc[hit, "regulated"].fillna(False).all()
    where = "other hardware" if elsewhere else "its own hardware"
    return Setting(
        flow_speed=float(rows.loc[hit, column].mean()) if rpm is None else rpm,
        power_w=float(rows.loc[hit, "power_w"].mean()) if power is None else power,
        source=f"mean of {counted(count, 'stock run')} on {where}",
        elsewhere=elsewhere,
        flow_speed_error=flow_speed_scatter / np.sqrt(count) if rpm is None else 0.0,
        power_error_w=power_scatter / np.sqrt(count) if power is None else 0.0,
        degrees=degrees,
        held_c=float(rows.loc[hit, "temperature_c"].mean()) if held else None,
        flow_speed_gains=tuple(shared.fan_gain[hit].mean(axis=0)) if rpm is None else (),
        power_gains=tuple(shared.power_gain[hit].mean(axis=0)) if power is None else (),
    )


def stock_rows(fit: Fit, build: Build) -> tuple[BoolArray, bool]:
    """Return which stock runs show what a build's firmware does, shape (n,).

    And whether they were made on other hardware only.
    """
    rows = fit.design.rows
    stock = rows["fan_mode"].eq("stock").fillna(False).to_numpy(bool)
    stock &= rows["firmware"].eq(build.firmware or "").fillna(False).to_numpy(bool)
    here = stock & matching_rows(rows, build)
    return (here, False) if here.any() else (stock, bool(stock.any()))


def _scatter(rows: pd.DataFrame, column: str) -> tuple[float, int]:
    """Compute a column's standard deviation among repeated stock runs, and its degrees of freedom.

    Pooled over all firmwares and hardware of the fit: two repeats alone say next to
    nothing of how far a third would be off.
    """
    stock = rows[rows["fan_mode"].eq("stock").fillna(False)]
    groups = stock.groupby(list(_REPEATED), dropna=False)[column]
    apart = (stock[column] - groups.transform("mean")).to_numpy(float)
    degrees = len(stock) - groups.ngroups
    return (float(np.sqrt(np.sum(apart**2) / degrees)), degrees) if degrees > 0 else (0.0, 0)
