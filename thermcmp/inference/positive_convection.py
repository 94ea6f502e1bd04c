"""The convective part of every cooler is positive: more fan never heats.

Both engines sample effects without bounds. The posterior under the bound is the same one
restricted to draws that keep it, so those are kept and repeated evenly.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.inference.diagnostics import Check, Health
from thermcmp.model.terms import Acts

if TYPE_CHECKING:
    from thermcmp.model.design import Design

#: Share of the draws that must keep the bound; below it too few would stand for the rest.
LEAST_SHARE: Final = 0.2


def convective_parts(design: Design, effects: Array) -> Array:
    """Return the convective part of each cooler model in the rows, shape (S, coolers) [K]."""
    columns = np.unique(design.part_columns(Acts.AIRFLOW, factors_only=True)[0], axis=0)
    return np.asarray(effects[:, columns].sum(axis=2))


def positive_draws(parts: Array) -> tuple[IntArray, tuple[Check, ...]]:
    """Return which draws to take in place of all S, from convective parts (S, m), and a check."""
    positive = np.flatnonzero((parts > 0.0).all(axis=1))
    count, share = len(parts), len(positive) / len(parts)
    if len(positive) == count:
        return np.arange(count), ()
    kept = share >= LEAST_SHARE
    check = Check(
        "share of draws with positive convective parts",
        share,
        f"at least {LEAST_SHARE:g}",
        Health.OK if kept else Health.CAUTION,
    )
    taken = positive[np.arange(count) * len(positive) // count] if kept else np.arange(count)
    return taken, (check,)
