"""Small tables beside the results, such as a firmware's curve: known columns, checked cells."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from thermcmp.errors import Fault, InputError, suggest
from thermcmp.tabular.cells import Reader, fix_of, mark_of_table
from thermcmp.tabular.column import Column, Kind
from thermcmp.tabular.column_units import split_heading
from thermcmp.tabular.grid import Grid, read_sheet, read_text

#: A file, or a frame made in memory.
Source = str | os.PathLike[str] | pd.DataFrame
#: Heading of a column that is for people only.
REMARK = "remark"


@dataclass(frozen=True, slots=True)
class SideRow:
    """One row: its number as the user sees it, and the cells that are filled.

    Attributes
    ----------
    number : int
        Line or sheet row; for a frame its position.
    values : mapping of str to object
        Values by column name, in the column's unit; blanks are left out.
    """

    number: int
    values: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class SideTable:
    """A small table.

    Attributes
    ----------
    file : str, optional
        Name of its file.
    headings : mapping of str to str
        The user's heading of each column that is there.
    rows : tuple of SideRow
        Its rows, in order.
    """

    file: str | None
    headings: Mapping[str, str]
    rows: tuple[SideRow, ...]

    def fault(
        self, message: str, fix: str, row: int | None, column: str | None = None, value: Any = None
    ) -> Fault:
        """Describe a fault in the user's own words for file and heading."""
        heading = None if column is None else self.headings.get(column, column)
        written = (
            None if value is None else f"{value:g}" if isinstance(value, float) else f"{value}"
        )
        return Fault(message, fix, self.file, row, heading, written)


def read_side_table(
    source: Source,
    columns: Sequence[Column],
    *,
    named: Mapping[str, str] | None = None,
    decimal: str | None = None,
) -> SideTable:
    """Read a small table of known columns."""
    known = {column.name: column for column in columns}
    mapping = dict(named or {})
    file, grid = _grid(source, {*known, *mapping})
    readers, headings, faults = _readers(grid, known, mapping, file)
    required = [column.name for column in columns if column.required]
    faults += [
        Fault("the column is missing", "add it", file, 1, name)
        for name in required
        if name not in headings
    ]
    if not grid.rows:
        faults.append(Fault("the table has headings but no rows", "add rows", file))
    if faults:
        raise InputError(_doing(file), [*grid.faults, *faults])
    mark = decimal
    if mark is None:
        numeric = [p for p, (column, _) in readers.items() if column.kind is Kind.NUMBER]
        mark, fault = mark_of_table([c[p] for _, c in grid.rows for p in numeric], grid.separator)
        if fault is not None:
            raise InputError(_doing(file), [replace(fault, file=file)])
    rows, faults = [], list(grid.faults)
    for number, cells in grid.rows:
        values: dict[str, Any] = {}
        for place, (column, unit) in readers.items():
            cell = cells[place]
            try:
                value = Reader(column, unit, mark).read(cell)
            except ValueError as error:
                fix = fix_of(error, column)
                faults.append(
                    Fault(str(error), fix, file, number, headings[column.name], str(cell))
                )
                continue
            if value is not None:
                values[column.name] = value
        rows.append(SideRow(number, values))
    if faults:
        raise InputError(_doing(file), faults)
    return SideTable(file, headings, tuple(rows))


def _doing(file: str | None) -> str:
    return f"The table {file} cannot be read:" if file else "The table cannot be read:"


def _grid(source: Source, known: set[str]) -> tuple[str | None, Grid]:
    """Load the cells of a file or a frame."""
    if isinstance(source, pd.DataFrame):
        headings = tuple(str(name) for name in source.columns)
        cells = source.astype("object").where(source.notna(), None)
        rows = tuple(enumerate(cells.itertuples(index=False, name=None)))
        return None, Grid(headings, ("",) * len(headings), rows, None, ())
    path = Path(source)
    if path.suffix.lower() in (".xlsx", ".xlsm"):
        return path.name, read_sheet(path, path.name, None)
    return path.name, read_text(path.read_bytes(), path.name, known)


def _readers(
    grid: Grid, known: Mapping[str, Column], mapping: Mapping[str, str], file: str | None
) -> tuple[dict[int, tuple[Column, str]], dict[str, str], list[Fault]]:
    """Find column and unit of each heading, by its place."""
    readers: dict[int, tuple[Column, str]] = {}
    headings: dict[str, str] = {}
    faults = [
        Fault("no such heading in the table", suggest(one, grid.headings), file, column=one)
        for one in mapping
        if one not in grid.headings
    ]
    for place, (heading, below) in enumerate(zip(grid.headings, grid.units, strict=True)):
        base, unit = split_heading(heading)
        name = mapping.get(heading, base)
        if name == REMARK:
            continue
        if name not in known:
            words = "no column of this table"
            faults.append(Fault(words, suggest(name, (*known, REMARK)), file, 1, heading))
        elif name in headings:
            words = f"'{headings[name]}' holds {name} already"
            faults.append(Fault(words, "keep one of them", file, 1, heading))
        else:
            headings[name] = heading
            readers[place] = (known[name], unit or below)
    return readers, headings, faults
