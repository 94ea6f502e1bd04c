"""Names that are written so much alike that they may be one."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Hashable, Iterator, Mapping
from difflib import SequenceMatcher
from functools import lru_cache
from itertools import chain
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
        held = {} if known is None else dict.fromkeys(map(str, known[column].dropna()))
        stated = (words or {}).get(column, {}).items()
        settled = {str(meant) for word, meant in stated if word_of(meant) == word}
        seen = _Names()
        for name in held:
            seen.add(name)
        # The name with more rows is the one that is meant.
        for name in (name for name, _ in counts.most_common() if name not in held):
            other = seen.nearest(name)
            seen.add(name)
            if other is None or {name, other} & settled:
                continue
            yield Finding(
                f"the name is much like '{other}' and may be meant to be the same",
                f"give words={{'{column}': {{'{name}': '{other}'}}}} if they are one, "
                f"words={{'{column}': {{'{name}': '{name}'}}}} if they are two",
                column,
                int(names.index[names == name][0]),
                name,
            )


class _Names:
    """Names by what they share with others that are near: only those are compared."""

    def __init__(self) -> None:
        self._alike: dict[Hashable, list[str]] = defaultdict(list)

    def add(self, name: str) -> None:
        """Add a name."""
        for key in (_joined(name), _without_numbers(name), *_without_one_part(name)):
            self._alike[key].append(name)

    def nearest(self, name: str) -> str | None:
        """Return the name that another one may be meant to be: the same parts first."""
        # By the number alone, as r1 and r2 do, they are two.
        other_number = (
            other
            for other in self._alike.get(_without_numbers(name), ())
            if re.sub(r"\d+", "0", other) != re.sub(r"\d+", "0", name)
        )
        slips = (
            other
            for key in _without_one_part(name)
            for other in self._alike.get(key, ())
            if _is_slip(_parts(name)[key[1]], _parts(other)[key[1]])
        )
        return next(chain(self._alike.get(_joined(name), ()), other_number, slips), None)


@lru_cache(maxsize=4096)
def _parts(name: str) -> tuple[str, ...]:
    """Return the words and numbers of a name, without case, accents and signs."""
    plain = unicodedata.normalize("NFKD", name).casefold()
    return tuple(_PART.findall("".join(sign for sign in plain if not unicodedata.combining(sign))))


def _joined(name: str) -> Hashable:
    """Return what names share that differ by case, blanks and signs only."""
    return "joined", "".join(_parts(name)) or name


def _without_numbers(name: str) -> Hashable:
    """Return what names share that differ by numbers and by how they are written."""
    parts = tuple("0" if part.isdigit() else part for part in _parts(name))
    return "numbers", parts if set(parts) > {"0"} else name


def _without_one_part(name: str) -> list[tuple[str, int, tuple[str, ...]]]:
    """Return what names share that differ by one of their words, for each word."""
    parts = _parts(name)
    return [
        ("slip", place, (*parts[:place], "", *parts[place + 1 :]))
        for place, part in enumerate(parts)
        if len(part) >= _FEWEST_LETTERS and not part.isdigit()
    ]


def _is_slip(one: str, two: str) -> bool:
    """Return whether a word is nearly another one."""
    match = SequenceMatcher(None, one, two, autojunk=False)
    return match.real_quick_ratio() >= _SLIP and match.ratio() >= _SLIP
