"""Cautions for the bench work that an answer may lead to.

Common practice, no source, unless one is named. They never replace the maker's
service instructions.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Work(StrEnum):
    """Kind of bench work that carries a risk."""

    TEARDOWN = "taking a card apart and assembling it again"
    CLAMPING = "changing the clamping force"
    FANS = "work near fans"
    HEAT = "work on a hot card"
    MAINS = "work on a powered bench"


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution and the work that it belongs to."""

    work: Work
    text: str


CAUTIONS: Final[tuple[Caution, ...]] = (
    Caution(
        Work.TEARDOWN,
        "Before you take anything apart: power off, unplug, let the card cool, and wait until the "
        "supply's capacitors have discharged.",
    ),
    Caution(
        Work.TEARDOWN,
        "Work on a grounded mat with a wrist strap: electrostatic discharge kills parts unseen.",
    ),
    Caution(
        Work.TEARDOWN,
        "Follow the maker's service instructions for the order of screws, pads and paste. Taking "
        "a card apart may end its warranty: ask before you open it.",
    ),
    Caution(
        Work.CLAMPING,
        "Never go beyond the maker's clamping force and screw torque to win a few kelvin: bare "
        "dies crack and boards bend. Tighten crosswise, in small steps.",
    ),
    Caution(
        Work.FANS,
        "Fans start by themselves. Keep fingers, cables and tools away; stop a fan by cutting its "
        "power. Wear ear protection in long loud runs.",
    ),
    Caution(
        Work.HEAT,
        "Bare metal above about 60 °C burns skin within seconds (contact burn thresholds: "
        "ISO 13732-1). Heatsinks, back plates and regulators stay hot after the load has ended.",
    ),
    Caution(
        Work.HEAT,
        "Do not hold a card at or above its maker's limit, and never switch its temperature "
        "protection off. Watch a warm-case run and end it when the limit is near.",
    ),
    Caution(
        Work.MAINS,
        "Leave power supplies closed. Work on mains voltage is for licensed people, under local "
        "codes.",
    ),
)

_WORDS: Final[dict[Work, re.Pattern[str]]] = {
    Work.TEARDOWN: re.compile(
        r"\b(swap|separate them|teardown|remount|mount|assembl|opened?\b|paste|pad)", re.I
    ),
    Work.CLAMPING: re.compile(
        r"\b(clamp|torque|screw|pressure|contact|remount|teardown|swap|separate them)", re.I
    ),
    Work.FANS: re.compile(r"\b(fan|rpm|noise|airflow)", re.I),
    Work.HEAT: re.compile(r"(°C|\b(hot|limit|ambient|temperature))", re.I),
}


def cautions_for(words: Iterable[str]) -> dict[Work, tuple[str, ...]]:
    """Pick the cautions for the work that an answer's words lead to."""
    text = " ".join(words)
    works = {work for work, pattern in _WORDS.items() if pattern.search(text)}
    if works:
        works.add(Work.MAINS)
    return {
        work: tuple(caution.text for caution in CAUTIONS if caution.work is work)
        for work in Work
        if work in works
    }
