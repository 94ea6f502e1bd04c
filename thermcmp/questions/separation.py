"""Separation: how much of a temperature difference belongs to which part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from thermcmp.errors import Fault, InputError
from thermcmp.inference.influence import data_share
from thermcmp.model.conditions import Build
from thermcmp.model.identifiability import Contrast
from thermcmp.model.terms import Acts, Role
from thermcmp.questions.answer import Answer
from thermcmp.questions.figures import interval_figure
from thermcmp.questions.prediction import Scope, build_of
from thermcmp.questions.wording import (
    PROB,
    check_prob,
    fit_caveats,
    interval,
    range_words,
    summary,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.priors import Array

#: Spread below which mounting is called noise [K] (common practice, no source).
SMALL_SPREAD_K = 0.4


@dataclass(frozen=True, slots=True)
class _Row:
    """One row to be: names, draws and what is known of them."""

    factor: str
    contrast: str
    draws: Array
    share: float
    aliased_with: tuple[str, ...]
    health: str
    sentence: str


def separate(
    fit: Fit,
    scope: str = "specimens",
    *,
    before: Build | str | None = None,
    after: Build | str | None = None,
    factors: Sequence[str] | None = None,
    prob: float = PROB,
) -> Answer:
    """Each factor's effect at reference conditions, and what cannot be told apart.

    Parameters
    ----------
    fit : Fit
        The fit.
    scope : {"specimens", "product line"}
        Whether the tested specimens' own deviations count to the effect of their
        model, or the model's line is meant.
    before, after : Build or str, optional
        Only the contrasts between these two builds; all pairs of levels by default.
    factors : sequence of str, optional
        Only these factors.
    prob : float
        Probability of the equal-tailed intervals.

    Returns
    -------
    Answer
        Table: factor, contrast, mean_k, sd_k, low_k, high_k [K], data_share,
        aliased_with, health. A contrast "B − A" is B's rise minus A's. Aliased
        factors get a further row with their joint effect, which the data do hold.
        Each spread (mounting, session …) closes the table as a standard deviation.

    Raises
    ------
    InputError
        If the scope, a factor or `prob` is not known.
    NotEstimableError
        If a build has a part that the fit has not seen.
    """
    check_prob(prob)
    where = Scope.of(scope)
    wanted = _wanted(fit, before, after, factors)
    rows = [*_contrast_rows(fit, where, wanted, prob), *_spread_rows(fit, prob)]
    return Answer(
        kind="separation",
        title=f"Separation of effects on {fit.sensor}, {where}",
        table=_table(rows, prob),
        draws=_dataset(rows),
        sentences=tuple(row.sentence for row in rows if row.sentence),
        caveats=tuple(_caveats(fit, wanted)),
        prob=prob,
        draw_figure=_figure,
        details={"scope": str(where)},
    )


def _wanted(
    fit: Fit, before: Build | str | None, after: Build | str | None, factors: Sequence[str] | None
) -> list[Contrast]:
    """The contrasts asked for."""
    known = fit.aliases.factors
    unknown = [name for name in factors or () if name not in known]
    if unknown:
        raise InputError(
            "Unknown factors:",
            [Fault("the fit has no such factor", f"use some of: {', '.join(known) or 'none'}",
                   column="factors", value=name) for name in unknown],
        )
    chosen = [c for c in fit.aliases.contrasts if factors is None or c.factor in factors]
    if before is None or after is None:
        return chosen
    first, second = build_of(fit, before), build_of(fit, after)
    kept = []
    for contrast in chosen:
        a = _level(fit, first, contrast.factor)
        b = _level(fit, second, contrast.factor)
        if a != b and {a, b} == {contrast.first, contrast.second}:
            kept.append(
                Contrast(contrast.factor, str(a), str(b), contrast.aliased_with, contrast.cure,
                         contrast.rests_on)
            )
    return kept


def _level(fit: Fit, build: Build, factor: str) -> str | None:
    """The build's one level of a factor, or None where it has none or several."""
    stated = getattr(build, factor, None)
    if stated is not None:
        return str(stated)
    if factor == "assembly_kind":
        return None
    rows = fit.results
    hit = rows["board_model"].eq(build.board_model) & rows["cooler_model"].eq(build.cooler_model)
    term = fit.design.terms[fit.design.term_position(factor) or 0]
    found = rows.loc[hit.fillna(False), term.columns[0]].dropna().unique()
    return str(found[0]) if len(found) == 1 else None


