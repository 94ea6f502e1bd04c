"""Separation: how much of a temperature difference belongs to which part."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import product
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.inference.checks.prior_sensitivity import power_scaling
from thermcmp.model.conditions import Build
from thermcmp.model.factor_words import factor_words
from thermcmp.model.identifiability import FEW, Contrast, alias_sentences
from thermcmp.model.measurement_error import SET_APART
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
from thermcmp.questions.phrases import (
    PROB,
    RANGE_PROB,
    check_matters,
    check_prob,
    few_named,
    interval,
    summary,
)
from thermcmp.questions.separation.contrasts import (
    SPREAD,
    EffectRow,
    contrast_rows,
    in_sentence,
    measured_effects,
    partner_sentences,
    spread_rows,
    stated_effects,
)
from thermcmp.questions.separation.screening import MOST_CHECKED, screen
from thermcmp.questions.went_with import went_with_words

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

_COLUMNS: Final = (
    "factor", "contrast", "partner", "mean_k", "sd_k", "low_k", "high_k", "data_share",
    "prior_influence", "aliased_with", "health",
)  # fmt: skip
#: Rows that are shown of a larger table: a screen of them.
MOST_SHOWN: Final = 12


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Separation(Answer):
    """The effect of each factor at reference conditions.

    Attributes
    ----------
    scope : str
        "specimens" or "product line".
    matters_k : float
        Smallest difference that matters [K]; where the table is long, contrasts that
        are likely to exceed it are shown first.
    """

    scope: str
    matters_k: float


def separate(
    fit: Fit,
    scope: Literal["specimens", "product line"] = "specimens",
    *,
    before: Build | str | None = None,
    after: Build | str | None = None,
    contrasts: str | Sequence[str | tuple[str, str]] | None = None,
    matters_k: float = 1.0,
    prob: float = PROB,
    allow_bad_health: bool = False,
) -> Separation:
    """Estimate each factor's effect at reference conditions, and what cannot be separated.

    Parameters
    ----------
    fit : Fit
        The fit.
    scope : {"specimens", "product line"}
        Whether the tested specimens' own deviations count to the effect of their
        model, or the model's line is meant.
    before, after : Build or str, optional
        Only the contrasts between these two builds; all pairs of levels by default.
    contrasts : str, or sequence of str or (str, str), optional
        Only these: all contrasts of a factor by its name, or one by its two levels, of
        which the second minus the first is taken.
    matters_k : float
        Smallest difference that matters [K]; 0 or more. Of more than a dozen rows those
        are shown that most likely exceed it; the table holds all.
    prob : float
        Probability of the equal-tailed intervals.
    allow_bad_health : bool
        Answer even if the fit's health is "bad"; recorded as a caveat.

    Returns
    -------
    Separation
        Table: factor, contrast, partner, mean_k, sd_k, low_k, high_k [K], data_share,
        prior_influence, aliased_with, health. Where coolers and boards were crossed, an
        effect is stated on each `partner` and as their "average", since it may depend on
        it. `data_share` says how much of the row the
        data hold; `prior_influence` how far it would move with other priors (change per
        doubling of their weight; named in a caveat from 0.05 on). A contrast "B − A" is
        B's rise minus A's, so negative is cooler; B is the newer one, by the order of the
        products' names. The row of an aliased factor holds the range that its effect may
        have (99 %) and no estimate; a further row has the joint effect, which the data do
        hold. Spreads (assembly, session …) close the table as standard
        deviations. Of more than 200 contrasts the dozen are checked so that most likely exceed
        `matters_k`, and `draws` holds these; the others follow after the spreads with mean,
        standard deviation and interval only, and say so in their health.

    Raises
    ------
    InputError
        If the scope, a contrast, a build, `matters_k` or `prob` is not known, or only
        one of the two builds is given.
    EngineError
        If the fit's health is "bad" and not allowed.
    NotEstimableError
        If a build has a part that the fit has not seen.
    """
    import pandas as pd
    import xarray as xr

    check_prob(prob)
    check_matters(matters_k)
    refuse_bad_health(fit, allowed=allow_bad_health, what="separated")
    where = Scope.of(scope)
    wanted = wanted_contrasts(fit, before, after, contrasts)
    partners = _partners(fit, before, after)
    screening = None
    if len(wanted) > MOST_CHECKED:
        screening = screen(fit, where, wanted, partners, matters_k=matters_k, prob=prob)
        wanted, screening = screening.parted(MOST_SHOWN)
    effects = stated_effects(fit, where, wanted, partners)
    rows = [*contrast_rows(fit, effects, prob), *spread_rows(fit, prob)]
    count = fit.posterior.sizes["chain"] * fit.posterior.sizes["draw"]
    values = np.array([row.draws for row in rows]).reshape(len(rows), count)
    influence = power_scaling(fit, values)
    names, weights = measured_effects(fit, effects)
    shown = _shown(rows, matters_k)

    cells = [*_cells(rows, influence.prior, prob), *(screening.cells if screening else ())]
    return Separation(
        kind="separation",
        title=f"Separation of effects on {fit.sensor}, {where}",
        table=pd.DataFrame(cells, columns=_COLUMNS),
        draws=xr.Dataset(
            {"effect_k": (("contrast", "draw"), values)},
            {"contrast": [_coordinate(row) for row in rows]},
        ),
        sentences=(
            *_sentences(rows, shown, wanted),
            *partner_sentences(fit, effects, prob),
        ),
        caveats=(
            *fit_caveats(
                fit,
                influence=influence_words([row.phrase for row in rows], influence),
                linear=Linear(tuple(map(in_sentence, names)), weights, is_assumed_said=True),
            ),
            *_caveats(fit, wanted),
            *(screening.caveats if screening else ()),
        ),
        prob=prob,
        draw_figure=partial(interval_figure, label=("factor", "contrast")),
        shown_rows=shown,
        scope=str(where),
        matters_k=matters_k,
        fits=(fit,),
    )


def _cells(rows: Sequence[EffectRow], prior: Array, prob: float) -> Iterator[tuple[object, ...]]:
    """Return the cells of each row in the table."""
    for row, moved in zip(rows, prior, strict=True):
        aliased = ", ".join(row.aliased_with)
        named = (row.factor, row.contrast, row.partner)
        yield (*named, *_numbers(row, prob), row.share, moved, aliased, row.health)


def _numbers(row: EffectRow, prob: float) -> tuple[float, float, float, float]:
    """Return mean, sd and the ends of the interval; of a withheld row its range only."""
    if row.is_withheld:
        return (np.nan, np.nan, *interval(row.draws, RANGE_PROB))
    return summary(row.draws, prob)


def _coordinate(row: EffectRow) -> str:
    name = f"{row.factor}: {row.contrast}"
    return f"{name} on {row.partner}" if row.partner else name


def _caveats(fit: Fit, wanted: Sequence[Contrast]) -> list[str]:
    """Return what limits a separation: aliased factors, and models with one specimen."""
    caveats = []
    if any(not contrast.estimable for contrast in wanted):
        caveats.append(
            "Where factors changed together only their joint effect is measured; the rows that "
            "split it state the range that the priors leave and no estimate. A swap means a "
            "teardown: power off, unplug, let it cool, and follow the maker's service instructions."
        )
    if beside := _beside_firmware(fit, wanted):
        caveats.append(
            f"Firmware changed together with {', '.join(map(factor_words, beside))}: the intervals "
            "allow for what it may do beyond fan speed and power, by its prior alone. Fix: run "
            "both firmwares on one hardware at one fan speed and power."
        )
    named = {level for contrast in wanted for level in (contrast.first, contrast.second)}
    lone = [
        f"{factor_words(term.columns[0])} {model}"
        for term, levels in zip(fit.design.terms, fit.design.levels, strict=True)
        if term.role is Role.SPECIMEN and term.acts is Acts.RESISTANCE
        for model, specimens in Counter(level.rsplit(" · ", 1)[0] for level in levels).items()
        if specimens == 1 and model in named
    ]
    if between := _not_run_at_reference(fit, named):
        speed = f"{fit.reference.flow_speed:g} {fit.design.law.unit}"
        caveats.append(
            f"Effects are stated at {speed}, where {few_named(between)} had no run: a law of fan "
            f"speed that bends there would shift them. Fix: run these at {speed}, or state as "
            "reference= a speed that was run."
        )
    coolers = dict.fromkeys(
        (c.first, c.second) for c in wanted if c.factor == "cooler_model" and c.estimable
    )
    caveats += went_with_words(fit, coolers)
    if lone:
        caveats.append(
            f"Only one specimen was tested of {few_named(lone)}: for their product lines "
            "the spread between specimens comes from the other models and the prior."
        )
    return caveats


def _not_run_at_reference(fit: Fit, named: set[str]) -> list[str]:
    """Return the coolers, of the levels named, without a set point at the reference's speed."""
    design = fit.design
    away = np.abs(design.flow_speed / design.reference.flow_speed - 1.0)
    cooler = design.rows["cooler_model"].astype(str).to_numpy()
    known = sorted(named.intersection(cooler))
    return [f"cooler {name}" for name in known if away[cooler == name].min() > SET_APART]


