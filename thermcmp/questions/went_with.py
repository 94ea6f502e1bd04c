"""What went with one cooler of a pair and may pass for its effect: order, sessions, power."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.model.rows import level_keys
from thermcmp.model.terms import HOURS
from thermcmp.questions.phrases import few_named

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.inference.posterior import Fit

#: Powers of two coolers that lie apart by more than this share are named (a choice: meters read
#: alike and power limits differ by less).
_POWER_APART: Final = 0.15
#: Where and when coolers may have met: columns, noun and plural.
_OCCASIONS: Final = (
    (("lab",), "laboratory", "laboratories"),
    (("lab", "session"), "session", "sessions"),
)


def went_with_words(fit: Fit, coolers: Iterable[tuple[str, str]]) -> list[str]:
    """Name the pairs that differ in order, in all laboratories or sessions, or in power."""
    rows, pairs = fit.design.rows, list(coolers)
    return [*order_words(rows, pairs), *_occasion_words(rows, pairs), *_power_words(rows, pairs)]


def order_words(rows: pd.DataFrame, pairs: list[tuple[str, str]]) -> list[str]:
    """Steady drift has a term where start times are stated; what happens once has none."""
    import pandas as pd

    is_timed = HOURS in rows
    time = rows[HOURS] if is_timed else pd.Series(np.arange(len(rows)), index=rows.index)
    keys = [level_keys(rows, ("lab", "session")), rows["cooler_model"].astype(str)]
    spans = time.groupby(keys).agg(["min", "max"])
    first, last = (spans[end].unstack() for end in ("min", "max"))  # noqa: PD010
    later = []
    for pair in pairs:
        for one, other in (pair, pair[::-1]) if set(pair) <= set(first) else ():
            shared = (first[one] - last[other]).dropna()
            if len(shared) and (shared > 0.0).all():
                later.append(f"{one} after {other}")
    if not later:
        return []
    if is_timed:
        what = "that what happens during a session counts as a difference of theirs, steady drift "
        cure = "excepted: {}. Fix: run a session in the other order."
    else:
        what = "that what happens during a session, drift too, counts as a difference of theirs if "
        cure = "the rows are in the order of the runs: {}. Fix: give started_at."
    return [
        "In each session that they share one cooler was run after the other, so "
        f"{what}{cure.format(few_named(later))}"
    ]


def _occasion_words(rows: pd.DataFrame, pairs: list[tuple[str, str]]) -> list[str]:
    """Name the pairs that no chain of laboratories, or of stated sessions, links."""
    sentences, left = list[str](), pairs
    for columns, noun, plural in _OCCASIONS:
        stated = rows[rows[columns[-1]].notna()] if columns[-1] in rows else rows[:0]
        apart = _unlinked(stated, columns, left)
        left = [pair for pair in left if pair not in apart]
        if apart:
            sentences.append(
                f"Coolers that share no {noun}, not even by way of others: "
                f"{few_named([' and '.join(pair) for pair in apart])}. What {plural} differ by "
                "cannot be distinguished from what the coolers do, but by the assumed spread of "
                f"{plural}. Fix: run both in one {noun}."
            )
    return sentences


def _unlinked(
    rows: pd.DataFrame, columns: tuple[str, ...], pairs: list[tuple[str, str]]
) -> list[tuple[str, str]]:
    """Return the pairs of coolers in these rows that are not linked, of those that are in them."""
    import pandas as pd
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    if rows.empty:
        return []
    occasion, names = pd.factorize(level_keys(rows, columns))
    cooler, models = pd.factorize(rows["cooler_model"].astype(str))
    size = len(names) + len(models)
    links = coo_array((np.ones(len(rows)), (occasion, len(names) + cooler)), shape=(size, size))
    group = connected_components(links, directed=False)[1][len(names) :]
    of = dict(zip(models, group, strict=True))
    known = [pair for pair in pairs if set(pair) <= set(of)]
    return [(one, other) for one, other in known if of[one] != of[other]]


def _power_words(rows: pd.DataFrame, pairs: list[tuple[str, str]]) -> list[str]:
    """Name the pairs whose powers lie apart, so that the law of power and the meter decide."""
    power_w = rows["power_w"].astype(float).groupby(rows["cooler_model"].astype(str))
    low, middle, high = power_w.quantile(0.1), power_w.median(), power_w.quantile(0.9)
    apart = []
    for pair in pairs:
        if set(pair) <= set(middle.index):
            small, large = sorted(pair, key=lambda name: middle[name])
            is_far = middle[large] > (1.0 + _POWER_APART) * middle[small]
            if is_far and middle[large] > high[small] and middle[small] < low[large]:
                apart.append(f"{small} at {middle[small]:.0f} W, {large} at {middle[large]:.0f} W")
    if not apart:
        return []
    return [
        "These coolers were run at unlike powers, so that their difference rests on the law of "
        f"power, and on meters that read alike: {few_named(apart)}. Fix: run both at one power, "
        "measured at one place."
    ]
