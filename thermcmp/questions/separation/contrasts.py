"""Rows of the separation: contrasts, joint effects of aliased factors, spreads."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.checks.assumed_spread import (
    assumed_spreads,
    rests_sentence,
    spread_names,
)
from thermcmp.inference.checks.data_share import data_share
from thermcmp.inference.parameter_notes import SMALL_K
from thermcmp.model.factor_words import effect_words
from thermcmp.model.identifiability import Contrast
from thermcmp.model.rows import level_keys
from thermcmp.model.terms import Acts, Role
from thermcmp.prediction.builds import Scope
from thermcmp.questions.answer import ROW_IN_WORDS
from thermcmp.questions.phrases import (
    WITHHELD,
    chance_words,
    interval,
    number_words,
    open_words,
    other_sign_words,
    part_words,
    range_words,
)

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.design import Design

#: What the rows of spreads have in place of a contrast.
SPREAD: Final = "standard deviation"
#: Partner of an effect that is averaged over all partners on which both levels were run.
AVERAGE: Final = "average"
#: Most contrasts that are stated on each partner, and most partners beyond the common ones.
MOST_BY_PARTNER: Final = 20
FEW_PARTNERS: Final = 3
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
    #: The partner on which the effect is stated; `AVERAGE` over those with both levels.
    partner: str = ""
    #: Whether only a range is stated, since the runs do not hold it.
    is_withheld: bool = False

    @property
    def phrase(self) -> str:
        """Its name in a sentence: "cooler: Alder-C2 minus Alder-C1 on Alder-B1"."""
        name = in_sentence(f"{self.factor}: {self.contrast}")
        return f"{name}{partner_words(self.partner)}"


@dataclass(frozen=True, slots=True, eq=False)
class Effect:
    """An effect to be stated: its name, its weights (q,) and its contrast, on a partner."""

    factor: str
    contrast: str
    weights: Array
    alias: Contrast | None = None
    partner: str = ""
    #: Results column of the partner.
    partner_column: str = ""
    #: Whether both levels were run on the partner.
    is_measured: bool = True

    @property
    def name(self) -> str:
        """Factor, contrast and partner: "cooler_model: Alder-C2 − Alder-C1 on Alder-B1"."""
        return f"{self.factor}: {self.contrast}{partner_words(self.partner)}"


def in_sentence(effect: str) -> str:
    """Return an effect's name with words for its factor and its signs."""
    return effect_words(effect).replace(" − ", " minus ").replace(" + ", " and ")


def partner_words(partner: str) -> str:
    """Return on which partner an effect is stated, as the end of its name."""
    if not partner:
        return ""
    return ", averaged over the partners run with both" if partner == AVERAGE else f" on {partner}"


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


def contrast_weights(fit: Fit, scope: Scope, contrasts: Iterable[Contrast]) -> Iterator[Array]:
    """Return the weights (q,) of the effects in each contrast: second level less first."""
    known: dict[tuple[str, str], Array] = {}
    for contrast in contrasts:
        for level in (contrast.first, contrast.second):
            if (contrast.factor, level) not in known:
                known[contrast.factor, level] = level_weights(fit, contrast.factor, level, scope)
        first, second = (
            known[contrast.factor, level] for level in (contrast.first, contrast.second)
        )
        yield second - first


def contrast_rows(fit: Fit, effects: Sequence[Effect], prob: float) -> list[EffectRow]:
    """Return the rows of effects."""
    if not effects:
        return []
    stacked = np.stack([effect.weights for effect in effects])
    shares, draws = data_share(fit, stacked), fit.combined(stacked)
    assumed = assumed_spreads(fit, stacked)
    return [
        _contrast_row(fit, effect, draws[:, i], float(shares[i]), assumed[i], prob)
        for i, effect in enumerate(effects)
    ]


def measured_effects(fit: Fit, effects: Sequence[Effect]) -> tuple[tuple[str, ...], Array]:
    """Return names and weights, (m, q), of the effects that the data hold."""
    held = [
        effect
        for effect in effects
        if effect.is_measured and (effect.alias is None or effect.alias.estimable)
    ]
    weights = np.array([effect.weights for effect in held])
    return tuple(effect.name for effect in held), weights.reshape(
        len(held), fit.design.effect_count
    )


def short_effect(name: str) -> str:
    """Return an effect's name in words, without joint factors, which its levels show."""
    factor, _, levels = name.partition(": ")
    return levels if " + " in factor else effect_words(name)


