"""Cells of a table file with the line or sheet row that each came from."""

from __future__ import annotations

import csv
import io
import os
import re
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

import pandas as pd

from thermcmp._files import what_it_is
from thermcmp.errors import Fault, InputError
from thermcmp.tabular.coercion import is_missing
from thermcmp.tabular.encoding import NoTextError, guess_encoding
from thermcmp.tabular.units import is_unit

#: A file, or a frame in memory.
Source = str | os.PathLike[str] | pd.DataFrame

#: Largest file of a small table [bytes], and most text in one that is packed.
MOST_BYTES: Final = 256_000_000
MOST_UNPACKED_BYTES: Final = 1_000_000_000
#: Most cells of a table, and most columns: a workbook's own limit.
MOST_CELLS: Final = 20_000_000
MOST_COLUMNS: Final = 16_384
#: Most cells of a sheet: each takes some hundred bytes.
MOST_SHEET_CELLS: Final = 2_000_000
_SPLIT: Final = "split it, or add the rows to a Library from frames of your own"
_SEPARATORS: Final = ("\t", ";", ",", "|")
_NAMES: Final = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar"}


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """A table before its headings are understood."""

    file: str | None
    headings: tuple[str, ...]
    units: tuple[str, ...]  #: units from a second heading row; "" where there are none
    #: Row number as the user sees it, and a cell under each heading.
    rows: tuple[tuple[int, tuple[Any, ...]], ...]
    separator: str | None  #: separator of a text file
    faults: tuple[Fault, ...]  #: lines that do not fit the headings


def _present(source: pd.DataFrame) -> pd.DataFrame:
    """Return which cells hold something."""
    try:
        return source.notna()
    except ArithmeticError:
        # A signalling NaN of the decimal type cannot even be compared.
        return source.map(lambda cell: not isinstance(cell, Decimal) and bool(pd.notna([cell])[0]))


def read_grid(source: Source, known: set[str], sheet: str | None = None) -> Grid:
    """Return the cells of a file or a frame; known headings show a text file's separator."""
    if isinstance(source, pd.DataFrame):
        cells = source.astype("object").where(_present(source), None)
        rows = tuple(enumerate(cells.itertuples(index=False, name=None)))
        headings = tuple(str(name).strip() for name in source.columns)
        return Grid(None, headings, ("",) * len(headings), rows, None, ())
    path = Path(source)
    file, kind = path.name, what_it_is(path)
    if kind:
        raise _unreadable(file, f"{kind}, not a file", "give the file of a table")
    if path.stat().st_size > MOST_BYTES:
        raise _unreadable(file, f"larger than {MOST_BYTES / 1e6:.0f} MB", _SPLIT)
    data, ending = path.read_bytes(), path.suffix.lower()
    if ending in (".xlsx", ".xlsm"):
        return _read_workbook(data, file, sheet)
    if ending in (".parquet", ".pq"):
        return _read_parquet(data, file)
    if ending in (".xls", ".ods"):
        raise _unreadable(file, f"{ending} files are not read", "save it as .xlsx or as CSV")
    return _read_text(data, file, known)


def _unreadable(file: str, message: str, fix: str) -> InputError:
    """Return the error for a file that holds no table."""
    return InputError("The table cannot be read:", [Fault(message, fix, file)])


