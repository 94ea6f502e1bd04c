"""The journal of a library: an entry for each file written, and one for each set aside.

Each entry names the imports that were the newest when it was written, so that the entries form a
chain: a file that is lost together with its entry is still named by a later one, or, as long as
there is none, among the newest imports. Writers that meet add links side by side, which the next
import joins.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from thermcmp.library.storage import Folder, open_folder
from thermcmp.library.store_file import Damage, Note

_ENDING: Final = ".json"


@dataclass(frozen=True, slots=True)
class Entry:
    """What was written under a file's name."""

    sha256: str  #: hash of the file's bytes
    notes: tuple[Note, ...]  #: one, or that of each import in a compacted file
    after: tuple[str, ...] = ()  #: the imports before it in the chain

    @classmethod
    def from_values(cls, values: dict[str, Any]) -> Entry:
        """Return the entry of JSON values."""
        notes = values["notes"] if "notes" in values else [values["note"]]
        after = tuple(map(str, values.get("after", ())))
        return cls(str(values["sha256"]), tuple(map(Note.from_values, notes)), after)

    def to_values(self) -> dict[str, Any]:
        """Return the entry as JSON values."""
        return {"sha256": self.sha256, **_note_values(self.notes), "after": self.after}


class Journal:
    """The entries beside a library's files.

    An entry is written after its file, so a file may lack one (a writer was killed, or the
    file is older than the journal), but a file that lacks behind an entry was lost.
    """

    def __init__(self, root: str | os.PathLike[str]) -> None:
        self._written = open_folder(root, "imports", _ENDING)
        self._newest = open_folder(root, "newest", _ENDING)
        self._set_aside = open_folder(root, "quarantine", _ENDING)
        self._kept_bytes = open_folder(root, "quarantine")

    def names(self) -> set[str]:
        """Return the names of the files that have an entry."""
        return _names_in(self._written)

    def newest(self) -> set[str]:
        """Return the names of the imports that no entry names as before it."""
        return _names_in(self._newest)

    def entry(self, name: str) -> Entry | None:
        """Return a file's entry, or None where it has none that can be read."""
        try:
            return Entry.from_values(json.loads(self._written.read(name + _ENDING)))
        except (FileNotFoundError, ValueError, KeyError, TypeError):
            return None

    def record(
        self, name: str, data: bytes, notes: Sequence[Note], after: Iterable[str] | None = None
    ) -> None:
        """Write the entry of a file, by default behind the newest imports of the chain."""
        # Listed before the entry is looked for: another writer of this file may have taken them.
        newest = self.newest()
        earlier = self.entry(name)
        if earlier is not None:
            after = earlier.after
        elif after is None:
            after = (newest or self._unnamed()) - {note.file for note in notes}
            if len(notes) == 1:
                # Before the entry: a later import may join it from then on.
                self._newest.publish(name + _ENDING, _text({}))
        entry = Entry(hashlib.sha256(data).hexdigest(), tuple(notes), tuple(sorted(after)))
        self._written.publish(name + _ENDING, _text(entry.to_values()))
        for joined in newest.intersection(entry.after):
            self._newest.remove(joined + _ENDING)

    def relink(self) -> None:
        """Note which imports no entry names any more, since those that did are gone."""
        for name in self._unnamed() - self.newest():
            self._newest.publish(name + _ENDING, _text({}))

    def _unnamed(self) -> set[str]:
        """Return the imports that no entry names as before it."""
        entries = [entry for entry in map(self.entry, self.names()) if entry is not None]
        imports = {note.file for entry in entries for note in entry.notes}
        return imports.difference(*(entry.after for entry in entries))

    def forget(self, name: str) -> None:
        """Remove the entry of a file whose imports are in another one."""
        self._written.remove(name + _ENDING)

    def set_aside(self, damage: Damage, data: bytes | None) -> None:
        """Move a file's entry, and the file's bytes where there are any, to the quarantine."""
        name = damage.file
        entry = self.entry(name)
        values = {
            "file": name,
            "what": damage.what,
            "set_aside_at": datetime.now(UTC).isoformat(),
            **_note_values(() if entry is None else entry.notes),
        }
        if data is not None:
            self._kept_bytes.publish(name, data)
        self._set_aside.publish(name + _ENDING, _text(values))
        self.forget(name)

    def names_set_aside(self) -> set[str]:
        """Return the names of the files in the quarantine, and of the imports in them."""
        return _names_in(self._set_aside) | {note.file for note in self._notes_set_aside()}

    def superseded_by_lost(self) -> set[tuple[str, str, str, str]]:
        """Return the rows that a correction set aside had replaced: they stay out of effect."""
        # A correction imported again is no longer lost, and states its rows itself.
        return {row for note in self._notes_set_aside() for row in note.supersedes}

    def _notes_set_aside(self) -> Iterator[Note]:
        """Return the notes of the imports in the quarantine."""
        for name in self._set_aside.names():
            values = json.loads(self._set_aside.read(name))
            for note in values.get("notes", [values.get("note")]):
                if note is not None:
                    yield Note.from_values(note)


def _names_in(folder: Folder) -> set[str]:
    """Return the names of the files that a folder has notes of."""
    return {name.removesuffix(_ENDING) for name in folder.names()}


def _note_values(notes: Sequence[Note]) -> dict[str, Any]:
    """Return notes as JSON values: that of a plain file by itself, as earlier versions wrote it."""
    values = [note.to_values() for note in notes]
    return {"notes": values} if len(values) > 1 else {"note": next(iter(values), None)}


def _text(values: dict[str, Any]) -> bytes:
    return json.dumps(values, indent=1, ensure_ascii=True).encode()
