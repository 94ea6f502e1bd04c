"""From cells to canonical values: numbers, units, flags, text and times."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from thermcmp._types import Array, Int64Array
from thermcmp.errors import InputError
from thermcmp.tabular.numbers import COMMA, POINT, is_ambiguous, parse_number, split_cell
from thermcmp.tabular.units import RANGES, Dimension, parse_unit
from thermcmp.tabular.words import FLAG_WORDS
from thermcmp.telemetry.quantities import DATE, TIME, Role, dimension_of
from thermcmp.telemetry.reading.column_matching import Field
from thermcmp.telemetry.reading.field_plan import Plan
from thermcmp.telemetry.reading.notes import Notebook
from thermcmp.telemetry.reading.number_formats import NumberStyle
from thermcmp.telemetry.reading.options import Reading
from thermcmp.telemetry.reading.time_parsing import parse_times

#: Columns by canonical name: arrays of numpy or pandas, or a series of times.
Columns = dict[str, Any]

#: More readings than this share out of range mean a wrong unit, not a glitch.
GLITCH_SHARE: Final = 0.01


@dataclass(slots=True)
class Converter:
    """Turns the cells of one log into canonical values.

    Attributes
    ----------
    plan : Plan
        What is read.
    reading : Reading
        What the user states.
    book : Notebook
        Where notes and faults go.
    """

    plan: Plan
    reading: Reading
    book: Notebook
    _seen: Counter[str] = field(default_factory=Counter)
    _strange: Counter[str] = field(default_factory=Counter)
    _first: dict[str, tuple[int, float]] = field(default_factory=dict)

    def convert(self, cells: Mapping[str, pa.Array | Array], lines: Int64Array) -> Columns:
        """Convert the cells of some lines.

        Shapes: cells (n,), lines (n,). Returns (n,).
        """
        values: Columns = {}
        for f in self.plan.fields:
            if f.role is Role.NUMBER:
                values[f.name] = self._numbers(f, cells[f.name], lines)
            elif f.role is Role.FLAG:
                values[f.name] = self._flags(f, cells[f.name], lines)
            elif f.role is Role.TEXT:
                text = pc.utf8_trim_whitespace(cells[f.name])
                values[f.name] = pd.array(
                    np.asarray(text.to_pylist(), dtype=object), dtype="string"
                )
        if self.plan.time is not None:
            values["seconds"] = self._times(cells, lines)
        values["line"] = lines
        return values

    def attempt(self, cells: Mapping[str, pa.Array | Array], lines: Int64Array) -> Columns | None:
        """Convert the cells of some lines if they are all readings."""
        before = (self._seen.copy(), self._strange.copy(), self._first.copy())
        book, self.book = self.book, Notebook(self.book.file)
        try:
            columns = self.convert(cells, lines)
            faulty = bool(self.book.faults)
        except InputError:
            faulty = True
        self.book = book
        if not faulty:
            return columns
        self._seen, self._strange, self._first = before
        return None

    def finish(self) -> None:
        """Judge the readings out of range: glitches are noted, a wrong unit is a fault."""
        for name, count in self._strange.items():
            line, value = self._first[name]
            low, high = RANGES[Dimension(name.rpartition("_")[2])]
            heading = next((f.heading for f in self.plan.fields if f.name == name), name) or name
            if count > max(GLITCH_SHARE * self._seen[name], 1):
                self.book.fault(
                    f"{count} of {self._seen[name]} readings are outside {low:g} to {high:g}",
                    "check the column and its unit; add a number that means no reading to missing=",
                    line,
                    heading,
                    f"{value:g}",
                )
            else:
                self.book.note(
                    f"{name}: readings out of range were left out, such as {value:g}", line, count
                )

    def _numbers(self, f: Field, cells: pa.Array | Array, lines: Int64Array) -> Array:
        """Read a number column in its canonical unit."""
        if isinstance(cells, np.ndarray):
            values = f.unit.to_canonical(cells) if f.unit else cells
        else:
            values = self._dressed(f, cells, lines)
        dimension = dimension_of(f.name)
        if dimension is None:
            return values
        low, high = RANGES[dimension]
        # Mostly all is there and in range: two passes tell, as NaN is no more than any.
        if len(values) and values.min() >= low and values.max() <= high:
            self._seen[f.name] += len(values)
            return values
        self._seen[f.name] += len(values) - int(np.count_nonzero(np.isnan(values)))
        bad = (values < low) | (values > high)
        if bad.any():
            at = int(np.flatnonzero(bad)[0])
            self._strange[f.name] += int(np.count_nonzero(bad))
            self._first.setdefault(f.name, (int(lines[at]), float(values[at])))
            values = np.where(bad, np.nan, values)
        return values

    def _dressed(self, f: Field, cells: pa.Array, lines: Int64Array) -> Array:
        """Read numbers with units, thousands marks or an unproved decimal mark."""
        # Logs repeat themselves: each spelling is read once.
        encoded = cells.dictionary_encode()
        codes = np.asarray(encoded.indices)
        spellings = encoded.dictionary.to_pylist()
        style = self.plan.styles[f.name]
        values = np.empty(len(spellings))
        for code, text in enumerate(spellings):
            value, problem = self._read_number(text, f, style)
            values[code] = np.nan if value is None else value
            if problem:
                message, fix = problem
                for at in np.flatnonzero(codes == code):
                    self.book.fault(message, fix, int(lines[at]), f.heading or f.name, text)
        return values[codes]

    def _read_number(
        self, text: str, f: Field, style: NumberStyle
    ) -> tuple[float | None, tuple[str, str] | None]:
        """Read one spelling; the second value says what is wrong with it."""
        if text.strip().lower() in self.reading.missing_words:
            return None, None
        number, behind = split_cell(text)
        unit = parse_unit(behind) if behind else f.unit
        if unit is None or unit.dimension is not dimension_of(f.name):
            return None, (
                f"not a number in a unit of {f.name}",
                "correct the cell, or add the word to missing=",
            )
        # A point that groups agrees with a decimal comma; a comma may be either.
        open_ = not style.proved and (style.mark == POINT or COMMA in number)
        if open_ and is_ambiguous(number):
            return None, ("decimal or thousands mark?", f"state decimal={{'{f.name}': '.'}} or ','")
        value = parse_number(number, style.mark)
        if value is None:
            return None, ("not a number", "correct the cell, or add the word to missing=")
        return float(unit.to_canonical(value)), None

    def _flags(self, f: Field, cells: pa.Array, lines: Int64Array) -> Array:
        """Read a flag column: 1, 0 or NaN."""
        encoded = cells.dictionary_encode()
        codes = np.asarray(encoded.indices)
        values = np.empty(len(encoded.dictionary))
        for code, text in enumerate(encoded.dictionary.to_pylist()):
            word = text.strip().lower()
            values[code] = FLAG_WORDS.get(word, np.nan)
            if word not in FLAG_WORDS and word not in self.reading.missing_words:
                for at in np.flatnonzero(codes == code):
                    self.book.fault(
                        "neither true nor false",
                        "use 1 and 0, or yes and no",
                        int(lines[at]),
                        f.heading or f.name,
                        text,
                    )
        return values[codes]

    def _times(self, cells: Mapping[str, pa.Array | Array], lines: Int64Array) -> Array:
        """Read the times, of one column or of a date and a time."""
        if self.plan.time is None:
            return np.full(len(lines), np.nan)
        if self.plan.has(TIME) and self.plan.has(DATE):
            text = pc.binary_join_element_wise(
                pc.utf8_trim_whitespace(cells[DATE]), pc.utf8_trim_whitespace(cells[TIME]), " "
            )
        else:
            text = cells[TIME if self.plan.has(TIME) else DATE]
        if isinstance(text, np.ndarray):
            seconds, text = text * self.plan.time.scale, pa.array(text)
        else:
            seconds = parse_times(text, self.plan.time)
        for at in np.flatnonzero(np.isnan(seconds)) if np.isnan(seconds.sum()) else ():
            stated = self.plan.time.stated
            self.book.fault(
                f"not a time of the form '{stated}'"
                if stated
                else "not a time in the log's own form",
                "correct it, or take the line out"
                + (", or correct time_format=" if stated else ""),
                int(lines[at]),
                "time",
                str(text[int(at)].as_py()),
            )
        return seconds


def has_infinite(values: Array) -> bool:
    """Return whether any value is infinite."""
    return not np.isfinite(values).all() and bool(np.isinf(values).any())
