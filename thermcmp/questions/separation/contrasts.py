"""Rows of the separation: contrasts, joint effects of aliased factors, spreads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.checks.data_share import data_share
from thermcmp.inference.parameter_notes import SMALL_K
from thermcmp.model.factor_words import effect_words
from thermcmp.model.identifiability import Contrast
from thermcmp.model.terms import Acts, Role
from thermcmp.prediction.builds import Scope
from thermcmp.questions.phrases import chance_words, part_words, range_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermcmp.inference.posterior import Fit

#: What the rows of spreads have in place of a contrast.
SPREAD: Final = "standard deviation"
#: Spread below which assembly is called noise [K] (common practice, no source).
SMALL_SPREAD_K: Final = 0.4


@dataclass(frozen=True, slots=True, eq=False)
class EffectRow:
    """One row of the separation before it is summarized."""

    factor: str
    contrast: str
    #: The effect or spread [K], shape (S,).
    draws: Array
    #: Share of its information that comes from the data [1].
    share: float
    #: Factors from which it cannot be distinguished.
    aliased_with: tuple[str, ...]
    health: str
    sentence: str

    @property
    def phrase(self) -> str:
        """Its name in a sentence: "cooler: Alder-C2 minus Alder-C1"."""
        return in_sentence(f"{self.factor}: {self.contrast}")


def in_sentence(effect: str) -> str:
    """Return an effect's name with words for its factor and its signs."""
    return effect_words(effect).replace(" − ", " minus ").replace(" + ", " and ")


def level_weights(fit: Fit, factor: str, level: str, scope: Scope) -> Array:
    """Return the weights of the effects in one level of a factor, shape (q,)."""
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
        if (
            scope is Scope.SPECIMENS
            and term.role is Role.SPECIMEN
            and term.acts is Acts.RESISTANCE
            and term.columns[0] == column
        ):
            chosen = np.unique(design.index[hit, place])
            weights[design.offsets[place] + chosen] += 1.0 / len(chosen)
    return weights


def contrast_weights(fit: Fit, scope: Scope, contrasts: Sequence[Contrast]) -> Array:
    """Return the weights of the effects in each contrast, second level less first, shape (m, q)."""
    weights = [
        level_weights(fit, c.factor, c.second, scope) - level_weights(fit, c.factor, c.first, scope)
        for c in contrasts
    ]
    return np.array(weights).reshape(len(weights), fit.design.effect_count)


def contrast_rows(
    fit: Fit, scope: Scope, wanted: Sequence[Contrast], prob: float
) -> list[EffectRow]:
    """Return the rows of the contrasts, followed by the joint effects of aliased ones."""
    entries = _entries(fit, scope, wanted)
    if not entries:
        return []
    stacked = np.stack([weights for _, _, weights, _ in entries])
    shares = data_share(fit, stacked)
    draws = fit.combined(stacked)
    return [
        _contrast_row(factor, name, draws[:, i], float(shares[i]), contrast, prob, str(fit.health))
        for i, (factor, name, _, contrast) in enumerate(entries)
    ]


def measured_effects(
    fit: Fit, scope: Scope, wanted: Sequence[Contrast]
) -> tuple[tuple[str, ...], Array]:
    """Return names and weights, (m, q), of the contrasts and joint effects that the data hold."""
    held = [
        (f"{factor}: {name}", weights)
        for factor, name, weights, contrast in _entries(fit, scope, wanted)
        if contrast is None or contrast.estimable
    ]
    weights = np.array([row for _, row in held])
    return tuple(name for name, _ in held), weights.reshape(len(held), fit.design.effect_count)


def short_effect(name: str) -> str:
    """Return an effect's name in words, without joint factors, which its levels show."""
    factor, _, levels = name.partition(": ")
    return levels if " + " in factor else effect_words(name)


