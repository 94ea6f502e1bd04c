"""What a table holds under one heading, and what may be wrong at a place in it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any, NamedTuple


class Kind(StrEnum):
    """Storage type of a column."""

    TEXT = "text"
    NUMBER = "number"
    COUNT = "count"
    FLAG = "flag"
    TIME = "time"


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    name : str
        Name in frames and files; the unit is part of the name.
    kind : Kind
        Storage type.
    meaning : str
        What it holds, in the trade's words.
    unit : str
        Unit of the values; empty for text, flags and counts.
    required : bool
        Whether each row must have a value.
    low, high : float, optional
        Allowed range, both ends included.
    choices : tuple of str
        Closed set of allowed words; empty where any text is allowed.
    since : int
        Version of the layout that brought it.
    """

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    required: bool = False
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    since: int = 1


class Finding(NamedTuple):
    """Something wrong at a position of a frame, in the schema's terms.

    Attributes
    ----------
    message, fix : str
        What is wrong, and what to change.
    column : str or None
        Schema name of the column.
    position : int or None
        Position of the row in the frame, from 0.
    value : object
        The offending value, or None.
    """

    message: str
    fix: str
    column: str | None = None
    position: int | None = None
    value: Any = None
