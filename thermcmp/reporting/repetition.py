"""Sentences that say no number which a table or the summary beside them does not say."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Final

from thermcmp.questions.table_words import WordedTable

_RANGE: Final = re.compile(r"([\d.]+\d|\d)[^()\d]{0,12}\((\S+) to (\S+?)\)")
#: A share, or a number with a decimal place; whole numbers stand in names too.
_FIGURE: Final = re.compile(r"\d+(?:\.\d+)?%|\d+\.\d+")
_COUNT: Final = re.compile(r"^\d+ ")


def beyond(
    sentences: Sequence[str], tables: Iterable[WordedTable], summary: Sequence[str]
) -> tuple[str, ...]:
    """Return the sentences that state a figure, or a fact without one, found nowhere else."""
    cells = [
        f"{cell.text}%" if heading.endswith("[%]") else cell.text
        for table in tables
        for row in table.rows
        for heading, cell in zip(table.headings, row, strict=True)
    ]
    elsewhere = [*cells, *summary]
    ranges = {found for text in elsewhere for found in _ranges(text)}
    figures = {found for text in elsewhere for found in _FIGURE.findall(text)}
    return tuple(
        sentence
        for sentence in sentences
        if sentence not in summary
        and not (
            _ranges(sentence)
            and _ranges(sentence) <= ranges
            and set(_FIGURE.findall(sentence)) <= figures
        )
    )


def _ranges(text: str) -> set[tuple[str, ...]]:
    """Return each number that has its range in brackets; a cooling is a negative warming."""
    found = (tuple(part.lstrip("+") for part in hit) for hit in _RANGE.findall(text))
    return {(mean, *min((low, high), (_turned(high), _turned(low)))) for mean, low, high in found}


def _turned(number: str) -> str:
    """Return a number with the other sign."""
    minus = "\N{MINUS SIGN}"
    bare = number.removeprefix(minus)
    return bare if number.startswith(minus) or not float(bare or 0) else f"{minus}{bare}"


def said_once(names: Sequence[str], sentences: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Return sentences about fits, each once; one that is not about all names its fits.

    Sentences that begin with different counts and are else the same are one sentence.
    """
    about: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for name, said in zip(names, sentences, strict=True):
        for sentence in said:
            count = _COUNT.match(sentence)
            key = _COUNT.sub("", sentence)
            about[key].append((count.group() if count else "", name))
    lines = []
    for words, of in about.items():
        counts = dict.fromkeys(count for count, _ in of)
        whole = " / ".join(count.strip() for count in counts) + " " if any(counts) else ""
        only = len(of) < len(names) or len(counts) > 1
        lines.append(
            f"{whole}{words}" + (f" ({', '.join(name for _, name in of)})" if only else "")
        )
    return tuple(lines)
