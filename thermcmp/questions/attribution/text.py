"""A fix in plain words: the verdict, and what limits it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.physics.characteristic import FanStatus
from thermcmp.questions.attribution.corners import FixStudy, corner
from thermcmp.questions.attribution.parts import DIRECT, EQUAL_NOISE, FAN, HARDWARE, main_parts
from thermcmp.questions.attribution.tables import NEAR_POWER, NEAR_SPEED, runs_at
from thermcmp.questions.phrases import chance_words, interval, range_words, sided_words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from thermcmp.questions.attribution.kelvin_per_db import KelvinPerDecibel

#: Parts in a sentence.
_SHORT: Final = {HARDWARE: "hardware", FAN: "fan speed", DIRECT: "the firmware directly"}


@dataclass(frozen=True, slots=True, eq=False)
class AttributionContext:
    """What is told of a fix.

    Attributes
    ----------
    study : FixStudy
        The corners.
    parts, noise : mapping of str to ndarray, shape (S,)
        Improvements [K] and changes of level [dB] by part.
    weak : frozenset of str
        Parts that rest on the prior.
    bought : sequence of KelvinPerDecibel
        What a decibel buys.
    prob : float
        Probability of the intervals.
    matters_k : float
        Size that matters [K].
    allowed_prior : bool
        Whether a split that the prior makes was asked for.
    """

    study: FixStudy
    parts: Mapping[str, Array]
    noise: Mapping[str, Array]
    weak: frozenset[str]
    bought: Sequence[KelvinPerDecibel]
    prob: float
    matters_k: float
    allowed_prior: bool


def signed_words(draws: Array, prob: float, unit: str, digits: int = 1) -> str:
    """Mean and interval of a change, with its sign: "−310 rpm (−350 to −270)"."""
    low, high = interval(draws, prob)
    mean, least, most = (f"{value:+z.{digits}f}" for value in (float(np.mean(draws)), low, high))
    return f"{mean} {unit} ({least} to {most})".replace("-", "\N{MINUS SIGN}")


def fix_sentences(told: AttributionContext) -> tuple[str, ...]:
    """The verdict, as sentences."""
    return (
        *_total(told),
        *_given_back(told),
        *_noise(told),
        *_price(told),
        *_direct(told),
        _corners(told),
    )


def is_held(told: AttributionContext) -> bool:
    """Whether the temperature stayed while the fan speed changed."""
    low, high = interval(told.parts["total"], told.prob)
    moved = _speed_change(told)
    least, most = interval(moved, told.prob)
    old = float(np.mean(told.study.flow_speed(corner(False, False))))
    turned = (least > 0.0 or most < 0.0) and abs(float(np.mean(moved))) > 0.01 * old
    first_c, second_c = (setting.held_c for setting in told.study.settings)
    same_target = (
        first_c is not None and second_c is not None and abs(second_c - first_c) < told.matters_k
    )
    return turned and (same_target or max(abs(low), abs(high)) < told.matters_k)


def _speed_change(told: AttributionContext) -> Array:
    return told.study.flow_speed(corner(True, True)) - told.study.flow_speed(corner(False, False))


def _total(told: AttributionContext) -> list[str]:
    study, total = told.study, told.parts["total"]
    old, new = study.settings
    before_c = float(np.mean(study.temperature_c(corner(False, False))))
    unit = study.fit.design.law.unit
    first = (
        f"{study.builds[1].name} runs {sided_words(total, told.prob, 'cooler', 'warmer')} than "
        f"{study.builds[0].name} ({before_c:.1f} °C before, in {study.at.air_words}), each at its "
        f"own firmware's {old.flow_speed:.0f} and {new.flow_speed:.0f} {unit}, "
        f"{old.power_w:.0f} and {new.power_w:.0f} W."
    )
    better = bool(np.mean(total) >= 0.0)
    # The parts keep their sign, improvement, where the sentence before says "warmer".
    lead = "Of that, order-free" if better else "As improvements, order-free"
    split = ", ".join(
        f"{_SHORT.get(name, name.removeprefix('firmware: '))} "
        f"{range_words(told.parts[name], told.prob)}"
        for name in main_parts(study)
    )
    sentences = [first, f"{lead}: {split}."]
    if is_held(told):
        return [_held_words(told), *sentences]
    if abs(float(np.mean(total))) > 2.0 * float(np.std(total)):
        share = float(np.mean(told.parts[HARDWARE])) / float(np.mean(total))
        sentences.append(share_words(share, better=better))
    else:
        sentences.append("The total is too uncertain to state shares of it.")
    return sentences


def share_words(share: float, *, better: bool) -> str:
    """Describe the hardware's share; beyond 0 to 1 it says little without the reason."""
    of = "improvement" if better else "difference"
    words = f"The hardware's share of the {of} is about {share:.0%}"
    if share > 1.005:
        return f"{words}: the other parts together worked against it."
    if share < -0.005:
        return f"{words}: it worked against the other parts."
    return f"{words}."


