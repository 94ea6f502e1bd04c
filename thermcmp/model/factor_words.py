"""Factors and combinations of parts in plain words, for sentences."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Final

#: Link to the words before, and words of a level, for the factors that have a phrase.
_PHRASES: Final[dict[str, tuple[str, str]]] = {
    "cooler_model": (" ", "cooler {}"),
    "board_model": (" on ", "board {}"),
    "memory_vendor": (" with ", "memory from {}"),
    "assembly_kind": (" in a ", "{} assembly"),
}
#: Name of a spread, with the law that it is a spread of.
_SPREAD: Final = re.compile(r"\b(\w+?)( airflow| exponent)? sd\b")
_SPECIMENS: Final = {
    "cooler": "cooler specimen", "board": "board specimen", "cooler_model": "cooler model",
    "board_model": "board model", "bench": "benche", "assembly_kind": "kinds of assemblie",
}  # fmt: skip


def factor_words(factor: str) -> str:
    """Return a factor's name, or a joint one's, as words: "cooler", "board + memory vendor"."""
    return re.sub(r"_model\b", "", factor).replace("_", " ")


def effect_words(effect: str) -> str:
    """Return the name of an effect, "cooler_model: B − A", with its factor as words."""
    factor, colon, contrast = effect.partition(": ")
    return factor_words(factor) + colon + contrast if colon else effect


def parameter_words(text: str) -> str:
    """Return a text with names of spreads as words: "the spread of memory vendors"."""
    return _SPREAD.sub(lambda match: _spread_words(*match.groups()), text)


def _spread_words(factor: str, law: str | None) -> str:
    """Return a spread in words: of models, of specimens, of what they do with more fan speed."""
    many = _SPECIMENS.get(factor) or factor_words(factor).replace("_", " ")
    many = re.sub(r"y$", "ie", many)
    of = {" airflow": "the fan-dependent parts of ", " exponent": "the exponents of "}.get(
        law or ""
    )
    return f"the spread of {of or ''}{many}s"


def listed_factors(factors: Iterable[str]) -> str:
    """Return several factors as words: "board and memory vendor"."""
    return " and ".join(map(factor_words, factors))


def combination_words(levels: Mapping[str, str]) -> str:
    """Return parts as words: "cooler Alder-C1 on board Alder-B2 with memory from Quill"."""
    words = ""
    for factor, (link, phrase) in _PHRASES.items():
        if factor in levels:
            words += (link if words else "") + phrase.format(levels[factor])
    others = [f"{factor_words(name)} {levels[name]}" for name in levels if name not in _PHRASES]
    return ", ".join([*([words] if words else []), *others])
