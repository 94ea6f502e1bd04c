"""How sure a statement may sound: strengths of evidence, and the words of each."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Final


class Strength(IntEnum):
    """How strong the evidence of one finding is, weakest first."""

    NOT_KNOWN = 0
    OPEN = 1
    PROBABLE = 2
    VERY_PROBABLE = 3
    CLEAR = 4


@dataclass(frozen=True, slots=True)
class Wording:
    """Least chance of a strength, the adverb before its verb, and how the table names it."""

    chance: float
    adverb: str
    name: str


#: Each adverb is used at a higher chance than the IPCC allows it from (Mastrandrea et al. 2010,
#: guidance note on uncertainties: "likely" from 66 %, "very likely" from 90 %, "virtually
#: certain" from 99 %; from memory).
WORDINGS: Final[dict[Strength, Wording]] = {
    Strength.CLEAR: Wording(0.99, "", "clear"),
    Strength.VERY_PROBABLE: Wording(0.95, "very probably", "very probable"),
    Strength.PROBABLE: Wording(0.90, "probably", "probable"),
    Strength.OPEN: Wording(0.0, "", "open"),
    Strength.NOT_KNOWN: Wording(0.0, "", "not known"),
}


def strength_of(chance: float, most: Strength = Strength.CLEAR) -> Strength:
    """Return the strength of a claim that holds with a chance, at most `most`."""
    reached = (
        strength
        for strength, wording in WORDINGS.items()
        if strength > Strength.OPEN and chance >= wording.chance
    )
    return min(next(reached, Strength.OPEN), most)


def adverb(strength: Strength) -> str:
    """Return the adverb before the verb, with its space: "probably "."""
    word = WORDINGS[strength].adverb
    return f"{word} " if word else ""
