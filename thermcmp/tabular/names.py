"""Names as people write them, in one spelling for each, and nouns with their count."""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from collections.abc import Iterable


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


def differ_by_case(names: Iterable[str]) -> list[tuple[str, ...]]:
    """Return the groups of names that are alike but for upper and lower case."""
    groups: dict[str, set[str]] = defaultdict(set)
    for name in names:
        groups[name.casefold()].add(name)
    return [tuple(sorted(group)) for group in groups.values() if len(group) > 1]


def counted(count: int, noun: str, plural: str = "") -> str:
    """Return a count with its noun: "1 run", "3 runs"."""
    return f"{count} {noun}" if count == 1 else f"{count} {plural or noun + 's'}"
