"""Names as people write them, in one spelling for each, and nouns with their count."""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from collections.abc import Iterable
from typing import Final

#: What looks like a Latin letter or a hyphen (Unicode Technical Standard 39, from memory).
_LATIN: Final = str.maketrans(
    "АВЕЅІЈКМНОРСТУХаеоѕіјрсухΑΒΕΖΗΙΚΜΝΟΡΤΥΧον\u2010\u2011\u2012\u2013\u2014\u2212",
    "ABESIJKMHOPCTYXaeosijpcyxABEZHIKMNOPTYXov------",
)


def plain_name(text: str) -> str:
    """Return a name in its one spelling: composed letters, plain single spaces, no hidden signs.

    Hidden are zero-width signs and marks of writing direction.
    """
    text = text.strip()
    if text.isascii() and text.isprintable() and "  " not in text:
        return text
    # Bytes of a file's name that are not text arrive as lone surrogates, which no file can hold.
    text = text.encode("utf-8", "backslashreplace").decode("utf-8")
    composed = unicodedata.normalize("NFC", text)
    shown = (sign for sign in composed if unicodedata.category(sign) != "Cf")
    return " ".join("".join(shown).split())


def look_alike(names: Iterable[str]) -> list[tuple[str, ...]]:
    """Return the groups of names that look alike: by case, kind of dash or width, or by letters.

    Such letters are those of Cyrillic and Greek that look like Latin ones.
    """
    groups: dict[str, set[str]] = defaultdict(set)
    for name in names:
        groups[unicodedata.normalize("NFKC", name).translate(_LATIN).casefold()].add(name)
    return [tuple(sorted(group)) for group in groups.values() if len(group) > 1]


def counted(count: int, noun: str, plural: str = "") -> str:
    """Return a count with its noun: "1 run", "3 runs"."""
    return f"{count} {noun}" if count == 1 else f"{count} {plural or noun + 's'}"
