"""Runs that read exactly as other runs of the same parts do: pasted twice, or taken over."""

from __future__ import annotations

from typing import Final

import pandas as pd

#: What runs of the same parts hardly share to the last digit.
_MEASURED: Final = ["ambient_c", "power_w", "fan_rpm"]
_PARTS: Final = ["sensor", "cooler_model", "board_model"]
#: Fewest copies that are asked about, and the chance below which they are (choices).
_FEWEST: Final = 3
_CHANCE: Final = 1e-3


def copied_runs(rows: pd.DataFrame) -> list[tuple[str, str]]:
    """Return pairs of runs, the later one of which reads exactly as the earlier one.

    Set points that are typed in and coarse instruments repeat by themselves: from how often each
    reading recurs follows how many pairs would share all of them by chance, alike temperatures
    taken for granted.
    """
    readings = ["temperature_c", *_MEASURED]
    known = rows.dropna(subset=readings)
    # By numbers first, which is quick.
    known = known[known.duplicated(readings, keep=False)]
    first = known.groupby([*_PARTS, *readings], observed=True, sort=False)["run"].transform("first")
    later = first.ne(known["run"]).fillna(False)
    if later.sum() < _FEWEST:
        return []
    # Imported on use, as every reading of a table comes by here.
    from scipy.special import pdtrc

    if pdtrc(int(later.sum()) - 1, _by_chance(rows)) > _CHANCE:
        return []
    pairs = zip(first[later].astype(str), known.loc[later, "run"].astype(str), strict=True)
    return list(dict.fromkeys(pairs))


def _by_chance(rows: pd.DataFrame) -> float:
    """Return how many pairs of rows of the same parts share what was measured by chance."""
    group = rows.groupby(_PARTS, observed=True, sort=False)
    size = group.size()
    chance = size * (size - 1) / 2.0
    for name in _MEASURED:
        counts = rows.groupby([*_PARTS, name], observed=True, sort=False).size()
        alike = (counts * (counts - 1)).groupby(level=_PARTS, observed=True).sum()
        chance = chance * (alike / (size * (size - 1))).fillna(0.0)
    return float(chance.sum())
