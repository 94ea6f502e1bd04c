"""Tables of a ranking: a row per product, and a row per pair of products."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.questions.phrases import summary
from thermcmp.questions.ranking.ranked import Network, Ranked

if TYPE_CHECKING:
    import pandas as pd

#: Pairs whose differences are worked out at once.
_AT_ONCE: Final = 500


def ranking_table(ranked: Ranked, prob: float) -> pd.DataFrame:
    """Return a row per product; equal values share a rank, 1 is the coolest of a network."""
    import pandas as pd

    rows = [
        row
        for place, network in enumerate(ranked.networks)
        for row in _network_rows(network, place + 1, prob)
    ]
    rows += [{"product": entry.name, "health": entry.health} for entry in ranked.unreached]
    columns = ["product", "mean_c", "low_c", "high_c", "rank_mean", "rank_low", "rank_high"]
    columns += ["p_best", "p_beats", "group", "network", "fan_rpm", "noise_dba", "health"]
    return pd.DataFrame(rows, columns=columns).astype({"group": "Int64", "network": "Int64"})


def _network_rows(network: Network, number: int, prob: float) -> list[Mapping[str, object]]:
    from scipy.stats import rankdata

    ranks, count = rankdata(network.temperatures, axis=1), len(network.entries)
    tail = (1.0 - prob) / 2.0
    low, high = np.quantile(ranks, [tail, 1.0 - tail], axis=0, method="nearest")
    best = np.mean(ranks == ranks.min(axis=1, keepdims=True), axis=0)
    rows: list[Mapping[str, object]] = []
    for i, entry in enumerate(network.entries):
        mean, _, low_c, high_c = summary(entry.temperature, prob)
        rank = float(np.mean(ranks[:, i]))
        row: dict[str, object] = {
            "product": entry.name,
            "mean_c": mean,
            "low_c": low_c,
            "high_c": high_c,
            "rank_mean": rank,
            "rank_low": float(low[i]),
            "rank_high": float(high[i]),
            "p_best": float(best[i]),
            "p_beats": (count - rank) / (count - 1) if count > 1 else np.nan,
            "group": network.groups[i],
            "network": number,
            "fan_rpm": float(np.median(entry.flow_speed)),
            "noise_dba": np.nan if entry.noise is None else float(np.mean(entry.noise)),
            "health": entry.health,
        }
        rows.append(row)
    return rows


def league_table(
    table: pd.DataFrame, draws: np.ndarray, matters_k: float, prob: float
) -> pd.DataFrame:
    """Return a row per pair of ranked products; `draws` has shape (product, draw) in °C."""
    import pandas as pd

    names = table["product"].to_numpy()
    place = {name: k for k, name in enumerate(names)}
    pairs = [
        pair
        for _, members in table.dropna(subset=["network"]).groupby("network")["product"]
        for pair in combinations([place[name] for name in members], 2)
    ]
    ends = [(1.0 - prob) / 2.0, (1.0 + prob) / 2.0]
    parts = []
    for start in range(0, len(pairs), _AT_ONCE):
        cooler, warmer = np.array(pairs[start : start + _AT_ONCE]).T
        gaps = draws[warmer] - draws[cooler]
        low, high = np.quantile(gaps, ends, axis=1)
        parts.append(
            pd.DataFrame(
                {
                    "product": names[cooler],
                    "rival": names[warmer],
                    "mean_k": gaps.mean(axis=1),
                    "low_k": low,
                    "high_k": high,
                    "p_cooler": np.mean(gaps > 0.0, axis=1),
                    "p_matters": np.mean(gaps > matters_k, axis=1),
                }
            )
        )
    columns = ["product", "rival", "mean_k", "low_k", "high_k", "p_cooler", "p_matters"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)
