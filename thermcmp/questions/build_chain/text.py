"""A chain of builds in plain words, and what limits it."""

from __future__ import annotations

from math import factorial
from typing import TYPE_CHECKING

import numpy as np

from thermcmp.prediction.builds import Scope
from thermcmp.questions.build_chain.builds import smallest_difference_k
from thermcmp.questions.build_chain.parts import DEPARTURE, MEASURED, SHARE, STEP, TOTAL
from thermcmp.questions.phrases import interval, range_words, sided_words

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Conditions
    from thermcmp.questions.build_chain.features import Combinations
    from thermcmp.questions.build_chain.parts import ChainStudy, Part

#: Combinations named in a sentence before the rest is counted.
_NAMED = 5


def chain_sentences(study: ChainStudy) -> tuple[str, ...]:
    """Return the verdict: total, steps, order-free shares, departures, smallest step shown."""
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
    shares, departures = study.of_kind(SHARE), study.of_kind(DEPARTURE)
    if len(shares) > 1 and not np.isnan(shares[0].draws).any():
        sentences.append(
            f"Averaged over all {factorial(len(shares))} orders of making the changes: "
            f"{', '.join(_worth(part, prob) for part in shares)}."
        )
    if departures:
        largest = max(departures, key=lambda part: abs(float(np.mean(part.draws))))
        sentences.append(_departure_words(largest, prob))
    if study.reassembly_k is not None:
        once = smallest_difference_k(study.reassembly_k, (1, 1), prob)
        sentences.append(
            f"Assemblies of the same parts differ by {np.mean(study.reassembly_k):.1f} K (standard "
            f"deviation), so one assembly of each build shows no step below {once:.1f} K."
        )
    return tuple(sentences)


def conditions_words(fit: Fit, held: Conditions) -> str:
    """Return what is held equal, in words."""
    power = held.power_w if held.power_w is not None else fit.reference.power_w
    if held.noise_dba is not None:
        fan = f"{held.noise_dba:g} dB(A) at {held.mic_distance_m:g} m"
    else:
        speed = held.fan_rpm if held.fan_rpm is not None else fit.reference.flow_speed
        fan = f"{speed:.0f} {fit.design.law.unit}"
    if held.case_rise_k == 0.0 and held.altitude_m is None:
        return f"all at {fan}, {power:.0f} W and {held.ambient_c:g} °C ambient"
    return f"all at {fan} and {power:.0f} W, in {held.air_words}"


def _worth(part: Part, prob: float) -> str:
    name = part.name.removeprefix("in any order: ")
    if np.isnan(part.draws).any():
        return f"{name} not estimable"
    return f"{name} {range_words(part.draws, prob)}"


def _departure_words(part: Part, prob: float) -> str:
    name = part.name.removeprefix("beyond adding up: ")
    low, high = interval(part.draws, prob)
    mean = float(np.mean(part.draws))
    if low <= 0.0 <= high:
        return (
            f"No departure from adding up is clear; the largest is that of {name}: "
            f"{range_words(part.draws, prob)}."
        )
    word = "less" if mean < 0.0 else "more"
    ends = sorted((abs(low), abs(high)))
    return (
        f"The changes do not add up: {name} bring {abs(mean):.1f} K ({ends[0]:.1f} to "
        f"{ends[1]:.1f}) {word} together than each alone adds up to."
    )


def chain_caveats(study: ChainStudy) -> list[str]:
    """Return what limits a chain beyond what limits every answer of the fit."""
    caveats = [study.held.altitude_words] if study.held.altitude_m is not None else []
    steps = study.of_kind(STEP)
    caveats += [f"{part.name}: {part.health}." for part in steps if part.health]
    caveats += [f"{part.name}: {part.basis}." for part in steps if part.basis != MEASURED]
    # A comparison with NaN is false: steps that are not estimable are not named here.
    small = [p.name for p in steps if abs(float(np.mean(p.draws))) < p.smallest_k]
    if small:
        caveats.append(
            f"Smaller than what its assemblies can show: {', '.join(small)}. Fix: assemble "
            "these builds again; the table has the smallest step."
        )
    once = [measured.build.name for measured in study.everything if measured.assemblies == 1]
    if study.reassembly_k is None:
        caveats.append(
            "The fit has no term for assemblies, so what a teardown changes is attributed to the "
            "steps, and their intervals lack it. Fix: assemble each build twice at least."
        )
    elif once:
        caveats.append(
            f"One assembly only: {', '.join(once)}. A good or bad assembly is attributed to the "
            "step, within the spread of assemblies elsewhere. Fix: assemble these builds again."
        )
    if study.combinations is not None:
        caveats += _combination_caveats(study.combinations, departs=bool(study.of_kind(DEPARTURE)))
    if study.scope is Scope.SPECIMENS:
        caveats.append(
            "The steps are those of the specimens on the bench; another specimen may gain "
            "more or less by the same change."
        )
    else:
        caveats.append(
            "A rebuilt cooler counts as a fresh specimen of its new model. Where one cooler went "
            "through the chain, the product line's intervals are wider than they need be."
        )
    return caveats


def _combination_caveats(combinations: Combinations, *, departs: bool) -> list[str]:
    caveats = [
        f"{name} always changed together, so only their joint share is estimable. Fix: run a "
        "build that has one without the other."
        for name in combinations.joined
    ]
    if combinations.missing:
        named = "; ".join(map(combinations.words, combinations.missing[:_NAMED]))
        more = len(combinations.missing) - _NAMED
        caveats.append(
            f"Not measured: {named}{f'; and {more} more' if more > 0 else ''}. Predicted with the "
            "changes assumed to add up, give or take interaction_k. Fix: build and run them."
        )
    if combinations.aside:
        caveats.append(
            "No combination of the first and the last build's features, so not in the shares "
            f"over every order: {', '.join(combinations.aside)}."
        )
    if len(combinations.changes) > 1 and not combinations.missing and not departs:
        caveats.append(
            "In the fit cooler, board and memory vendor add up, so no departure can show between "
            "them."
        )
    return caveats