def level_weights(fit: Fit, factor: str, level: str, scope: Scope) -> Array:
    """Weights of the effects in one level of a factor, shape (q,).

    With the scope "specimens" the mean of the level's tested specimens counts to it.
    """
    design = fit.design
    weights = np.zeros(design.effect_count)
    position = design.term_position(factor)
    if position is None:
        return weights
    column = design.terms[position].columns[0]
    code = design.levels[position].index(level)
    hit = design.index[:, position] == code
    weights[design.offsets[position] + code] = 1.0
    for place, term in enumerate(design.terms):
        if (scope is Scope.SPECIMENS and term.role is Role.SPECIMEN
                and term.acts is Acts.RESISTANCE and term.columns[0] == column):
            chosen = np.unique(design.index[hit, place])
            weights[design.offsets[place] + chosen] += 1.0 / len(chosen)
    return weights


def _contrast_rows(
    fit: Fit, scope: Scope, wanted: Sequence[Contrast], prob: float
) -> list[_Row]:
    """Rows of the contrasts, each group of aliased ones followed by its joint effect."""
    entries: list[tuple[str, str, Array, Contrast | None]] = []
    joint_seen: set[str] = set()
    for contrast in wanted:
        weights = level_weights(fit, contrast.factor, contrast.second, scope) - level_weights(
            fit, contrast.factor, contrast.first, scope
        )
        entries.append((contrast.factor, f"{contrast.second} − {contrast.first}", weights, contrast))
    for contrast in wanted:
        joint = None if contrast.estimable else _joint(fit, contrast, scope)
        if joint is not None and joint[1] not in joint_seen:
            joint_seen.add(joint[1])
            entries.append((*joint, None))
    if not entries:
        return []
    stacked = np.stack([weights for _, _, weights, _ in entries])
    shares = data_share(fit, stacked)
    draws = fit.effects @ stacked.T
    return [
        _contrast_row(factor, name, draws[:, i], float(shares[i]), contrast, prob, str(fit.health))
        for i, (factor, name, _, contrast) in enumerate(entries)
    ]


def _contrast_row(
    factor: str, name: str, draws: Array, share: float, contrast: Contrast | None, prob: float,
    health: str,
) -> _Row:
    words = f"{factor}, {name}: {range_words(draws, prob)}"
    if contrast is not None and not contrast.estimable:
        health = "not separable: the split is the prior's"
        sentence = f"{contrast.sentence} {share:.0%} of {words} comes from the data."
        return _Row(factor, name, draws, share, contrast.aliased_with, health, sentence)
    sentence = f"{words}; {share:.0%} of it comes from the data."
    if contrast is not None and contrast.rests_on:
        sentence += f" It rests on one combination of parts: {contrast.rests_on}."
    return _Row(factor, name, draws, share, (), health, sentence)


