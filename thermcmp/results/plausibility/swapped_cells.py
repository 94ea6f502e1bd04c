"""Rows in which two readings stand in each other's column."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import Final

import numpy as np
import pandas as pd

from thermcmp.results.schema import ERROR_OF, in_force
from thermcmp.tabular.column import Finding

#: Readings of one run, with the noun of each.
_READINGS: Final = {
    "power_w": "board power",
    "fan_rpm": "fan speed",
    "noise_dba": "noise",
    "temperature_c": "temperature",
    "ambient_c": "ambient",
}
#: Columns whose medians lie closer than this factor are not told apart by their numbers; a
#: reading is outside of those of the other rows beyond the second one (choices).
_APART: Final = 3.0
_OUTSIDE: Final = 1.25
#: Rows that agree for each one that is asked about, and the fewest of them (choices).
_MOST_SHARE: Final = 3
_FEWEST: Final = 4


def find_swapped(rows: pd.DataFrame) -> Iterator[Finding]:
    """Yield a finding for each row in which two columns are swapped, by the other rows.

    Both readings lie outside of those of the other rows, and inside once they are exchanged.
    """
    by = [rows["lab"], rows["sensor"]]
    readings = rows[list(_READINGS)].astype(float)
    groups = readings.groupby(by, dropna=False, observed=True, sort=False)
    usual, number = groups.transform("median"), groups.ngroup()
    counts = in_force(rows)
    # Of each pair the first one's error is stated where unusual readings are right.
    pairs = [pair for pair in combinations(_READINGS, 2) if pair[0] in ERROR_OF]
    for one, other in pairs:
        turned = (readings[one] < readings[other]) != (usual[one] < usual[other])
        known = readings[[one, other]].notna().all(axis=1) & rows[ERROR_OF[one]].isna() & counts
        # Few groups have such a row.
        some = known & number.isin(number[turned & known])
        by_group = readings.loc[some, [one, other]].groupby(number[some])
        found = [position for _, pair in by_group for position in _swapped(pair)]
        runs = dict.fromkeys(repr(str(run)) for run in rows.loc[found, "run"])
        # Who fits a library's rows knows them by their runs, and of many faults few are listed.
        so_in = f" (so in the runs {', '.join(runs)})" if len(runs) > 1 else ""
        for position in found:
            first, second = readings.loc[position, [one, other]]
            run = str(rows.loc[position, "run"])
            yield Finding(
                f"{_READINGS[one]} {first:g} and {_READINGS[other]} {second:g} of run '{run}' "
                f"look swapped beside the other rows{so_in}",
                "exchange the two cells (in a library use supersede(frame, reason)); if both are "
                f"right, state {ERROR_OF[one]}",
                one,
                int(position),
                first,
            )


def _swapped(pair: pd.DataFrame) -> list[int]:
    """Return where the two columns of a frame hold each other's readings."""
    pair = pair[(pair > 0.0).all(axis=1)]
    medians = pair.median()
    if len(pair) < _FEWEST or not max(medians) > _APART * min(medians):
        return []
    # The larger quantity first.
    large, small = (np.log(pair[name].to_numpy(dtype=float)) for name in medians.nlargest(2).index)
    suspects = large < small
    sound = ~suspects
    if not suspects.any() or suspects.sum() * _MOST_SHARE > sound.sum():
        return []
    slack = np.log(_OUTSIDE)
    for values, exchanged in ((large, small), (small, large)):
        low, high = values[sound].min() - slack, values[sound].max() + slack
        outside = (values < low) | (values > high)
        inside = (exchanged >= low) & (exchanged <= high)
        suspects &= outside & inside
    return pair.index[suspects].tolist()
