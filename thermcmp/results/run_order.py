"""Repeats whose rise follows the order of the runs."""

from __future__ import annotations

from typing import Final

import pandas as pd

#: Columns that name a build; their rows at one set point are repeats.
PARTS: Final = ("cooler_model", "cooler_id", "board_model", "board_id", "firmware", "assembly")
#: Steps that part two set points of power and of fan speed, as a share (common practice, no
#: source).
_SET_POINTS: Final = {"power_w": 0.05, "fan_rpm": 0.03}
_FEWEST: Final = 4
#: Repeats whose rise climbs or falls with the order by more than this [K].
_ORDER_K: Final = 1.0


def climbs_with_order(rows: pd.DataFrame) -> list[str]:
    """Name the repeats of one sensor whose later half lies apart from the earlier one."""
    points = [_set_points(rows[name], share) for name, share in _SET_POINTS.items()]
    parts = [rows[part].fillna("").astype(str) for part in PARTS if part in rows]
    climbs = []
    for _, repeats in rows.groupby([*parts, *points], observed=True, sort=False):
        if len(repeats) < _FEWEST:
            continue
        if repeats["started_at"].notna().all():
            repeats = repeats.sort_values("started_at", kind="stable")
        rise = (repeats["temperature_c"] - repeats["ambient_c"]) / repeats["power_w"]
        levels = rise.to_numpy(dtype=float) * float(repeats["power_w"].mean())
        half = len(levels) // 2
        early, late = levels[:half], levels[-half:]
        apart = float(late.mean() - early.mean())
        # Far apart, and no late run among the early ones: an order, not a scatter.
        if abs(apart) > _ORDER_K and (early.max() < late.min() or early.min() > late.max()):
            first, last = repeats["run"].iloc[0], repeats["run"].iloc[-1]
            climbs.append(f"{first} to {last} (the later half {apart:+.1f} K)")
    return climbs


def _set_points(values: pd.Series, share: float) -> pd.Series:
    """Return the number of the set point of each value; of missing ones 0."""
    ordered = values.astype(float).sort_values()
    new = ordered.pct_change(fill_method=None) > share
    return new.cumsum().reindex(values.index).fillna(0).astype(int)
