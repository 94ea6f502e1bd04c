"""An answer's table in words: headings with units, cells with sensible digits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import pandas as pd

from thermcmp.questions.phrases import percent_words

_UNITS: Final[dict[str, str]] = {
    "k": "K", "c": "°C", "w": "W", "rpm": "rpm", "db": "dB", "dba": "dB(A)", "h": "h",
    "hours": "h", "s": "s", "m": "m",
}  # fmt: skip
_DIGITS: Final[dict[str, str]] = {
    "K": ".2f", "°C": ".1f", "W": ".0f", "rpm": ".0f", "dB": ".1f", "dB(A)": ".1f", "h": ".1f",
}  # fmt: skip
#: In a table with a row per quantity, which names its unit in a column.
_ROW_DIGITS: Final[dict[str, str]] = _DIGITS | {"W": ".1f"}
_WORDS: Final[dict[str, str]] = {
    "mean": "mean", "sd": "SD", "low": "low", "high": "high",
    "data_share": "share from data", "aliased_with": "aliased with", "p_best": "chance to be best",
    "p_exceed": "chance of exceeding", "fan_at_most": "chance of highest speed",
    "enough_note": "enough: reach", "rank_mean": "mean rank", "rank_low": "best rank",
    "rank_high": "worst rank", "fan": "fan speed", "p_larger": "chance of a larger one",
    "p_below": "chance to count as none", "prior_influence": "prior influence",
    "pareto_k": "Pareto k", "without_mean": "mean without", "without_low": "low without",
    "without_high": "high without", "off_sds": "off [SD]", "change_sds": "change [SD]",
    "largest_change_sds": "largest change [SD]", "mean_k_per_db": "mean [K/dB]",
    "low_k_per_db": "low [K/dB]", "high_k_per_db": "high [K/dB]", "costs": "same K costs",
    "costs_low": "at least", "costs_high": "at most", "noise_low": "noise, low",
    "noise_high": "noise, high",
}  # fmt: skip
#: Columns whose cells name factors as the results table does.
_FACTOR_NAMES: Final = frozenset({"factor", "part", "term", "parameter", "aliased_with", "effect"})


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: its words, and whether it is a number or lacks an estimate."""

    text: str
    is_number: bool = False
    is_missing: bool = False


@dataclass(frozen=True, slots=True)
class WordedTable:
    """Headings and rows, ready to be set in HTML; the first column names the row."""

    headings: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


def worded_table(table: pd.DataFrame) -> WordedTable:
    """Put a tidy table into words."""
    means = [name for name in table.columns if str(name).startswith("mean_")]
    lacking = table[means].isna().any(axis=1) if means else pd.Series(False, index=table.index)
    units = [str(unit) for unit in table["unit"]] if "unit" in table else [""] * len(table)
    columns = [_cells(table[name], str(name), lacking, units) for name in table.columns]
    return WordedTable(
        headings=tuple(_heading(str(name)) for name in table.columns),
        rows=tuple(zip(*columns, strict=True)),
    )


def heading_unit(name: str) -> tuple[str, str]:
    """Split a column name into its words and its unit."""
    if name in _WORDS:
        share = name in ("data_share", "fan_at_most") or name.startswith("p_")
        return _WORDS[name], "%" if share else ""
    stem, _, suffix = name.rpartition("_")
    if suffix in ("low", "high") and (inner := heading_unit(stem))[1]:
        return f"{inner[0]}, {suffix}", inner[1]
    if stem and suffix in _UNITS:
        return _WORDS.get(stem, stem.replace("_", " ")), _UNITS[suffix]
    return name.replace("_", " "), ""


def _heading(name: str) -> str:
    words, unit = heading_unit(name)
    words = words[:1].upper() + words[1:]
    return f"{words} [{unit}]" if unit else words


def _cells(column: pd.Series, name: str, lacking: pd.Series, units: Sequence[str]) -> list[Cell]:
    """Cells of one column; a row without an estimate says so once, at its mean."""
    is_flag = pd.api.types.is_bool_dtype(column)
    is_number = pd.api.types.is_numeric_dtype(column) and not is_flag
    cells = []
    for value, lacks, unit in zip(column, lacking, units, strict=True):
        write = _number_writer(name, unit) if is_number else _plain(name)
        if not pd.isna(value):
            text = ("yes" if value else "no") if is_flag else write(value)
            cells.append(Cell(text, is_number=is_number))
        elif lacks and name.startswith("mean_"):
            cells.append(Cell("not estimable", is_missing=True))
        else:
            cells.append(Cell("–", is_number=is_number))
    return cells


def _plain(name: str) -> Callable[[object], str]:
    """Writer of text cells; names of factors and parts are put in words."""

    def write(value: object) -> str:
        text = ", ".join(map(str, value)) if isinstance(value, tuple | list) else str(value)
        return text.replace("_", " ") if name in _FACTOR_NAMES else text

    return write


def _number_writer(name: str, row_unit: str = "") -> Callable[[float], str]:
    """Writer of numbers by the column's unit, else by the row's."""
    unit = heading_unit(name)[1]
    if unit == "%":
        return lambda value: percent_words(value).removesuffix("%")
    digits = ".1f" if name == "rank_mean" else _DIGITS.get(unit)
    if not unit:
        digits = digits or _ROW_DIGITS.get(row_unit)

    def write(value: float) -> str:
        # Bare numbers: three digits, but no powers of ten for counts and sizes.
        form = digits or (".0f" if abs(value) >= 100.0 else ".3g")
        # Adding 0 turns a rounded "-0" into "0".
        return f"{float(f'{value:{form}}') + 0.0:{form}}".replace("-", "\N{MINUS SIGN}")

    return write
