"""Separation: how much of a temperature difference belongs to which part."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.inference.checks.prior_sensitivity import power_scaling
from thermcmp.model.conditions import Build
from thermcmp.model.identifiability import FEW, Contrast, alias_sentences
from thermcmp.model.terms import Acts, Role
from thermcmp.prediction.builds import Scope, build_of, check_parts_known
from thermcmp.questions.answer import Answer
from thermcmp.questions.caveats import (
    Linear,
    fit_caveats,
    influence_words,
    refuse_bad_health,
)
from thermcmp.questions.interval_plot import interval_figure
from thermcmp.questions.phrases import PROB, check_prob, summary
from thermcmp.questions.separation.contrasts import (
    EffectRow,
    contrast_rows,
    measured_effects,
    spread_rows,
)

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
    from matplotlib.axes import Axes

    from thermcmp.inference.posterior import Fit


def separate(
    fit: Fit,
    scope: str = "specimens",
    *,
    before: Build | str | None = None,
    after: Build | str | None = None,
    factors: Sequence[str] | None = None,
    prob: float = PROB,
    allow_bad_health: bool = False,
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
    allow_bad_health : bool
        Answer even if the fit's health is "bad"; recorded as a caveat.

    Returns
    -------
    Answer
        Table: factor, contrast, mean_k, sd_k, low_k, high_k [K], data_share,
        prior_influence, aliased_with, health. `data_share` says how much of the row the
        data hold; `prior_influence` how far it would move with other priors (change per
        doubling of their weight, see `power_scaling`; from 0.05 on it is said). A contrast
        "B − A" is B's rise minus A's. Aliased factors get a further row with their joint
        effect, which the data do hold.
        Each spread (assembly, session …) closes the table as a standard deviation.

    Raises
    ------
    InputError
        If the scope, a factor, a build or `prob` is not known, or only one of the
        two builds is given.
    EngineError
        If the fit's health is "bad" and not allowed.
    NotEstimableError
        If a build has a part that the fit has not seen.
    """
    check_prob(prob)
    refuse_bad_health(fit, allowed=allow_bad_health, what="separated")
    where = Scope.of(scope)
    wanted = wanted_contrasts(fit, before, after, factors)
    rows = [*contrast_rows(fit, where, wanted, prob), *spread_rows(fit, prob)]
    names = [f"{row.factor}: {row.contrast}" for row in rows]
    found = power_scaling(fit, np.array([row.draws for row in rows]))
    linear = Linear(*measured_effects(fit, where, wanted))
    return Answer(
        kind="separation",
        title=f"Separation of effects on {fit.sensor}, {where}",
        table=_table(rows, found.prior, prob),
        draws=_dataset(rows, names),
        sentences=_sentences(rows, wanted),
        caveats=(
            *fit_caveats(fit, influence=influence_words(names, found), linear=linear),
            *_caveats(fit, wanted),
        ),
        prob=prob,
        draw_figure=_figure,
        details={"scope": str(where), "health": str(fit.health)},
        fits=(fit,),
    )


def _sentences(rows: Sequence[EffectRow], wanted: Sequence[Contrast]) -> tuple[str, ...]:
    """The rows in words; where very many are aliased, those in a few sentences for all."""
    aliased = [row for row in rows if row.aliased_with]
    if len(aliased) <= 2 * FEW:
        return tuple(row.sentence for row in rows if row.sentence)
    told = [row.sentence for row in rows if row.sentence and not row.aliased_with]
    return (*alias_sentences(wanted), *told)


def wanted_contrasts(
    fit: Fit, before: Build | str | None, after: Build | str | None, factors: Sequence[str] | None
) -> list[Contrast]:
    """Contrasts asked for, as in `separate`."""
    known = fit.aliases.factors
    unknown = [name for name in factors or () if name not in known]
    if unknown:
        raise InputError(
            "Unknown factors:",
            [
                Fault(
                    "the fit has no such factor",
                    f"use some of: {', '.join(known) or 'none'}",
                    column="factors",
                    value=name,
                )
                for name in unknown
            ],
        )
    chosen = [c for c in fit.aliases.contrasts if factors is None or c.factor in factors]
    if before is None and after is None:
        return chosen
    if before is None or after is None:
        missing = "before" if before is None else "after"
        raise InputError(
            "Contrasts between two builds need both:",
            [Fault("missing", "give both builds, or neither for all pairs", column=missing)],
        )
    first, second = build_of(fit, before), build_of(fit, after)
    for build in (first, second):
        check_parts_known(fit, build)
    kept = []
    for contrast in chosen:
        a = _level(fit, first, contrast.factor)
        b = _level(fit, second, contrast.factor)
        if a != b and {a, b} == {contrast.first, contrast.second}:
            kept.append(
                Contrast(
                    contrast.factor,
                    str(a),
                    str(b),
                    contrast.aliased_with,
                    contrast.cure,
                    contrast.rests_on,
                )
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
    column = next(term.columns[0] for term in fit.design.terms if term.name == factor)
    found = rows.loc[hit.fillna(False), column].dropna().unique()
    return str(found[0]) if len(found) == 1 else None


def _table(rows: Sequence[EffectRow], influence: Array, prob: float) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(
        [
            (
                row.factor,
                row.contrast,
                *summary(row.draws, prob),
                row.share,
                moved,
                ", ".join(row.aliased_with),
                row.health,
            )
            for row, moved in zip(rows, influence, strict=True)
        ],
        columns=[
            "factor",
            "contrast",
            "mean_k",
            "sd_k",
            "low_k",
            "high_k",
            "data_share",
            "prior_influence",
            "aliased_with",
            "health",
        ],
    )


def _dataset(rows: Sequence[EffectRow], names: Sequence[str]) -> xr.Dataset:
    import xarray as xr

    values = np.stack([row.draws for row in rows]) if rows else np.zeros((0, 0))
    return xr.Dataset({"effect_k": (("contrast", "draw"), values)}, {"contrast": list(names)})


def _caveats(fit: Fit, wanted: Sequence[Contrast]) -> list[str]:
    caveats = []
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
            "Only one specimen was tested of " + ", ".join(lone) + ": for their product lines "
            "the spread between specimens comes from the other models and the prior."
        )
    return caveats


def _models_with_one(levels: Sequence[str]) -> list[str]:
    """Models of which a nested specimen term has one level only."""
    models = [level.rsplit(" · ", 1)[0] for level in levels]
    return [model for model in dict.fromkeys(models) if models.count(model) == 1]


def _figure(answer: Answer, ax: Axes) -> None:
    interval_figure(answer, ax, label=("factor", "contrast"))
