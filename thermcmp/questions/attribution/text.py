"""An attribution in plain words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.physics.characteristic import FanStatus
from thermcmp.questions.attribution.corners import AttributionStudy, corner
from thermcmp.questions.attribution.parts import DIRECT, EQUAL_NOISE, FAN, HARDWARE, main_parts
from thermcmp.questions.attribution.tables import NEAR_POWER, NEAR_SPEED, runs_at
from thermcmp.questions.phrases import chance_words, interval, open_words, range_words, sided_words

if TYPE_CHECKING:
    from thermcmp.questions.attribution.context import AttributionContext

_SIGNED: Final = "As improvements, averaged over every order of the changes"
#: Parts in a sentence.
_SHORT: Final = {HARDWARE: "hardware", FAN: "fan speed", DIRECT: "the firmware directly"}


def signed_words(draws: Array, prob: float, unit: str, digits: int = 1) -> str:
    """Return mean and interval of a change, with its sign: "−310 rpm (−350 to −270)"."""
    low, high = interval(draws, prob)
    mean, least, most = (f"{value:+z.{digits}f}" for value in (float(np.mean(draws)), low, high))
    return f"{mean} {unit} ({least} to {most})".replace("-", "\N{MINUS SIGN}")


def part_phrase(name: str) -> str:
    """Return a main part's name as a sentence has it."""
    return _SHORT.get(name, name.removeprefix("firmware: "))


def attribution_sentences(context: AttributionContext) -> tuple[str, ...]:
    """Return the verdict, as sentences."""
    return (
        *_total(context),
        *_given_back(context),
        *_noise(context),
        *_kelvin_per_decibel(context),
        *_direct(context),
        _corners(context),
    )


def is_held(context: AttributionContext) -> bool:
    """Return whether the temperature stayed while the fan speed changed."""
    low, high = interval(context.parts["total"], context.prob)
    moved = _speed_change(context)
    least, most = interval(moved, context.prob)
    old = float(np.mean(context.study.flow_speed(corner(False, False))))
    turned = (least > 0.0 or most < 0.0) and abs(float(np.mean(moved))) > 0.01 * old
    first_c, second_c = (setting.held_c for setting in context.study.settings)
    same_target = (
        first_c is not None and second_c is not None and abs(second_c - first_c) < context.matters_k
    )
    return turned and (same_target or max(abs(low), abs(high)) < context.matters_k)


def _speed_change(context: AttributionContext) -> Array:
    return context.study.flow_speed(corner(True, True)) - context.study.flow_speed(
        corner(False, False)
    )


def _total(context: AttributionContext) -> list[str]:
    study, total = context.study, context.parts["total"]
    old, new = study.settings
    before_c = float(np.mean(study.temperature_c(corner(False, False))))
    unit = study.fit.design.law.unit
    first = (
        f"{study.builds[1].name} runs {sided_words(total, context.prob, 'cooler', 'warmer')} than "
        f"{study.builds[0].name} ({before_c:.1f} °C before, in {study.at.air_words}), each at its "
        f"own firmware's {old.flow_speed:.0f} and {new.flow_speed:.0f} {unit}, "
        f"{old.power_w:.0f} and {new.power_w:.0f} W."
    )
    better = bool(np.mean(total) >= 0.0)
    # The parts keep their sign, improvement, where the sentence before says "warmer".
    lead = "Of that, averaged over every order of the changes" if better else _SIGNED
    sentences = [first]
    if split := _split_words(context):
        sentences.append(f"{lead}: {split}.")
    if is_held(context):
        return [_held_words(context), *sentences]
    if HARDWARE in context.withheld:
        return sentences
    if abs(float(np.mean(total))) > 2.0 * float(np.std(total)):
        share = float(np.mean(context.parts[HARDWARE])) / float(np.mean(total))
        sentences.append(share_words(share, better=better))
    else:
        sentences.append("The total is too uncertain to state shares of it.")
    return sentences


def _split_words(context: AttributionContext) -> str:
    """Return the main parts: a mean with its interval, or the range of what is withheld."""
    words = []
    for name in main_parts(context.study):
        if name == DIRECT and name in context.withheld:
            continue
        draws = context.parts[name]
        stated = range_words(draws, context.prob)
        if name in context.withheld:
            stated = open_words(draws)
        words.append(f"{part_phrase(name)} {stated}")
    return ", ".join(words)


def share_words(share: float, *, better: bool) -> str:
    """Describe the hardware's share; beyond 0 to 1 it needs the reason beside it."""
    of = "improvement" if better else "difference"
    words = f"The hardware's share of the {of} is about {share:.0%}".replace("-", "\N{MINUS SIGN}")
    if share > 1.005:
        return f"{words}: the other parts together worked against it."
    if share < -0.005:
        return f"{words}: it worked against the other parts."
    return f"{words}."


def _held_words(context: AttributionContext) -> str:
    study = context.study
    cause = "The temperature did not move"
    if _is_regulated(study, False) and _is_regulated(study, True):
        cause = "The temperature is held by the firmware in both"
    changes = [signed_words(_speed_change(context), context.prob, study.fit.design.law.unit, 0)]
    if context.noise:
        changes.append(signed_words(context.noise["total"], context.prob, "dB(A)"))
    watts = study.power_w[1] - study.power_w[0]
    if abs(float(np.mean(watts))) >= 0.5:
        changes.append(signed_words(watts, context.prob, "W", 0))
    *most, last = changes
    listed = f"{', '.join(most)} and {last}" if most else last
    return f"{cause}; the fix shows as {listed}."


