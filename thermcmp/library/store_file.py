"""One file of the store, as Parquet: results rows and a note of where they came from.

A compacted file holds the rows of several imports one after the other, with the note of each.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib import metadata
from itertools import accumulate
from typing import Any, Final

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from thermcmp.errors import InputError, visible
from thermcmp.results.arrow import (
    SCHEMA,
    VERSION_KEY,
    check_schema,
    from_arrow,
    migrated,
    to_arrow,
)
from thermcmp.results.hashing import content_hash
from thermcmp.results.schema import BY_NAME, SCHEMA_VERSION
from thermcmp.results.table_hash import TableHash, table_hash

_NOTE_KEY: Final = b"thermcmp.note"
#: Of a compacted file: the note of each import, with the number of its rows.
_NOTES_KEY: Final = b"thermcmp.notes"
#: Rows that a reader of one part or product takes in one go.
_ROW_GROUP: Final = 65_536
_UNREADABLE: Final = "altered: its pages or its note cannot be read"
_RESTORE: Final = "move it out of the folder, then import its source again or restore a backup"


@dataclass(frozen=True, slots=True)
class Damage:
    """A damaged file of a library, or conflicting rows."""

    file: str  #: name of the file, or names joined by commas
    what: str  #: what is wrong with it
    cure: str  #: how to fix it

    def __str__(self) -> str:
        return f"{visible(self.file)}: {visible(self.what)}. Fix: {self.cure}"


class DamagedFileError(Exception):
    """A file that cannot be read; carries its `Damage`."""

    def __init__(self, damage: Damage) -> None:
        self.damage = damage
        super().__init__(str(damage))


@dataclass(frozen=True, slots=True)
class Note:
    """The note of an import, in its file's metadata: its hash and where it came from."""

    content_sha256: str  #: hash of the rows, the reason and the list of superseded rows
    imported_at: datetime  #: time of the import [UTC]
    library_version: str  #: version of this package that wrote it
    source: str | None = None  #: what the user named as the source
    reason: str | None = None  #: why rows were superseded
    supersedes: tuple[tuple[str, str, str, str], ...] = ()  #: the rows that this file replaces
    hash_version: int = 1  #: 1 hashes each row as text, 2 the table by columns

    @classmethod
    def from_values(cls, values: dict[str, Any]) -> Note:
        """Return the note of JSON values."""
        return cls(
            **values
            | {
                "imported_at": datetime.fromisoformat(values["imported_at"]),
                "supersedes": tuple(tuple(row) for row in values["supersedes"]),
            }
        )

    def to_values(self) -> dict[str, Any]:
        """Return the note as JSON values."""
        return {
            "content_sha256": self.content_sha256,
            "imported_at": self.imported_at.isoformat(),
            "library_version": self.library_version,
            "source": self.source,
            "hash_version": self.hash_version,
            **self.statement,
        }

    @property
    def file(self) -> str:
        """Name of the file; it shows a correction even when the file is unreadable."""
        return f"{self.content_sha256}{'.correction' if self.supersedes else ''}.parquet"

    @property
    def statement(self) -> dict[str, Any]:
        """What is hashed together with the rows."""
        return {"reason": self.reason, "supersedes": [list(row) for row in self.supersedes]}


@dataclass(frozen=True, slots=True, eq=False)
class Stored:
    """One import: its rows as an Arrow table, and its note."""

    table: pa.Table
    note: Note

    @property
    def hash(self) -> str:
        """The hash of the rows and the statement."""
        if self.note.hash_version == 1:
            return content_hash(from_arrow(self.table), self.note.statement)
        return table_hash(self.table, self.note.statement)


