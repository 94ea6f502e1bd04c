"""What a statement says of a separation, a ranking and a margin."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.model.factor_words import factor_words
from thermcmp.prediction.builds import Scope
from thermcmp.questions.build_chain.text import conditions_words
from thermcmp.questions.phrases import chance_words, number_words, percent_words
from thermcmp.questions.separation.contrasts import AVERAGE, SPREAD, in_sentence, partner_words
from thermcmp.reporting.article.estimates import (
    ON_ASSUMPTIONS,
    Estimate,
    estimate_of,
    is_assumed,
    most_allowed,
    range_only,
)
from thermcmp.reporting.article.finding import Finding, Level, listed, opened
from thermcmp.reporting.article.fixes import sensor_of
from thermcmp.reporting.article.strength import Strength, adverb, strength_of

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.questions.limit_margin.answer import Margin
    from thermcmp.questions.ranking.question import Ranking
    from thermcmp.questions.separation.question import Separation

#: Effects stated in the medium text; the long one has all that the answer shows.
_MOST_EFFECTS: Final = 4


def separation_findings(answer: Separation, hanging: Collection[str] = ()) -> list[Finding]:
    """Return what a separation says: the surest effects, and all that cannot be separated."""
    sensor, most = sensor_of(answer), most_allowed(answer)
    values = answer.draws.get("effect_k")
    shown = range(len(answer.table)) if answer.shown_rows is None else answer.shown_rows
    stated: list[Finding] = []
    unknown: list[Finding] = []
    for place, row in enumerate(answer.table.to_dict("records")):
        if values is not None and place >= len(values):
            # The rows that a separation of many did not check.
            break
        partner = str(row.get("partner") or "")
        if row["contrast"] == SPREAD or partner not in ("", AVERAGE):
            continue
        draws: Array = np.empty(0) if values is None else values.to_numpy()[place]
        effect = in_sentence(f"{row['factor']}: {row['contrast']}")
        name = effect + partner_words(partner)
        estimate = estimate_of(answer, row, draws, name=name, most=most, hanging=hanging)
        finding = _effect(row["factor"], str(row["contrast"]), estimate, sensor, partner)
        if estimate.strength is Strength.NOT_KNOWN:
            unknown.append(finding)
        elif place in shown:
            stated.append(finding)
    stated.sort(key=lambda finding: -finding.strength)
    levels = [Level.SHORT, *[Level.MEDIUM] * (_MOST_EFFECTS - 1)]
    levels += [Level.LONG] * len(stated)
    findings = [
        Finding(f.sentence, f.strength, level, f.names)
        for f, level in zip(stated, levels, strict=False)
    ]
    return [*findings, *unknown]


def _effect(factor: str, contrast: str, estimate: Estimate, sensor: str, partner: str) -> Finding:
    """Return the finding of one contrast; a rise below zero is cooler."""
    second, _, first = contrast.partition(" − ")
    kind = factor_words(str(factor)).replace(" + ", " and ")
    new, old = f"{kind} {second}", first
    if kind == "assembly kind":
        new, old = f"a {second} assembly", f"a {first} one"
    names = (kind, second, first)
    where = " on average over shared partners" if partner == AVERAGE else ""
    if estimate.strength is Strength.NOT_KNOWN:
        known = "" if estimate.is_missing else f": {range_only(estimate)}"
        sentence = f"What {new} does against {old} cannot be said from these runs{known}."
        return Finding(sentence, Strength.NOT_KNOWN, Level.SHORT, names)
    cooler = estimate.turned()
    if estimate.strength is Strength.OPEN:
        sentence = (
            f"Whether the {sensor} runs cooler or warmer with {new} than with {old} is "
            f"not clear{where}: {cooler.sides('cooler', 'warmer')}{cooler.doubt_words}."
        )
    else:
        side = "cooler" if cooler.mean >= 0.0 else "warmer"
        sentence = (
            f"With {new} the {sensor} {adverb(cooler.strength)}runs {cooler.size()} "
            f"{side} than with {old}{where}{cooler.doubt_words}."
        )
    return Finding(sentence, estimate.strength, Level.SHORT, names)


def ranking_findings(answer: Ranking, hanging: Collection[str] = ()) -> list[Finding]:
    """Return what a ranking says: the coolest, or that the coolest cannot be separated."""
    table, sensor, most = answer.table, sensor_of(answer), most_allowed(answer)
    reached = table[table["mean_c"].notna()].sort_values("mean_c", kind="stable")
    missing = [str(name) for name in table.loc[table["mean_c"].isna(), "product"]]
    findings = []
    where = f"at {answer.conditions.ambient_c:g} °C ambient"
    if answer.fits:
        where = conditions_words(answer.fits[0], answer.conditions).removeprefix("all ")
    if len(reached) > 1:
        findings.append(_coolest(answer, reached, where, sensor, most, hanging))
    elif missing:
        sentence = f"How the products compare {where} cannot be said."
        findings.append(Finding(sentence, Strength.NOT_KNOWN, Level.SHORT, ("coolest",)))
    if missing:
        sentence = (
            f"How {listed(missing)} would do {where} cannot be said, since they could not be "
            "brought there."
        )
        findings.append(Finding(sentence, Strength.NOT_KNOWN, Level.SHORT, tuple(missing)))
    for row in reached.to_dict("records"):
        low, high = (number_words(float(row[c]), "°C") for c in ("low_c", "high_c"))
        best, worst = row.get("rank_low", np.nan), row.get("rank_high", np.nan)
        places = f", place {best:.0f} to {worst:.0f}" if np.isfinite(best) and best < worst else ""
        sentence = (
            f"{row['product']}: {number_words(float(row['mean_c']), '°C')} °C ({low} to {high})"
            f"{places}."
        )
        # Where one lies is an interval; who is ahead of whom is said above.
        findings.append(Finding(sentence, Strength.OPEN, Level.LONG, (str(row["product"]),)))
    return findings


def _coolest(
    answer: Ranking,
    reached: pd.DataFrame,
    where: str,
    sensor: str,
    most: Strength,
    hanging: Collection[str],
) -> Finding:
    first = reached.iloc[0]
    name, best = str(first["product"]), float(first.get("p_best", np.nan))
    leaders = []
    if "group" in reached:
        same = reached["group"].eq(first["group"]).fillna(False)
        leaders = [str(product) for product in reached.loc[same, "product"]]
    names = [f"{other} against {name}" for other in reached["product"].iloc[1:]]
    estimate = estimate_of(
        answer, {"mean": -1.0, "low": -1.0, "high": -1.0, "health": ""}, np.empty(0),
        name=names[0], most=most, hanging=hanging, columns=("mean", "low", "high"),
    )  # fmt: skip
    capped = most if not estimate.doubts else min(most, estimate.strength)
    strength = strength_of(best, capped)
    if strength is Strength.OPEN or len(leaders) > 1:
        among = leaders if len(leaders) > 1 else [str(p) for p in reached["product"].iloc[:2]]
        sentence = (
            f"{opened(where)}, the coolest of {len(reached)} products at the {sensor} "
            f"cannot be stated: {listed(among)} are not clearly apart by more than "
            f"{answer.matters_k:g} K{estimate.doubt_words}."
        )
        return Finding(sentence, Strength.OPEN, Level.SHORT, ("coolest", *among))
    sentence = (
        f"{opened(where)}, {name} is {adverb(strength)}the coolest of {len(reached)} "
        f"products at the {sensor} ({percent_words(best)} probability){estimate.doubt_words}."
    )
    return Finding(sentence, strength, Level.SHORT, ("coolest", name))


def margin_findings(answer: Margin, hanging: Collection[str] = ()) -> list[Finding]:
    """Return what a margin says: which side of the limit, with its probability."""
    del hanging
    limit, chance = f"{answer.limit_c:g} °C", answer.p_exceed
    whose = "a newly bought card of " if answer.scope == Scope.PRODUCT_LINE else "the tested "
    name, air = f"{whose}{answer.build}", answer.conditions.air_words
    names = (answer.build, limit)
    if not np.isfinite(answer.margin_k):
        sentence = f"Whether {name} keeps {limit} at the {answer.sensor} in {air} cannot be said."
        return [Finding(sentence, Strength.NOT_KNOWN, Level.SHORT, names)]
    count = int(answer.draws.sizes.get("draw", 1000))
    most, doubt = most_allowed(answer), ""
    if is_assumed(answer, f"the rise of {answer.build}"):
        most, doubt = min(most, Strength.PROBABLE), f"; {ON_ASSUMPTIONS}"
    strength = strength_of(max(chance, 1.0 - chance), most)
    stated = f"({chance_words(chance, count)} probability of exceeding it)"
    if strength is Strength.OPEN:
        sentence = (
            f"Whether {name} keeps {limit} at the {answer.sensor} in {air} is not clear {stated}"
            f"{doubt}."
        )
    else:
        verb = "exceeds" if chance > 0.5 else "stays below"
        sentence = (
            f"In {air}, {name} {adverb(strength)}{verb} {limit} at the {answer.sensor} {stated}"
            f"{doubt}."
        )
    findings = [Finding(opened(sentence), strength, Level.SHORT, names)]
    if np.isfinite(answer.ambient_at_limit_c):
        mean, low, high = (
            number_words(value, "°C")
            for value in (answer.ambient_at_limit_c, *answer.ambient_at_limit_interval_c)
        )
        place = "a room" if answer.case_rise_k else "air"
        findings.append(
            Finding(
                f"By this model {answer.build} would reach the limit in {place} of {mean} °C "
                f"({low} to {high}).",
                min(Strength.PROBABLE, most), Level.MEDIUM, (*names, "reach"),
            )
        )  # fmt: skip
    return findings