def _is_regulated(study: AttributionStudy, is_new: bool) -> bool:
    """Return whether a build's firmware held the judged sensor, by its rule or in stock runs."""
    loop = study.loops[is_new]
    if loop is None:
        return study.settings[is_new].held_c is not None
    follows = loop.firmware.control_sensor in (None, study.fit.sensor)
    return follows and loop.doing[is_new] == FanStatus.REGULATED


def _given_back(context: AttributionContext) -> list[str]:
    """Describe how much of a better hardware the firmware turned into lower noise."""
    if {HARDWARE, FAN} & context.withheld:
        return []
    better, _ = interval(context.parts[HARDWARE], context.prob)
    _, returned = interval(context.parts[FAN], context.prob)
    if better <= 0.0 or returned >= 0.0:
        return []
    level = (
        f", {signed_words(context.noise[FAN], context.prob, 'dB(A)')}"
        if _has_level(context)
        else ""
    )
    speed = signed_words(_speed_change(context), context.prob, context.study.fit.design.law.unit, 0)
    hardware = range_words(context.parts[HARDWARE], context.prob)
    return [
        f"At equal fan speed the hardware brings {hardware}; the firmware gave back "
        f"{range_words(-context.parts[FAN], context.prob)} as lower noise ({speed}{level})."
    ]


def _has_level(context: AttributionContext) -> bool:
    """Return whether the level of the fan speed's part is known: at its crossed corners too."""
    return bool(context.noise) and not np.isnan(context.noise[FAN]).any()


def _noise(context: AttributionContext) -> list[str]:
    sentences = []
    if context.noise:
        total = context.noise["total"]
        low, high = interval(total, context.prob)
        if low <= 0.0 <= high:
            words = signed_words(total, context.prob, "dB")
            difference = f"not clearly louder or quieter than the old one: {words}"
        else:
            words = sided_words(total, context.prob, "louder", "quieter", "dB")
            difference = f"{words} than the old one"
        alone = f"; its fan speed alone made {signed_words(context.noise[FAN], context.prob, 'dB')}"
        sentences.append(f"The new build is {difference}{alone if _has_level(context) else ''}.")
    equal = context.parts.get(EQUAL_NOISE)
    if EQUAL_NOISE not in context.withheld and equal is not None and not np.isnan(equal).any():
        sentences.append(f"At equal noise the hardware brings {range_words(equal, context.prob)}.")
    return sentences


def _kelvin_per_decibel(context: AttributionContext) -> list[str]:
    """Describe kelvin per decibel; no ratio where the level hardly changed."""
    if not context.kelvin_per_decibel or FAN in context.withheld:
        return []
    change, new, _ = context.kelvin_per_decibel
    slope = ""
    if not new.health:
        speed = context.study.settings[1].flow_speed
        ratio = range_words(new.k_per_db, context.prob, "K per dB")
        slope = f"at {speed:.0f} rpm the new hardware gives {ratio}"
    if change.health and not _has_level(context):
        return [f"{slope[:1].upper()}{slope[1:]}."] if slope else []
    if change.health:
        words = signed_words(change.cost_db, context.prob, "dB")
        return [
            f"The fan speed changed the level by {words} only, too little for a ratio in kelvin "
            f"per decibel" + (f"; {slope}." if slope else ".")
        ]
    gain = range_words(change.k_per_db, context.prob, "K per dB")
    if not slope:
        return [f"The change of fan speed was worth {gain}."]
    cost = signed_words(new.cost_db, context.prob, "dB")
    return [
        f"The change of fan speed was worth {gain}; {slope}: at that speed the same temperature "
        f"change would cost {cost}."
    ]


def _direct(context: AttributionContext) -> list[str]:
    """Test a firmware's effect beyond fan speed and power."""
    if DIRECT not in context.parts or DIRECT in context.withheld:
        return []
    draws = context.parts[DIRECT]
    low, high = interval(draws, context.prob)
    values = (f"{value:z.2f}" for value in (float(np.mean(draws)), low, high))
    mean, least, most = (words.replace("-", "\N{MINUS SIGN}") for words in values)
    verdict = "contains zero" if low <= 0.0 <= high else "does not contain zero"
    chance = chance_words(float(np.mean(np.abs(draws) < context.matters_k)), len(draws))
    return [
        f"Beyond fan speed and power the firmware brings {mean} K ({least} to {most}): the "
        f"interval {verdict}; {chance} probability that it is below "
        f"{context.matters_k:g} K either way."
    ]


def _corners(context: AttributionContext) -> str:
    """Describe which of the four corners were measured."""
    measured, predicted = [], []
    for hardware in (False, True):
        for firmware in (False, True):
            age, rule = ("new" if new else "old" for new in (hardware, firmware))
            name = f"{age} hardware under {rule} firmware"
            runs = runs_at(context.study, hardware, firmware)
            if runs:
                measured.append(f"{name} ({runs} run{'s' if runs > 1 else ''})")
            else:
                predicted.append(name)
    near = f"within {NEAR_SPEED:.0%} of fan speed and {NEAR_POWER:.0%} of power"
    listed = ", ".join(measured) or "none"
    parts = [f"Corners measured (stock runs of the build, or runs {near}): {listed}"]
    if predicted:
        parts.append(f"predicted by the model: {', '.join(predicted)}")
    return f"{'; '.join(parts)}."
