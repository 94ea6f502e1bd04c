"""Logs that are packed, in a workbook or in lines of JSON, as delimited text."""

from __future__ import annotations

import bz2
import gzip
import json
import lzma
import re
import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, time, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import IO, Any, Final

from thermcmp.errors import Fault, InputError
from thermcmp.tabular.grid import MOST_SHEET_CELLS

#: Endings of names, beside those of plain text.
PACKED: Final = (
    *(f".{kind}{packed}" for kind in ("csv", "tsv", "txt", "log", "dat")
      for packed in (".gz", ".bz2", ".xz")),
    ".zip", ".xlsx", ".xlsm", ".jsonl", ".ndjson",
)  # fmt: skip
_OPENERS: Final[dict[bytes, Callable[..., Any]]] = {
    b"\x1f\x8b": gzip.open,
    b"BZh": bz2.open,
    b"\xfd7zXZ\x00": lzma.open,
}
_JSON: Final = re.compile(rb"\{\s*\"")
_ZIP: Final = b"PK\x03\x04"
_BROKEN: Final = (
    OSError, EOFError, UnicodeDecodeError, RuntimeError, zlib.error, lzma.LZMAError,
    zipfile.BadZipFile,
)  # fmt: skip
#: Most bytes that a file is unpacked to, so that a small one does not fill the disk.
_MOST_BYTES: Final = 4 << 30
_PIECE: Final = 1 << 20
#: A sheet beside the log has at most this share of its rows.
_SMALL_SHEET: Final = 0.2


@contextmanager
def as_text(path: Path) -> Iterator[Path]:
    """Provide a log as a file of delimited text with the same name, itself where it is one."""
    try:
        with path.open("rb") as handle:
            start = handle.read(64).removeprefix(b"\xef\xbb\xbf").lstrip()
    except OSError:
        start = b""
    opener = next((o for mark, o in _OPENERS.items() if start.startswith(mark)), None)
    is_json = _JSON.match(start) is not None
    if opener is None and not start.startswith(_ZIP) and not is_json:
        yield path
        return
    with TemporaryDirectory() as folder:
        plain = Path(folder) / path.name
        try:
            if opener is not None:
                with opener(path, "rb") as source:
                    _copy(source, plain)
            elif is_json:
                _write(plain, _json_rows(path))
            else:
                _unzip(path, plain)
        except _BROKEN as error:
            raise _unreadable(path, f"it cannot be unpacked: {error}", "pack it again") from None
        yield plain


def _unzip(path: Path, plain: Path) -> None:
    """Write the only member of an archive, or the log of a workbook, as text."""
    with zipfile.ZipFile(path) as archive:
        names = [entry.filename for entry in archive.infolist() if not entry.is_dir()]
        if "xl/workbook.xml" in names:
            _write(plain, _sheet_rows(path))
            return
        if len(names) != 1:
            shown = ", ".join(names[:4]) + (" …" if names[4:] else "")
            message = f"an archive of {len(names)} files: {shown}"
            raise _unreadable(path, message, "unpack it, and name the log")
        with archive.open(names[0]) as source:
            _copy(source, plain)


def _copy(source: IO[bytes], plain: Path) -> None:
    """Write what is unpacked to a file, up to a limit."""
    written = 0
    with plain.open("wb") as target:
        while piece := source.read(_PIECE):
            written += target.write(piece)
            if written > _MOST_BYTES:
                raise OSError(f"it unpacks to more than {_MOST_BYTES / 2**30:.0f} GiB")


def _sheet_rows(path: Path) -> list[Sequence[Any]]:
    """Return the rows of the sheet that holds the log."""
    import openpyxl

    try:
        with path.open("rb") as handle:
            book = openpyxl.load_workbook(handle, read_only=True, data_only=True)
            spanned = max((ws.max_row or 0) * (ws.max_column or 0) for ws in book.worksheets)
            if spanned > MOST_SHEET_CELLS:
                raise ValueError(f"a sheet spans {spanned} cells")
            sheets = {ws.title: list(ws.iter_rows(values_only=True)) for ws in book.worksheets}
    # What the reader of workbooks raises on bytes that may be anything is not documented.
    except Exception as error:
        message = f"not a readable workbook: {error}"
        raise _unreadable(path, message, "save the sheet as CSV") from None
    longest = max(map(len, sheets.values()), default=0)
    large = [title for title, rows in sheets.items() if len(rows) > _SMALL_SHEET * longest]
    if len(large) != 1:
        message = f"several sheets may be the log: {', '.join(large)}" if large else "no sheet"
        raise _unreadable(path, message, "save the sheet of the log as CSV")
    return _with_dates(sheets[large[0]])


def _with_dates(rows: Sequence[Sequence[Any]]) -> list[Sequence[Any]]:
    """Return rows with dates in the columns in which every time is midnight, as a date's is."""
    stamps = [(i, cell) for row in rows for i, cell in enumerate(row) if isinstance(cell, datetime)]
    timed = {i for i, cell in stamps if cell.time() != time()}
    dated = {i for i, _ in stamps} - timed
    return [
        [c.date() if i in dated and isinstance(c, datetime) else c for i, c in enumerate(row)]
        for row in rows
    ]


def _json_rows(path: Path) -> list[Sequence[Any]]:
    """Return the objects of lines of JSON as rows under the names of their values."""
    records = []
    for number, line in enumerate(path.read_text(encoding="utf-8-sig").splitlines(), start=1):
        if not line.strip():
            continue
        try:
            record = _flat(json.loads(line))
        except (ValueError, RecursionError) as error:
            fix = "write one object of names and values in each line"
            raise _unreadable(path, f"no line of JSON: {error}", fix, number) from None
        records.append(record)
    names = list(dict.fromkeys(name for record in records for name in record))
    return [names, *([record.get(name) for name in names] for record in records)]


def _flat(value: Any, name: str = "") -> dict[str, Any]:
    """Return the values of an object by name, those of objects in it by both names."""
    if not isinstance(value, dict):
        if not name or isinstance(value, list):
            raise ValueError("not an object of single values")
        return {name: value}
    return {
        inner: found
        for key, held in value.items()
        for inner, found in _flat(held, f"{name} {key}".strip()).items()
    }


def _write(plain: Path, rows: Sequence[Sequence[Any]]) -> None:
    """Write rows as text with tabs between the cells."""
    with plain.open("w", encoding="utf-8", newline="\n") as target:
        target.writelines("\t".join(map(_shown, row)) + "\n" for row in rows)


def _shown(cell: Any) -> str:
    """Return a cell as a log would have it."""
    if cell is None:
        return ""
    if isinstance(cell, datetime):
        return cell.isoformat(sep=" ")
    if isinstance(cell, timedelta):
        minutes, seconds = divmod(cell.total_seconds(), 60.0)
        return f"{int(minutes // 60)}:{int(minutes % 60):02}:{seconds:09.6f}"
    return " ".join(str(cell).split())


def _unreadable(path: Path, message: str, fix: str, row: int | None = None) -> InputError:
    """Return the error for a log that cannot be unpacked."""
    return InputError("This log cannot be read:", [Fault(message, fix, path.name, row)])