def _beside_firmware(fit: Fit, wanted: Sequence[Contrast]) -> list[str]:
    """Return the factors of which two levels ran under firmwares that no hardware has in common."""
    design = fit.design
    place = design.term_position("firmware")
    if place is None:
        return []
    firmware = np.array(design.levels[place])[design.index[:, place]]
    beside = []
    for contrast in wanted:
        k = design.term_position(contrast.factor)
        if k is None or design.terms[k].role is not Role.FACTOR:
            continue
        level = np.array(design.levels[k])[design.index[:, k]]
        old, new = (np.unique(firmware[level == end]) for end in (contrast.first, contrast.second))
        alias = (fit.aliases.of("firmware", a, b) for a, b in product(old, new))
        if not set(old) & set(new) and any(a is not None and not a.estimable for a in alias):
            beside.append(contrast.factor)
    return list(dict.fromkeys(beside))


def _shown(rows: Sequence[EffectRow], matters_k: float) -> tuple[int, ...]:
    """Return the rows to show: of too many, the measured ones that most likely matter."""
    spreads = [place for place, row in enumerate(rows) if row.contrast == SPREAD]
    room = max(1, MOST_SHOWN - len(spreads))
    effects = [place for place in range(len(rows)) if place not in spreads]
    if len(effects) > room:

        def weight(place: int) -> tuple[bool, float, float]:
            size = np.abs(rows[place].draws)
            return not rows[place].aliased_with, float(np.mean(size > matters_k)), size.mean()

        effects = sorted(effects, key=weight, reverse=True)[:room]
    return (*effects, *spreads)


