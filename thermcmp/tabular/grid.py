"""Cells of a table file with the line or sheet row that each came from."""

from __future__ import annotations

import csv
import io
import os
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

import pandas as pd

from thermcmp._files import what_it_is
from thermcmp.errors import Fault, InputError
from thermcmp.tabular.coercion import is_missing
from thermcmp.tabular.encoding import NoTextError, guess_encoding
from thermcmp.tabular.sheet_places import column_letter, heading_of
from thermcmp.tabular.turned import stands_on_its_side, turned, turned_fault
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
#: Row numbers of a block of columns count on from this times its place.
BLOCK_STEP: Final = 1_000_000_000
_SPLIT: Final = "split it, or add the rows to a Library from frames of your own"
#: Rows above the headings that may hold a title.
_MOST_TITLE_ROWS: Final = 20
_SEPARATORS: Final = ("\t", ";", ",", "|")
_NAMES: Final = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar"}


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """A table before its headings are understood."""

    file: str | None
    headings: tuple[str, ...]
    letters: tuple[str, ...]  #: letter of each column in the file; "" for a frame
    header_row: int | None  #: row of the headings, as the user sees it
    units: tuple[str, ...]  #: units from a second heading row; "" where there are none
    #: Row number as the user sees it, and a cell under each heading.
    rows: tuple[tuple[int, tuple[Any, ...]], ...]
    separator: str | None  #: separator of a text file
    faults: tuple[Fault, ...]  #: lines that do not fit the headings, cells that hold no value
    #: Merged cells of which it is not stated what they mean; they are filled.
    merged: tuple[Fault, ...] = ()
    above: tuple[Any, ...] = ()  #: cells of the row above the headings
    blocks: tuple[str, ...] = ()  #: names of the blocks that were put below each other
    #: Letters of the columns of each block that stood beside others.
    block_letters: tuple[tuple[str, ...], ...] = ()
    #: Whether the sheet has a column for each run; rows and letters are then exchanged.
    is_turned: bool = False

    def placed(self, fault: Fault) -> Fault:
        """Return a fault with the file, the row and the letter of its column."""
        block, row = divmod(fault.row or 0, BLOCK_STEP)
        of_block = self.block_letters[block] if self.block_letters else self.letters
        letters = dict(zip(self.headings, of_block, strict=True))
        letter = fault.letter or letters.get(fault.column or "") or None
        fault = replace(
            fault, file=self.file, row=None if fault.row is None else row, letter=letter
        )
        if not self.is_turned:
            return fault
        message = re.sub(r"\brow (\d+)", lambda hit: self.name_of(int(hit[1])), fault.message)
        message = message.replace("an earlier row", "an earlier run")
        return replace(turned_fault(fault), message=message)

    def name_of(self, number: int) -> str:
        """Return what the user's file calls a row of the table."""
        shown = shown_row(number)
        return f"column {column_letter(shown - 1)}" if self.is_turned else f"row {shown}"


def shown_row(number: int) -> int:
    """Return the row of the user's file that a row number stands for."""
    return number % BLOCK_STEP


def _present(source: pd.DataFrame) -> pd.DataFrame:
    """Return which cells hold something."""
    try:
        return source.notna()
    except ArithmeticError:
        # A signalling NaN of the decimal type cannot even be compared.
        return source.map(lambda cell: not isinstance(cell, Decimal) and bool(pd.notna([cell])[0]))


def read_grid(
    source: Source,
    known: set[str],
    sheet: str | None = None,
    *,
    header_row: int | None = None,
    fill_merged: bool | None = None,
    words: Sequence[re.Pattern[str]] = (),
) -> Grid:
    """Return the cells of a file or a frame; known headings show separator and heading row.

    With `words` of usual headings, a sheet with a column for each run is turned.
    """
    if isinstance(source, pd.DataFrame):
        cells = source.astype("object").where(_present(source), None)
        rows = tuple(enumerate(cells.itertuples(index=False, name=None)))
        headings = tuple(str(name).strip() for name in source.columns)
        blank = ("",) * len(headings)
        return Grid(None, headings, blank, None, blank, rows, None, ())
    path = Path(source)
    file, kind = path.name, what_it_is(path)
    if kind:
        raise _unreadable(file, f"{kind}, not a file", "give the file of a table")
    if path.stat().st_size > MOST_BYTES:
        raise _unreadable(file, f"larger than {MOST_BYTES / 1e6:.0f} MB", _SPLIT)
    data, ending = path.read_bytes(), path.suffix.lower()
    if ending in (".xlsx", ".xlsm"):
        lines, faults, merged = _read_workbook(data, file, sheet, fill_merged=fill_merged)
        return _to_grid(lines, file, known, header_row, words, faults=faults, merged=merged)
    if ending in (".parquet", ".pq"):
        return _read_parquet(data, file)
    if ending in (".xls", ".ods"):
        raise _unreadable(file, f"{ending} files are not read", "save it as .xlsx or as CSV")
    return _read_text(data, file, known, header_row, words)