def _read_text(data: bytes, file: str, known: set[str]) -> Grid:
    """Read a separated text file.

    The chosen separator makes most headings known, then most lines as wide as the headings.
    """
    try:
        text = data.decode(guess_encoding(data)).lstrip("\ufeff")
    except NoTextError as error:
        raise _unreadable(file, error.message, error.fix) from None
    except UnicodeDecodeError:
        words = "neither UTF-8, UTF-16 nor CP1252 text"
        raise _unreadable(file, words, "save it as UTF-8") from None

    def score(separator: str) -> tuple[int, int]:
        try:
            lines = _split(text, separator)
        except csv.Error:
            # Broken quotes, or quotes that fit another separator: the headings decide.
            first = text.partition("\n")[0].split(separator)
            return sum(cell.strip().strip('"') in known for cell in first), -1
        if not lines or len(lines[0][1]) < 2:
            return 0, 0
        width = len(lines[0][1])
        n_known = sum(cell.strip() in known for cell in lines[0][1])
        return n_known, sum(len(cells) == width for _, cells in lines)

    separator = max(_SEPARATORS, key=score)
    try:
        lines = _split(text, separator)
    except csv.Error as error:
        fix = "close every quote that is opened"
        raise _unreadable(file, f"broken text: {error}", fix) from None
    return _to_grid(lines, file, separator)


def _read_workbook(data: bytes, file: str, sheet: str | None) -> Grid:
    """Read a sheet of an Excel workbook."""
    values, formulas = (_open_workbook(data, file, data_only=only) for only in (True, False))
    sheets = {ws.title: ws for ws in values.worksheets}
    filled = [title for title, ws in sheets.items() if ws.max_row > 1 or ws.max_column > 1]
    name = sheet if sheet is not None else (filled[0] if len(filled) == 1 else "")
    if name not in sheets:
        what = f"no sheet '{sheet}'" if sheet else "not clear which sheet is meant"
        fix = f"give sheet= as one of {', '.join(sheets)}"
        raise _unreadable(file, what, fix)
    rows, columns = sheets[name].max_row, sheets[name].max_column
    if rows * columns > MOST_SHEET_CELLS:
        words = f"sheet '{name}' spans {rows} rows and {columns} columns"
        fix = "delete the cell far outside of the table, or save the table as CSV"
        raise _unreadable(file, words, fix)
    lines, faults = [], []
    for shown, entered in zip(values[name].iter_rows(), formulas[name].iter_rows(), strict=True):
        # An id keeps the leading zeros that its cell's format shows.
        cells = [
            str(cell.value).zfill(len(cell.number_format))
            if isinstance(cell.value, int) and re.fullmatch("0{2,}", str(cell.number_format))
            else cell.value
            for cell in shown
        ]
        lines.append((shown[0].row, cells))
        faults += [
            Fault(
                "a formula without a stored value, or with an error",
                "open the workbook, recalculate and save it, or enter the value",
                file,
                cell.row,
                cell.column_letter,
                str(formula.value),
            )
            for cell, formula in zip(shown, entered, strict=True)
            if cell.data_type == "e" or (formula.data_type == "f" and cell.value is None)
        ]
    while lines and all(is_missing(cells[-1]) for _, cells in lines) and len(lines[0][1]) > 1:
        # Formatting alone widens a sheet; such columns hold nothing.
        lines = [(number, cells[:-1]) for number, cells in lines]
    return _to_grid(lines, file, None, tuple(faults))


def _open_workbook(data: bytes, file: str, *, data_only: bool) -> Any:
    """Open an Excel workbook for its values or for its formulas."""
    import zipfile

    import openpyxl

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            unpacked = sum(entry.file_size for entry in archive.infolist())
        if unpacked <= MOST_BYTES:
            return openpyxl.load_workbook(io.BytesIO(data), data_only=data_only)
    # What the reader of workbooks raises on bytes that may be anything is not documented.
    except Exception as error:
        fix = "save it as .xlsx, or as CSV"
        raise _unreadable(file, f"not an Excel workbook ({error})", fix) from error
    words = f"a workbook of {unpacked / 1e6:.0f} MB when unpacked"
    raise _unreadable(file, words, "save the sheet as CSV or Parquet")