def _sentences(
    rows: Sequence[EffectRow], shown: Sequence[int], wanted: Sequence[Contrast]
) -> tuple[str, ...]:
    """Describe the rows shown; where many are aliased, all of those in a few sentences."""
    if not rows:
        return (
            "Nothing can be separated: every run has the same parts, assembly and session. Fix: "
            "run the change that is in question, and assemble the cooler anew for some runs.",
        )
    aliased = [row for row in rows if row.aliased_with]
    named = [rows[place] for place in shown]
    if len(aliased) <= 2 * FEW:
        # What cannot be separated is named although other rows take its place.
        named += [row for row in aliased if row not in named]
        seen: set[tuple[str, str]] = set()
        first: list[str] = []
        rest: list[str] = []
        for row in named:
            # Each effect once before its further partners.
            (rest if (row.factor, row.contrast) in seen else first).append(row.sentence)
            seen.add((row.factor, row.contrast))
        return (*first, *rest)
    measured = [row.sentence for row in named if not row.aliased_with]
    return (*alias_sentences(wanted), *measured)


def wanted_contrasts(
    fit: Fit,
    before: Build | str | None,
    after: Build | str | None,
    contrasts: str | Sequence[str | tuple[str, str]] | None,
) -> list[Contrast]:
    """Return the contrasts that `separate` is to estimate."""
    is_between = before is not None or after is not None
    chosen = _between_builds(fit, before, after) if is_between else list(fit.aliases.contrasts)
    if contrasts is None:
        return chosen
    kept: list[Contrast] = []
    faults = []
    for item in [contrasts] if isinstance(contrasts, str) else contrasts:
        if isinstance(item, str):
            kept += [c for c in chosen if c.factor == item]
            is_known = item in fit.aliases.names
        else:
            first, second = item
            is_known = any(fit.aliases.of(name, *item) for name in fit.aliases.names)
            kept += [
                replace(c, first=first, second=second)
                for c in chosen
                if {c.first, c.second} == {*item}
            ]
        if not is_known:
            known = ", ".join(fit.aliases.names) or "none"
            faults.append(
                Fault(
                    "the fit has no such factor or pair of levels",
                    f"use factors of {known}, or two levels of one of them",
                    column="contrasts",
                    value=item if isinstance(item, str) else " and ".join(item),
                )
            )
    if faults:
        raise InputError("Unknown contrasts:", faults)
    return list(dict.fromkeys(kept))


def _between_builds(
    fit: Fit, before: Build | str | None, after: Build | str | None
) -> list[Contrast]:
    """Return the contrasts between the levels of two builds, the new one minus the old one."""
    if before is None or after is None:
        missing = "before" if before is None else "after"
        raise InputError(
            "Contrasts between two builds need both:",
            [Fault("missing", "give both builds, or neither for all pairs", column=missing)],
        )
    builds = build_of(fit, before), build_of(fit, after)
    for build in builds:
        check_parts_known(fit, build)
    kept = []
    for factor in fit.aliases.names:
        first, second = (_level(fit, build, factor) for build in builds)
        contrast = fit.aliases.of(factor, first, second) if first and second else None
        if contrast is not None:
            kept.append(replace(contrast, first=str(first), second=str(second)))
    return kept


def _partners(fit: Fit, *builds: Build | str | None) -> set[str] | None:
    """Return the coolers and boards of builds, on which a contrast between them is stated."""
    known = [build_of(fit, build) for build in builds if build is not None]
    return {part for b in known for part in (b.cooler_model, b.board_model)} if known else None


def _level(fit: Fit, build: Build, factor: str) -> str | None:
    """Return the build's one level of a factor, or None where it has none or several."""
    stated = getattr(build, factor, None)
    if stated is not None:
        return str(stated)
    if factor == "assembly_kind":
        return None
    rows = fit.design.rows
    hit = rows["board_model"].eq(build.board_model) & rows["cooler_model"].eq(build.cooler_model)
    column = next(term.columns[0] for term in fit.design.terms if term.name == factor)
    levels = rows.loc[hit.fillna(False), column].dropna().unique()
    return str(levels[0]) if len(levels) == 1 else None