def stated_effects(
    fit: Fit,
    scope: Scope,
    wanted: Sequence[Contrast],
    partners: Collection[str] | None = None,
) -> list[Effect]:
    """Return each contrast, on its partners where there are pairings, then each joint effect.

    Only on some partners where these are stated.
    """
    is_each = len(wanted) <= MOST_BY_PARTNER
    effects = list(contrast_effects(fit, scope, wanted, partners, is_each=is_each))
    joint_seen: set[frozenset[str]] = set()
    for contrast in wanted:
        # Joint effects of factors allow for a firmware's; it is not a factor among them.
        is_factor = contrast.factor in fit.aliases.factors
        joint = _joint(fit, contrast, scope) if is_factor and not contrast.estimable else None
        # Both of two aliased contrasts lead to one joint effect, whichever way round.
        if joint is not None and joint.ends not in joint_seen:
            joint_seen.add(joint.ends)
            effects.append(Effect(joint.factors, joint.contrast, joint.weights))
    return effects


def contrast_effects(
    fit: Fit,
    scope: Scope,
    wanted: Sequence[Contrast],
    partners: Collection[str] | None = None,
    *,
    is_each: bool,
) -> Iterator[Effect]:
    """Return each contrast: where there are pairings on their average, or on each partner too."""
    partners_of = _partners_of_levels(fit.design)
    for contrast, weights in zip(wanted, contrast_weights(fit, scope, wanted), strict=True):
        name = f"{contrast.second} − {contrast.first}"
        plain = Effect(contrast.factor, name, weights, contrast)
        shared: dict[int, tuple[set[str], set[str]]] = {}
        for place, levels in partners_of.items():
            first, second = (
                levels.get((contrast.factor, level), set())
                for level in (contrast.first, contrast.second)
            )
            if contrast.estimable and first & second:
                if partners is not None and (first | second) & set(partners):
                    first, second = first & set(partners), second & set(partners)
                shared[place] = first & second, first | second
        # Without any the additive reading, for a partner of any kind.
        yield from _on_partners(fit.design, plain, contrast, shared, is_each=is_each)


def _partners_of_levels(design: Design) -> dict[int, dict[tuple[str, str], set[str]]]:
    """Return, by place of a pairing, the partners that each level of its two factors had."""
    found: dict[int, dict[tuple[str, str], set[str]]] = {}
    for place, term in enumerate(design.terms):
        if term.role is not Role.PAIRING:
            continue
        keys = [level_keys(design.rows, (column,)).astype(str) for column in term.columns]
        partners = found.setdefault(place, {})
        for parts in set(zip(*keys, strict=True)):
            for own, other in ((0, 1), (1, 0)):
                partners.setdefault((term.columns[own], parts[own]), set()).add(parts[other])
    return found


def _on_partners(
    design: Design,
    plain: Effect,
    contrast: Contrast,
    shared: Mapping[int, tuple[set[str], set[str]]],
    *,
    is_each: bool,
) -> Iterator[Effect]:
    """Return a contrast averaged over the partners run with both its levels, and on each.

    On a partner of one kind it is averaged over those of the other kinds.
    """
    usual, averages = plain.weights, dict[int, Array]()
    for place, (both, _) in shared.items():
        pairs = _pair_weights(design, place, contrast, sorted(both))
        averages[place] = np.zeros_like(usual) if pairs is None else pairs
        usual = usual + averages[place]
    has_average = not shared or any(len(both) > 1 for both, _ in shared.values())
    if has_average:
        yield replace(plain, weights=usual, partner=AVERAGE if shared else "")
    for place, (both, either) in shared.items() if is_each or not has_average else ():
        columns = design.terms[place].columns
        column = columns[1 - columns.index(contrast.factor)]
        for each in sorted(either if len(either) <= FEW_PARTNERS else both):
            pairs = _pair_weights(design, place, contrast, [each])
            if pairs is not None:
                yield replace(
                    plain,
                    weights=usual - averages[place] + pairs,
                    partner=each,
                    partner_column=column,
                    is_measured=each in both,
                )


def _pair_weights(
    design: Design, place: int, contrast: Contrast, partners: Sequence[str]
) -> Array | None:
    """Return the weights (q,) of pairings in a contrast averaged over partners, where known."""
    side = design.terms[place].columns.index(contrast.factor)
    weights, levels = np.zeros(design.effect_count), design.levels[place]
    for partner in partners:
        for level, sign in ((contrast.first, -1.0), (contrast.second, 1.0)):
            pair = " · ".join((level, partner) if side == 0 else (partner, level))
            if pair not in levels:
                return None
            weights[design.offsets[place] + levels.index(pair)] += sign / len(partners)
    return weights


