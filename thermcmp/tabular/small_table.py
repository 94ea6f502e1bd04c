"""Small tables beside the results, such as a firmware's curve or a run sheet."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from thermcmp.errors import Fault, InputError, suggest
from thermcmp.tabular.cells import Reader, fix_of, mark_of_table
from thermcmp.tabular.column import Column, Kind, match_heading, stated_unit
from thermcmp.tabular.grid import Grid, Source, read_grid

#: Column and unit of a heading that is not among a table's known columns.
FreeColumn = Callable[[str], tuple[Column, str]]
#: Heading of a column that is for people only.
REMARK = "remark"


@dataclass(frozen=True, slots=True)
class TableRow:
    """One row: its number as the user sees it, and its filled cells by column name."""

    number: int
    values: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class SmallTable:
    """A small table: the user's heading of each column, its rows, and what could not be read."""

    file: str | None
    headings: Mapping[str, str]
    rows: tuple[TableRow, ...]
    faults: tuple[Fault, ...]

    def fault(
        self, message: str, fix: str, row: int | None, column: str | None = None, value: Any = None
    ) -> Fault:
        """Describe a fault by the user's file and heading."""
        heading = None if column is None else self.headings.get(column, column)
        written = (
            f"{value:g}" if isinstance(value, float) else None if value is None else f"{value}"
        )
        return Fault(message, fix, self.file, row, heading, written)


def read_small_table(
    source: Source,
    columns: Sequence[Column],
    *,
    named: Mapping[str, str] | None = None,
    decimal: str | None = None,
) -> SmallTable:
    """Read a small table of known columns, every cell of which must be readable."""
    table = parse_small_table(source, columns, named=named, decimal=decimal)
    if table.faults:
        raise InputError(_unreadable(table.file), table.faults)
    return table


def parse_small_table(
    source: Source,
    columns: Sequence[Column],
    *,
    named: Mapping[str, str] | None = None,
    decimal: str | None = None,
    free: FreeColumn | None = None,
) -> SmallTable:
    """Read a small table; cells that cannot be read are among its faults.

    Headings that are not in `columns` are resolved by `free`, else they are faults.
    """
    known = {column.name: column for column in columns}
    mapping = dict(named or {})
    grid = read_grid(source, {*known, *mapping}, fill_merged=False)
    file = grid.file
    readers, headings, faults = _readers(grid, known, mapping, free)
    faults += [
        Fault("the column is missing", "add it", file, grid.header_row, column.name)
        for column in columns
        if column.required and column.name not in headings
    ]
    if not grid.rows:
        faults.append(Fault("the table has headings but no rows", "add rows", file))
    if faults:
        raise InputError(_unreadable(file), [*grid.faults, *faults])
    if decimal is None:
        numeric = [p for p, reader in readers.items() if reader.column.kind is Kind.NUMBER]
        cells = [row[place] for _, row in grid.rows for place in numeric]
        decimal, fault = mark_of_table(cells, grid.separator)
        if fault is not None:
            raise InputError(_unreadable(file), [replace(fault, file=file)])
    rows, faults = [], list(grid.faults)
    readers = {place: replace(reader, decimal=decimal) for place, reader in readers.items()}
    for number, row in grid.rows:
        values: dict[str, Any] = {}
        for place, reader in readers.items():
            name, cell = reader.column.name, row[place]
            try:
                value = reader.read(cell)
            except ValueError as error:
                if name not in known and reader.column.kind is Kind.TEXT:
                    values[name] = str(cell)
                    continue
                fix = fix_of(error, reader.column)
                faults.append(Fault(str(error), fix, file, number, headings[name], str(cell)))
                continue
            if value is not None:
                values[name] = value
        rows.append(TableRow(number, values))
    return SmallTable(file, headings, tuple(rows), tuple(faults))


def _unreadable(file: str | None) -> str:
    return f"The table {file} cannot be read:" if file else "The table cannot be read:"


def _readers(
    grid: Grid, known: Mapping[str, Column], mapping: Mapping[str, str], free: FreeColumn | None
) -> tuple[dict[int, Reader], dict[str, str], list[Fault]]:
    """Return the reader of each place, the heading of each column, and the headings' faults."""
    file = grid.file
    readers: dict[int, Reader] = {}
    headings: dict[str, str] = {}
    faults = [
        Fault("no such heading in the table", suggest(name, grid.headings), file, column=name)
        for name in mapping
        if name not in grid.headings
    ]
    taken = {*mapping.values(), *grid.headings}
    for place, (heading, below) in enumerate(zip(grid.headings, grid.units, strict=True)):
        if heading in mapping:
            match = mapping[heading], stated_unit(heading)
        else:
            match = match_heading(heading, known, taken) or (heading, "")
        name, unit = match
        column = known.get(name)
        if column is None and free is not None and heading:
            column, unit = free(heading)
            name = column.name
        elif name == REMARK:
            continue
        if column is None:
            words = "not a column of this table"
            faults.append(
                Fault(words, suggest(name, (*known, REMARK)), file, grid.header_row, heading)
            )
        elif name in headings:
            words = f"'{headings[name]}' holds {name} already"
            faults.append(Fault(words, "keep one of them", file, grid.header_row, heading))
        else:
            headings[name] = heading
            readers[place] = Reader(column, unit or below)
    return readers, headings, faults
