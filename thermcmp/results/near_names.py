"""Names that are written so much alike that they may be one."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from difflib import SequenceMatcher
from typing import Any, Final

import pandas as pd

from thermcmp.errors import Fault, ThermcmpWarning
from thermcmp.results.reading_guide import word_of
from thermcmp.tabular.column import Finding

#: Columns of names that people type; ids of specimens and runs often differ by little on purpose.
TYPED: Final = (
    "sensor", "product", "cooler_model", "board_model", "memory_vendor", "firmware", "lab", "bench",
)  # fmt: skip
#: Ratio of equal letters from which a word may be a slip of another, and its fewest letters:
#: shorter ones are codes, such as the A of "bench A" (a choice).
_SLIP: Final = 0.8
_FEWEST_LETTERS: Final = 4
_PART: Final = re.compile(r"\d+|[^\W\d_]+")


class NearNamesWarning(ThermcmpWarning):
    """A name that may be meant to be another one; `fault` is the question."""

    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        super().__init__(str(fault))


def near_names(
    rows: pd.DataFrame,
    known: pd.DataFrame | None = None,
    words: Mapping[str, Mapping[str, Any]] | None = None,
) -> Iterator[Finding]:
    """Yield a question about each new name beside one that it may be meant to be.

    New are the names in canonical rows that `known` rows do not hold. What is stated in
    `words` as itself is not asked about, nor is a product that is named by its parts.
    """
    by_parts = set((rows["cooler_model"] + " on " + rows["board_model"]).dropna())
    for column in TYPED:
        names = rows[column].dropna()
        counts = Counter(map(str, names[~names.isin(by_parts)]))
        held = set() if known is None else set(map(str, known[column].dropna()))
        stated = (words or {}).get(column, {}).items()
        settled = {str(meant) for word, meant in stated if word_of(meant) == word}
        # The name with more rows is the one that is meant.
        order = [*sorted(held), *(name for name, _ in counts.most_common() if name not in held)]
        for place, name in enumerate(order):
            other = _nearest(name, order[:place])
            if name in held or other is None or {name, other} & settled:
                continue
            yield Finding(
                f"the name is much like '{other}' and may be meant to be the same",
                f"give words={{'{column}': {{'{name}': '{other}'}}}} if they are one, "
                f"words={{'{column}': {{'{name}': '{name}'}}}} if they are two",
                column,
                int(names.index[names == name][0]),
                name,
            )


def _nearest(name: str, others: Collection[str]) -> str | None:
    """Return the name that another one may be meant to be: the same parts first."""
    for alike in (_same_parts, _other_number, _slip):
        for other in others:
            if alike(name, other):
                return other
    return None


def _parts(name: str) -> list[str]:
    plain = unicodedata.normalize("NFKD", name).casefold()
    return _PART.findall("".join(sign for sign in plain if not unicodedata.combining(sign)))


def _same_parts(name: str, other: str) -> bool:
    """Return whether two names differ by case, blanks and signs only."""
    return "".join(_parts(name)) == "".join(_parts(other)) != ""


def _other_number(name: str, other: str) -> bool:
    """Return whether two names differ by a number and by how they are written.

    By the number alone, as r1 and r2 do, they are two.
    """
    parts = [["0" if part.isdigit() else part for part in _parts(n)] for n in (name, other)]
    written = [re.sub(r"\d+", "0", n) for n in (name, other)]
    return parts[0] == parts[1] and set(parts[0]) > {"0"} and written[0] != written[1]


def _slip(name: str, other: str) -> bool:
    """Return whether one word of a name is nearly that of the other, and the rest equal."""
    pairs = list(zip(_parts(name), _parts(other), strict=False))
    different = [pair for pair in pairs if pair[0] != pair[1]]
    if len(_parts(name)) != len(_parts(other)) or len(different) != 1:
        return False
    (one, two) = different[0]
    if one.isdigit() or min(len(one), len(two)) < _FEWEST_LETTERS:
        return False
    return SequenceMatcher(None, one, two, autojunk=False).ratio() >= _SLIP