def _held_words(told: AttributionContext) -> str:
    study = told.study
    cause = "The temperature did not move"
    if _is_regulated(study, False) and _is_regulated(study, True):
        cause = "The temperature is held by the firmware in both"
    changes = [signed_words(_speed_change(told), told.prob, study.fit.design.law.unit, 0)]
    if told.noise:
        changes.append(signed_words(told.noise["total"], told.prob, "dB(A)"))
    watts = study.power_w[1] - study.power_w[0]
    if abs(float(np.mean(watts))) >= 0.5:
        changes.append(signed_words(watts, told.prob, "W", 0))
    *most, last = changes
    listed = f"{', '.join(most)} and {last}" if most else last
    return f"{cause}; the fix shows as {listed}."


def _is_regulated(study: FixStudy, own: bool) -> bool:
    """Whether a build's firmware held the judged sensor, by its rule or in its stock runs."""
    loop = study.loops[own]
    if loop is None:
        return study.settings[own].held_c is not None
    follows = loop.firmware.control_sensor in (None, study.fit.sensor)
    return follows and loop.doing[own] == FanStatus.REGULATED


def _given_back(told: AttributionContext) -> list[str]:
    """Describe what of a better hardware the firmware turned into silence."""
    better, _ = interval(told.parts[HARDWARE], told.prob)
    _, given = interval(told.parts[FAN], told.prob)
    if better <= 0.0 or given >= 0.0:
        return []
    level = f", {signed_words(told.noise[FAN], told.prob, 'dB(A)')}" if _has_level(told) else ""
    speed = signed_words(_speed_change(told), told.prob, told.study.fit.design.law.unit, 0)
    return [
        f"At equal fan speed the hardware brings {range_words(told.parts[HARDWARE], told.prob)}; "
        f"the firmware gave back {range_words(-told.parts[FAN], told.prob)} as silence "
        f"({speed}{level})."
    ]


def _has_level(told: AttributionContext) -> bool:
    """Whether the level of the fan speed's part is known: at its crossed corners too."""
    return bool(told.noise) and not np.isnan(told.noise[FAN]).any()


def _noise(told: AttributionContext) -> list[str]:
    sentences = []
    if told.noise:
        total = told.noise["total"]
        low, high = interval(total, told.prob)
        if low <= 0.0 <= high:
            words = signed_words(total, told.prob, "dB")
            told_apart = f"not surely louder or quieter than the old one: {words}"
        else:
            words = sided_words(total, told.prob, "louder", "quieter", "dB")
            told_apart = f"{words} than the old one"
        alone = f"; its fan speed alone made {signed_words(told.noise[FAN], told.prob, 'dB')}"
        sentences.append(f"The new build is {told_apart}{alone if _has_level(told) else ''}.")
    equal = told.parts.get(EQUAL_NOISE)
    if equal is not None and not np.isnan(equal).any():
        sentences.append(f"At equal noise the hardware brings {range_words(equal, told.prob)}.")
    return sentences


def _price(told: AttributionContext) -> list[str]:
    """Kelvin per decibel; no ratio where the level hardly changed."""
    if not told.bought:
        return []
    first, new, _ = told.bought
    gives = ""
    if not new.health:
        at = told.study.settings[1].flow_speed
        gives = (
            f"at {at:.0f} rpm the new hardware gives "
            f"{range_words(new.k_per_db, told.prob, 'K per dB')}"
        )
    if first.health and not _has_level(told):
        return [f"{gives[:1].upper()}{gives[1:]}."] if gives else []
    if first.health:
        words = signed_words(first.costs_db, told.prob, "dB")
        return [
            f"The fan speed changed the level by {words} only, so kelvin per decibel bought is no "
            f"number here" + (f"; {gives}." if gives else ".")
        ]
    gain = range_words(first.k_per_db, told.prob, "K per dB")
    if not gives:
        return [f"The change of fan speed was worth {gain}."]
    cost = signed_words(new.costs_db, told.prob, "dB")
    return [
        f"The change of fan speed was worth {gain}; {gives}: there the kelvins of that change "
        f"would be {cost}."
    ]


def _direct(told: AttributionContext) -> list[str]:
    """Test a firmware's effect beyond fan speed and power."""
    if DIRECT not in told.parts:
        return []
    draws = told.parts[DIRECT]
    low, high = interval(draws, told.prob)
    verdict = "holds zero" if low <= 0.0 <= high else "does not hold zero"
    chance = chance_words(float(np.mean(np.abs(draws) < told.matters_k)), len(draws))
    return [
        f"Beyond fan speed and power the firmware brings {np.mean(draws):z.2f} K ({low:z.2f} to "
        f"{high:z.2f}): the interval {verdict}; {chance} probability that it is below "
        f"{told.matters_k:g} K either way."
    ]


def _corners(told: AttributionContext) -> str:
    """Describe which of the four corners were measured."""
    measured, predicted = [], []
    for hardware in (False, True):
        for firmware in (False, True):
            name = f"{_age(hardware)} hardware under {_age(firmware)} firmware"
            runs = runs_at(told.study, hardware, firmware)
            if runs:
                measured.append(f"{name} ({runs} run{'s' if runs > 1 else ''})")
            else:
                predicted.append(name)
    near = f"own stock runs, or runs within {NEAR_SPEED:.0%} of fan speed and {NEAR_POWER:.0%} "
    parts = [f"Corners measured ({near}of power): {', '.join(measured) or 'none'}"]
    if predicted:
        parts.append(f"predicted by the model: {', '.join(predicted)}")
    return f"{'; '.join(parts)}."


def _age(new: bool) -> str:
    return "new" if new else "old"
