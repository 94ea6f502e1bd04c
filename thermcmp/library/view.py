"""What one call sees of a library: its files, each read only where it is needed."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cached_property
from itertools import chain
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow.parquet as pq

from thermcmp.library.effective_rows import (
    NAMED,
    Contents,
    assemble,
    layout_of,
    places_of,
    rows_by_layout,
)
from thermcmp.library.index import (
    Index,
    Segment,
    disagreeing,
    holding,
    in_groups,
    value_hashes_of,
)
from thermcmp.library.journal import Journal
from thermcmp.library.storage import Folder
from thermcmp.library.store_file import (
    Damage,
    DamagedFileError,
    Note,
    Stored,
    altered_note,
    check_whole,
    decode,
    missing,
    notes_in,
    unreadable,
)
from thermcmp.results.row_hashes import NO_HASHES, Hashed, Hashes, key_hashes
from thermcmp.results.rules import AGREEING
from thermcmp.results.schema import KEY

#: Part of the name of a file of several imports.
COMPACTED: Final = ".compact."


class CompactedError(Exception):
    """A file went away during the call, since its rows are in a compacted file now."""


class View:
    """The files that were there when the call began."""

    def __init__(
        self,
        folder: Folder,
        journal: Journal,
        index: Index,
        *,
        is_index_checked: bool = False,
        renew: Callable[[], None] = lambda: None,
    ) -> None:
        #: To be called before each write: it renews the lock of the call.
        self.renew = renew
        # Entries first: each that is seen has its file by then.
        entered = journal.names()
        self.names = folder.names()
        self.present = frozenset(self.names)
        self.lost = entered - self.present
        if self.lost - (journal.names() if self.lost else set()):
            raise CompactedError
        self.without_entry = sorted(self.present - entered)
        self._damages: dict[str, Damage] = {name: missing(name) for name in sorted(self.lost)}
        self._folder, self._journal, self._index = folder, journal, index
        #: Imports that those checked by now were made after, or replace rows of.
        self.linked: set[str] = set()
        #: Names of the segments of the index that were altered, where that was asked.
        self.altered_segments = index.altered() if is_index_checked else []

    @property
    def damages(self) -> list[Damage]:
        """What is damaged or lost among what was read."""
        return list(self._damages.values())

    @cached_property
    def segments(self) -> list[Segment]:
        """The index of all files."""
        return self._index.open(
            self.names, lambda name: self.read([name]), without=self.altered_segments
        )

    def read(
        self, names: Iterable[str], columns: Sequence[str] | None = None
    ) -> dict[str, tuple[Stored, ...]]:
        """Return the imports in files, or some columns of them, without damaged files."""
        found = {}
        for name in names:
            if name not in self._damages:
                with self._guarded(name), self._folder.open(name) as source:
                    found[name] = decode(name, source, columns)
        return found

    def layout(self, name: str) -> str:
        """Return the extra columns of a sound file, with their types."""
        with self._folder.open(name) as source:
            return layout_of(pq.read_schema(source))

    def check(self, names: Iterable[str]) -> dict[str, tuple[Note, ...]]:
        """Return the notes of files after hashing them again, without those that are damaged."""
        found = {}
        for name in names:
            if name not in self._damages:
                with self._guarded(name):
                    found[name] = self._checked(name)
        return found

    def _checked(self, name: str) -> tuple[Note, ...]:
        """Return the notes of a file with the bytes and notes of its entry, or with whole rows.

        Raises
        ------
        DamagedFileError
            If they are not.
        """
        data = self._folder.read(name)
        entry = self._journal.entry(name)
        self.linked.update(() if entry is None else entry.after)
        # Other bytes of the same rows and notes may be those of another program.
        is_as_written = entry is not None and entry.sha256 == hashlib.sha256(data).hexdigest()
        notes = notes_in(name, data) if is_as_written else check_whole(name, data)
        if entry is not None and notes != entry.notes:
            raise altered_note(name)
        self.linked.update(row[3] for note in notes for row in note.supersedes)
        return notes

    @contextmanager
    def _guarded(self, name: str) -> Iterator[None]:
        """Note what is wrong with a file instead of raising it."""
        try:
            yield
        except DamagedFileError as error:
            self._damages[name] = error.damage
        except FileNotFoundError:
            # A compaction removes a file's entry first, and may have begun before this call.
            if name not in self._journal.names() and name not in self._folder.names():
                raise CompactedError from None
            self._damages[name] = missing(name)
        except OSError as error:
            self._damages[name] = unreadable(name, error)

    def holding(self, hashes: Hashes) -> set[str]:
        """Return the files that have an entry of one of the hashes."""
        # A segment may cover files that were set aside or compacted since.
        return holding(self.segments, hashes) & self.present

    def contents(self, columns: Sequence[str] | None = None) -> Contents:
        """Return every row of the library."""
        return self._assembled(self.read(self.names, columns), columns=columns)

    def contents_of(self, keys: Hashes, columns: Sequence[str] | None = None) -> Contents:
        """Return the rows of keys."""
        read = self.read(sorted(self.holding(keys)), columns)
        return self._assembled(read, wanted=keys, columns=columns)

    def matching(
        self, wanted: Mapping[str, Sequence[Any]], columns: Sequence[str] | None = None
    ) -> Contents:
        """Return the rows of the keys that have, or had, one of the values of each column."""
        files = set(self.present)
        for name in wanted:
            if name in NAMED:
                files &= self.holding(value_hashes_of(name, wanted[name]))
        looked_at = list(dict.fromkeys([*KEY, *wanted]))
        keys = [
            key_hashes(rows[np.all([rows[n].isin(v) for n, v in wanted.items()], axis=0)])
            for _, rows in rows_by_layout(self.read(sorted(files), looked_at))
            if wanted.keys() <= set(rows)
        ]
        return self.contents_of(np.unique(np.concatenate(keys)) if keys else NO_HASHES, columns)

    def clashes(self, contents: Contents) -> list[Damage]:
        """Return the keys that hold more than one set of values, shown in all of their columns."""
        clashing = np.unique(contents.keys[contents.clashing])
        return self.contents_of(clashing).clashes if len(clashing) else []

    def beside(self, rows: pd.DataFrame | Hashed) -> Contents:
        """Return the rows that may break a rule between rows together with new ones."""
        files, groups = disagreeing(self.segments, rows)
        return self.contents_in(files & self.present, groups)

    def contents_in(self, files: Iterable[str], groups: Hashes) -> Contents:
        """Return the rows of files that are in a group, by its hash, of a rule between rows."""
        looked_at = list(dict.fromkeys(chain(KEY, *AGREEING)))
        keys = [
            key_hashes(rows[in_groups(rows, groups)])
            for _, rows in rows_by_layout(self.read(sorted(files), looked_at))
        ]
        return self.contents_of(np.unique(np.concatenate(keys)) if keys else NO_HASHES)

    def _assembled(
        self,
        read: Mapping[str, tuple[Stored, ...]],
        *,
        wanted: Hashes | None = None,
        columns: Sequence[str] | None = None,
    ) -> Contents:
        """Return the contents of files, without rows that a lost correction replaced."""
        # An import may be in two files for as long as it is being compacted.
        imports = {stored.note.file: stored for held in read.values() for stored in held}
        lost = self._journal.superseded_by_lost()
        contents = assemble(imports, lost, wanted=wanted, columns=columns)
        if columns is not None and (again := contents.clashing).any():
            # Whether such rows repeat each other shows in all of their columns.
            whole = self.contents_of(np.unique(contents.keys[again]))
            stands = np.isin(places_of(contents), places_of(whole)[whole.standing])
            contents.standing[again] = stands[again]
        return contents
