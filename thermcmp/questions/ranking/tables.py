"""Tables of a ranking: a row per product, and a row per pair of products."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.questions.phrases import interval, summary
from thermcmp.questions.ranking.ranked import Network, Ranked

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

#: Pairs whose differences are worked out at once.
_AT_ONCE: Final = 500


def ranking_table(ranked: Ranked, prob: float, *, as_bought: bool = False) -> pd.DataFrame:
    """Return a row per product; equal values share a rank, 1 is the coolest of a network.

    As bought the noise has ranks too, and each product its chance of being on the front.
    """
    import pandas as pd

    rows = [
        row
        for place, network in enumerate(ranked.networks)
        for row in _network_rows(network, place + 1, prob, as_bought=as_bought)
    ]
    rows += [{"product": entry.name, "health": entry.health} for entry in ranked.unreached]
    columns = ["product", "mean_c", "low_c", "high_c", "rank_mean", "rank_low", "rank_high"]
    columns += ["p_best", "p_beats", "group", "network"]
    columns += _with_ends("fan_rpm", "noise_dba")
    if as_bought:
        columns += ["noise_rank_mean", "noise_rank_low", "noise_rank_high", "p_front"]
    columns.append("health")
    return pd.DataFrame(rows, columns=columns).astype({"group": "Int64", "network": "Int64"})


def ranking_draws(ranked: Ranked) -> xr.Dataset:
    """Return the draws behind the table, shape (product, draw) each."""
    import xarray as xr

    entries = ranked.all
    nothing = np.full_like(entries[0].temperature, np.nan) if entries else np.zeros(0)
    values = {
        "temperature_c": [entry.temperature for entry in entries],
        "fan_rpm": [entry.flow_speed for entry in entries],
        "noise_dba": [nothing if entry.noise is None else entry.noise for entry in entries],
    }
    shape = (len(entries), len(nothing))
    return xr.Dataset(
        {name: (("product", "draw"), np.reshape(each, shape)) for name, each in values.items()},
        {"product": [entry.name for entry in entries]},
    )


def front_chances(temperatures: Array, levels: Array) -> Array:
    """Return how often no other product is as good in both and better in one, shape (m,).

    `temperatures` [°C] and `levels` [dB(A)] have shape (S, m).
    """
    chances = []
    for warmth, level in zip(temperatures.T[:, :, None], levels.T[:, :, None], strict=True):
        beaten = (temperatures < warmth) & (levels <= level)
        beaten |= (temperatures <= warmth) & (levels < level)
        chances.append(1.0 - np.mean(beaten.any(axis=1)))
    return np.array(chances)


def _with_ends(*names: str) -> list[str]:
    """Return the columns of quantities with their intervals."""
    return [column for name in names for column in (name, f"{name}_low", f"{name}_high")]


def ranks_of(values: Array, prob: float) -> tuple[Array, Array, Array, Array]:
    """Return the mean ranks of values of shape (S, m), their interval, and chances to be first."""
    from scipy.stats import rankdata

    ranks, tail = rankdata(values, axis=1), (1.0 - prob) / 2.0
    low, high = np.quantile(ranks, [tail, 1.0 - tail], axis=0, method="nearest")
    first = np.mean(ranks == ranks.min(axis=1, keepdims=True), axis=0)
    return ranks.mean(axis=0), low, high, first


def _noise_cells(network: Network, prob: float) -> dict[str, dict[str, float]]:
    """Return the ranks of noise, and the chance of being on the front, by product."""
    heard = [k for k, entry in enumerate(network.entries) if entry.noise is not None]
    if not heard:
        return {}
    levels = np.stack([np.asarray(network.entries[k].noise) for k in heard], axis=1)
    columns = ("noise_rank_mean", "noise_rank_low", "noise_rank_high", "p_front")
    cells = (*ranks_of(levels, prob)[:3], front_chances(network.temperatures[:, heard], levels))
    return {
        network.entries[k].name: dict(zip(columns, map(float, row), strict=True))
        for k, row in zip(heard, np.transpose(cells), strict=True)
    }


def _network_rows(
    network: Network, number: int, prob: float, *, as_bought: bool
) -> list[Mapping[str, object]]:
    means, low, high, best = ranks_of(network.temperatures, prob)
    count = len(network.entries)
    noise = _noise_cells(network, prob) if as_bought else {}
    rows: list[Mapping[str, object]] = []
    for i, entry in enumerate(network.entries):
        mean, _, low_c, high_c = summary(entry.temperature, prob)
        rank = float(means[i])
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
            "health": entry.health,
            **noise.get(entry.name, {}),
        }
        row["fan_rpm_low"], row["fan_rpm_high"] = interval(entry.flow_speed, prob)
        if entry.noise is not None:
            row["noise_dba"] = float(np.mean(entry.noise))
            row["noise_dba_low"], row["noise_dba_high"] = interval(entry.noise, prob)
        rows.append(row)
    return rows


def league_table(
    table: pd.DataFrame,
    draws: Array,
    matters_k: float,
    prob: float,
    *,
    simultaneous: bool = False,
) -> pd.DataFrame:
    """Return a row per pair of ranked products; `draws` has shape (product, draw) in °C.

    Simultaneous intervals are means and standard deviations times the one factor with which
    all gaps of a draw lie within their intervals in that share of the draws.
    """
    import pandas as pd

    names = table["product"].to_numpy()
    place = {name: k for k, name in enumerate(names)}
    pairs = [
        pair
        for _, members in table.dropna(subset=["network"]).groupby("network")["product"]
        for pair in combinations([place[name] for name in members], 2)
    ]
    ends = [(1.0 - prob) / 2.0, (1.0 + prob) / 2.0]
    chunks = [np.array(pairs[k : k + _AT_ONCE]).T for k in range(0, len(pairs), _AT_ONCE)]
    factor = _factor_of_all(draws, chunks, prob) if simultaneous else 0.0
    parts = []
    for cooler, warmer in chunks:
        gaps = draws[warmer] - draws[cooler]
        low, high = np.quantile(gaps, ends, axis=1)
        if simultaneous:
            half = factor * gaps.std(axis=1)
            low, high = gaps.mean(axis=1) - half, gaps.mean(axis=1) + half
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


def _factor_of_all(draws: Array, chunks: Sequence[IntArray], prob: float) -> float:
    """Return how many standard deviations every gap is within, together, with a probability."""
    farthest = np.zeros(draws.shape[1])
    for cooler, warmer in chunks:
        gaps = draws[warmer] - draws[cooler]
        apart = np.abs(gaps - gaps.mean(axis=1, keepdims=True))
        # Equal products have no gap, and no standard deviation.
        spread = np.maximum(gaps.std(axis=1, keepdims=True), np.finfo(float).tiny)
        farthest = np.maximum(farthest, (apart / spread).max(axis=0))
    return float(np.quantile(farthest, prob))
