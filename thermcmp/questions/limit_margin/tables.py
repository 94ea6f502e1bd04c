"""The table of a margin and the draws behind it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array
from thermcmp.questions.phrases import summary

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    import xarray as xr

    from thermcmp.questions.limit_margin.rows import AirRow, Sweep


def margin_table(
    rows: Sequence[AirRow], sweep: Sweep, *, follows: bool, prob: float, health: str
) -> pd.DataFrame:
    """Return a row per ambient."""
    import pandas as pd

    table = []
    for row in rows:
        cells: dict[str, object] = {"ambient_c": row.room_c}
        if sweep.case_rise_k:
            cells["intake_c"] = row.intake_c
        mean, low, high = _spread(row.temperature_c, prob)
        cells |= {"mean_c": mean, "low_c": low, "high_c": high}
        cells["p_exceed"] = row.p_exceed(sweep.limit_c)
        if row.enough is not None:
            # A speed beyond what was measured is stated even where the temperature there is not.
            cells |= _named("fan_rpm", row.settled(row.state.fan_rpm), prob)
            if follows:
                cells["fan_at_most"] = row.state.share("at maximum speed")
            if row.noise_dba is not None:
                cells |= _named("noise_dba", row.settled(row.noise_dba), prob)
            cells["enough_rpm"] = row.enough.fan_rpm
            if row.enough_dba is not None:
                cells["enough_dba"] = float(np.mean(row.enough_dba))
            cells["enough_note"] = row.enough.words
        remarks = "; ".join([health, *row.remarks])
        cells["health"] = f"not estimable: {row.problem}" if row.problem else remarks
        table.append(cells)
    return pd.DataFrame(table)


def _named(name: str, values: Array, prob: float) -> dict[str, object]:
    mean, low, high = _spread(values, prob)
    return {name: mean, f"{name}_low": low, f"{name}_high": high}


def _spread(values: Array, prob: float) -> tuple[float, float, float]:
    """Return mean and interval, or NaN where there are no values."""
    if not values.size or np.isnan(values).any():
        return (float("nan"),) * 3
    mean, _, low, high = summary(values, prob)
    return mean, low, high


def margin_draws(rows: Sequence[AirRow], here: AirRow, room_at_limit_c: Array) -> xr.Dataset:
    """Return the draws behind the table, shape (n,) each."""
    import xarray as xr

    by_ambient = ("ambient_c", "draw")
    values = {
        "rise_k": ("draw", here.state.temperature_c - here.intake_c),
        "ambient_at_limit_c": ("draw", room_at_limit_c),
        "temperature_c": (by_ambient, np.stack([row.state.temperature_c for row in rows])),
    }
    if here.enough is not None:
        values["fan_rpm"] = (by_ambient, np.stack([row.state.fan_rpm for row in rows]))
    levels = [row.noise_dba for row in rows if row.noise_dba is not None]
    if levels:
        values["noise_dba"] = (by_ambient, np.stack(levels))
    return xr.Dataset(values, {"ambient_c": [row.room_c for row in rows]})