def partner_sentences(fit: Fit, effects: Sequence[Effect], prob: float) -> list[str]:
    """State which effects depend on their partner, and where they act as a factor on the rise."""
    groups: dict[tuple[str, str, str], list[Effect]] = {}
    for effect in effects:
        if effect.partner not in ("", AVERAGE) and effect.is_measured:
            key = (effect.factor, effect.contrast, effect.partner_column)
            groups.setdefault(key, []).append(effect)
    sentences = []
    for group in groups.values():
        draws = fit.combined(np.stack([effect.weights for effect in group]))
        order = np.argsort(draws.mean(axis=0))
        low, high = int(order[0]), int(order[-1])
        apart = draws[:, high] - draws[:, low]
        if low == high or interval(apart, prob)[0] <= 0.0:
            continue
        name = in_sentence(f"{group[0].factor}: {group[0].contrast}")
        sentence = (
            f"{name[0].upper()}{name[1:]} depends on its partner: {range_words(apart, prob)} "
            f"apart between {group[high].partner} and {group[low].partner}."
        )
        rises = np.array([_rise_k(fit, effect) for effect in group])
        shares = draws / rises
        left = (shares[:, high] - shares[:, low]) * rises.mean()
        ends = interval(left, prob)
        if ends[0] <= 0.0 <= ends[1] and abs(left.mean()) < 0.5 * apart.mean():
            both = (f"{shares[:, place].mean():.0%}" for place in (high, low))
            words = " and ".join(both).replace("-", "\N{MINUS SIGN}")
            sentence += (
                f" In proportion to the rise it is {words}: it may act as a factor on the thermal "
                "resistance instead of adding to it."
            )
        sentences.append(sentence)
    return sentences


def _rise_k(fit: Fit, effect: Effect) -> float:
    """Return the measured mean rise of a contrast's first level on its partner, at reference."""
    design = fit.design
    first = effect.alias.first if effect.alias is not None else ""
    parts = {effect.factor: first, effect.partner_column: effect.partner}
    hit = np.all(
        [level_keys(design.rows, (column,)).eq(part) for column, part in parts.items()], axis=0
    )
    return float(np.mean((design.rise_k / design.power_ratio)[hit]))


def _contrast_row(
    fit: Fit,
    effect: Effect,
    draws: Array,
    share: float,
    assumed: tuple[str, ...],
    prob: float,
) -> EffectRow:
    row = EffectRow(
        factor=effect.factor,
        contrast=effect.contrast,
        draws=draws,
        share=share,
        aliased_with=() if effect.alias is None else effect.alias.aliased_with,
        health=str(fit.health),
        sentence="",
        partner=effect.partner,
    )
    lone = effect.factor == "memory_vendor" and "board" in assumed
    if lone and not row.aliased_with:
        row = replace(row, aliased_with=("board",))
        sentence = (
            f"{_opening(row)} cannot be distinguished from the boards that carry them: one board "
            f"specimen stands for a vendor. It is {open_words(draws)}. To separate them: test a "
            "second board specimen of each vendor."
        )
        return replace(row, health=WITHHELD, sentence=sentence, is_withheld=True)
    if effect.alias is not None and not effect.alias.estimable:
        sentence = f"{effect.alias.sentence} The effect is {open_words(draws)}."
        return replace(row, health=WITHHELD, sentence=sentence, is_withheld=True)
    pairings = {term.name for term in fit.design.terms if term.role is Role.PAIRING}
    if not effect.is_measured and pairings & set(assumed):
        additive = number_words(float(np.median(draws)))
        sentence = (
            f"{_opening(row)} would be {additive} K if parts did not depend on their partner; this "
            f"pair was never assembled, so it is {open_words(draws)}. To settle it: assemble it."
        )
        return replace(row, health=WITHHELD, sentence=sentence, is_withheld=True)
    comma = "," if effect.partner == AVERAGE else ""
    sentence = f"{_opening(row)}{comma} is {range_words(draws, prob)}"
    if not assumed:
        sentence += f"; {part_words(share)} {ROW_IN_WORDS}"
    else:
        sentence += "."
    health = row.health + other_sign_words(draws, prob)
    if assumed:
        health = f"{health}; rests on the assumed spread of {spread_names(assumed)}"
        sentence += f" {rests_sentence(fit, assumed)}"
        named = tuple(name for name in assumed if name != "assembly")
        row = replace(row, aliased_with=named)
    if effect.alias is not None and effect.alias.rests_on and not effect.partner:
        sentence += f" It rests on one combination of parts: {effect.alias.rests_on}."
    return replace(row, health=health, sentence=sentence)


def _opening(row: EffectRow) -> str:
    return row.phrase[0].upper() + row.phrase[1:]


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
    for place, term in enumerate(design.terms):
        if term.role is Role.PAIRING:
            for hit, sign in zip(rows_of, (-1.0, 1.0), strict=True):
                pairs = np.unique(design.index[hit, place])
                weights[design.offsets[place] + pairs] += sign / len(pairs)
    before, after = (" with ".join(step[i] for step in steps) for i in (0, 1))
    return _Joint(" + ".join(names), before, after, weights)


def spread_rows(fit: Fit, prob: float) -> list[EffectRow]:
    """Return the rows of the spreads between assemblies, sessions and laboratories."""
    rows = []
    for term in fit.design.terms:
        if term.role is not Role.NUISANCE or not term.columns:
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