def _joint(fit: Fit, contrast: Contrast, scope: Scope) -> tuple[str, str, Array] | None:
    """Joint effect of the factors that changed together, where it is one step for all."""
    names = [contrast.factor, *contrast.aliased_with]
    # A fixed order of factors, so that two aliased contrasts share one joint row.
    names = [name for name in fit.aliases.factors if name in names]
    steps: list[tuple[str, str]] = []
    design = fit.design
    own = design.term_position(contrast.factor) or 0
    first = design.levels[own].index(contrast.first)
    second = design.levels[own].index(contrast.second)
    for name in names:
        place = design.term_position(name) or 0
        ends = [np.unique(design.index[design.index[:, own] == c, place]) for c in (first, second)]
        if any(len(end) != 1 for end in ends):
            return None
        a, b = (design.levels[place][int(end[0])] for end in ends)
        steps.append((a, b))
    weights = sum(
        (level_weights(fit, name, b, scope) - level_weights(fit, name, a, scope)
         for name, (a, b) in zip(names, steps, strict=True)),
        start=np.zeros(design.effect_count),
    )
    before, after = (" with ".join(step[i] for step in steps) for i in (0, 1))
    ordered = sorted([(before, after), (after, before)])
    if ordered[0] != (before, after):
        before, after, weights = after, before, -weights
    return " + ".join(names), f"{after} − {before}", weights


def _spread_rows(fit: Fit, prob: float) -> list[_Row]:
    """Rows of the spreads between mountings, sittings and laboratories."""
    rows = []
    for term in fit.design.terms:
        if term.role is not Role.NUISANCE:
            continue
        draws = fit.draws(term.spread)
        prior = fit.priors[term.spread].standard_deviation
        share = float(np.clip(1.0 - np.var(draws) / prior**2, 0.0, 1.0))
        small = float(np.mean(draws < SMALL_SPREAD_K))
        sentence = (
            f"{term.meaning.capitalize()}: standard deviation {range_words(draws, prob)}; "
            f"{small:.0%} probability that it is below {SMALL_SPREAD_K:g} K."
        )
        rows.append(
            _Row(term.name, "standard deviation", draws, share, (), str(fit.health), sentence)
        )
    return rows


def _table(rows: Sequence[_Row], prob: float) -> object:
    import pandas as pd

    return pd.DataFrame(
        [
            (row.factor, row.contrast, *summary(row.draws, prob), row.share,
             ", ".join(row.aliased_with), row.health)
            for row in rows
        ],
        columns=["factor", "contrast", "mean_k", "sd_k", "low_k", "high_k", "data_share",
                 "aliased_with", "health"],
    )


def _dataset(rows: Sequence[_Row]) -> object:
    import xarray as xr

    names = [f"{row.factor}: {row.contrast}" for row in rows]
    values = np.stack([row.draws for row in rows]) if rows else np.zeros((0, 0))
    return xr.Dataset({"effect_k": (("contrast", "draw"), values)}, {"contrast": names})


def _caveats(fit: Fit, wanted: Sequence[Contrast]) -> list[str]:
    caveats = fit_caveats(fit)
    if any(not contrast.estimable for contrast in wanted):
        caveats.append(
            "Where factors changed together only their joint effect is measured; the rows that "
            "split it follow the priors (see the fit's priors) and are no finding. A swap means a "
            "teardown: power off, unplug, let it cool, and follow the maker's service instructions."
        )
    named = {level for contrast in wanted for level in (contrast.first, contrast.second)}
    lone = [
        f"{term.columns[0]} {model}"
        for term, levels in zip(fit.design.terms, fit.design.levels, strict=True)
        if term.role is Role.SPECIMEN and term.acts is Acts.RESISTANCE
        for model in _models_with_one(levels)
        if model in named
    ]
    if lone:
        caveats.append(
            "Only one specimen was tested of " + ", ".join(lone) + ": for its product line the "
            "spread between specimens comes from the other models and the prior."
        )
    return caveats


def _models_with_one(levels: Sequence[str]) -> list[str]:
    """Models of which a nested specimen term has one level only."""
    models = [level.rsplit(" · ", 1)[0] for level in levels]
    return [model for model in dict.fromkeys(models) if models.count(model) == 1]


def _figure(answer: Answer, ax: Axes) -> None:
    interval_figure(answer, ax, label=("factor", "contrast"))