def _entries(
    fit: Fit, scope: Scope, wanted: Sequence[Contrast]
) -> list[tuple[str, str, Array, Contrast | None]]:
    """Return factor, name and weights of each contrast, then of each joint effect."""
    entries: list[tuple[str, str, Array, Contrast | None]] = []
    joint_seen: set[frozenset[str]] = set()
    for contrast, weights in zip(wanted, contrast_weights(fit, scope, wanted), strict=True):
        entries.append(
            (contrast.factor, f"{contrast.second} − {contrast.first}", weights, contrast)
        )
    for contrast in wanted:
        # Joint effects of factors allow for a firmware's; it is no factor among them.
        is_factor = contrast.factor in fit.aliases.factors
        joint = _joint(fit, contrast, scope) if is_factor and not contrast.estimable else None
        # Both of two aliased contrasts lead to one joint effect, whichever way round.
        if joint is not None and joint.ends not in joint_seen:
            joint_seen.add(joint.ends)
            entries.append((joint.factors, joint.contrast, joint.weights, None))
    return entries


def _contrast_row(
    factor: str,
    name: str,
    draws: Array,
    share: float,
    contrast: Contrast | None,
    prob: float,
    health: str,
) -> EffectRow:
    number = range_words(draws, prob)
    if contrast is not None and not contrast.estimable:
        health = "not separable: the split is the prior's"
        sentence = (
            f"{contrast.sentence} The {number} in the table is {part_words(1.0 - share)} prior."
        )
        return EffectRow(factor, name, draws, share, contrast.aliased_with, health, sentence)
    words = in_sentence(f"{factor}: {name}")
    sentence = (
        f"{words[0].upper()}{words[1:]} is {number}; {part_words(share)} of it comes from the data."
    )
    if contrast is not None and contrast.rests_on:
        sentence += f" It rests on one combination of parts: {contrast.rests_on}."
    return EffectRow(factor, name, draws, share, (), health, sentence)


@dataclass(frozen=True, slots=True, eq=False)
class _Joint:
    """Effect of several factors that changed together."""

    factors: str
    before: str
    after: str
    weights: Array

    @property
    def contrast(self) -> str:
        return f"{self.after} − {self.before}"

    @property
    def ends(self) -> frozenset[str]:
        return frozenset((self.before, self.after))


def _joint(fit: Fit, contrast: Contrast, scope: Scope) -> _Joint | None:
    """Return the joint effect of factors that changed together, where that is one step."""
    design, place_of = fit.design, {term.name: k for k, term in enumerate(fit.design.terms)}
    # The fit's order of factors, so that two aliased contrasts share one joint row.
    names = [n for n in fit.aliases.factors if n in (contrast.factor, *contrast.aliased_with)]
    factor = place_of[contrast.factor]
    rows_of = [
        design.index[:, factor] == design.levels[factor].index(level)
        for level in (contrast.first, contrast.second)
    ]
    steps: list[tuple[str, str]] = []
    weights = np.zeros(design.effect_count)
    for name in names:
        place = place_of[name]
        ends = [np.unique(design.index[hit, place]) for hit in rows_of]
        if any(len(end) != 1 for end in ends):
            return None
        before, after = (design.levels[place][int(end[0])] for end in ends)
        steps.append((before, after))
        weights += level_weights(fit, name, after, scope) - level_weights(fit, name, before, scope)
    before, after = (" with ".join(step[i] for step in steps) for i in (0, 1))
    return _Joint(" + ".join(names), before, after, weights)


def spread_rows(fit: Fit, prob: float) -> list[EffectRow]:
    """Return the rows of the spreads between assemblies, sessions and laboratories."""
    rows = []
    for term in fit.design.terms:
        if term.role is not Role.NUISANCE:
            continue
        draws, note = fit.draws(term.spread), fit.note(term.spread)
        small = float(np.mean(draws < SMALL_SPREAD_K))
        chance = chance_words(note.below, len(draws))
        sentence = (
            f"{term.meaning.capitalize()}: standard deviation {range_words(draws, prob)}; "
            f"{chance_words(small, len(draws))} probability that it is below {SMALL_SPREAD_K:g} K."
        )
        if note.allows_zero:
            sentence += f" The data allow zero: {chance} that it is below {SMALL_K:g} K."
        words = "; ".join(filter(None, [str(fit.health), note.words]))
        share = float(np.clip(note.shrinkage, 0.0, 1.0))
        rows.append(EffectRow(term.name, SPREAD, draws, share, (), words, sentence))
    return rows