def make_stored(
    rows: pd.DataFrame,
    *,
    source: str | None = None,
    reason: str | None = None,
    supersedes: tuple[tuple[str, str, str, str], ...] = (),
) -> Stored:
    """Return the content of a new file."""
    try:
        version = metadata.version("thermcmp")
    except metadata.PackageNotFoundError:
        version = "not installed"
    note = Note("", datetime.now(UTC), version, source, reason, supersedes, hash_version=2)
    table = to_arrow(rows)
    return Stored(table, replace(note, content_sha256=table_hash(table, note.statement)))


def file_name(notes: Sequence[Note]) -> str:
    """Return the name of the file of one import, or of several that were put together."""
    if len(notes) == 1:
        return notes[0].file
    digest = hashlib.sha256("\n".join(note.file for note in notes).encode()).hexdigest()
    return f"{digest}.compact{'.correction' if any(n.supersedes for n in notes) else ''}.parquet"


def encode(*imports: Stored) -> bytes:
    """Return the content of a file as Parquet with page checksums."""
    table = together([stored.table for stored in imports])
    if len(imports) == 1:
        kept = {_NOTE_KEY: json.dumps(imports[0].note.to_values())}
    else:
        values = [{"rows": s.table.num_rows, **s.note.to_values()} for s in imports]
        kept = {_NOTES_KEY: json.dumps(values)}
    table = table.replace_schema_metadata({**SCHEMA.metadata, **kept})
    sink = pa.BufferOutputStream()
    pq.write_table(
        table, sink, compression="zstd", write_page_checksum=True, row_group_size=_ROW_GROUP
    )
    return sink.getvalue().to_pybytes()


def together(tables: Sequence[pa.Table]) -> pa.Table:
    """Return the rows of stored tables as one, blank where one lacks an extra column."""
    extras = {f.name: f.type for t in tables for f in t.schema if f.name not in BY_NAME}
    schema = pa.schema([*SCHEMA, *extras.items()])
    whole = [
        pa.table([t[f.name] if f.name in t.schema.names else pa.nulls(len(t), f.type)
                  for f in schema], schema=schema)
        for t in tables
    ]  # fmt: skip
    return pa.concat_tables(whole)


def decode(
    name: str, source: bytes | pa.NativeFile, columns: Sequence[str] | None = None
) -> tuple[Stored, ...]:
    """Return the imports in a file, or some columns of them, or raise what is wrong with it."""
    file, notes, sizes = _opened(name, source)
    with _damage_named(name):
        table = _table_in(file, columns)
    parts = zip(accumulate(sizes, initial=0), sizes, notes, strict=False)
    return tuple(Stored(table.slice(start, size), note) for start, size, note in parts)


@contextmanager
def _damage_named(name: str) -> Iterator[None]:
    """Raise what a damaged file lets pyarrow raise as damage of that file."""
    try:
        yield
    except (pa.ArrowException, OSError, ValueError, KeyError, TypeError, InputError):
        raise _damaged(name, _UNREADABLE, _RESTORE) from None


def notes_in(name: str, source: bytes | pa.NativeFile) -> tuple[Note, ...]:
    """Return the note of each import in a file, or raise what is wrong with it."""
    return _opened(name, source)[1]


def _opened(
    name: str, source: bytes | pa.NativeFile
) -> tuple[pq.ParquetFile, tuple[Note, ...], list[int]]:
    """Return a file of this library, and the note and the number of rows of each import in it."""
    try:
        opened = pa.BufferReader(source) if isinstance(source, bytes) else source
        file = pq.ParquetFile(opened, page_checksum_verification=True)
        kept = file.schema_arrow.metadata or {}
    except (pa.ArrowException, OSError, ValueError):
        raise _damaged(name, "cut short, or not a Parquet file", _RESTORE) from None
    version = kept.get(VERSION_KEY, b"").decode(errors="replace")
    if not version.isdecimal():
        raise _damaged(
            name,
            "foreign: not written by this library",
            "move it out of the folder; read_results reads tables of your own",
        )
    if int(version) > SCHEMA_VERSION:
        raise _damaged(
            name,
            f"written with schema version {version}; this version reads up to {SCHEMA_VERSION}",
            "install a newer version of thermcmp",
        )
    try:
        notes, sizes = _stated(kept, file.metadata.num_rows)
    except (ValueError, KeyError, TypeError):
        raise _damaged(name, _UNREADABLE, _RESTORE) from None
    if (written := file_name(notes)) != name:
        raise _damaged(
            name,
            f"renamed or copied from '{written}'",
            "give it that name again, or remove the copy",
        )
    return file, notes, sizes


