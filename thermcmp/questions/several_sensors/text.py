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
    """The verdict per sensor, the remount, and the assemblies that stand out."""
    sensors = [fit.sensor for fit in fits]
    verdicts = [_verdict(_of(rows, sensor, FIX), prob) for sensor in sensors]
    sentences = [f"{builds[1].name} against {builds[0].name}: {'; '.join(verdicts)}."]
    sentences += [_parts_words(_of(rows, sensor, FIX), prob) for sensor in sensors]
    for sensor in sensors:
        sentences += _remount_words(_of(rows, sensor, REMOUNT), _of(rows, sensor, FIX), prob)
    sentences += _alike(_named(rows, REMOUNT_ANY), prob)
    if one_posterior(fits):
        sentences += _joint_words(fits, rows, prob)
    return (*sentences, *_assembly_words(fits, rows, prob))


def _joint_words(fits: Sequence[Fit], rows: Sequence[SensorRow], prob: float) -> list[str]:
    """Findings for which draws of the sensors must belong together."""
    sensors = [fit.sensor for fit in fits]
    hardware = _named(rows, HARDWARE)
    alone = ""
    if not any(row.health.startswith(WITHHELD) for row in hardware):
        alone = f", that its hardware alone does {_chance_of_all(hardware)}"
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
        if hardware is not None and hardware.health == WITHHELD:
            words += f", by its hardware {open_words(hardware.draws, prob)}"
        elif hardware is not None and interval(hardware.draws, prob)[0] <= 0.0:
            words += f", not surely by its hardware: {range_words(hardware.draws, prob)}"
        return f"{total.sensor} improves by {words}"
    if high < 0.0:
        return f"{total.sensor} gets worse by {range_words(-total.draws, prob)}"
    return f"{total.sensor} does not surely improve: {words}"


def _parts_words(rows: Sequence[SensorRow], prob: float) -> str:
    parts = [
        f"{part_phrase(row.part)} "
        f"{(open_words if row.health == WITHHELD else range_words)(row.draws, prob)}"
        for row in rows
        if row.part != TOTAL
        and not (row.part == DIRECT and row.health == WITHHELD)
        and not np.isnan(row.draws).any()
    ]
    return f"Of that at the {rows[0].sensor}, order-free: {', '.join(parts)}."


def _remount_words(rows: Sequence[SensorRow], fix: Sequence[SensorRow], prob: float) -> list[str]:
    """The penalty of a bench assembly, where it matters to the reading of the fix."""
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
            f"At the {sensor} a bench assembly of {what} is neither surely worse nor better than "
            f"the factory's: {apart}{also}."
        ]
    if low > 0.0:
        return [
            f"At the {sensor} a bench assembly of {what} is {apart} than "
            f"the factory's{also}: do not credit the fix with it."
        ]
    sentence = (
        f"Reassembly penalty at the {sensor}: a bench assembly of {what} runs {apart} than "
        f"the factory's{also}."
    )
    total = next(row for row in fix if row.part == TOTAL)
    if remounted is not None and interval(remounted.draws, prob)[0] <= 0.0:
        sentence += (
            f" Read off a remounted card the fix would bring {range_words(remounted.draws, prob)} "
            f"in place of {range_words(total.draws, prob)}: blame the assembly and not the fix."
        )
    return [sentence]


def _warmth(row: SensorRow, prob: float) -> str:
    """A remount in words, with the sign that makes its mean positive."""
    return sided_words(row.draws, prob, "cooler", "warmer")


def _alike(rows: Sequence[SensorRow], prob: float) -> list[str]:
    """Whether a remount shows on the sensors together."""
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
            f"Bench assemblies are surely worse on {_joined(worse)} and not on {_joined(rest)}, "
            "as local contact, paste or pads there would be."
        ]
    return []


def _assembly_words(fits: Sequence[Fit], rows: Sequence[SensorRow], prob: float) -> list[str]:
    spreads = {fit.sensor: spread_k(fit) for fit in fits}
    parts = dict.fromkeys(row.part for row in rows if row.kind == ASSEMBLY)
    if not parts:
        known = ", ".join(f"{name} {k:.1f} K" for name, k in spreads.items() if not np.isnan(k))
        return (
            [f"No assembly of these parts stands out from its peers (remount spread: {known})."]
            if known
            else []
        )
    sentences = [_assembly_sentence(part, _named(rows, part), spreads, prob) for part in parts]
    more = len(sentences) - _MOST_ASSEMBLIES
    return sentences[:_MOST_ASSEMBLIES] + (
        [f"{more} more stand out: see the table."] if more > 0 else []
    )


def _assembly_sentence(
    part: str, rows: Sequence[SensorRow], spreads: Mapping[str, float], prob: float
) -> str:
    """One assembly where it shows most, and whether the other sensors see it too."""
    first = max(rows, key=lambda row: abs(row.mean_k) / spreads[row.sensor])
    word = _word(first)
    clauses = [
        f"The assembly '{part}' is {_apart(first, prob)} {word} at the {first.sensor} than its "
        f"peers (remount spread {spreads[first.sensor]:.1f} K)"
    ]
    for row in (row for row in rows if row is not first):
        low, high = interval(row.draws, prob)
        if low <= 0.0 <= high:
            clauses.append(f"not surely so at the {row.sensor} ({_apart(row, prob)} {_word(row)})")
        elif _word(row) == word:
            clauses.append(f"at the {row.sensor} too ({_apart(row, prob)} {word})")
        else:
            clauses.append(f"the other way at the {row.sensor} ({_apart(row, prob)} {_word(row)})")
    return "; ".join(clauses) + "."


def _word(row: SensorRow) -> str:
    return "worse" if row.mean_k < 0.0 else "better"


def _apart(row: SensorRow, prob: float) -> str:
    """How far an assembly is from its peers, with the sign that makes its mean positive."""
    return range_words(np.sign(row.mean_k) * row.draws, prob)


def _joined(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def sensor_caveats(
    fits: Sequence[Fit],
    builds: tuple[Build, Build],
    rows: Sequence[SensorRow],
    answers: Mapping[str, Answer],
) -> list[str]:
    """Each sensor's caveats, and those of the sensors together."""
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
            "Each sensor has a fit of its own. Errors common to the sensors are not propagated, so "
            "do not add or subtract sensors. Fix: fit them together with fit_sensors."
        )
    lacking = [
        fit.sensor
        for fit in fits
        if not any(row.sensor == fit.sensor and row.kind == REMOUNT for row in rows)
    ]
    if lacking:
        caveats.append(
            f"No reassembly penalty for {_joined(lacking)}: {_why_none(fits, lacking[0])}. Fix: "
            "run the same parts as they came from the factory and after a bench assembly."
        )
    caveats += _alone(fits[0], builds)
    return caveats


def _why_none(fits: Sequence[Fit], sensor: str) -> str:
    fit = next(fit for fit in fits if fit.sensor == sensor)
    kinds = sorted(fit.results[KIND].dropna().unique())
    if len(kinds) < 2:
        return f"all assemblies are of one kind ({kinds[0] if kinds else 'not stated'})"
    return "factory and bench assemblies changed together with other parts"


def _alone(fit: Fit, builds: tuple[Build, Build]) -> list[str]:
    """Name the builds whose only assembly cannot be told apart from their parts."""
    assemblies = assemblies_of(fit)
    if assemblies is None:
        return []
    once = [build.name for build in builds if len(assemblies.of(build)) == 1]
    if not once:
        return []
    return [
        f"Mounted once only: {_joined(once)}. A bad assembly there would count to the fix; test "
        "a second assembly."
    ]
