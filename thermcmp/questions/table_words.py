"""A table for readers: headings with units, cells with the digits of their unit."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
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
    "data_share": "share from data", "aliased_with": "changed together with",
    "p_best": "chance to be best",
    "p_beats": "chance to beat a rival", "p_cooler": "chance to be cooler",
    "p_matters": "chance that it matters",
    "p_as_far": "chance to lie as far off", "p_odd": "chance among like ones",
    "error": "standard error",
    "p_exceed": "chance of exceeding", "fan_at_most": "chance of highest speed",
    "enough": "fan speed needed", "enough_dba": "its noise",
    "enough_note": "that speed was", "rank_mean": "mean rank", "rank_low": "best rank",
    "rank_high": "worst rank", "noise_rank_mean": "mean noise rank",
    "noise_rank_low": "best noise rank", "noise_rank_high": "worst noise rank",
    "p_front": "chance that none is cooler and quieter",
    "fan": "fan speed", "p_larger": "chance of a larger one",
    "p_below": "chance to count as none", "prior_influence": "moved by other assumptions (0 to 1)",
    "pareto_k": "weight check (k)", "without_mean": "mean without", "without_low": "low without",
    "without_high": "high without", "off_sds": "off [SD]", "change_sds": "change [SD]",
    "largest_change_sds": "largest change [SD]", "mean_k_per_db": "mean",
    "low_k_per_db": "low", "high_k_per_db": "high", "costs": "same K costs",
    "costs_low": "at least", "costs_high": "at most", "noise_low": "noise, low",
    "noise_high": "noise, high", "elpd": "log predictive density",
    "elpd_difference": "less than the best", "difference_se": "standard error",
    "differs_in": "differs in", "unsure_assemblies": "unsure assemblies",
    "least_mean": "least mean", "greatest_mean": "greatest mean", "moved": "largest move",
    "moved_by": "moved by", "model_dependent": "hangs on",
}  # fmt: skip
#: Units of the names in `_WORDS` that end in one.
_UNITS_OF_WORDS: Final = {"k_per_db": "K/dB", "dba": "dB(A)"}
#: Kinds of rows whose word in the table is not a reader's.
_KINDS: Final = {"order-free": "in any order", "departure": "beyond adding up"}
#: Remarks, such as on health, in a reader's words.
_REMARKED: Final = frozenset({"health", "note"})
_REMARKS: Final = {
    "mostly the prior's": "mostly assumed", "mostly prior": "mostly assumed",
    "the split is the prior's": "the split is assumed",
}  # fmt: skip
#: Columns whose cells name factors, and those whose cells name parameters, as columns do.
_FACTORS: Final = frozenset({"factor", "aliased_with"})
_PARAMETERS: Final = frozenset({"part", "term", "parameter"})
#: Signs and how LaTeX has them; the backslash goes first, since the others bring their own.
_LATEX: Final = {
    "\\": r"\textbackslash ", "{": r"\{", "}": r"\}", "&": r"\&", "%": r"\%", "$": r"\$",
    "#": r"\#", "_": r"\_", "~": r"\textasciitilde ", "^": r"\textasciicircum ",
    "\N{MINUS SIGN}": "$-$", "–": "--", "°": r"\textdegree ", "→": r"$\rightarrow$",
    "·": r"$\cdot$", "<": r"\textless ", ">": r"\textgreater ",
}  # fmt: skip


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
    #: Heading and words of columns that are the same in all rows, and taken out of them.
    same: tuple[tuple[str, str], ...] = ()

    def without_same(self) -> WordedTable:
        """Return the table with columns that are the same in all rows stated once."""
        places = range(len(self.headings))
        alike = [p for p in places if p and len({row[p].text for row in self.rows}) == 1]
        if len(self.rows) <= 1 or not alike:
            return self
        kept = [place for place in places if place not in alike]
        return WordedTable(
            tuple(self.headings[place] for place in kept),
            tuple(tuple(row[place] for place in kept) for row in self.rows),
            tuple((self.headings[place], self.rows[0][place].text) for place in alike),
        )


def worded_table(table: pd.DataFrame, *, folded: bool = False) -> WordedTable:
    """Put a tidy table into words; a row without an estimate says so once, at its mean.

    `folded` puts each mean and its interval into one cell, "6.3 (5.7 to 6.9)".
    """
    if folded:
        return _folded(table)
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
    headings = tuple(reader_heading(str(name)) for name in table.columns)
    return WordedTable(headings=headings, rows=tuple(zip(*columns, strict=True)))


def table_html(table: pd.DataFrame) -> str:
    """Return the table as a reader has it, as HTML."""
    worded = worded_table(table, folded=True)
    heads = "".join(f"<th>{escape(heading)}</th>" for heading in worded.headings)
    rows = ("".join(f"<td>{escape(cell.text)}</td>" for cell in row) for row in worded.rows)
    body = "".join(f"<tr>{row}</tr>" for row in rows)
    return f"<table><thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table>"


def table_markdown(table: pd.DataFrame) -> str:
    """Return the table as a reader has it, as a table of GitHub Flavored Markdown."""
    worded = worded_table(table, folded=True)
    first = worded.rows[0] if worded.rows else ()
    rule = ["---:" if cell.is_number else "---" for cell in first] or ["---"] * len(worded.headings)
    lines = [worded.headings, rule, *([cell.text for cell in row] for row in worded.rows)]
    cells = ([str(cell).replace("|", "\\|").replace("\n", " ") for cell in line] for line in lines)
    return "\n".join(f"| {' | '.join(line)} |" for line in cells)


def table_latex(table: pd.DataFrame, caption: str) -> str:
    """Return the table as a reader has it, as LaTeX that every engine sets."""
    worded = worded_table(table, folded=True)
    rows = [[cell.text for cell in row] for row in worded.rows]
    frame = pd.DataFrame(rows, columns=list(worded.headings)).map(_latex)
    first = worded.rows[0] if worded.rows else ()
    places = "".join("r" if cell.is_number else "l" for cell in first)
    return str(
        frame.to_latex(
            index=False, header=[_latex(name) for name in worded.headings], escape=False,
            caption=_latex(caption), column_format=places or None,
        )
    )  # fmt: skip


def _latex(text: str) -> str:
    """Return a text with LaTeX's own signs escaped, and signs that its fonts lack spelled out."""
    for sign, spelled in _LATEX.items():
        text = text.replace(sign, spelled)
    return text


