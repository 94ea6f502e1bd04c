"""What a choice of cards or of results would do to a ranking, which no interval holds.

A product whose cards were hand-picked, or whose throttled runs were left out, looks cooler than
its line; one of which only failures were published looks warmer.
"""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.model.terms import Acts, Role
from thermcmp.questions.phrases import interval, number_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from thermcmp.inference.posterior import Fit
    from thermcmp.prediction.equal_conditions import Entry
    from thermcmp.questions.ranking.ranked import Network, Ranked

#: Most cards out of which the coolest is thought to be picked.
MOST_CARDS: Final = 1000


def card_spread_k(fit: Fit) -> float:
    """Return the standard deviation between cards of a line [K at reference power], NaN if none."""
    terms = [
        term
        for term in fit.design.terms
        if term.acts is Acts.RESISTANCE and (term.role is Role.SPECIMEN or term.name == "assembly")
    ]
    if not terms:
        return float("nan")
    return float(np.sqrt(sum(np.mean(fit.draws(term.spread) ** 2) for term in terms)))


@cache
def expected_coolest() -> Array:
    """Return by how many standard deviations the coolest of 1, 2 ... cards is below their mean.

    The mean of the largest of n standard normals (H. L. Harter, Biometrika 48 (1961) 151-165,
    from memory).
    """
    from scipy.special import ndtr

    x, step = np.linspace(-9.0, 9.0, 3601, retstep=True)
    law, largest, below = ndtr(x), np.ones_like(x), np.empty(MOST_CARDS)
    for cards in range(MOST_CARDS):
        largest *= law
        # The mean of a law F is the integral of (0 < x) - F, which is none for one card.
        below[cards] = np.sum(law - largest) * step
    return below


def cards_of(bias_k: Array, spread_k: float) -> Array:
    """Return the fewest cards whose coolest is as far off their mean; inf beyond the most."""
    fewest = 1.0 + np.searchsorted(spread_k * expected_coolest(), bias_k)
    return np.where(fewest > MOST_CARDS, np.inf, fewest)


def selection_table(fit: Fit, table: pd.DataFrame, draws: Array, prob: float) -> pd.DataFrame:
    """Return a row per neighbouring pair of a network; `draws` has shape (product, draw) in °C."""
    import pandas as pd

    same = table["network"].eq(table["network"].shift(-1)).fillna(False).to_numpy(bool)
    cooler = np.flatnonzero(same)
    gaps = draws[cooler + 1] - draws[cooler]
    spread = card_spread_k(fit)
    names = table["product"].to_numpy()
    return pd.DataFrame(
        {
            "product": names[cooler],
            "rival": names[cooler + 1],
            "overturned_k": gaps.mean(axis=1),
            "doubtful_k": np.maximum(np.quantile(gaps, (1.0 - prob) / 2.0, axis=1), 0.0),
            "coolest_of": np.full(len(cooler), np.nan)
            if np.isnan(spread)
            else cards_of(gaps.mean(axis=1), spread),
        }
    )


def selection_caveats(fit: Fit, ranked: Ranked) -> list[str]:
    """State what choice of cards would undo the narrowest separation of groups."""
    pairs = [pair for network in ranked.networks for pair in _anchors(network)]
    if not pairs:
        return []
    gaps = [float(np.mean(rival.temperature - product.temperature)) for product, rival in pairs]
    narrowest = int(np.argmin(gaps))
    (product, rival), gap_k, spread = pairs[narrowest], gaps[narrowest], card_spread_k(fit)
    picked = ""
    if not np.isnan(spread):
        count = cards_of(np.array([gap_k]), spread)[0]
        of = f"{count:.0f}" if np.isfinite(count) else f"more than {MOST_CARDS}"
        picked = (
            f" (as if its cards were the coolest of {of}; cards of a line differ by "
            f"{number_words(spread)} K)"
        )
    return [
        "No interval allows for how cards and results were chosen. The closest groups, "
        f"{product.name} and {rival.name}, are not apart if {product.name} is shown "
        f"{number_words(gap_k)} K too cool{picked}, by hand-picked cards or left-out throttled "
        f"runs, or {rival.name} too warm, by publishing failures only."
    ]


def second_card_words(fit: Fit, entries: Sequence[Entry], prob: float) -> str:
    """State what a second card of each would bring; "" without a spread between cards."""
    spread = card_spread_k(fit)
    if np.isnan(spread) or not entries:
        return ""
    sd = np.array([np.std(entry.temperature) for entry in entries])
    tail = np.array([interval(entry.temperature, prob) for entry in entries])
    half = np.diff(tail, axis=1)[:, 0] / 2.0
    # The mean of two cards has half the variance between cards.
    less = half * np.sqrt(np.maximum(1.0 - spread**2 / 2.0 / sd**2, 0.5))
    now, then = (number_words(float(np.median(each))) for each in (half, less))
    return (
        f" Cards of a line differ by {number_words(spread)} K (standard deviation) in this fit; in "
        f"a more uneven lot the interval is too narrow. A second card of each would bring about "
        f"±{then} K in place of ±{now} K, and show the lot."
    )


def _anchors(network: Network) -> list[tuple[Entry, Entry]]:
    """Return the coolest products of neighbouring groups."""
    places = [network.groups.index(group) for group in sorted(set(network.groups))]
    return [(network.entries[a], network.entries[b]) for a, b in pairwise(places)]
