"""What a statement says of an attribution and of a chain of builds."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.questions.attribution.parts import EQUAL_NOISE, HARDWARE
from thermcmp.questions.attribution.text import part_phrase
from thermcmp.questions.build_chain.parts import SHARE, STEP, TOTAL
from thermcmp.questions.build_chain.text import conditions_words
from thermcmp.questions.phrases import number_words
from thermcmp.reporting.article.estimates import Estimate, estimate_of, most_allowed, range_only
from thermcmp.reporting.article.finding import Finding, Level, opened
from thermcmp.reporting.article.strength import Strength, adverb

if TYPE_CHECKING:
    from thermcmp.questions.answer import Answer
    from thermcmp.questions.attribution.answer import Attribution
    from thermcmp.questions.build_chain.answer import Chain

_ADD_UP: Final = "Its parts are averaged over every order of the changes, so that they add up."


def sensor_of(answer: Answer) -> str:
    """Return the sensor that an answer is about, in words."""
    return answer.fits[0].sensor if answer.fits else "sensor"


def improvements(
    answer: Answer, hanging: Collection[str] = (), kinds: Collection[str] = ()
) -> dict[str, Estimate]:
    """Return the estimates of an answer's parts by name; positive is cooler."""
    most = most_allowed(answer)
    values = answer.draws.get("improvement_k")
    estimates: dict[str, Estimate] = {}
    for place, row in enumerate(answer.table.to_dict("records")):
        if kinds and row["kind"] not in kinds:
            continue
        draws: Array = np.empty(0) if values is None else values.to_numpy()[place]
        name = str(row["part"])
        estimates[name] = estimate_of(answer, row, draws, name=name, most=most, hanging=hanging)
    return estimates


def compared(
    subject: str, other: str, estimate: Estimate, sensor: str, names: tuple[str, ...], level: Level
) -> Finding:
    """Return the finding that one build runs cooler or warmer than another."""
    if estimate.is_missing:
        sentence = f"How {subject} compares with {other} at the {sensor} cannot be said."
    elif estimate.is_withheld:
        sentence = (
            f"How much cooler {subject} runs at the {sensor} than {other} cannot be said from "
            f"these runs: {range_only(estimate)}."
        )
    elif estimate.strength is Strength.OPEN:
        sentence = (
            f"Whether {subject} runs cooler or warmer at the {sensor} than {other} is not clear: "
            f"{estimate.sides('cooler', 'warmer')}{estimate.doubt_words}."
        )
    else:
        side = "cooler" if estimate.mean >= 0.0 else "warmer"
        sentence = (
            f"{subject} {adverb(estimate.strength)}runs {estimate.size()} {side} at the {sensor} "
            f"than {other}{estimate.doubt_words}."
        )
    return Finding(opened(sentence), estimate.strength, level, names)


def attribution_findings(answer: Attribution, hanging: Collection[str] = ()) -> list[Finding]:
    """Return what an attribution says: at equal noise, as delivered, its noise, its parts."""
    before, after = (build.name for build in answer.builds)
    sensor, parts = sensor_of(answer), improvements(answer, hanging)
    findings = [_equal_noise(answer, parts, sensor)]
    where = f"in {answer.conditions.air_words}, each under its own firmware{_settings(answer)}"
    total = compared(
        f"{where}, {after}", before, parts["total"], sensor, (before, after, "firmware"),
        Level.SHORT,
    )  # fmt: skip
    findings.append(total)
    change = noise_change(answer)
    if change is not None:
        findings.append(_noise(answer, change))
    names = [name for name in answer.main_parts if name in parts]
    stated = [_part(part_phrase(name), parts[name], sensor) for name in names]
    if any(finding.level is Level.MEDIUM for finding in stated):
        findings.append(Finding(_ADD_UP, Strength.CLEAR, Level.MEDIUM, (_ADD_UP,)))
    return [*findings, *stated]


def _settings(answer: Attribution) -> str:
    """Return fan speed and power of the two builds, in brackets; "" where they share a name."""
    if len(answer.settings) != 2:
        return ""
    old, new = answer.settings.values()
    unit = answer.fits[0].design.law.unit if answer.fits else "rpm"
    return (
        f" ({old.flow_speed:.0f} and {new.flow_speed:.0f} {unit}, {old.power_w:.0f} and "
        f"{new.power_w:.0f} W)"
    )


def equal_noise(parts: dict[str, Estimate]) -> Estimate | None:
    """Return the hardware's effect at equal noise, with its doubts; None where unknown."""
    estimate, hardware = parts.get(EQUAL_NOISE), parts.get(HARDWARE)
    if estimate is None or hardware is None:
        return None
    if not (np.isfinite(estimate.mean) and np.isfinite(hardware.mean)):
        return None
    if not hardware.doubts:
        return estimate
    strength = min(estimate.strength, hardware.strength)
    return replace(estimate, strength=strength, doubts=hardware.doubts)


