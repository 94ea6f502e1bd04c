"""Sentences and caveats of a fix on several sensors."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.inference.sensor_fits import correlation_name, one_posterior
from thermcmp.questions.attribution.parts import DIRECT
from thermcmp.questions.attribution.text import part_phrase
from thermcmp.questions.phrases import (
    WITHHELD,
    chance_words,
    interval,
    open_words,
    range_words,
    sided_words,
)
from thermcmp.questions.several_sensors.remounting import (
    ASSEMBLY,
    KIND,
    REMOUNT_ANY,
    REMOUNT_NEW,
    assemblies_of,
    spread_k,
)
from thermcmp.questions.several_sensors.rows import (
    FIX,
    HARDWARE,
    REMOUNT,
    TOTAL,
    TOTAL_REMOUNTED,
    SensorRow,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build
    from thermcmp.questions.answer import Answer


#: Assemblies that get a sentence; the table has all.
_MOST_ASSEMBLIES: Final = 4


def sensor_sentences(
    fits: Sequence[Fit], builds: tuple[Build, Build], rows: Sequence[SensorRow], prob: float
) -> tuple[str, ...]:
    """Describe the verdict per sensor, the remount, and the assemblies that stand out."""
    sensors = [fit.sensor for fit in fits]
    verdicts = [_verdict(_of(rows, sensor, FIX), prob) for sensor in sensors]
    sentences = [f"{builds[1].name} against {builds[0].name}: {'; '.join(verdicts)}."]
    for sensor in sensors:
        parts = [
            f"{part_phrase(row.part)} {_stated(row, prob)}"
            for row in _of(rows, sensor, FIX)
            if row.part != TOTAL
            and not (row.part == DIRECT and row.health.startswith(WITHHELD))
            and not np.isnan(row.draws).any()
        ]
        sentences.append(
            f"Of that at the {sensor}, averaged over every order of the changes: "
            f"{', '.join(parts)}."
        )
    for sensor in sensors:
        sentences += _remount_words(_of(rows, sensor, REMOUNT), _of(rows, sensor, FIX), prob)
    sentences += _alike(_named(rows, REMOUNT_ANY), prob)
    if one_posterior(fits):
        sentences += _joint_words(fits, rows, prob)
    return (*sentences, *_assembly_words(fits, rows, prob))


def _stated(row: SensorRow, prob: float) -> str:
    """Return a part's mean with its interval, or the range of a withheld one."""
    withheld = row.health.startswith(WITHHELD)
    return open_words(row.draws) if withheld else range_words(row.draws, prob)


def _joint_words(fits: Sequence[Fit], rows: Sequence[SensorRow], prob: float) -> list[str]:
    """Describe the findings that need a joint posterior of the sensors."""
    sensors = [fit.sensor for fit in fits]
    hardware = _named(rows, HARDWARE)
    alone = ""
    if not any(row.health.startswith(WITHHELD) for row in hardware):
        alone = f", that its hardware alone does so is {_chance_of_all(hardware)}"
    sentences = [
        f"Fitted together: the probability that the fix cools each of {_joined(sensors)} is "
        f"{_chance_of_all(_named(rows, TOTAL))}{alone}."
    ]
    correlations = []
    for place, fit in enumerate(fits):
        for other in sensors[place + 1 :]:
            name = correlation_name(ASSEMBLY, other)
            if name in fit.posterior:
                low, high = interval(fit.draws(name), prob)
                mean = float(np.mean(fit.draws(name)))
                numbers = f"{mean:.2f} ({low:.2f} to {high:.2f})".replace("-", "\N{MINUS SIGN}")
                correlations.append(f"{fit.sensor} and {other} {numbers}")
    if correlations:
        sentences.append(f"Correlation of an assembly's effects: {', '.join(correlations)}.")
    return sentences


def _chance_of_all(rows: Sequence[SensorRow]) -> str:
    """The probability that all rows are improvements, in words."""
    draws = np.stack([row.draws for row in rows])
    return chance_words(float(np.mean((draws > 0.0).all(axis=0))), draws.shape[1])


