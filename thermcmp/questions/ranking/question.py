"""Ranking: products at equal conditions, with ranks as uncertain as they are."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.checks.prior_sensitivity import power_scaling
from thermcmp.inference.noise_fit import NoiseFit
from thermcmp.model.conditions import Build, Conditions
from thermcmp.model.rows import level_keys
from thermcmp.prediction.builds import Scope, matching_rows
from thermcmp.prediction.equal_conditions import Entry, entry_at, noise_for, ranked_builds
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.questions.answer import Answer
from thermcmp.questions.caveats import Linear, fit_caveats, influence_words, refuse_bad_health
from thermcmp.questions.phrases import (
    PROB,
    check_matters,
    check_prob,
    percent_words,
    range_words,
    summary,
)
from thermcmp.questions.ranking.figure import ranking_figure
from thermcmp.questions.ranking.levels import at_levels, level_caveats, level_words

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.inference.posterior import Fit

#: How sure a gap must be before two products are separated.
SURE: Final = 0.90


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Ranking(Answer):
    """Products ranked at equal conditions.

    Attributes
    ----------
    conditions : Conditions
        The conditions at which they are compared.
    matters_k : float
        Smallest difference that matters [K].
    scope : str
        "product line" or "specimens".
    """

    conditions: Conditions
    matters_k: float
    scope: str


def rank(  # noqa: PLR0913 - each condition is a keyword of its own
    fit: Fit,
    at: Conditions | None = None,
    *,
    ambient_c: float | None = None,
    power_w: float | None = None,
    fan_rpm: float | None = None,
    noise_dba: float | None = None,
    mic_distance_m: float | None = None,
    case_rise_k: float | None = None,
    altitude_m: float | None = None,
    measured_altitude_m: float | None = None,
    matters_k: float = 1.0,
    scope: Literal["product line", "specimens"] = "product line",
    products: Sequence[Build | str] | None = None,
    levels: Mapping[str, str | float] | None = None,
    prob: float = PROB,
    allow_bad_health: bool = False,
) -> Ranking:
    """Rank products at equal conditions.

    Products are separated only where the gap exceeds `matters_k` with 90 %
    probability. A group is opened by its coolest member, and the others join as long
    as they cannot be separated from that one member; so a chain of small gaps does
    not run together.

    Parameters
    ----------
    fit : Fit
        The fit.
    at : Conditions, optional
        Ambient, power, and fan speed or noise. Power and fan speed default to the fit's
        reference.
    ambient_c, power_w, fan_rpm, noise_dba : float, optional
        The same spelled out, which goes before `at`: ``rank(fit, noise_dba=40)``.
    mic_distance_m, case_rise_k, altitude_m, measured_altitude_m : float, optional
        Likewise; see `Conditions`.
    matters_k : float
        Smallest difference that matters [K]; 0 or more.
    scope : {"product line", "specimens"}
        The models, or the very parts that were on the bench.
    products : sequence of Build or str, optional
        What to rank; every named product by default.
    levels : mapping of str to str or float, optional
        Level of a factor of your own, or value of a covariate, at which all products are
        ranked, by its results column; a build's own `levels` go before. By default a
        covariate counts at its mean and a factor at the levels that each product was run
        with, and a caveat says where these differ.
    prob : float
        Probability of the equal-tailed intervals.
    allow_bad_health : bool
        Rank even if the fit's health is "bad"; recorded as a caveat.

    Returns
    -------
    Ranking
        Table: product, mean_c, low_c, high_c [°C], rank_mean, rank_low, rank_high,
        p_best, group, fan_rpm [rpm], noise_dba [dB(A)], health; coolest first. A
        product that cannot reach the noise within its measured fan speeds has NaN, and
        its health the reason.

    Raises
    ------
    InputError
        If a condition, product, scope, `matters_k` or `prob` is not known or out of range.
    EngineError
        If the fit's health is "bad" and not allowed.
    NotEstimableError
        If a product has a part that the fit has not seen.
    """
    import xarray as xr

    check_prob(prob)
    check_matters(matters_k)
    refuse_bad_health(fit, allowed=allow_bad_health, what="ranked")
    stated = {
        "ambient_c": ambient_c, "power_w": power_w, "fan_rpm": fan_rpm, "noise_dba": noise_dba,
        "mic_distance_m": mic_distance_m, "case_rise_k": case_rise_k, "altitude_m": altitude_m,
        "measured_altitude_m": measured_altitude_m,
    }  # fmt: skip
    held = Conditions.of(at, {name: v for name, v in stated.items() if v is not None})
    where = Scope.of(scope)
    noise = noise_for(fit, held)
    builds = at_levels(ranked_builds(fit, products), levels)
    entries = [entry_at(fit, name, build, held, where, noise) for name, build in builds.items()]
    reached = sorted((e for e in entries if e.reached), key=lambda e: float(np.mean(e.temperature)))
    ordered = [*reached, *(e for e in entries if not e.reached)]
    temperatures = (
        np.stack([e.temperature for e in reached], axis=1) if reached else np.zeros((1, 0))
    )
    groups = _groups(temperatures, matters_k)
    values = np.stack([e.temperature for e in ordered]) if ordered else np.zeros((0, 0))
    return Ranking(
        kind="ranking",
        title=f"{fit.sensor.capitalize()} at {_words(fit, held)}, {where}",
        table=_table(ordered, temperatures, groups, prob),
        draws=xr.Dataset(
            {"temperature_c": (("product", "draw"), values)}, {"product": [e.name for e in ordered]}
        ),
        sentences=(
            *_sentences(reached, temperatures, groups, matters_k, prob),
            *filter(None, [level_words(fit, builds)]),
        ),
        caveats=_caveats(fit, ordered, noise, held, where, builds),
        prob=prob,
        draw_figure=ranking_figure,
        conditions=held,
        matters_k=matters_k,
        scope=str(where),
        fits=(fit,),
    )


def _groups(temperatures: Array, matters_k: float) -> list[int]:
    """Group of each product, coolest first; a group's first member is its anchor."""
    groups: list[int] = []
    anchor, current = 0, 1
    for i in range(temperatures.shape[1]):
        gap = temperatures[:, i] - temperatures[:, anchor]
        if i > anchor and np.mean(gap > matters_k) >= SURE:
            anchor, current = i, current + 1
        groups.append(current)
    return groups


