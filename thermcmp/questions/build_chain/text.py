"""What a chain of builds says in plain words, and what limits it."""

from __future__ import annotations

from math import factorial
from typing import TYPE_CHECKING

import numpy as np

from thermcmp.prediction.build_rise import Scope
from thermcmp.questions.build_chain.builds import shown_by
from thermcmp.questions.build_chain.parts import DEPARTURE, MEASURED, SHARE, STEP, TOTAL
from thermcmp.questions.phrases import interval, range_words, sided_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Conditions
    from thermcmp.questions.build_chain.features import Combinations
    from thermcmp.questions.build_chain.parts import ChainStudy, Part

#: Combinations named in a sentence before the rest is counted.
_NAMED = 5


def chain_sentences(study: ChainStudy) -> tuple[str, ...]:
    """The verdict: total, steps, order-free shares, what does not add up, what can be shown."""
    first, last, prob = study.builds[0], study.builds[-1], study.prob
    where = conditions_words(study.fit, study.held)
    (total,) = study.of_kind(TOTAL)
    if np.isnan(total.draws).any():
        sentences = [f"{first.build.name} and {last.build.name} cannot both be brought to {where}."]
    else:
        sentences = [
            f"{last.build.name} runs {sided_words(total.draws, prob, 'cooler', 'warmer')} than "
            f"{first.build.name} ({np.mean(first.entry.temperature):.1f} °C before), {where}."
        ]
    worth = ", ".join(_worth(part, prob) for part in study.of_kind(STEP))
    sentences.append(f"Step by step: {worth}.")
    sentences += _share_words(study)
    if study.reassembly_k is not None:
        once = shown_by(study.reassembly_k, (1, 1), prob)
        sentences.append(
            f"Assemblies of the same parts differ by {np.mean(study.reassembly_k):.1f} K (standard "
            f"deviation), so one assembly of each build shows no step below {once:.1f} K."
        )
    return tuple(sentences)


def conditions_words(fit: Fit, held: Conditions) -> str:
    """What is held equal, in words."""
    power = held.power_w if held.power_w is not None else fit.reference.power_w
    if held.noise_dba is not None:
        air = f"{held.noise_dba:g} dB(A) at {held.mic_distance_m:g} m"
    else:
        speed = held.fan_rpm if held.fan_rpm is not None else fit.reference.flow_speed
        air = f"{speed:.0f} {fit.design.law.unit}"
    return f"all at {air}, {power:.0f} W and {held.ambient_c:g} °C ambient"


def _worth(part: Part, prob: float) -> str:
    name = part.name.removeprefix("in any order: ")
    if np.isnan(part.draws).any():
        return f"{name} not estimable"
    return f"{name} {range_words(part.draws, prob)}"


def _share_words(study: ChainStudy) -> list[str]:
    shares, prob = study.of_kind(SHARE), study.prob
    sentences = []
    if len(shares) > 1 and not np.isnan(shares[0].draws).any():
        sentences.append(
            f"Averaged over all {factorial(len(shares))} orders of making the changes: "
            f"{', '.join(_worth(part, prob) for part in shares)}."
        )
    departures = study.of_kind(DEPARTURE)
    if departures:
        largest = max(departures, key=lambda part: abs(float(np.mean(part.draws))))
        sentences.append(_departure_words(largest, prob))
    return sentences


def _departure_words(part: Part, prob: float) -> str:
    name = part.name.removeprefix("beyond adding up: ")
    low, high = interval(part.draws, prob)
    mean = float(np.mean(part.draws))
    if low <= 0.0 <= high:
        return (
            f"No departure from adding up is sure; the largest seen is that of {name}: "
            f"{range_words(part.draws, prob)}."
        )
    word = "less" if mean < 0.0 else "more"
    ends = sorted((abs(low), abs(high)))
    return (
        f"The changes do not add up: {name} bring {abs(mean):.1f} K ({ends[0]:.1f} to "
        f"{ends[1]:.1f}) {word} together than each alone adds up to."
    )


def chain_caveats(study: ChainStudy) -> list[str]:
    """What limits a chain beyond what limits every answer of the fit."""
    caveats = _step_caveats(study.of_kind(STEP))
    once = [one.build.name for one in study.everything if one.assemblies == 1]
    if study.reassembly_k is None:
        caveats.append(
            "The fit has no term for assemblies, so what a teardown changes counts to the steps "
            "and their intervals lack it. Fix: mount each build twice at least."
        )
    elif once:
        caveats.append(
            f"Mounted once only: {', '.join(once)}. A lucky or bad assembly counts to the step, "
            "within what assemblies differ elsewhere; a second assembly would tell."
        )
    if study.found is not None:
        caveats += _combination_caveats(study.found, departs=bool(study.of_kind(DEPARTURE)))
    if study.scope is Scope.SPECIMENS:
        caveats.append(
            "The steps are those of the very specimens on the bench; another specimen may gain "
            "more or less by the same change."
        )
    else:
        caveats.append(
            "A rebuilt cooler counts as a fresh specimen of its new model. Where one cooler went "
            "through the chain, the product line's intervals are wider than they need be."
        )
    return caveats


def _step_caveats(steps: Sequence[Part]) -> list[str]:
    caveats = [f"{part.name}: {part.health}." for part in steps if part.health]
    caveats += [f"{p.name}: {p.basis}." for p in steps if p.basis != MEASURED]
    small = [
        part.name
        for part in steps
        if not np.isnan(part.draws).any() and abs(float(np.mean(part.draws))) < part.smallest_k
    ]
    if small:
        caveats.append(
            f"Smaller than what its assemblies can show: {', '.join(small)}. Fix: mount these "
            "builds again; see smallest_step_k."
        )
    return caveats


def _combination_caveats(found: Combinations, *, departs: bool) -> list[str]:
    caveats = [
        f"{name} always changed together, so only their joint share can be told. Fix: run a "
        "build that has one without the other."
        for name in found.joined
    ]
    if found.missing:
        named = "; ".join(map(found.words, found.missing[:_NAMED]))
        more = len(found.missing) - _NAMED
        caveats.append(
            f"Not measured: {named}{f'; and {more} more' if more > 0 else ''}. Predicted with the "
            "changes assumed to add up, give or take interaction_k. Fix: build and run them."
        )
    if found.aside:
        caveats.append(
            "No combination of the first and the last build's features, so not in the order-free "
            f"shares: {', '.join(found.aside)}."
        )
    if len(found.changes) > 1 and not found.missing and not departs:
        caveats.append(
            "In the fit cooler, board and memory vendor add up, so no departure can show between "
            "them."
        )
    return caveats
