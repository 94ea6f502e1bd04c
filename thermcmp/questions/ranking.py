"""Ranking: products at equal conditions, with ranks as uncertain as they are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp.errors import EngineError, Fault, InputError
from thermcmp.inference.noise_fit import NoiseFit, fit_noise
from thermcmp.model.conditions import Build, Conditions
from thermcmp.questions.answer import Answer
from thermcmp.questions.figures import ranking_figure
from thermcmp.questions.prediction import Scope, build_of, matching_rows, rise_draws
from thermcmp.questions.wording import PROB, check_prob, fit_caveats, range_words, summary

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
    from matplotlib.axes import Axes

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.priors import Array

#: How sure a gap must be before two products are told apart.
SURE: Final = 0.90
#: Outside its measured fan speeds a product's law may be followed by this factor at most.
FARTHEST: Final = 1.25


@dataclass(frozen=True, slots=True, eq=False)
class _Entry:
    """One product at the conditions."""

    name: str
    temperature: Array
    drive: Array
    noise: Array | None
    health: str

    @property
    def reached(self) -> bool:
        """Whether the conditions were within reach of what was measured."""
        return bool(np.isfinite(self.temperature).all())


def rank(
    fit: Fit,
    at: Conditions | None = None,
    *,
    matters_k: float = 1.0,
    scope: str = "product line",
    products: Sequence[Build | str] | None = None,
    prob: float = PROB,
    allow_bad_health: bool = False,
    **conditions: Any,
) -> Answer:
    """Rank products at equal conditions.

    Products are told apart only where the gap exceeds `matters_k` with 90 %
    probability. A group is opened by its coolest member, and the others join as long
    as they cannot be told apart from that one member; so a chain of small gaps does
    not run together.

    Parameters
    ----------
    fit : Fit
        The fit.
    at : Conditions, optional
        Ambient, power, and fan speed or noise; also given as keywords
        (``rank(fit, noise_dba=40, power_w=200)``). Power and fan speed default to
        the fit's reference.
    matters_k : float
        Smallest difference that matters [K]; 0 or more.
    scope : {"product line", "specimens"}
        Whom the ranking speaks of.
    products : sequence of Build or str, optional
        What to rank; every named product by default.
    prob : float
        Probability of the equal-tailed intervals.
    allow_bad_health : bool
        Rank even if the fit's health is "bad"; recorded as a caveat.
    **conditions
        Fields of `Conditions`.

    Returns
    -------
    Answer
        Table: product, mean_c, low_c, high_c [°C], rank_mean, rank_low, rank_high,
        p_best, group, fan_rpm [rpm], noise_dba [dB(A)], health; coolest first. A
        product that cannot reach the noise within its measured fan speeds has NaN
        and says so.

    Raises
    ------
    InputError
        If a condition, product, scope or `prob` is not known.
    EngineError
        If the fit's health is "bad" and not allowed.
    NotEstimableError
        If a product has a part that the fit has not seen.
    """
    check_prob(prob)
    if not (np.isfinite(matters_k) and matters_k >= 0):
        raise InputError(
            "Which difference matters?",
            [Fault("not zero or more", "give a number of kelvin", column="matters_k",
                   value=str(matters_k))],
        )
    if fit.health == "bad" and not allow_bad_health:
        raise EngineError(
            "The fit's health is 'bad', so it is not ranked: " + " ".join(fit.diagnostics.sentences)
            + " Mend: see fit.diagnostics.table, or pass allow_bad_health=True (it is recorded)."
        )
    held = Conditions.of(at, conditions)
    where = Scope.of(scope)
    noise = _noise(fit, held)
    entries = [
        _entry(fit, name, build, held, where, noise)
        for name, build in _products(fit, products).items()
    ]
    reached = sorted((e for e in entries if e.reached), key=lambda e: float(np.mean(e.temperature)))
    ordered = [*reached, *(e for e in entries if not e.reached)]
    temperatures = (
        np.stack([e.temperature for e in reached], axis=1) if reached else np.zeros((1, 0))
    )
    groups = _groups(temperatures, matters_k)
    return Answer(
        kind="ranking",
        title=f"{fit.sensor.capitalize()} at {_words(fit, held)}, {where}",
        table=_table(ordered, temperatures, groups, prob),
        draws=_dataset(ordered),
        sentences=_sentences(reached, temperatures, groups, matters_k, prob),
        caveats=_caveats(fit, entries, noise, allow_bad_health),
        prob=prob,
        draw_figure=ranking_figure,
        details={"conditions": held, "matters_k": matters_k, "scope": str(where)},
    )


def _products(fit: Fit, given: Sequence[Build | str] | None) -> dict[str, Build]:
    """Builds to rank by the name to show."""
    if given is not None:
        builds = [build_of(fit, item) for item in given]
        return {build.name: build for build in builds}
    named = sorted(str(name) for name in fit.results["product"].dropna().unique())
    if named:
        return {name: build_of(fit, name) for name in named}
    pairs = fit.results[["cooler_model", "board_model"]].drop_duplicates()
    builds = [Build(cooler_model=str(c), board_model=str(b)) for c, b in pairs.itertuples(index=False)]
    return {build.name: build for build in builds}


def _noise(fit: Fit, held: Conditions) -> NoiseFit | None:
    """The noise law, where fans are the airflow."""
    if fit.design.law.column != "fan_rpm":
        return None
    found = fit_noise(fit.results, reference_rpm=fit.reference.drive,
                      distance_m=held.mic_distance_m, draws=len(fit.effects), seed=fit.seed)
    if found is None and held.noise_dba is not None:
        raise InputError(
            "Equal noise needs measured noise:",
            [Fault("no usable noise reading in the fit's rows",
                   "measure noise_dba with its background, or rank at fan_rpm=",
                   column="noise_dba", value=str(held.noise_dba))],
        )
    return found


def _entry(
    fit: Fit, name: str, build: Build, held: Conditions, scope: Scope, noise: NoiseFit | None
) -> _Entry:
    """One product at the conditions, draw by draw."""
    count = len(fit.effects)
    health = str(fit.health)
    measured = fit.design.drive[matching_rows(fit.results, build)]
    if held.noise_dba is not None and noise is not None:
        drive = noise.speed_rpm(build.cooler_model, held.noise_dba)
        reach = noise.design.speed_range_rpm(build.cooler_model)
        if drive is None or reach is None:
            return _missing(name, count, "not estimable: no usable noise reading of this cooler")
        middle = float(np.median(drive))
        if not reach[0] / FARTHEST <= middle <= reach[1] * FARTHEST:
            return _missing(
                name, count,
                f"not reached: {held.noise_dba:g} dB(A) would need about {middle:.0f} rpm, measured "
                f"were {reach[0]:.0f} to {reach[1]:.0f}",
            )
        if not reach[0] <= middle <= reach[1]:
            health += "; noise law followed beyond the measured fan speeds"
    else:
        drive = np.full(count, held.fan_rpm if held.fan_rpm is not None else fit.reference.drive)
    if len(measured) and not measured.min() / FARTHEST <= np.median(drive) <= measured.max() * FARTHEST:
        health += "; far from the fan speeds it was run at"
    power = held.power_w if held.power_w is not None else fit.reference.power_w
    temperature = held.ambient_c + rise_draws(fit, build, scope, drive=drive, power_w=power)
    level = noise.level_dba(build.cooler_model, drive) if noise is not None else None
    return _Entry(name, temperature, drive, level, health)


def _missing(name: str, count: int, health: str) -> _Entry:
    nothing = np.full(count, np.nan)
    return _Entry(name, nothing, nothing, None, health)


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
    entries: Sequence[_Entry], temperatures: Array, groups: Sequence[int], prob: float
) -> pd.DataFrame:
    """Tidy table; ranks count equal values alike, 1 is the coolest."""
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
                "mean_c": mean, "low_c": low, "high_c": high,
                "rank_mean": float(np.mean(ranks[:, i])),
                "rank_low": float(ends[0]), "rank_high": float(ends[1]),
                "p_best": float(np.mean(ranks[:, i] == ranks.min(axis=1))),
                "group": groups[i],
                "fan_rpm": float(np.median(entry.drive)),
                "noise_dba": np.nan if entry.noise is None else float(np.mean(entry.noise)),
            }
        rows.append({**row, "health": entry.health})
    columns = ["product", "mean_c", "low_c", "high_c", "rank_mean", "rank_low", "rank_high",
               "p_best", "group", "fan_rpm", "noise_dba", "health"]
    return pd.DataFrame(rows, columns=columns).astype({"group": "Int64"})


def _dataset(entries: Sequence[_Entry]) -> xr.Dataset:
    import xarray as xr

    values = np.stack([e.temperature for e in entries]) if entries else np.zeros((0, 0))
    return xr.Dataset(
        {"temperature_c": (("product", "draw"), values)}, {"product": [e.name for e in entries]}
    )


def _sentences(
    reached: Sequence[_Entry], temperatures: Array, groups: Sequence[int], matters_k: float,
    prob: float,
) -> tuple[str, ...]:
    if not reached:
        return ("No product can be ranked at these conditions.",)
    leaders = [e.name for e, group in zip(reached, groups, strict=True) if group == 1]
    best = float(np.mean(temperatures[:, 0] == temperatures.min(axis=1)))
    sentences = [
        f"Coolest: {reached[0].name} at {range_words(reached[0].temperature, prob, '°C')}; "
        f"{best:.0%} probability that it is the coolest of all."
    ]
    if len(leaders) > 1:
        sentences.append(
            f"{', '.join(leaders)} cannot be told apart: no gap to {leaders[0]} is surely "
            f"above {matters_k:g} K."
        )
    sentences.append(
        f"{len(reached)} products fall into {groups[-1]} group(s) that differ by more than "
        f"{matters_k:g} K with at least {SURE:.0%} probability."
    )
    return tuple(sentences)


def _caveats(
    fit: Fit, entries: Sequence[_Entry], noise: NoiseFit | None, allowed: bool
) -> tuple[str, ...]:
    caveats = fit_caveats(fit)
    missing = [entry.name for entry in entries if not entry.reached]
    if missing:
        caveats.append("Not ranked, see their health: " + ", ".join(missing) + ".")
    if noise is not None:
        caveats += noise.design.notes
    if allowed and fit.health == "bad":
        caveats.append("Ranked although the fit's health is 'bad', on the user's word.")
    return tuple(caveats)


def _words(fit: Fit, held: Conditions) -> str:
    power = held.power_w if held.power_w is not None else fit.reference.power_w
    if held.noise_dba is not None:
        how = f"{held.noise_dba:g} dB(A) at {held.mic_distance_m:g} m"
    else:
        drive = held.fan_rpm if held.fan_rpm is not None else fit.reference.drive
        how = f"{drive:g} {fit.design.law.unit}"
    return f"{how}, {power:g} W, {held.ambient_c:g} °C ambient"
