"""One thing that a statement says, with the strength of its evidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

from thermcmp.reporting.article.strength import Strength


class Level(IntEnum):
    """The shortest text that has a sentence."""

    SHORT = 0
    MEDIUM = 1
    LONG = 2


@dataclass(frozen=True, slots=True)
class Finding:
    """One sentence, its strength, and the words by which a text speaks of the same."""

    sentence: str
    strength: Strength
    level: Level
    names: tuple[str, ...]


def listed(names: Sequence[str], most: int = 4) -> str:
    """Return names as a text lists them: "A, B and C"; of many the first, and a count."""
    shown = list(names[:most])
    if len(names) > most:
        shown.append(f"{len(names) - most} more")
    if len(shown) < 2:
        return "".join(shown)
    return f"{', '.join(shown[:-1])} and {shown[-1]}"


def opened(sentence: str) -> str:
    """Return the sentence with a capital first letter."""
    return sentence[:1].upper() + sentence[1:]