def _of(rows: Sequence[SensorRow], sensor: str, kind: str) -> list[SensorRow]:
    return [row for row in rows if row.sensor == sensor and row.kind == kind]


def _named(rows: Sequence[SensorRow], part: str) -> list[SensorRow]:
    return [row for row in rows if row.part == part]


def _verdict(rows: Sequence[SensorRow], prob: float) -> str:
    total = next(row for row in rows if row.part == TOTAL)
    low, high = interval(total.draws, prob)
    words = range_words(total.draws, prob)
    if low > 0.0:
        hardware = next((row for row in rows if row.part == HARDWARE), None)
        if hardware is not None and hardware.health.startswith(WITHHELD):
            words += f", by its hardware {open_words(hardware.draws)}"
        elif hardware is not None and interval(hardware.draws, prob)[0] <= 0.0:
            words += f", not clearly by its hardware: {range_words(hardware.draws, prob)}"
        return f"{total.sensor} improves by {words}"
    if high < 0.0:
        return f"{total.sensor} gets worse by {range_words(-total.draws, prob)}"
    return f"{total.sensor} does not clearly improve: {words}"


def _remount_words(rows: Sequence[SensorRow], fix: Sequence[SensorRow], prob: float) -> list[str]:
    """Describe the penalty of a bench assembly, where it changes how the fix is read."""
    by_part = {row.part: row for row in rows}
    remounted = by_part.get(TOTAL_REMOUNTED)
    penalty = by_part.get(REMOUNT_NEW) or by_part.get(REMOUNT_ANY)
    if penalty is None:
        return []
    sensor, apart = penalty.sensor, _warmth(penalty, prob)
    low, high = interval(penalty.draws, prob)
    what = "the new parts" if penalty.part == REMOUNT_NEW else "a card"
    as_such = by_part.get(REMOUNT_ANY, penalty)
    also = "" if as_such is penalty else f"; bench assemblies as such: {_warmth(as_such, prob)}"
    if low <= 0.0 <= high:
        return [
            f"At the {sensor} a bench assembly of {what} is neither clearly worse nor better than "
            f"the factory's: {apart}{also}."
        ]
    if low > 0.0:
        return [
            f"At the {sensor} a bench assembly of {what} is {apart} than "
            f"the factory's{also}: that is not part of the fix."
        ]
    sentence = (
        f"Reassembly penalty at the {sensor}: a bench assembly of {what} runs {apart} than "
        f"the factory's{also}."
    )
    total = next(row for row in fix if row.part == TOTAL)
    if remounted is not None and interval(remounted.draws, prob)[0] <= 0.0:
        sentence += (
            " Measured on a remounted card the fix would bring "
            f"{range_words(remounted.draws, prob)} instead of {range_words(total.draws, prob)}: "
            "due to the assembly, not to the fix."
        )
    return [sentence]


def _warmth(row: SensorRow, prob: float) -> str:
    """Describe a remount with a positive mean and its side."""
    return sided_words(row.draws, prob, "cooler", "warmer")


def _alike(rows: Sequence[SensorRow], prob: float) -> list[str]:
    """Describe whether remounting shows on all sensors or on some."""
    if len(rows) < 2:
        return []
    worse = [row.sensor for row in rows if interval(row.draws, prob)[1] < 0.0]
    if len(worse) == len(rows):
        return [
            f"Bench assemblies are worse on {_joined(worse)} alike, as poor contact of the whole "
            "cooler would be."
        ]
    if worse:
        rest = [row.sensor for row in rows if row.sensor not in worse]
        return [
            f"Bench assemblies are clearly worse on {_joined(worse)} and not on {_joined(rest)}, "
            "as local contact, paste or pads there would be."
        ]
    return []


