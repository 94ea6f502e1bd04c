"""A table for readers: headings with units, cells with the digits of their unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from thermcmp.model.factor_words import effect_words, factor_words
from thermcmp.questions.phrases import number_words, percent_words

_UNITS: Final[dict[str, str]] = {
    "k": "K", "c": "°C", "w": "W", "rpm": "rpm", "db": "dB", "dba": "dB(A)", "h": "h",
    "hours": "h", "s": "s", "m": "m",
}  # fmt: skip
_WORDS: Final[dict[str, str]] = {
    "mean": "mean", "sd": "SD", "low": "low", "high": "high",
    "data_share": "share from data", "aliased_with": "aliased with", "p_best": "chance to be best",
    "p_beats": "chance to beat a rival", "p_cooler": "chance to be cooler",
    "p_matters": "chance that it matters",
    "p_exceed": "chance of exceeding", "fan_at_most": "chance of highest speed",
    "enough_note": "enough: reach", "rank_mean": "mean rank", "rank_low": "best rank",
    "rank_high": "worst rank", "fan": "fan speed", "p_larger": "chance of a larger one",
    "p_below": "chance to count as none", "prior_influence": "prior influence",
    "pareto_k": "Pareto k", "without_mean": "mean without", "without_low": "low without",
    "without_high": "high without", "off_sds": "off [SD]", "change_sds": "change [SD]",
    "largest_change_sds": "largest change [SD]", "mean_k_per_db": "mean [K/dB]",
    "low_k_per_db": "low [K/dB]", "high_k_per_db": "high [K/dB]", "costs": "same K costs",
    "costs_low": "at least", "costs_high": "at most", "noise_low": "noise, low",
    "noise_high": "noise, high", "elpd": "log predictive density",
    "elpd_difference": "less than the best", "difference_se": "standard error",
    "differs_in": "differs in", "unsure_assemblies": "unsure assemblies",
    "least_mean": "least mean", "greatest_mean": "greatest mean", "moved": "largest move",
    "moved_by": "moved by", "model_dependent": "hangs on",
}  # fmt: skip
#: Columns whose cells name factors, and those whose cells name parameters, as columns do.
_FACTORS: Final = frozenset({"factor", "aliased_with"})
_PARAMETERS: Final = frozenset({"part", "term", "parameter"})


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
    """Put a tidy table into words; a row without an estimate says so once, at its mean."""
    means = [name for name in table.columns if str(name).startswith("mean_")]
    lacking = table[means].isna().any(axis=1) if means else pd.Series(False, index=table.index)
    columns = []
    for name, texts in _texts(table).items():
        is_number, is_percent = _is_number(table[name]), heading_unit(name)[1] == "%"
        cells = []
        for text, lacks in zip(texts, lacking, strict=True):
            if text is None and lacks and name.startswith("mean_"):
                cells.append(Cell("not estimable", is_missing=True))
            else:
                shown = "–" if text is None else text.removesuffix("%") if is_percent else text
                cells.append(Cell(shown, is_number=is_number))
        columns.append(cells)
    headings = []
    for name in table.columns:
        words, unit = heading_unit(str(name))
        words = words[:1].upper() + words[1:]
        headings.append(f"{words} [{unit}]" if unit else words)
    return WordedTable(headings=tuple(headings), rows=tuple(zip(*columns, strict=True)))


def printed_table(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table with its cells as text; "–" where a value is missing."""
    cells = {
        name: ["–" if t is None else t for t in texts] for name, texts in _texts(table).items()
    }
    return pd.DataFrame(cells, columns=table.columns)


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


def _texts(table: pd.DataFrame) -> dict[str, list[str | None]]:
    """Return the cells of each column as text, None where a value is missing."""
    units = [str(unit) for unit in table["unit"]] if "unit" in table else [""] * len(table)
    return {
        str(name): [
            None if pd.isna(value) else _text(value, str(name), unit, is_number=_is_number(column))
            for value, unit in zip(column, units, strict=True)
        ]
        for name, column in table.items()
    }


def _is_number(column: pd.Series) -> bool:
    is_flag = pd.api.types.is_bool_dtype(column)
    return bool(pd.api.types.is_numeric_dtype(column)) and not is_flag


def _text(value: Any, name: str, row_unit: str, *, is_number: bool) -> str:
    """Return one cell as text; a number has the digits of its column's unit, else of its row's."""
    if is_number:
        # A row's unit is that of its measured values, not of its counts.
        unit = heading_unit(name)[1] or (row_unit if isinstance(value, float) else "")
        if unit == "%":
            return percent_words(value)
        if unit or name == "rank_mean":
            return number_words(value, unit)
        # Bare numbers: three digits, but no powers of ten for counts and sizes.
        form = ".0f" if abs(value) >= 100.0 else ".3g"
        return f"{value:{form}}".replace("-", "\N{MINUS SIGN}")
    if pd.api.types.is_bool(value):
        return "yes" if value else "no"
    text = ", ".join(map(str, value)) if isinstance(value, tuple | list) else str(value)
    if name in _FACTORS:
        return factor_words(text)
    if name == "effect":
        return effect_words(text)
    return text.replace("_", " ") if name in _PARAMETERS else text
