"""One file of the store: results rows and a note of where they came from, as Parquet."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib import metadata
from typing import Any, Final

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from thermcmp.errors import InputError
from thermcmp.results.arrow import VERSION_KEY, check_schema, from_arrow, migrated, to_arrow
from thermcmp.results.hashing import content_hash
from thermcmp.results.schema import SCHEMA_VERSION
from thermcmp.results.table_hash import table_hash

_NOTE_KEY: Final = b"thermcmp.note"
_RESTORE: Final = "move it out of the folder, then import its source again or restore a backup"


@dataclass(frozen=True, slots=True)
class Damage:
    """A damaged file of a library, or conflicting rows."""

    file: str  #: name of the file, or names joined by commas
    what: str  #: what is wrong with it
    cure: str  #: how to fix it

    def __str__(self) -> str:
        return f"{self.file}: {self.what}. Fix: {self.cure}"


class DamagedFileError(Exception):
    """A file that cannot be read; carries its `Damage`."""

    def __init__(self, damage: Damage) -> None:
        self.damage = damage
        super().__init__(str(damage))


@dataclass(frozen=True, slots=True)
class Note:
    """The note in a file's metadata: its hash and where it came from."""

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
    """The content of one file: its rows as an Arrow table, and its note."""

    table: pa.Table
    note: Note

    @property
    def is_whole(self) -> bool:
        """Whether the rows and the statement still have the noted hash."""
        statement = self.note.statement
        if self.note.hash_version == 1:
            digest = content_hash(from_arrow(self.table), statement)
        else:
            digest = table_hash(self.table, statement)
        return digest == self.note.content_sha256


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


def encode(stored: Stored) -> bytes:
    """Return a file's content as Parquet with page checksums."""
    text = json.dumps(stored.note.to_values())
    table = stored.table
    table = table.replace_schema_metadata({**table.schema.metadata, _NOTE_KEY: text.encode()})
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd", write_page_checksum=True)
    return sink.getvalue().to_pybytes()


def decode(name: str, data: bytes) -> Stored:
    """Return a file's content, or raise what is wrong with it."""
    try:
        file = pq.ParquetFile(pa.BufferReader(data), page_checksum_verification=True)
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
        table = migrated(file.read())
        check_schema(table.schema)
        table.validate(full=True)
        stored = Stored(
            table.replace_schema_metadata(), Note.from_values(json.loads(kept[_NOTE_KEY]))
        )
    except (pa.ArrowException, OSError, ValueError, KeyError, TypeError, InputError):
        raise _damaged(name, "altered: its pages or its note cannot be read", _RESTORE) from None
    if stored.note.file != name:
        raise _damaged(
            name,
            f"renamed or copied from '{stored.note.file}'",
            "give it that name again, or remove the copy",
        )
    return stored


def check_whole(name: str, data: bytes) -> Stored:
    """Return a file's content after hashing its rows again."""
    stored = decode(name, data)
    if not stored.is_whole:
        raise _damaged(name, "altered: its rows no longer have the noted hash", _RESTORE)
    return stored


def altered_note(name: str) -> DamagedFileError:
    """Return the error for a file whose note is not the one that was imported."""
    words = "its note (time, source or reason) is not that of its import"
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