def _unreadable(file: str, message: str, fix: str) -> InputError:
    """Return the error for a file that holds no table."""
    return InputError("The table cannot be read:", [Fault(message, fix, file)])


def _read_text(
    data: bytes,
    file: str,
    known: set[str],
    header_row: int | None,
    words: Sequence[re.Pattern[str]],
) -> Grid:
    """Read a separated text file.

    The chosen separator makes most headings known, then most lines as wide as the headings.
    """
    try:
        text = data.decode(guess_encoding(data)).lstrip("\ufeff")
    except NoTextError as error:
        raise _unreadable(file, error.message, error.fix) from None
    except UnicodeDecodeError:
        neither = "neither UTF-8, UTF-16 nor CP1252 text"
        raise _unreadable(file, neither, "save it as UTF-8") from None

    def score(separator: str) -> tuple[int, int]:
        try:
            lines = _split(text, separator)
        except csv.Error:
            # Broken quotes, or quotes that fit another separator: the headings decide.
            first = text.partition("\n")[0].split(separator)
            return sum(cell.strip().strip('"') in known for cell in first), -1
        if not lines:
            return 0, 0
        headings = lines[_heading_place(lines, known, header_row)][1]
        n_known = sum(heading_of(cell) in known for cell in headings)
        alike = sum(len(cells) == len(headings) for _, cells in lines)
        return (n_known, alike) if len(headings) > 1 else (0, 0)

    separator = max(_SEPARATORS, key=score)
    try:
        lines = _split(text, separator)
    except csv.Error as error:
        fix = "close every quote that is opened"
        raise _unreadable(file, f"broken text: {error}", fix) from None
    return _to_grid(lines, file, known, header_row, words, separator=separator)


def _check_width(file: str, columns: int) -> None:
    """Refuse a table of more columns than a workbook holds."""
    if columns > MOST_COLUMNS:
        words = f"{columns} columns; a table has {MOST_COLUMNS} at most"
        raise _unreadable(file, words, "check the separator, and drop columns that you do not need")


def _read_workbook(
    data: bytes, file: str, sheet: str | None, *, fill_merged: bool | None
) -> tuple[list[tuple[int, list[Any]]], list[Fault], list[Fault]]:
    """Read the numbered rows of a sheet, what is wrong with cells, and questions of merged ones."""
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
    lines, faults, unclear = [], [], []
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
                value=str(formula.value),
                letter=cell.column_letter,
            )
            for cell, formula in zip(shown, entered, strict=True)
            if cell.data_type == "e" or (formula.data_type == "f" and cell.value is None)
        ]
    # Filled for the checks that follow in any case, unless their blanks are meant.
    if fill_merged is not False:
        merged = sorted(values[name].merged_cells.ranges, key=lambda span: span.bounds[1::-1])
        for span in merged:
            left, top, right, bottom = span.bounds
            for _, cells in lines[top - 1 : bottom]:
                cells[left - 1 : right] = [lines[top - 1][1][left - 1]] * (right - left + 1)
            if fill_merged is None:
                words, letter = (
                    f"'{span.coord}' are merged cells with one value",
                    column_letter(left - 1),
                )
                fix = "give fill_merged=True if it holds for all of them, fill_merged=False if not"
                unclear.append(Fault(words, fix, file, top, letter=letter))
    return lines, faults, unclear


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
        _check_width(file, head.num_columns)
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
    letters = tuple(map(column_letter, range(len(headings))))
    return Grid(file, headings, letters, None, ("",) * len(headings), rows, None, ())


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


def _heading_place(
    lines: Sequence[tuple[int, list[Any]]], known: set[str], header_row: int | None
) -> int:
    """Return which of the filled lines holds the headings: below a title, if there is one."""
    if header_row is not None:
        return next((place for place, (row, _) in enumerate(lines) if row == header_row), 0)
    first = [cells for _, cells in lines[:_MOST_TITLE_ROWS]]
    hits = [sum(heading_of(cell) in known for cell in cells) for cells in first]
    if max(hits) > 1 or hits[0]:
        return hits.index(max(hits))
    # A title stands alone in its row, also where its cell is merged over the table.
    different = [len({heading_of(cell) for cell in cells} - {""}) for cells in first]
    place = next((place for place, count in enumerate(different) if count > 1), 0)
    # Below headings of groups of columns stand those of the columns.
    while place + 1 < len(first) and (
        different[place + 1] > different[place] > 1
        or _repeats(first[place + 1]) == different[place]
    ):
        if any(_has_figure(cell) for cell in first[place + 1]):
            break
        place += 1
    return place