def _table(
    entries: Sequence[Entry], temperatures: Array, groups: Sequence[int], prob: float
) -> pd.DataFrame:
    """Return a row per product; equal values share a rank, 1 is the coolest."""
    import pandas as pd
    from scipy.stats import rankdata

    ranks = rankdata(temperatures, axis=1) if temperatures.shape[1] else temperatures
    tail = (1.0 - prob) / 2.0
    rows: list[Mapping[str, object]] = []
    for i, entry in enumerate(entries):
        row: dict[str, object] = {"product": entry.name}
        if entry.reached:
            mean, _, low, high = summary(entry.temperature, prob)
            ends = np.quantile(ranks[:, i], [tail, 1.0 - tail], method="nearest")
            row |= {
                "mean_c": mean,
                "low_c": low,
                "high_c": high,
                "rank_mean": float(np.mean(ranks[:, i])),
                "rank_low": float(ends[0]),
                "rank_high": float(ends[1]),
                "p_best": float(np.mean(ranks[:, i] == ranks.min(axis=1))),
                "group": groups[i],
                "fan_rpm": float(np.median(entry.flow_speed)),
                "noise_dba": np.nan if entry.noise is None else float(np.mean(entry.noise)),
            }
        rows.append({**row, "health": entry.health})
    columns = ["product", "mean_c", "low_c", "high_c", "rank_mean", "rank_low", "rank_high"]
    columns += ["p_best", "group", "fan_rpm", "noise_dba", "health"]
    return pd.DataFrame(rows, columns=columns).astype({"group": "Int64"})


