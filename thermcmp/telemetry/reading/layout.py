"""The layout of a text log: delimiter, heading lines, first data line."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from thermcmp.errors import Fault, InputError
from thermcmp.tabular.numbers import split_cell
from thermcmp.tabular.units import parse_unit
from thermcmp.telemetry.quantities import name_and_unit, recognise
from thermcmp.telemetry.reading.cell_patterns import (
    BLANKS,
    WIDE_BLANKS,
    is_comment,
    is_missing,
    is_number,
    is_reading,
    is_rule,
    is_time,
    split_line,
)
from thermcmp.telemetry.reading.options import Reading
from thermcmp.telemetry.reading.text_file import TextFile

_CANDIDATES: Final = (",", ";", "\t", "|", BLANKS, WIDE_BLANKS)
_SAMPLE_LINES: Final = 120
#: A delimiter explains a log only if at least this share of the cells reads as data.
_LEAST_SCORE: Final = 0.1
#: So few fields between wide blanks may be parts of a line by chance.
_FEW: Final = 2


@dataclass(frozen=True, slots=True)
class Layout:
    """How lines are split and what their fields are called."""

    delimiter: str  #: one blank means any run of blanks, two mean two or more
    headings: tuple[str, ...]  #: heading of each field; empty where it has none
    data_line: int  #: line number of the first reading
    #: Cells of the heading lines, to recognise them when they recur.
    heading_rows: tuple[tuple[str, ...], ...]
    preamble: tuple[str, ...]  #: lines above the readings, headings included

    @property
    def n_fields(self) -> int:
        """Fields per line."""
        return len(self.headings)


@dataclass(frozen=True, slots=True)
class _Candidate:
    """The sample split at one delimiter, with its score."""

    delimiter: str
    rows: list[list[str]]
    n_fields: int
    first: int
    score: float
    is_headed: bool  #: whether the line above has as many fields

    def rivals(self, best: _Candidate) -> bool:
        """Return whether this delimiter explains the sample as well as the best one."""
        if self.score < 0.98 * best.score or min(self.n_fields, best.n_fields) < 2:
            return False
        # A tab is also a run of blanks, with the same fields: nothing is ambiguous.
        same = self.n_fields == best.n_fields
        return not (same and {BLANKS, WIDE_BLANKS} & {self.delimiter, best.delimiter})


def find_layout(text: TextFile, reading: Reading) -> Layout:
    """Find the layout of a log from its first lines."""
    lines = list(text.head[:_SAMPLE_LINES])
    wanted = (reading.delimiter,) if reading.delimiter else _CANDIDATES
    tried = [_try(lines, delimiter, reading) for delimiter in wanted]
    fitting = sorted(
        (c for c in tried if c is not None and c.score >= _LEAST_SCORE),
        key=lambda c: (-c.score, -c.n_fields),
    )
    if not fitting:
        filled = [line for line in lines if line.strip()]
        # Such as 'Memory: 50 C' or 'fan=1800'.
        pairs = [line for line in filled if re.match(r"\s*[^\W\d][^:=]*[:=]\s*\S", line)]
        if len(pairs) > len(filled) / 2:
            fix = "export one row per reading under one heading line"
            raise _unclear(text, "this is a list of names and values, not a table", fix)
        message = "no line with readings was found"
        if text.cut:
            message += " (the last line has no line end and is left out, as it may be cut)"
        raise _unclear(text, message, "state delimiter=, header_line= or the encoding")
    # Cells may have single blanks, such as a date and its time, where headings fit too.
    least = {"\t": 1, WIDE_BLANKS: _FEW}
    apart = [c for c in fitting if c.is_headed and c.n_fields > least.get(c.delimiter, c.n_fields)]
    if any(c.score >= 0.98 * fitting[0].score for c in apart):
        fitting = [c for c in fitting if c.delimiter != BLANKS]
    best = fitting[0]
    rivals = [c for c in fitting[1:] if c.rivals(best)]
    if rivals:
        names = " or ".join(repr(c.delimiter) for c in (best, *rivals))
        message = f"the fields could be split at {names}"
        raise _unclear(text, message, "state delimiter=", best.first + 1, lines[best.first])
    return _with_headings(best, lines, text, reading)


def _try(lines: list[str], delimiter: str, reading: Reading) -> _Candidate | None:
    """Split the sample at one delimiter and score the result."""
    absent = not any(delimiter in line for line in lines)
    if absent and delimiter != _CANDIDATES[0] and not reading.delimiter:
        return None
    if delimiter == WIDE_BLANKS and not reading.delimiter and any("\t" in line for line in lines):
        return None
    rows = [split_line(line, delimiter) for line in lines]
    looks = [_is_data(row) for row in rows]
    top = next((i for i, data in enumerate(looks) if data), None)
    if (
        top is not None
        and not any(map(_is_bare, rows[top]))
        and not all(map(is_reading, rows[top]))
    ):
        # A first row of headings such as '12V' looks like data.
        looks[top] = not any(
            data and any(map(_is_bare, row)) for row, data in zip(rows, looks, strict=True)
        )
    counts = Counter(len(row) for row, data in zip(rows, looks, strict=True) if data)
    if not counts:
        return None
    early = _early_width(rows, looks, reading)
    n_fields = early or max(counts, key=lambda n: (counts[n], n))
    start = reading.header_line or 0
    good = [i for i in range(start, len(rows)) if looks[i] and len(rows[i]) == n_fields]
    if not good:
        return None
    first = good[0]
    after = [row for row in rows[first:] if any(row) and not is_rule(row) and not is_comment(row)]
    typed = sum(is_reading(cell) for i in good for cell in rows[i]) / (n_fields * len(good))
    # Under known headings, rows of another width belong to headings further down.
    fitting = sum(looks[first:]) if early else len(good)
    share = min(fitting / len(after), 1.0)
    above = [row for row in rows[:first] if any(row) and not is_rule(row)]
    heading = _trimmed(above[-1]) if above else []
    if len(heading) == n_fields:
        # Some logs have words in most columns, and yet the headings fit.
        typed = max(typed, 2.0 * _LEAST_SCORE)
    factor = 1.0
    if above and len(heading) != n_fields and len(above[-1]) != n_fields:
        factor = 0.8 if abs(len(heading) - n_fields) == 1 else 0.5
    return _Candidate(
        delimiter, rows, n_fields, first, share * typed * factor, len(heading) == n_fields
    )


def _early_width(rows: list[list[str]], looks: list[bool], reading: Reading) -> int | None:
    """Return the width of the first readings under known headings.

    Later headings may add columns, and most of the sample may be below them.
    """
    named = {place for place in (reading.columns or {}).values() if isinstance(place, str)}
    for heading, row, data in zip(rows, rows[1:], looks[1:], strict=False):
        if not data or len(heading) != len(row) or len(row) < 2 or any(map(is_number, heading)):
            continue
        if named & set(heading) or any(recognise(*name_and_unit(c)) for c in heading if c):
            return len(row)
    return None


def _is_data(row: list[str]) -> bool:
    """Return whether a row holds a number, and is half data or has two bare cells."""
    if is_comment(row) or not any(map(is_number, row)):
        return False
    return sum(map(is_reading, row)) * 2 >= len(row) or sum(map(_is_bare, row)) >= 2


@lru_cache(maxsize=8192)
def _is_bare(cell: str) -> bool:
    """Return whether a cell is a time or a number without a unit."""
    return is_time(cell) or (is_number(cell) and not split_cell(cell)[1])


def _with_headings(best: _Candidate, lines: list[str], text: TextFile, reading: Reading) -> Layout:
    """Return the layout with the headings above the first reading."""
    n_fields = best.n_fields
    last = best.first if reading.header_line is None else min(best.first, reading.header_line)
    above = [
        i
        for i, row in enumerate(best.rows[:last])
        if any(row) and not is_rule(row) and (not is_comment(row) or len(row) == n_fields)
    ]
    stated = None if not reading.header_line else reading.header_line - 1
    names, used = _heading_rows(best.rows, above, n_fields, stated)
    same_width = [row for row in best.rows[best.first :] if len(row) == n_fields]
    places = (reading.columns or {}).values()
    by_position = bool(places) and all(isinstance(place, int) for place in places)
    if names and len(names) < n_fields and not any(any(row[len(names) :]) for row in same_width):
        names = [*names, *[""] * (n_fields - len(names))]
    if names and len(names) != n_fields and not by_position:
        message = f"{n_fields} fields under {len(names)} headings"
        fix = "name the columns by position, counted in the rows"
        if best.delimiter == "," and n_fields > len(names):
            fix = (
                "if the comma is the decimal mark too, export with another delimiter; "
                f"if headings are missing, {fix}"
            )
        raise _unclear(text, message, fix, best.first + 1, lines[best.first])
    padded = [*names, *[""] * n_fields][:n_fields]
    return Layout(
        delimiter=best.delimiter,
        headings=tuple(padded),
        data_line=best.first + 1,
        heading_rows=tuple(tuple(best.rows[i]) for i in used),
        preamble=tuple(lines[: best.first]),
    )


def _heading_rows(
    rows: list[list[str]], above: Sequence[int], n_fields: int, stated: int | None = None
) -> tuple[list[str], list[int]]:
    """Return the headings, from up to two lines, and the positions of these lines."""
    # Where the user states the line, headings may be numbers.
    if not above or (above[-1] != stated and all(map(is_reading, rows[above[-1]]))):
        return [], []
    last = _trimmed(rows[above[-1]])
    if last:
        last[0] = last[0].lstrip("# ")
    upper = _trimmed(rows[above[-2]]) if len(above) > 1 else []
    if upper and all(is_missing(cell) or parse_unit(cell) for cell in last):
        units = [*last, *[""] * len(upper)]
        joined = [
            name if is_missing(unit) or name_and_unit(name)[1] else f"{name} [{unit.strip('[]()')}]"
            for name, unit in zip(upper, units, strict=False)
        ]
        return joined, [above[-2], above[-1]]
    unclear = len(set(last)) < len(last) or "" in last
    if unclear and len(rows[above[-2]] if upper else []) == n_fields and not _is_data(upper):
        groups: list[str] = []
        for cell in rows[above[-2]]:
            groups.append(cell or (groups[-1] if groups else ""))
        return [f"{g} {n}".strip() for g, n in zip(groups, last, strict=False)], list(above[-2:])
    return last, [above[-1]]


def _trimmed(row: list[str]) -> list[str]:
    """Drop empty cells at a row's end."""
    end = len(row)
    while end and not row[end - 1]:
        end -= 1
    return row[:end]


def _unclear(
    text: TextFile, message: str, fix: str, row: int | None = None, line: str | None = None
) -> InputError:
    """Return the error for a layout that cannot be determined."""
    fault = Fault(message, fix, text.path.name, row, None, line and line[:80])
    return InputError("The layout of this log cannot be determined:", [fault])