def _read_parquet(data: bytes, file: str) -> Grid:
    """Read a Parquet table of any origin."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        parquet = pq.ParquetFile(pa.BufferReader(data))
        head = parquet.metadata
        groups = (head.row_group(place) for place in range(head.num_row_groups))
        unpacked = sum(group.total_byte_size for group in groups)
        cells = head.num_rows * head.num_columns
        if cells > MOST_CELLS or unpacked > MOST_UNPACKED_BYTES:
            words = f"{head.num_rows} rows of {head.num_columns} columns"
            raise _unreadable(file, f"too large for a small table: {words}", _SPLIT)
        # Repeated texts stay packed until their length is known.
        texts = [f.name for f in parquet.schema_arrow if pa.types.is_string(f.type)]
        table = pq.read_table(pa.BufferReader(data), read_dictionary=texts)
        if sum(_unpacked_bytes(column) for column in table.columns) > MOST_UNPACKED_BYTES:
            raise _unreadable(file, "too large for a small table when unpacked", _SPLIT)
        rows = tuple(
            enumerate(zip(*(column.to_pylist() for column in table.columns), strict=True), start=1)
        )
    except (pa.ArrowException, OSError, UnicodeDecodeError, OverflowError, TypeError) as error:
        words = f"not a Parquet file, cut short, or of types that are not read ({error})"
        raise _unreadable(file, words, "write it again") from error
    headings = tuple(table.column_names)
    return Grid(file, headings, ("",) * len(headings), rows, None, ())


def _unpacked_bytes(column: Any) -> int:
    """Return the size of a column with each repeated text written out."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if not pa.types.is_dictionary(column.type):
        return int(column.nbytes)
    sizes = (pc.binary_length(c.dictionary).take(c.indices).cast("int64") for c in column.chunks)
    return sum(pc.sum(size).as_py() or 0 for size in sizes)


def _split(text: str, separator: str) -> list[tuple[int, list[Any]]]:
    """Split a text into numbered rows of cells, without blank lines."""
    reader = csv.reader(
        io.StringIO(text, newline=""), delimiter=separator, strict=True, skipinitialspace=True
    )
    lines: list[tuple[int, list[Any]]] = []
    start = 1
    for cells in reader:
        if any(cell.strip() for cell in cells):
            lines.append((start, cells))
        start = reader.line_num + 1
    return lines


def _to_grid(
    lines: list[tuple[int, list[Any]]],
    file: str,
    separator: str | None,
    faults: tuple[Fault, ...] = (),
) -> Grid:
    """Take headings and units off the rows, and name the rows that do not fit."""
    filled = [(n, cells) for n, cells in lines if not all(is_missing(cell) for cell in cells)]
    if not filled:
        raise _unreadable(file, "the table is empty", "give headings in the first row")
    if len(filled[0][1]) > MOST_COLUMNS:
        words = f"{len(filled[0][1])} columns; a table has {MOST_COLUMNS} at most"
        raise _unreadable(file, words, "check the separator, and drop columns that you do not need")
    headings = tuple("" if is_missing(c) else str(c).strip() for c in filled[0][1])
    width_faults, rows = [], []
    for number, cells in filled[1:]:
        if len(cells) == len(headings):
            rows.append((number, tuple(cells)))
            continue
        fix = "complete the line; it may have been cut off"
        if len(cells) > len(headings):
            name = _NAMES.get(separator or "", "separator")
            fix = f"put quotes around a cell that holds a {name}, or add the heading"
            if not any(cell.strip() for cell in cells[len(headings) :]):
                fix = f"take the trailing {name} off the line"
        message = f"{len(cells)} cells under {len(headings)} headings"
        width_faults.append(Fault(message, fix, file, number))
    units = ("",) * len(headings)
    below = tuple("" if is_missing(cell) else str(cell) for cell in rows[0][1]) if rows else ()
    # Brackets around the whole unit go; those of dB(A) stay.
    below = tuple(re.sub(r"^\((.*)\)$", r"\1", text.strip(" []")) for text in below)
    if any(below) and all(is_unit(word) for word in below if word):
        del rows[0]
        units = below
    return Grid(file, headings, units, tuple(rows), separator, (*faults, *width_faults))
