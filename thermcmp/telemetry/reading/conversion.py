"""Conversion of cells to canonical values: numbers, flags, text and times."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
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
from thermcmp.telemetry.quantities import BROKEN_LINE_C, DATE, ELAPSED, TIME, Role, dimension_of
from thermcmp.telemetry.reading.column_matching import Field
from thermcmp.telemetry.reading.field_plan import Plan
from thermcmp.telemetry.reading.notes import Notebook
from thermcmp.telemetry.reading.options import Reading
from thermcmp.telemetry.reading.time_formats import TimeForm
from thermcmp.telemetry.reading.time_parsing import parse_times

#: Columns by canonical name: NumPy or pandas arrays, or a series of times.
Columns = dict[str, Any]

#: More readings than this share out of range mean a wrong unit, not a glitch.
GLITCH_SHARE: Final = 0.01
_SKIP: Final = "correct it, or state skip_bad_times=True to leave such lines out"
_SKIPPED: Final = "lines whose time cannot be read were left out"


@dataclass(slots=True)
class Converter:
    """Converter of one log's cells to canonical values."""

    plan: Plan
    reading: Reading
    book: Notebook
    _n_read: Counter[str] = field(default_factory=Counter)
    _n_outside: Counter[str] = field(default_factory=Counter)
    _first_outside: dict[str, tuple[int, float]] = field(default_factory=dict)

    def convert(self, cells: Mapping[str, pa.Array | Array], lines: Int64Array) -> Columns:
        """Convert the cells of some lines, shapes (n,)."""
        values: Columns = {}
        for f in self.plan.fields:
            if f.role is Role.NUMBER:
                values[f.name] = self._numbers(f, cells[f.name], lines)
            elif f.role is Role.FLAG:
                values[f.name] = self._spelled(f, cells[f.name], lines, self._parse_flag)
            elif f.role is Role.TEXT:
                text = pc.utf8_trim_whitespace(cells[f.name])
                values[f.name] = pd.array(
                    np.asarray(text.to_pylist(), dtype=object), dtype="string"
                )
        if self.plan.time is not None:
            values["seconds"] = self._times(self.plan.time, cells, lines)
        values["line"] = lines
        return values

    def attempt(self, cells: Mapping[str, pa.Array | Array], lines: Int64Array) -> Columns | None:
        """Convert the cells of some lines; None, with nothing recorded, if any is faulty."""
        before = (self._n_read.copy(), self._n_outside.copy(), self._first_outside.copy())
        book, self.book = self.book, Notebook(self.book.file)
        try:
            columns = self.convert(cells, lines)
            faulty = bool(self.book.faults)
        except InputError:
            faulty = True
        trial, self.book = self.book, book
        if not faulty:
            book.take_notes(trial)
            return columns
        self._n_read, self._n_outside, self._first_outside = before
        return None

    def finish(self) -> None:
        """Note glitches out of range; report too many of them as a wrong unit."""
        for name, count in self._n_outside.items():
            line, value = self._first_outside[name]
            low, high = RANGES[Dimension(name.rpartition("_")[2])]
            field = next(f for f in self.plan.fields if f.name == name)
            heading, unit = field.heading or name, field.unit and field.unit.symbol
            if unit == "K" and count == self._n_read[name] and value < low:
                self.book.note(f"'{heading}' holds differences of temperatures and is not read")
            elif count > max(GLITCH_SHARE * self._n_read[name], 1):
                self.book.fault(
                    f"{count} of {self._n_read[name]} readings are outside {low:g} to {high:g}",
                    "check the column and its unit; add numbers that mean no reading to missing=",
                    line,
                    heading,
                    f"{value:g}",
                )
            else:
                words = f"{name}: readings out of range were left out, such as {value:g}"
                self.book.note(words, line, count)

    def _numbers(self, f: Field, cells: pa.Array | Array, lines: Int64Array) -> Array:
        """Return a number column in its canonical unit."""
        if isinstance(cells, np.ndarray):
            values = f.unit.to_canonical(cells) if f.unit else cells
        else:
            values = self._spelled(f, cells, lines, self._parse_number)
        dimension = dimension_of(f.name)
        if dimension is None:
            return values
        low, high = RANGES[dimension]
        # Usually nothing is missing or out of range; a NaN fails both comparisons.
        if len(values) and values.min() >= low and values.max() <= high:
            self._n_read[f.name] += len(values)
            return values
        broken = values == BROKEN_LINE_C
        if dimension is Dimension.TEMPERATURE and broken.any():
            words = f"{f.name}: readings of {BROKEN_LINE_C:g}, a probe's broken line, were left out"
            self.book.note(words, int(lines[np.argmax(broken)]), int(np.count_nonzero(broken)))
            values = np.where(broken, np.nan, values)
        self._n_read[f.name] += len(values) - int(np.count_nonzero(np.isnan(values)))
        bad = (values < low) | (values > high)
        if bad.any():
            at = int(np.flatnonzero(bad)[0])
            self._n_outside[f.name] += int(np.count_nonzero(bad))
            self._first_outside.setdefault(f.name, (int(lines[at]), float(values[at])))
            values = np.where(bad, np.nan, values)
        return values

    def _spelled(
        self,
        f: Field,
        cells: pa.Array,
        lines: Int64Array,
        parse: Callable[[str, Field], float | tuple[str, str]],
    ) -> Array:
        """Return the values of text cells, each spelling parsed once, and report the faulty."""
        encoded = cells.dictionary_encode()
        codes = np.asarray(encoded.indices)
        values = np.full(len(encoded.dictionary), np.nan)
        for code, text in enumerate(encoded.dictionary.to_pylist()):
            parsed = parse(text, f)
            if isinstance(parsed, float):
                values[code] = parsed
                continue
            if f.name == ELAPSED:
                parsed = parsed[0], _SKIP
            for at in np.flatnonzero(codes == code):
                if f.name == ELAPSED and self.reading.skip_bad_times:
                    self.book.note(_SKIPPED, int(lines[at]))
                    continue
                self.book.fault(*parsed, int(lines[at]), f.heading or f.name, text)
        return values[codes]

    def _parse_number(self, text: str, f: Field) -> float | tuple[str, str]:
        """Return the value of a number in its canonical unit, or what is wrong and the fix."""
        if text.strip().lower() in self.reading.missing_words:
            return np.nan
        style = self.plan.styles[f.name]
        number, symbol = split_cell(text)
        unit = parse_unit(symbol) if symbol else f.unit
        fix = "correct the cell, or add the word to missing="
        if unit is None or unit.dimension is not dimension_of(f.name):
            return f"not a number in a unit of {f.name}", fix
        # A thousands point agrees with a decimal comma; a comma may be either.
        is_open = not style.proved and (style.mark == POINT or COMMA in number)
        if is_open and is_ambiguous(number):
            return "decimal or thousands mark?", f"state decimal={{'{f.name}': '.'}} or ','"
        value = parse_number(number, style.mark)
        return ("not a number", fix) if value is None else float(unit.to_canonical(value))

    def _parse_flag(self, text: str, f: Field) -> float | tuple[str, str]:
        """Return 1, 0 or NaN for a flag, or what is wrong and the fix."""
        word = text.strip().lower()
        if word in FLAG_WORDS or word in self.reading.missing_words:
            return float(FLAG_WORDS.get(word, np.nan))
        return "neither true nor false", "use 1 and 0, or yes and no"

    def _times(
        self, form: TimeForm, cells: Mapping[str, pa.Array | Array], lines: Int64Array
    ) -> Array:
        """Return the times [s], of one column or of a date and a time."""
        if self.plan.has(TIME) and self.plan.has(DATE):
            text = pc.binary_join_element_wise(
                pc.utf8_trim_whitespace(cells[DATE]), pc.utf8_trim_whitespace(cells[TIME]), " "
            )
        else:
            text = cells[TIME if self.plan.has(TIME) else DATE]
        if isinstance(text, np.ndarray):
            seconds, text = text * form.scale, pa.array(text)
        else:
            seconds = parse_times(text, form)
        if np.isnan(seconds.sum()):
            bad = np.flatnonzero(np.isnan(seconds))
            if self.reading.skip_bad_times:
                self.book.note(_SKIPPED, int(lines[bad[0]]), len(bad))
                return seconds
            message = "not a time in the log's own form"
            fix = _SKIP
            if form.stated:
                message = f"not a time of the form '{form.stated}'"
                fix += ", or correct time_format="
            for at in bad:
                self.book.fault(message, fix, int(lines[at]), "time", str(text[int(at)].as_py()))
        return seconds


def has_infinite(values: Array) -> bool:
    """Return whether any value is infinite."""
    return not np.isfinite(values).all() and bool(np.isinf(values).any())
