"""Readings near the highest that do not answer what should move them: held by a limit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
import pandas as pd

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.results.plausibility.run_order import PARTS

#: Readings within this of the highest may be held at one temperature [K]: a loop wanders by
#: some tenths (common practice, no source).
_BAND_K: Final = 1.5
#: Fewest readings of the band, of assemblies with several of them, that are judged (a choice).
_FEWEST: Final = 4
#: Parts that make a card, and how many of its highest readings may be off.
_CARD: Final = ["cooler_model", "board_model"]
_TOPS: Final = 4
#: From the median distance of normal errors to their standard deviation.
_TO_SD: Final = 1.4826
#: How many times as far apart as they read, and at least by how much [K], power, fan speed and
#: air should have moved them (choices: of 1,000 tables without a limit one was asked about).
_TIMES: Final = 2.0
_APART_K: Final = 1.0


def held_readings(
    rows: pd.DataFrame, by: list[str], expected: Sequence[Array]
) -> Iterator[tuple[pd.DataFrame, float]]:
    """Yield the readings of a group that stay near the highest whatever should move them.

    With by how much they should have moved [K]. Only runs of one assembly are compared, so that no
    difference between parts enters; how far conditions move a reading is learned from the other
    rows, or else taken as expected, and must be much by every expectation (n,) [°C].
    """
    parts = [rows[name].astype("string").fillna("") for name in PARTS if name in rows]
    assembly, card = (
        np.asarray(rows.groupby([*by, *names], observed=True, sort=False).ngroup(), np.intp)
        for names in (parts, _CARD)
    )
    read_c = rows["temperature_c"].to_numpy(dtype=float)
    groups = rows.groupby(by, observed=True).indices.values()
    for places in map(np.asarray, groups):
        here = [np.unique(code[places], return_inverse=True)[1] for code in (assembly, card)]
        near, should_k = _held(read_c[places], [each[places] for each in expected], *here)
        if near.any():
            yield rows.take(places[near]), should_k


def _held(
    read_c: Array, expected: Sequence[Array], assembly: IntArray, card: IntArray
) -> tuple[BoolArray, float]:
    """Return which readings are held, and by how much they should have moved [K].

    The highest reading may be an outlier, so that bands below it are looked at too.
    """
    none = np.zeros(len(read_c), dtype=bool)
    # Where nothing reads lower nothing shows that the readings move at all.
    if np.ptp(read_c) == 0.0:
        return none, 0.0
    # All cards may share a limit, or each may have its own.
    for mine in (card >= 0, *(card == number for number in range(card.max() + 1))):
        for top_c in np.unique(read_c[mine])[::-1][:_TOPS]:
            near = mine & (read_c <= top_c) & (read_c > top_c - _BAND_K)
            # A lone reading of its assembly has nothing to be held against.
            near &= _counts(near, assembly) > 1
            if near.sum() < _FEWEST:
                continue
            others = ~near & ~(mine & (read_c > top_c))
            did_k = _rms(_centred(read_c, near, assembly)[near])
            responses = [_response(read_c, each, others, assembly) for each in expected]
            should_k = min(
                rate * _rms(_centred(each, near, assembly)[near])
                for each, (rate, _) in zip(expected, responses, strict=True)
            )
            scatter_k = min(scatter_k for _, scatter_k in responses)
            if should_k > max(_TIMES * float(np.hypot(did_k, scatter_k)), _APART_K):
                return near, should_k
    return none, 0.0


def _response(
    read_c: Array, expected_c: Array, kept: BoolArray, assembly: IntArray
) -> tuple[float, float]:
    """Return how far readings follow what is expected, and their scatter about that [K].

    By medians, since some of these rows may be held too.
    """
    kept = kept & (_counts(kept, assembly) > 1)
    read, expected = (_centred(values, kept, assembly)[kept] for values in (read_c, expected_c))
    moved = np.abs(expected) > _APART_K
    # Too few that differ by too little say nothing.
    if moved.sum() < _FEWEST:
        return 1.0, 0.0
    rate = float(np.clip(np.median(read[moved] / expected[moved]), 0.0, 1.0))
    return rate, _TO_SD * float(np.median(np.abs(read - rate * expected)))


def _centred(values: Array, kept: BoolArray, group: IntArray) -> Array:
    """Return values less the mean of the kept ones of their group."""
    count = np.bincount(group, kept)
    total = np.bincount(group, np.where(kept, values, 0.0))
    return np.asarray(values - (total / np.maximum(count, 1))[group])


def _counts(kept: BoolArray, group: IntArray) -> Array:
    return np.asarray(np.bincount(group, kept)[group])


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))
