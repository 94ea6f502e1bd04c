"""Repeats whose rise follows the order of the runs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from thermcmp._types import Array
from thermcmp.results.schema import NAMES

#: Columns that name a build; their rows at one set point are repeats.
PARTS: Final = ("cooler_model", "cooler_id", "board_model", "board_id", "firmware", "assembly")
#: Columns between whose values rows are no repeats in any case.
_OCCASION: Final = ("lab", "session")
#: Steps that part two set points of power and of fan speed, as a share (common practice, no
#: source).
SET_POINTS: Final = {"power_w": 0.05, "fan_rpm": 0.03}
_FEWEST: Final = 3
#: Repeats whose later half lies apart from the earlier one by more than this [K], and sets of
#: repeats whose last lie apart from the first by more than that on average (choices).
_ORDER_K: Final = 1.0
_ALL_K: Final = 0.5
#: Probability at which any of the sets of repeats seems to follow its order by chance, and at
#: which all together do.
_CHANCE: Final = 0.05
_CHANCE_OF_ALL: Final = 0.005
#: Least share of what lies between the halves that has to stay without the farthest repeat (a
#: choice: with three steady steps half stays).
_GRADUAL: Final = 0.2
#: Least variance of repeats, of readings in steps [K²].
_LEAST_K2: Final = 1e-4


def climbs_with_order(rows: pd.DataFrame) -> list[str]:
    """Name the repeats of one sensor whose rise follows the order of the runs."""
    rows = rows.dropna(subset=list(SET_POINTS))  # a set point that is not known may have moved
    points = [set_points(rows[name], share) for name, share in SET_POINTS.items()]
    # Rows that a user's own columns distinguish are not repeats either.
    own = [name for name in rows if name not in NAMES]
    parts = [
        rows[name].astype("string").fillna("")
        for name in (*_OCCASION, *PARTS, *own)
        if name in rows
    ]
    number = rows.groupby([*parts, *points], observed=True, sort=False).ngroup()
    # To take thousands of small sets apart would cost more than the rest of an import.
    often = number.map(number.value_counts()) >= _FEWEST
    sets = [
        repeats.sort_values("started_at", kind="stable")
        if repeats["started_at"].notna().all()
        else repeats
        for _, repeats in rows[often].groupby(number[often], sort=False)
        if _is_held(repeats)
    ]
    levels = [_levels_k(repeats) for repeats in sets]
    slopes, errors, freedom = _slopes(levels)
    climbs = [
        f"{repeats['run'].iloc[0]} to {repeats['run'].iloc[-1]} (the later half {apart:+.1f} K)"
        for repeats, each, apart, chance in zip(
            sets,
            levels,
            map(_halves_apart_k, levels),
            _chances(slopes / errors, freedom),
            strict=True,
        )
        if abs(apart) > _ORDER_K and chance * len(sets) < _CHANCE and _is_gradual(each)
    ]
    if climbs or len(sets) < 2:
        return climbs
    # Each set alone may scatter too much to tell.
    shares = errors**-2 / np.sum(errors**-2)
    chance = _chances(shares @ slopes * np.sqrt(np.sum(errors**-2)), freedom)
    apart = float(shares @ (slopes * [len(each) - 1 for each in levels]))
    if abs(apart) <= _ALL_K or chance >= _CHANCE_OF_ALL:
        return []
    return [f"{len(sets)} sets of repeats (the last {apart:+.1f} K from the first on average)"]


def _is_held(repeats: pd.DataFrame) -> bool:
    """Return whether power and fan speed stayed at their set points, and did not wander."""
    return all(
        float(np.ptp(repeats[name])) <= share * float(repeats[name].mean())
        for name, share in SET_POINTS.items()
    )


def _levels_k(repeats: pd.DataFrame) -> Array:
    """Return the rise of repeats at their mean power [K]."""
    rise = (repeats["temperature_c"] - repeats["ambient_c"]) / repeats["power_w"]
    return rise.to_numpy(dtype=float) * float(repeats["power_w"].mean())


def _halves_apart_k(levels: Array) -> float:
    half = len(levels) // 2
    return float(levels[-half:].mean() - levels[:half].mean())


def _is_gradual(levels: Array) -> bool:
    """Return whether repeats follow their order without their farthest one too: no outlier."""
    far = int(np.argmax(np.abs(levels - np.median(levels))))
    others = _halves_apart_k(np.delete(levels, far))
    return others / _halves_apart_k(levels) > _GRADUAL


def _slopes(levels: Sequence[Array]) -> tuple[Array, Array, int]:
    """Return each set's slope along its order, its error by the pooled scatter, and its freedom."""
    orders = [np.arange(len(each)) - 0.5 * (len(each) - 1) for each in levels]
    size = np.array([order @ order for order in orders])
    slope = np.array([order @ each for order, each in zip(orders, levels, strict=True)]) / size
    left = [float(np.var(each) * len(each)) for each in levels] - slope**2 * size
    freedom = sum(len(each) - 2 for each in levels)
    scatter = max(float(np.sum(left)) / max(freedom, 1), _LEAST_K2)
    return slope, np.sqrt(scatter / size), freedom


def _chances(ratios: Array, freedom: int) -> Array:
    """Return the p-values of estimates in units of their errors."""
    # Imported on use, as every reading of a table comes by here.
    from scipy.special import stdtr

    return np.asarray(2.0 * stdtr(freedom, -np.abs(ratios)))


def set_points(values: pd.Series, share: float) -> pd.Series:
    """Return the number of the set point of each value."""
    ordered = values.astype(float).sort_values()
    return (ordered.pct_change(fill_method=None) > share).cumsum().reindex(values.index)