def _repeats(cells: Sequence[Any]) -> int:
    """Return how often headings repeat where those of blocks of columns do, else 0."""
    texts = list(filter(None, map(heading_of, cells)))
    repeated = [count for count in Counter(texts).values() if count > 1]
    repeat = len(repeated) > 1 and len(set(repeated)) == 1
    return repeated[0] if repeat and not all(map(is_unit, texts)) else 0


def _has_figure(cell: Any) -> bool:
    """Return whether a cell is a value rather than a heading."""
    return not isinstance(cell, str | None) or (cell is not None and cell.strip()[:1].isdigit())


def _to_grid(
    lines: Sequence[tuple[int, list[Any]]],
    file: str,
    known: set[str],
    header_row: int | None,
    words: Sequence[re.Pattern[str]] = (),
    *,
    separator: str | None = None,
    faults: Iterable[Fault] = (),
    merged: Iterable[Fault] = (),
) -> Grid:
    """Take title, headings and units off the rows, and name the rows that do not fit."""
    filled = [(n, cells) for n, cells in lines if not all(is_missing(cell) for cell in cells)]
    if not filled:
        raise _unreadable(file, "the table is empty", "give headings in the first row")
    if header_row is not None and header_row not in {number for number, _ in filled}:
        fix = "give header_row= as the number of the row that holds the headings"
        raise _unreadable(file, f"row {header_row} is blank, or not in the table", fix)
    is_turned = header_row is None and stands_on_its_side(filled, known, words)
    numbers: Sequence[int] = ()
    if is_turned:
        numbers, filled = turned(filled)
        faults, merged = map(turned_fault, faults), map(turned_fault, merged)
    top = _heading_place(filled, known, header_row)
    head, cells = filled[top]
    _check_width(file, len(cells))
    headings = tuple(map(heading_of, cells))
    rows, width_faults = _fitting_rows(filled[top + 1 :], len(headings), file, separator)
    # A column without heading and cells, as formatting or a last separator leaves it, is none.
    kept = [
        place
        for place, heading in enumerate(headings)
        if heading or not all(is_missing(cells[place]) for _, cells in rows)
    ]
    headings = tuple(headings[place] for place in kept)
    letters = tuple(column_letter(numbers[k] - 1 if is_turned else k) for k in kept)
    rows = [(number, tuple(cells[place] for place in kept)) for number, cells in rows]
    named = dict(zip(letters, headings, strict=True))
    of_cells, unclear = (
        tuple(
            replace(fault, column=named[fault.letter])
            for fault in stated
            if fault.letter in named and (fault.row or 0) > head
        )
        for stated in (faults, merged)
    )
    units = ("",) * len(headings)
    below = tuple("" if is_missing(cell) else str(cell) for cell in rows[0][1]) if rows else ()
    # Brackets around the whole unit go; those of dB(A) stay.
    below = tuple(re.sub(r"^\((.*)\)$", r"\1", text.strip(" []")) for text in below)
    if any(below) and all(is_unit(word) for word in below if word):
        del rows[0]
        units = below
    every = (*of_cells, *width_faults)
    above = filled[top - 1][1] if top else []
    return Grid(
        file, headings, letters, head, units, tuple(rows), separator, every, unclear,
        above=tuple(above[place] for place in kept if place < len(above)),
        is_turned=is_turned,
    )  # fmt: skip


def _fitting_rows(
    lines: Sequence[tuple[int, list[Any]]], width: int, file: str, separator: str | None
) -> tuple[list[tuple[int, tuple[Any, ...]]], list[Fault]]:
    """Return the rows as wide as the headings, and a fault for each other one."""
    rows, faults = [], []
    for number, cells in lines:
        if len(cells) == width:
            rows.append((number, tuple(cells)))
            continue
        fix = "complete the line; it may have been cut off"
        if len(cells) > width:
            name = _NAMES.get(separator or "", "separator")
            fix = f"put quotes around a cell that holds a {name}, or add the heading"
            if not any(cell.strip() for cell in cells[width:]):
                fix = f"take the trailing {name} off the line"
        faults.append(Fault(f"{len(cells)} cells under {width} headings", fix, file, number))
    return rows, faults