def _table_in(file: pq.ParquetFile, columns: Sequence[str] | None) -> pa.Table:
    """Return the rows of a file, or some of their columns, in the layout of this version."""
    is_large = file.metadata.num_rows > _ROW_GROUP
    if columns is None:
        table = migrated(file.read(use_threads=is_large))
        check_schema(table.schema)
    else:
        check_schema(migrated(file.schema_arrow.empty_table()).schema)
        there = [name for name in columns if name in file.schema_arrow.names]
        table = migrated(file.read(columns=there, use_threads=is_large))
        table = table.select([name for name in columns if name in table.schema.names])
    table.validate(full=True)
    return table.replace_schema_metadata()


def _stated(kept: dict[bytes, bytes], rows: int) -> tuple[tuple[Note, ...], list[int]]:
    """Return the note and the number of rows of each import in a file."""
    if _NOTES_KEY not in kept:
        return (Note.from_values(json.loads(kept[_NOTE_KEY])),), [rows]
    values = json.loads(kept[_NOTES_KEY])
    sizes = [int(value.pop("rows")) for value in values]
    if sum(sizes) != rows or min(sizes) < 0:
        raise ValueError
    return tuple(map(Note.from_values, values)), sizes


def check_whole(name: str, source: bytes | pa.NativeFile) -> tuple[Note, ...]:
    """Return the note of each import in a file after hashing the rows again."""
    file, notes, sizes = _opened(name, source)
    if file.metadata.num_rows <= _ROW_GROUP or any(note.hash_version == 1 for note in notes):
        hashes = [stored.hash for stored in decode(name, source)]
    else:
        with _damage_named(name):
            hashes = _hashes_by_column(file, notes, sizes)
    if hashes != [note.content_sha256 for note in notes]:
        raise _damaged(name, "altered: its rows no longer have the noted hash", _RESTORE)
    return notes


def _hashes_by_column(
    file: pq.ParquetFile, notes: Sequence[Note], sizes: Sequence[int]
) -> list[str]:
    """Return the hash of each import in a file, with one column in memory at a time."""
    hashes = [TableHash(note.statement) for note in notes]
    for name in sorted(file.schema_arrow.names):
        column = _table_in(file, [name])[name]
        for each, start, size in zip(hashes, accumulate(sizes, initial=0), sizes, strict=False):
            each.add(name, column.slice(start, size))
    return [each.hex for each in hashes]


def altered_note(name: str) -> DamagedFileError:
    """Return the error for a file whose note is not that of its entry."""
    words = "its note and that of its entry differ (time, source or reason)"
    return _damaged(name, f"altered: {words}", _RESTORE)


def missing(name: str) -> Damage:
    """Return the damage of a file that was imported and is no longer there."""
    fix = "restore it from a backup, or repair() and import its source again"
    return _damaged(name, "missing: it was imported, and is not in the folder", fix).damage


def unreadable(name: str, error: OSError) -> Damage:
    """Return the damage of a file that the file system does not hand out."""
    words = f"cannot be read: {error.strerror or error}"
    return _damaged(name, words, "check its permissions and the disk, or move it away").damage


def _damaged(name: str, what: str, fix: str) -> DamagedFileError:
    """Return the error for a damaged file; the loss of a correction is stated, as it is worse."""
    if name.endswith(".correction.parquet"):
        what += "; it is a correction, so without it the rows that it replaced come back"
    return DamagedFileError(Damage(name, what, fix))
