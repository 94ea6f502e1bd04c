"""Readings that are ten times too large or too small, as by a decimal mark left out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import pandas as pd

from thermcmp._types import BoolArray
from thermcmp.results.schema import ERROR_OF, in_force
from thermcmp.tabular.column import Finding

#: Readings whose other values are mostly near each other, with noun and unit.
_READINGS: Final = {
    "power_w": ("board power", "W"),
    "fan_rpm": ("fan speed", "rpm"),
}
#: A reading this far from the middle one is looked at; the others span less than this (choices).
_FAR: Final = 5.0
_SPAN: Final = 4.0
#: How far beyond the other rows a reading or a rise still is like theirs (a choice).
_SLACK: Final = 1.25
#: Rows that agree for each one that is asked about, and the fewest of them (choices).
_MOST_SHARE: Final = 8
_FEWEST: Final = 8


def find_slipped(rows: pd.DataFrame) -> Iterator[Finding]:
    """Yield a finding for each reading that is like the others of its cooler but for a factor ten.

    Its temperature is like theirs too, which that of an idle run, or of another fan, is not.
    """
    by = [rows["lab"], rows["sensor"], rows["cooler_model"]]
    rise = (rows["temperature_c"] - rows["ambient_c"]).astype(float)
    stated = rows[[ERROR_OF[column] for column in _READINGS]].notna().any(axis=1)
    readings = rows[list(_READINGS)].astype(float)
    groups = readings.groupby(by, dropna=False, observed=True, sort=False)
    ratio = readings / groups.transform("median")
    far = (ratio > _FAR) | (ratio < 1.0 / _FAR)
    # Two readings that are both far off may be exchanged, which is asked elsewhere.
    lone = far.sum(axis=1).eq(1) & ~stated & in_force(rows)
    number = groups.ngroup()
    for column, (noun, unit) in _READINGS.items():
        values, suspects = readings[column], far[column] & lone
        if not suspects.any():
            continue
        known = values.notna() & rise.notna() & (values > 0.0)
        some = known & number.isin(number[suspects])
        frame = pd.DataFrame({"value": values, "rise": rise, "suspect": suspects})[some]
        for _, group in frame.groupby(number[some]):
            for position in group.index[_slipped(group)]:
                value, run = values[position], str(rows.loc[position, "run"])
                usual = group.loc[~group["suspect"], "value"].median()
                yield Finding(
                    f"{noun} {value:g} {unit} of run '{run}' is about "
                    f"{'ten times' if value > usual else 'a tenth of'} the others, at a like "
                    "temperature: a decimal mark may be missing or too many",
                    f"correct the cell (in a library use supersede(frame, reason)); if it is "
                    f"right, state {ERROR_OF[column]}",
                    column,
                    int(position),
                    value,
                )


def _slipped(group: pd.DataFrame) -> BoolArray:
    """Return which rows of a cooler have a reading off by ten."""
    is_sound = ~group["suspect"].to_numpy(bool)
    values, rises = (group[name].to_numpy(float) for name in ("value", "rise"))
    none = np.zeros(len(group), bool)
    if is_sound.sum() < max(_FEWEST, _MOST_SHARE * (~is_sound).sum()):
        return none
    low, high = values[is_sound].min(), values[is_sound].max()
    if high > _SPAN * low:
        return none
    shifted = np.where(values > high, values / 10.0, values * 10.0)
    like = (shifted >= low / _SLACK) & (shifted <= high * _SLACK)
    cold, hot = rises[is_sound].min(), rises[is_sound].max()
    return ~is_sound & like & (rises >= cold / _SLACK) & (rises <= hot * _SLACK)
