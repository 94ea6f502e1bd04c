"""Repeats whose rise follows the order of the runs."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from thermcmp._types import Array, IntArray
from thermcmp.results.schema import NAMES

#: Columns that name a build; their rows at one set point are repeats.
PARTS: Final = ("cooler_model", "cooler_id", "board_model", "board_id", "firmware", "assembly")
#: Columns between whose values rows are no repeats in any case.
_OCCASION: Final = ("lab", "session")
#: Steps that part two set points of power and of fan speed, as a share (common practice, no
#: source).
SET_POINTS: Final = {"power_w": 0.05, "fan_rpm": 0.03}
_FEWEST: Final = 3
#: All that is read of a row, beside a user's own columns.
COMPARED: Final = (
    *_OCCASION, *PARTS, *SET_POINTS, "run", "sensor", "temperature_c", "ambient_c", "started_at",
)  # fmt: skip
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
    if len(rows) < _FEWEST:
        # As of each log that is a file of its own.
        return []
    points = [set_points(rows[name], share) for name, share in SET_POINTS.items()]
    # Rows that a user's own columns distinguish are not repeats either.
    own = [name for name in rows if name not in NAMES]
    parts = [
        rows[name].astype("string").fillna("")
        for name in (*_OCCASION, *PARTS, *own)
        if name in rows
    ]
    number = rows.groupby([*parts, *points], observed=True, sort=False).ngroup()
    sets = _repeats(rows, number)
    if sets.empty:
        return []
    first = np.flatnonzero(np.diff(sets["set"], prepend=-1.0))
    size = np.diff(np.append(first, len(sets)))
    levels, of = sets["level_k"].to_numpy(dtype=float), np.repeat(np.arange(len(size)), size)
    place = np.arange(len(of)) - first[of]
    slopes, errors, freedom = _slopes(levels, of, place - 0.5 * (size - 1)[of])
    half = size // 2
    late, early = place >= (size - half)[of], place < half[of]
    apart_k = np.bincount(of, levels * late - levels * early) / half
    chances = _chances(slopes / errors, freedom)
    runs = sets["run"].to_numpy(dtype=object)
    climbs = [
        f"{runs[first[each]]} to {runs[first[each] + size[each] - 1]} "
        f"(the later half {apart_k[each]:+.1f} K)"
        for each in np.flatnonzero(
            (np.abs(apart_k) > _ORDER_K) & (chances * len(size) < _CHANCE)
        ).tolist()
        if _is_gradual(levels[first[each] :][: size[each]], apart_k[each])
    ]
    if climbs or len(size) < 2:
        return climbs
    # Each set alone may scatter too much to tell.
    shares = errors**-2 / np.sum(errors**-2)
    chance = _chances(shares @ slopes * np.sqrt(np.sum(errors**-2)), freedom)
    apart = float(shares @ (slopes * (size - 1)))
    if abs(apart) <= _ALL_K or chance >= _CHANCE_OF_ALL:
        return []
    return [f"{len(size)} sets of repeats (the last {apart:+.1f} K from the first on average)"]


def _repeats(rows: pd.DataFrame, number: pd.Series) -> pd.DataFrame:
    """Return the rows of repeats, each set in its order, with the rise at its mean power [K].

    A set in which power or fan speed wandered from the set point is none.
    """
    by_set = rows[list(SET_POINTS)].groupby(number)
    mean, spread = by_set.mean(), by_set.max() - by_set.min()
    is_kept = (spread <= mean * SET_POINTS).all(axis=1) & (by_set.size() >= _FEWEST)
    kept = number.map(is_kept).astype(bool)
    repeats, of = rows[kept], number[kept]
    # By their times where all of a set are known, else as the table has them.
    is_timed = repeats["started_at"].notna().groupby(of).transform("all")
    rise_k = repeats["temperature_c"] - repeats["ambient_c"]
    return pd.DataFrame(
        {
            "set": of,
            "at": repeats["started_at"].where(is_timed),
            "run": repeats["run"],
            "level_k": rise_k / repeats["power_w"] * of.map(mean["power_w"]),
        }
    ).sort_values(["set", "at"], kind="stable")


def _is_gradual(levels: Array, apart_k: float) -> bool:
    """Return whether halves lie apart without the farthest repeat too: it is no outlier."""
    others = np.delete(levels, int(np.argmax(np.abs(levels - np.median(levels)))))
    half = len(others) // 2
    return float(others[-half:].mean() - others[:half].mean()) / apart_k > _GRADUAL


def _slopes(levels: Array, of: IntArray, order: Array) -> tuple[Array, Array, int]:
    """Return each set's slope along its order, its error by the pooled scatter, and its freedom."""
    size = np.bincount(of, order**2)
    slope = np.bincount(of, order * levels) / size
    mean = np.bincount(of, levels) / np.bincount(of)
    left = levels - mean[of] - order * slope[of]
    freedom = len(levels) - 2 * len(size)
    scatter = max(float(left @ left) / max(freedom, 1), _LEAST_K2)
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