def _sentences(
    reached: Sequence[Entry],
    temperatures: Array,
    groups: Sequence[int],
    matters_k: float,
    prob: float,
) -> tuple[str, ...]:
    if not reached:
        return ("No product can be ranked at these conditions.",)
    leaders = [e.name for e, group in zip(reached, groups, strict=True) if group == 1]
    best = float(np.mean(temperatures[:, 0] == temperatures.min(axis=1)))
    sentences = [
        f"Coolest: {reached[0].name} at {range_words(reached[0].temperature, prob, '°C')}; "
        f"{percent_words(best)} probability that it is the coolest of all."
    ]
    if len(leaders) > 1:
        sentences.append(
            f"{', '.join(leaders)} cannot be separated: no gap to {leaders[0]} is clearly "
            f"above {matters_k:g} K."
        )
    if groups[-1] > 1:
        sentences.append(
            f"{len(reached)} products fall into {groups[-1]} groups; the coolest of each group is "
            f"more than {matters_k:g} K warmer than the coolest of the group before it with at "
            f"least {SURE:.0%} probability."
        )
    return tuple(sentences)


def _caveats(
    fit: Fit,
    entries: Sequence[Entry],
    noise: NoiseFit | None,
    held: Conditions,
    scope: Scope,
    builds: Mapping[str, Build],
) -> tuple[str, ...]:
    reached = [entry for entry in entries if entry.reached]
    gaps = np.array([entry.temperature - reached[0].temperature for entry in reached[1:]])
    names = [f"{entry.name} against {reached[0].name}" for entry in reached[1:]]
    influence, linear = None, None
    if names:
        influence = influence_words(names, power_scaling(fit, gaps))
        linear = Linear(tuple(names), _gap_weights(fit, reached, held, scope, builds))
    caveats = fit_caveats(fit, influence=influence, linear=linear, held=held)
    missing = [entry.name for entry in entries if not entry.reached]
    if missing:
        caveats.append("Not ranked, see their health: " + ", ".join(missing) + ".")
    if held.altitude_m is not None:
        caveats.append(held.altitude_words)
    if noise is not None:
        caveats += noise.design.notes
    caveats += level_caveats(fit, builds)
    keys = level_keys(fit.design.rows, ("lab", "assembly"))
    once = [n for n, b in builds.items() if len(set(keys[matching_rows(fit.design.rows, b)])) == 1]
    if once:
        caveats.append(
            f"Mounted once only: {', '.join(once)}. A good or bad assembly is attributed to it, "
            "within the spread of assemblies elsewhere; test a second assembly of each."
        )
    return tuple(caveats)


def _gap_weights(
    fit: Fit, reached: Sequence[Entry], held: Conditions, scope: Scope, builds: Mapping[str, Build]
) -> Callable[[float], Array]:
    """Return the effects' weights in each gap to the coolest, as a function of exponent."""
    power_w = held.power_w if held.power_w is not None else fit.reference.power_w
    fitted = [FittedBuild(fit, builds[entry.name], scope, held) for entry in reached]
    speeds = [float(np.median(entry.flow_speed)) for entry in reached]

    def gaps(exponent: float) -> Array:
        pairs = zip(fitted, speeds, strict=True)
        rises = np.stack([build.weights(exponent, speed, power_w) for build, speed in pairs])
        return np.asarray(rises[1:] - rises[0])

    return gaps


def _words(fit: Fit, held: Conditions) -> str:
    power = held.power_w if held.power_w is not None else fit.reference.power_w
    if held.noise_dba is not None:
        how = f"{held.noise_dba:g} dB(A) at {held.mic_distance_m:g} m"
    else:
        flow_speed = held.fan_rpm if held.fan_rpm is not None else fit.reference.flow_speed
        how = f"{flow_speed:g} {fit.design.law.unit}"
    if held.case_rise_k == 0.0 and held.altitude_m is None:
        return f"{how}, {power:g} W, {held.ambient_c:g} °C ambient"
    return f"{how}, {power:g} W, {held.air_words}"
