"""Small files of a library put together into larger ones, with the note of each import.

The larger file and its entry are on the disk before the small ones are removed, each after its
entry, so that a kill at any moment leaves every import in one file or in two: never in none. An
import that is found twice counts once, and the next compaction removes what was left over.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial

from thermcmp.library.index import Index, segment_of
from thermcmp.library.journal import Journal
from thermcmp.library.storage import Folder
from thermcmp.library.store_file import Note, encode, file_name
from thermcmp.library.view import COMPACTED, View
from thermcmp.results.schema import KEY


@dataclass(frozen=True, slots=True)
class _Small:
    """A file that may be put together with others."""

    name: str
    rows: int
    layout: str
    place: tuple[str, str, str]  #: lab, product and time, in which order files are put together


def compact(
    view: View,
    folder: Folder,
    journal: Journal,
    index: Index,
    *,
    rows: int,
    check: Callable[[str, bytes], None],
) -> list[str]:
    """Put the small files of a view together, and return the names of the files written."""
    notes = view.check(view.names)
    written: dict[str, tuple[Note, ...]] = {}
    removed = set(_left_over(notes))
    segments = []
    small = [each for each in _small_files(view, rows) if each.name not in removed]
    for group in _groups(small, rows):
        read = view.read(each.name for each in group)
        imports = {stored.note.file: stored for held in read.values() for stored in held}
        kept = tuple(stored.note for stored in imports.values())
        name, data = file_name(kept), encode(*imports.values())
        view.renew()
        folder.publish(name, data, partial(check, name))
        journal.record(name, data, kept, _before(journal, read))
        segments.append(segment_of({name: tuple(imports.values())}))
        written[name] = kept
        removed |= set(read) - {name}
    view.renew()
    index.extend([*view.segments, *segments])
    for name in sorted(removed):
        journal.forget(name)
        folder.remove(name)
        # Its import may have written the entry in between; a later one sees that the file is gone.
        journal.forget(name)
    index.replace([segment.without(removed) for segment in view.segments], segments)
    return list(written)


def _left_over(notes: Mapping[str, tuple[Note, ...]]) -> Iterator[str]:
    """Return the files of one import that a compacted file holds, too."""
    held = {note.file for name, own in notes.items() if COMPACTED in name for note in own}
    return (name for name in notes if COMPACTED not in name and name in held)


def _before(journal: Journal, names: Iterable[str]) -> set[str]:
    """Return the imports that the entries of files name as before them in the chain."""
    return {before for entry in filter(None, map(journal.entry, names)) for before in entry.after}


def _small_files(view: View, rows: int) -> list[_Small]:
    """Return the files of at most half as many rows as are put together."""
    found = []
    for name in view.names:
        for imports in view.read([name], [*KEY, "product"]).values():
            size = sum(stored.table.num_rows for stored in imports)
            if size <= rows // 2:
                first = imports[0].table.slice(0, 1).to_pylist() or [{}]
                lab, product = (str(first[0].get(column) or "") for column in ("lab", "product"))
                place = lab, product, imports[0].note.imported_at.isoformat()
                found.append(_Small(name, size, view.layout(name), place))
    return sorted(found, key=lambda each: (each.layout, each.place, each.name))


def _groups(small: list[_Small], rows: int) -> Iterator[list[_Small]]:
    """Return the files that are put together: of one layout, up to a number of rows."""
    group: list[_Small] = []
    for each in small:
        if group and (
            each.layout != group[0].layout or sum(g.rows for g in group) + each.rows > rows
        ):
            if len(group) > 1:
                yield group
            group = []
        group.append(each)
    if len(group) > 1:
        yield group
