"""Columns of a sheet by letter and number, and the text of a heading."""

from __future__ import annotations

from typing import Any

from thermcmp.tabular.coercion import is_missing


def column_letter(place: int) -> str:
    """Return the letter of a column, counted from 0, as a spreadsheet shows it."""
    letters = ""
    place += 1
    while place:
        place, last = divmod(place - 1, 26)
        letters = chr(ord("A") + last) + letters
    return letters


def column_number(letters: str) -> int:
    """Return the number of a column from its letters."""
    number = 0
    for letter in letters:
        number = 26 * number + ord(letter) - ord("A") + 1
    return number


def heading_of(cell: Any) -> str:
    """Return the heading in a cell: one line, with single blanks."""
    return "" if is_missing(cell) else " ".join(str(cell).split())