def _equal_noise(answer: Attribution, parts: dict[str, Estimate], sensor: str) -> Finding:
    before, after = (build.name for build in answer.builds)
    estimate = equal_noise(parts)
    if estimate is None:
        sentence = (
            f"How the hardware of {after} compares with that of {before} at equal noise cannot be "
            "said from these runs."
        )
        return Finding(sentence, Strength.NOT_KNOWN, Level.SHORT, ("equal noise", before, after))
    return compared(
        f"at equal noise the hardware of {after}", f"that of {before}", estimate, sensor,
        ("equal noise", before, after), Level.SHORT,
    )  # fmt: skip


def noise_change(answer: Attribution) -> Estimate | None:
    """Return the change of noise, after minus before [dB]; None where it is not known."""
    changes = answer.changes
    row = changes[changes["quantity"] == "sound level"] if "quantity" in changes else changes
    if row.empty or not np.isfinite(float(row["change"].iloc[0])):
        return None
    draws: Array = np.empty(0)
    if "noise_db" in answer.draws:
        draws = answer.draws["noise_db"].sel(part="total").to_numpy()
    return estimate_of(
        answer, row.iloc[0].to_dict(), draws, name="", most=most_allowed(answer),
        columns=("change", "low", "high"),
    )  # fmt: skip


def _noise(answer: Attribution, change: Estimate) -> Finding:
    before, after = (build.name for build in answer.builds)
    if change.strength is Strength.OPEN:
        sentence = (
            f"Whether {after} is louder or quieter than {before} is not clear: "
            f"{change.sides('louder', 'quieter', 'dB')}."
        )
    else:
        side = "louder" if change.mean > 0.0 else "quieter"
        sentence = f"{after} is {adverb(change.strength)}{change.size('dB')} {side} than {before}."
    return Finding(sentence, change.strength, Level.SHORT, (before, after, "louder"))


def _part(name: str, estimate: Estimate, sensor: str) -> Finding:
    spoken = name if name.startswith("the ") else f"the {name}"
    names = (f"made the {sensor}", spoken.removeprefix("the "))
    if estimate.is_missing or estimate.is_withheld:
        known = "" if estimate.is_missing else f": {range_only(estimate)}"
        sentence = f"What {spoken} did for the {sensor} cannot be said from these runs{known}."
        return Finding(sentence, Strength.NOT_KNOWN, Level.SHORT, names)
    if estimate.strength is Strength.OPEN:
        sentence = (
            f"Whether {spoken} made the {sensor} cooler or warmer is not clear: "
            f"{estimate.sides('cooler', 'warmer')}{estimate.doubt_words}."
        )
    else:
        side = "cooler" if estimate.mean >= 0.0 else "warmer"
        sentence = (
            f"{opened(spoken)} {adverb(estimate.strength)}made the {sensor} "
            f"{estimate.size()} {side}"
            f"{estimate.doubt_words}."
        )
    return Finding(sentence, estimate.strength, Level.MEDIUM, names)


def chain_findings(answer: Chain, hanging: Collection[str] = ()) -> list[Finding]:
    """Return what a chain of builds says: the total, each step, each change."""
    sensor, parts = sensor_of(answer), improvements(answer, hanging, (STEP, TOTAL, SHARE))
    kinds = dict(zip(answer.table["part"], answer.table["kind"], strict=True))
    first, last = answer.builds[0], answer.builds[-1]
    where = f"at {number_words(answer.conditions.ambient_c, 'K')} °C ambient"
    if answer.fits:
        where = conditions_words(answer.fits[0], answer.conditions)
    findings = list[Finding]()
    for name, estimate in parts.items():
        if kinds[name] == TOTAL:
            findings.insert(
                0,
                compared(f"{where}, {last}", first, estimate, sensor, (first, last), Level.SHORT),
            )
        else:
            findings.append(_step(name, str(kinds[name]), estimate))
    return findings


def _step(name: str, kind: str, estimate: Estimate) -> Finding:
    level = Level.MEDIUM if kind == STEP else Level.LONG
    spoken = name.removeprefix("in any order: ")
    what = f"the step {spoken}" if kind == STEP else f"{spoken}, over every order of the changes,"
    if estimate.is_missing or estimate.is_withheld:
        known = "" if estimate.is_missing else f": {range_only(estimate)}"
        sentence = f"What {what.rstrip(',')} brought cannot be said from these runs{known}."
        return Finding(sentence, Strength.NOT_KNOWN, Level.SHORT, (spoken,))
    if estimate.strength is Strength.OPEN:
        sentence = (
            f"Whether {what} made it cooler or warmer is not clear: "
            f"{estimate.sides('cooler', 'warmer')}{estimate.doubt_words}."
        )
    else:
        side = "cooler" if estimate.mean >= 0.0 else "warmer"
        sentence = (
            f"{opened(what)} {adverb(estimate.strength)}made it {estimate.size()} {side}"
            f"{estimate.doubt_words}."
        )
    return Finding(sentence, estimate.strength, level, (spoken,))