def _assembly_words(fits: Sequence[Fit], rows: Sequence[SensorRow], prob: float) -> list[str]:
    spreads = {fit.sensor: spread_k(fit) for fit in fits}
    parts = dict.fromkeys(row.part for row in rows if row.kind == ASSEMBLY)
    if not parts:
        known = ", ".join(f"{name} {k:.1f} K" for name, k in spreads.items() if not np.isnan(k))
        return (
            [f"No assembly of these parts stands out from its peers (standard deviation: {known})."]
            if known
            else []
        )
    sentences = [_assembly_sentence(part, _named(rows, part), spreads, prob) for part in parts]
    more = len(sentences) - _MOST_ASSEMBLIES
    differ = _joined([f"{k:.1f} K at the {s}" for s, k in spreads.items() if not np.isnan(k)])
    first = f"Assemblies of the same parts differ by {differ} (standard deviation)."
    return [first, *sentences[:_MOST_ASSEMBLIES]] + (
        [f"{more} more stand out: see the table."] if more > 0 else []
    )


def _assembly_sentence(
    part: str, rows: Sequence[SensorRow], spreads: Mapping[str, float], prob: float
) -> str:
    """Describe one assembly where it shows most, and whether the other sensors show it too."""
    first = max(rows, key=lambda row: abs(row.mean_k) / spreads[row.sensor])
    word = _word(first)
    clauses = [
        f"The assembly '{part}' is {_apart(first, prob)} {word} at the {first.sensor} than its "
        "peers"
    ]
    for row in (row for row in rows if row is not first):
        low, high = interval(row.draws, prob)
        if low <= 0.0 <= high:
            clauses.append(f"not clearly so at the {row.sensor} ({_apart(row, prob)} {_word(row)})")
        elif _word(row) == word:
            clauses.append(f"at the {row.sensor} too ({_apart(row, prob)} {word})")
        else:
            clauses.append(f"the other way at the {row.sensor} ({_apart(row, prob)} {_word(row)})")
    return "; ".join(clauses) + "."


def _word(row: SensorRow) -> str:
    return "worse" if row.mean_k < 0.0 else "better"


def _apart(row: SensorRow, prob: float) -> str:
    """Return the distance of an assembly from its peers in words, as a positive number."""
    return range_words(np.sign(row.mean_k) * row.draws, prob)


def _joined(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def sensor_caveats(
    fits: Sequence[Fit],
    builds: tuple[Build, Build],
    rows: Sequence[SensorRow],
    answers: Mapping[str, Answer],
) -> list[str]:
    """Return each sensor's caveats, and those of the sensors together."""
    caveats = []
    by_caveat: dict[str, list[str]] = {}
    for sensor, answer in answers.items():
        for caveat in answer.caveats:
            by_caveat.setdefault(caveat, []).append(sensor)
    for caveat, sensors in by_caveat.items():
        everywhere = len(sensors) == len(answers)
        caveats.append(caveat if everywhere else f"{_joined(sensors).capitalize()}: {caveat}")
    if len(fits) > 1 and not one_posterior(fits):
        caveats.append(
            "Each sensor has a separate fit. Errors common to the sensors are not propagated, so "
            "do not add or subtract sensors. Fix: fit them together with fit_sensors."
        )
    lacking = [fit for fit in fits if not _of(rows, fit.sensor, REMOUNT)]
    if lacking:
        kinds = sorted(lacking[0].results[KIND].dropna().unique())
        why = "factory and bench assemblies changed together with other parts"
        if len(kinds) < 2:
            why = f"all assemblies are of one kind ({kinds[0] if kinds else 'not stated'})"
        caveats.append(
            f"No reassembly penalty for {_joined([fit.sensor for fit in lacking])}: {why}. Fix: "
            "run the same parts as they came from the factory and after a bench assembly."
        )
    assemblies = assemblies_of(fits[0])
    mounted = {} if assemblies is None else {b.name: len(assemblies.of(b)) for b in builds}
    once = [name for name, count in mounted.items() if count == 1]
    if once:
        caveats.append(
            f"Mounted once only: {_joined(once)}. A bad assembly there would be attributed to "
            "the fix; test a second assembly."
        )
    return caveats