def reader_heading(name: str) -> str:
    """Return a column's heading as a reader has it: "Share from data [%]"."""
    words, unit = heading_unit(name)
    words = words[:1].upper() + words[1:]
    return f"{words} [{unit}]" if unit else words


def reader_frame(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table with a reader's headings; numbers stay numbers, with their unit's digits."""
    frame = pd.DataFrame(index=table.index)
    for name, texts in _texts(table).items():
        is_number, is_percent = _is_number(table[name]), heading_unit(name)[1] == "%"
        if is_percent:
            frame[reader_heading(name)] = 100.0 * table[name].astype(float)
        elif is_number:
            plain = [None if t is None else t.replace("\N{MINUS SIGN}", "-") for t in texts]
            frame[reader_heading(name)] = pd.to_numeric(pd.Series(plain, index=table.index))
        else:
            frame[reader_heading(name)] = texts
    return frame


def interval_columns(table: pd.DataFrame) -> dict[str, tuple[str, str]]:
    """Return the columns that hold the interval of a column, by that column's name."""
    names = [str(name) for name in table.columns]
    pairs = {}
    for name in names:
        stem, _, unit = name.rpartition("_")
        ends = [
            (name.replace("mean", "low"), name.replace("mean", "high")),
            (f"{name}_low", f"{name}_high"),
            (f"{stem}_low_{unit}", f"{stem}_high_{unit}"),
        ]
        if name == "change":
            ends.append(("low", "high"))
        pair = next((p for p in ends if p[0] != name and set(p) <= set(names)), None)
        if pair is not None and "sd" not in name:
            pairs[name] = pair
    return pairs


def _folded(table: pd.DataFrame) -> WordedTable:
    """Return the table with each interval beside its mean, without standard deviations."""
    texts, pairs = _texts(table), interval_columns(table)
    ends = {name for pair in pairs.values() for name in pair}
    kept = [n for n in texts if n not in ends and not (n.startswith("sd") and pairs)]
    # A column in which nothing is said takes room from the others.
    kept = [n for n in kept if any(texts[n]) or not texts[n]]
    headings, columns = [], []
    for name in kept:
        if name not in pairs:
            headings.append(reader_heading(name))
            unit = heading_unit(name)[1]
            columns.append([_plain_cell(text, table[name], unit) for text in texts[name]])
            continue
        words, unit = heading_unit(name)
        headings.append(f"{words[:1].upper()}{words[1:]} (range)" + (f" [{unit}]" if unit else ""))
        low, high = (texts[end] for end in pairs[name])
        is_mean = name.startswith("mean")
        columns.append(
            [
                _range_cell(*cells, is_mean=is_mean)
                for cells in zip(texts[name], low, high, strict=True)
            ]
        )
    return WordedTable(headings=tuple(headings), rows=tuple(zip(*columns, strict=True)))


def _plain_cell(text: str | None, column: pd.Series, unit: str) -> Cell:
    shown = "–" if text is None else text.removesuffix("%") if unit == "%" else text
    return Cell(shown, is_number=_is_number(column))


def _range_cell(mean: str | None, low: str | None, high: str | None, *, is_mean: bool) -> Cell:
    """Return one cell of a mean and its interval; what has a range only says so."""
    if mean is None and low is None:
        return Cell("not estimable", is_missing=True) if is_mean else Cell("–", is_number=True)
    if mean is None:
        return Cell(f"{low} to {high}, range only", is_missing=True)
    # An interval without a width on paper is not worth its room.
    is_sharp = low is None or low == mean == high
    return Cell(mean if is_sharp else f"{mean} ({low} to {high})", is_number=True)


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
        return _WORDS[name], "%" if share else _UNITS_OF_WORDS.get(name.partition("_")[2], "")
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
        if unit or name.endswith("rank_mean"):
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
    if name == "kind":
        return _KINDS.get(text, text)
    if name in _REMARKED:
        for said, meant in _REMARKS.items():
            text = text.replace(said, meant)
        return text
    return text.replace("_", " ") if name in _PARAMETERS else text
