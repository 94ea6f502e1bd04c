"""Sheets with a column for each run, whose headings stand below each other at the left."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from typing import Any, Final

from thermcmp.errors import Fault
from thermcmp.tabular.sheet_places import column_letter, column_number, heading_of

#: Numbered rows of cells.
Lines = Sequence[tuple[int, list[Any]]]
#: Columns at the left, and rows at the top, that may hold the headings.
_MOST_LEFT: Final = 3
_MOST_TOP: Final = 20
#: Fewest different headings by which a sheet is known to stand on its side (a choice).
_FEWEST: Final = 4


def stands_on_its_side(
    lines: Lines, known: Collection[str], words: Sequence[re.Pattern[str]]
) -> bool:
    """Return whether more headings stand in a column at the left than in any row at the top."""
    columns = [[cells[k] for _, cells in lines if k < len(cells)] for k in range(_MOST_LEFT)]
    down = max(_count(column, known, words) for column in columns)
    across = max(_count(cells, known, words) for _, cells in lines[:_MOST_TOP])
    return down >= _FEWEST and down > across


def _count(cells: Iterable[Any], known: Collection[str], words: Sequence[re.Pattern[str]]) -> int:
    """Count the different headings among cells: those known, and those with a usual word."""
    met: set[object] = set()
    for cell in cells:
        text = heading_of(cell) if isinstance(cell, str) else ""
        if text in known:
            met.add(text)
        elif text and not text[0].isdigit():
            met.add(next((k for k, word in enumerate(words) if word.search(text)), None))
    return len(met - {None})


def turned(lines: Lines) -> tuple[list[int], list[tuple[int, list[Any]]]]:
    """Return the numbers of the lines with headings, and a row for each column, numbered by it.

    A line with one text only is a title.
    """
    kept = [(n, cells) for n, cells in lines if len(set(map(heading_of, cells)) - {""}) > 1]
    width = max(len(cells) for _, cells in kept)
    wide = [[*cells, *[None] * (width - len(cells))] for _, cells in kept]
    rows = [(k, list(cells)) for k, cells in enumerate(zip(*wide, strict=True), start=1)]
    return [n for n, _ in kept], rows


def turned_fault(fault: Fault) -> Fault:
    """Return a fault with row and column letter exchanged, from the sheet to the table or back."""
    row = None if fault.letter is None else column_number(fault.letter)
    letter = None if fault.row is None else column_letter(fault.row - 1)
    return replace(fault, row=row, letter=letter)
