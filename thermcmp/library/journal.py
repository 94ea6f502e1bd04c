"""The journal of a library: an entry for each file written, and one for each set aside."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from thermcmp.library.storage import open_folder
from thermcmp.library.store_file import Damage, Note

_ENDING: Final = ".json"


@dataclass(frozen=True, slots=True)
class Entry:
    """What was written under a file's name."""

    sha256: str  #: hash of the file's bytes
    note: Note


class Journal:
    """The entries beside a library's files.

    An entry is written after its file, so a file may lack one (a writer was killed, or the
    file is older than the journal), but a file that lacks behind an entry was lost.
    """

    def __init__(self, root: str | os.PathLike[str]) -> None:
        self._written = open_folder(root, "imports", _ENDING)
        self._set_aside = open_folder(root, "quarantine", _ENDING)
        self._kept_bytes = open_folder(root, "quarantine")

    def names(self) -> set[str]:
        """Return the names of the files that have an entry."""
        return {name.removesuffix(_ENDING) for name in self._written.names()}

    def entry(self, name: str) -> Entry | None:
        """Return a file's entry, or None where it has none that can be read."""
        try:
            values = json.loads(self._written.read(name + _ENDING))
            return Entry(str(values["sha256"]), Note.from_values(values["note"]))
        except (FileNotFoundError, ValueError, KeyError, TypeError):
            return None

    def record(self, name: str, data: bytes, note: Note) -> None:
        """Write the entry of a file."""
        values = {"sha256": hashlib.sha256(data).hexdigest(), "note": note.to_values()}
        self._written.publish(name + _ENDING, _text(values))

    def set_aside(self, damage: Damage, data: bytes | None) -> None:
        """Move a file's entry, and the file's bytes where there are any, to the quarantine."""
        name = damage.file
        entry = self.entry(name)
        values = {
            "file": name,
            "what": damage.what,
            "set_aside_at": datetime.now(UTC).isoformat(),
            "note": None if entry is None else entry.note.to_values(),
        }
        if data is not None:
            self._kept_bytes.publish(name, data)
        self._set_aside.publish(name + _ENDING, _text(values))
        self._written.remove(name + _ENDING)

    def names_set_aside(self) -> set[str]:
        """Return the names of the files in the quarantine."""
        return {name.removesuffix(_ENDING) for name in self._set_aside.names()}

    def superseded_by_lost(self) -> set[tuple[str, str, str, str]]:
        """Return the rows that a correction set aside had replaced: they stay out of effect."""
        rows: set[tuple[str, str, str, str]] = set()
        for name in self._set_aside.names():
            values = json.loads(self._set_aside.read(name))
            # A correction imported again is no longer lost, and states its rows itself.
            if values["note"] is not None:
                rows |= set(Note.from_values(values["note"]).supersedes)
        return rows


def _text(values: dict[str, Any]) -> bytes:
    return json.dumps(values, indent=1, ensure_ascii=True).encode()
