"""What one call sees of a library: its files, each read once and only where it is needed."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import cached_property

import pandas as pd

from thermcmp.library.effective_rows import Contents, assemble, keys_in
from thermcmp.library.index import Index, Segment, disagreeing, holding
from thermcmp.library.journal import Journal
from thermcmp.library.storage import Folder
from thermcmp.library.store_file import Damage, DamagedFileError, Stored, missing, unreadable
from thermcmp.results.row_hashes import Hashes

#: Returns a file's content, or raises what is wrong with it.
Reader = Callable[[str, bytes], Stored]


class View:
    """The files that were there when the call began."""

    def __init__(self, folder: Folder, journal: Journal, index: Index, reader: Reader) -> None:
        # Entries first: each that is seen has its file by then.
        entered = journal.names()
        self.names = folder.names()
        self.lost = entered - set(self.names)
        self.without_entry = sorted(set(self.names) - entered)
        self.stored: dict[str, Stored] = {}
        self._damages: dict[str, Damage] = {name: missing(name) for name in sorted(self.lost)}
        self._folder, self._journal, self._index, self._reader = folder, journal, index, reader

    @property
    def damages(self) -> list[Damage]:
        """What is damaged or lost among what was read."""
        return list(self._damages.values())

    @cached_property
    def segments(self) -> list[Segment]:
        """The index of all files."""
        return self._index.open(self.names, self.read)

    def read(self, names: Iterable[str]) -> dict[str, Stored]:
        """Return the contents of files, without those that are damaged."""
        wanted = list(names)
        for name in wanted:
            if name in self.stored or name in self._damages:
                continue
            try:
                self.stored[name] = self._reader(name, self._folder.read(name))
            except DamagedFileError as error:
                self._damages[name] = error.damage
            except FileNotFoundError:
                # Set aside by another process since the call began.
                self._damages[name] = missing(name)
            except OSError as error:
                self._damages[name] = unreadable(name, error)
        return {name: self.stored[name] for name in wanted if name in self.stored}

    def contents(self) -> Contents:
        """Return every row of the library."""
        return self._assembled(self.read(self.names))

    def contents_of(self, files: Iterable[str]) -> Contents:
        """Return the rows of files, and those of all files that repeat or replace them."""
        read: dict[str, Stored] = {}
        wanted = set(files)
        while wanted:
            more = self.read(sorted(wanted))
            read |= more
            if not more:
                break
            wanted = self.holding(keys_in(part.table for part in more.values())) - read.keys()
            wanted -= self._damages.keys()
        return self._assembled(read)

    def holding(self, hashes: Hashes) -> set[str]:
        """Return the files with an entry of one of the hashes."""
        return holding(self.segments, hashes)

    def beside(self, rows: pd.DataFrame) -> Contents:
        """Return the rows that may break a rule between rows together with new ones."""
        return self.contents_of(disagreeing(self.segments, rows))

    def _assembled(self, stored: dict[str, Stored]) -> Contents:
        """Return the contents of files, without rows that a lost correction replaced."""
        return assemble(stored, self._journal.superseded_by_lost())
