"""Columns of a table, and findings about their values."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final, NamedTuple

from thermcmp.tabular.units import is_convertible, is_unit, split_heading


class Kind(StrEnum):
    """Storage type of a column."""

    TEXT = "text"
    NUMBER = "number"
    COUNT = "count"
    FLAG = "flag"
    TIME = "time"


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table; a number's unit is part of its name."""

    name: str
    kind: Kind
    meaning: str  #: what it holds, in the trade's words
    unit: str = ""
    required: bool = False
    #: Allowed range, both ends included.
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()  #: closed set of allowed words; empty where any text is allowed
    verbatim: bool = False  #: text that is kept as written, such as the name of a file
    since: int = 1  #: version of the layout that brought it


class Finding(NamedTuple):
    """Something wrong at a position of a frame, counted from 0, in the schema's terms."""

    message: str
    fix: str
    column: str | None = None
    position: int | None = None
    value: Any = None
    earlier: int | None = None  #: position of the row that it contradicts


_UNIT_ENDING: Final = re.compile(r"_(?:c|k|k_per_min|m|s|w|rpm|dba|percent)$")


def match_heading(
    heading: str, columns: Mapping[str, Column], taken: Collection[str] = ()
) -> tuple[str, str] | None:
    """Return column and unit of a heading such as power_w, power_w [mW] or Power (mW).

    A column in `taken` has another heading, so the third spelling does not mean it.
    """
    if heading in columns:
        return heading, ""
    name, unit = split_heading(heading)
    if name in columns:
        return name, unit
    stem = re.sub(r"[\s-]+", "_", name.lower())
    for column in columns.values():
        is_meant = stem in (column.name, _UNIT_ENDING.sub("", column.name))
        if is_meant and column.name not in taken and is_convertible(unit, column.unit):
            return column.name, unit
    return None


def stated_unit(heading: str) -> str:
    """Return the unit in a heading; the ending of a plain name such as noise_a is not a unit."""
    if is_unit(heading):
        return heading
    return "" if heading.isidentifier() else split_heading(heading)[1]
