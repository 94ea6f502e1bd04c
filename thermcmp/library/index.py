"""The index of a library: which files hold a run, a part, or a name.

It is made from the files alone, and may be deleted at any time. A segment covers some files and
is one Arrow file of hashes in ascending order; as a library grows, segments are merged, so that
few are open at a time. Files that no segment covers are read.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from itertools import chain
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa

from thermcmp._types import BoolArray, IntArray
from thermcmp.library.effective_rows import NAMED, rows_by_layout
from thermcmp.library.storage import open_folder
from thermcmp.library.store_file import Stored
from thermcmp.results.hashing import PROVENANCE
from thermcmp.results.row_hashes import (
    NO_HASHES,
    Hashed,
    Hashes,
    group_hashes,
    hashed,
    key_hashes,
    mixed,
    row_hashes,
    text_hash,
)
from thermcmp.results.rules import AGREEING

_ENDING: Final = ".arrow"
_KEY: Final = b"thermcmp.index"
_COLUMNS: Final = ("hash", "value", "file")
#: Version of the layout; with the hash of a word, as pandas does not promise its hashes.
_VERSION: Final = [2, text_hash("thermcmp")]
#: A reader that meets so many files without a segment stores one; so many rows make a segment.
_MANY_FILES: Final = 16
_MANY_ROWS: Final = 250_000
#: So many segments of one size are merged, unless the outcome is too large to be quick.
_MERGED: Final = 16
_MOST_ENTRIES: Final = 4_000_000
#: The values of named columns say which files to read; a file with more of one is always read.
_MOST_VALUES: Final = 500
_ANY: Final = "any value"

#: Returns the imports in a file by its name, or nothing where it is damaged.
Read = Callable[[str], Mapping[str, tuple[Stored, ...]]]


@dataclass(frozen=True, slots=True, eq=False)
class Segment:
    """The entries of some files by ascending hash.

    The hash is that of a row's key, of the keys of a rule between rows, or of a name. The value
    is the hash of what stands under it, which is the same in all rows that agree.
    """

    files: tuple[str, ...]
    hashes: Hashes
    values: Hashes  #: 0 for a name
    places: IntArray  #: of each entry's file in `files`

    def find(self, wanted: Hashes, unlike: Hashes | None = None) -> tuple[IntArray, IntArray]:
        """Return the entries of hashes, or only those whose value is not that in `unlike`.

        Of each entry: the place of its file in `files`, and that of its hash in `wanted`.
        """
        first = np.searchsorted(self.hashes, wanted, side="left")
        counts = np.searchsorted(self.hashes, wanted, side="right") - first
        of = np.repeat(np.arange(len(wanted)), counts)
        entries = np.arange(len(of)) + np.repeat(first - np.cumsum(counts) + counts, counts)
        if unlike is not None:
            differs = self.values[entries] != unlike[of]
            entries, of = entries[differs], of[differs]
        return self.places[entries], of

    def named(self, places: IntArray) -> set[str]:
        """Return the names of files."""
        return {self.files[place] for place in np.unique(places).tolist()}

    def between(self, low: int, high: int) -> tuple[Hashes, Hashes, IntArray]:
        """Return the entries of the hashes from `low` to `high`."""
        start = int(np.searchsorted(self.hashes, np.uint64(low), side="left"))
        stop = int(np.searchsorted(self.hashes, np.uint64(high), side="right"))
        return self.hashes[start:stop], self.values[start:stop], self.places[start:stop]

    def without(self, gone: Collection[str]) -> Segment:
        """Return the entries of the files that are not gone."""
        kept = [place for place, name in enumerate(self.files) if name not in gone]
        hit = np.isin(self.places, kept)
        places = np.searchsorted(kept, self.places[hit])
        files = tuple(self.files[place] for place in kept)
        return Segment(files, self.hashes[hit], self.values[hit], places)

    @property
    def digest(self) -> str:
        """The hash of the entries."""
        digest = hashlib.sha256()
        for column in (self.hashes, self.values, self.places.astype(np.int32)):
            digest.update(np.ascontiguousarray(column).data)
        return digest.hexdigest()


class Index:
    """The segments of a library, and the entries of files that none covers."""

    def __init__(self, root: str | os.PathLike[str]) -> None:
        self._folder = open_folder(root, "index", _ENDING)
        #: Names of segments that could not be read when the index was last opened.
        self._unreadable: set[str] = set()

    def open(
        self, names: Iterable[str], read: Read, *, without: Collection[str] = ()
    ) -> list[Segment]:
        """Return segments that cover the files between them; `read` reads those without one."""
        present = set(names)
        covered: set[str] = set()
        segments = []
        stored = [found for name, (found, _) in self._stored().items() if name not in without]
        for segment in sorted(stored, key=lambda found: -len(found.files)):
            fresh = present.intersection(segment.files) - covered
            if fresh:
                segments.append(segment)
                covered |= fresh
        made = list(_segments_of(sorted(present - covered), read))
        if sum(len(segment.files) for segment in made) >= _MANY_FILES:
            # Whoever may only read the library goes on without.
            with contextlib.suppress(OSError):
                self.extend([*segments, *made])
        return [*segments, *made]

    def extend(self, segments: Sequence[Segment]) -> None:
        """Store the segments that are not stored yet, and merge what has grown."""
        in_use = {_name(segment): segment for segment in segments}
        stored = set(self._folder.names())
        for name, segment in in_use.items():
            if name not in stored or name in self._unreadable:
                self._publish(segment)
        by_size: dict[int, list[Segment]] = {}
        for segment in segments:
            by_size.setdefault(int(np.log2(max(len(segment.hashes), 1)) / 4), []).append(segment)
        for alike in by_size.values():
            if len(alike) >= _MERGED and sum(len(s.hashes) for s in alike) <= _MOST_ENTRIES:
                self._publish(_merged(alike))
        covered = {file for segment in segments for file in segment.files}
        for name in stored - in_use.keys():
            other = self._read(name)
            if other is not None and covered.issuperset(other[0].files):
                self._folder.remove(name)

    def replace(self, segments: Sequence[Segment], more: Sequence[Segment]) -> None:
        """Store other segments in place of all that are stored."""
        before = self._stored()
        every = [segment for segment in (*segments, *more) if segment.files]
        for segment in every:
            self._publish(segment)
        for name in before.keys() - set(map(_name, every)):
            self._folder.remove(name)

    def altered(self) -> list[str]:
        """Return the names of the segments whose entries are not those that were stored."""
        return [name for name, (found, noted) in self._stored().items() if found.digest != noted]

    def repair(self) -> list[str]:
        """Remove the segments that were altered or cannot be read, and return the altered ones."""
        altered = self.altered()
        for name in {*altered, *self._folder.names()} - (self._stored().keys() - {*altered}):
            self._folder.remove(name)
        return altered

    def _publish(self, segment: Segment) -> None:
        """Store a segment."""
        head = {"version": _VERSION, "files": segment.files, "sha256": segment.digest}
        columns = [segment.hashes, segment.values, segment.places.astype(np.int32)]
        table = pa.table(
            dict(zip(_COLUMNS, columns, strict=True)), metadata={_KEY: json.dumps(head).encode()}
        )
        sink = pa.BufferOutputStream()
        with pa.ipc.new_file(sink, table.schema) as writer:
            writer.write_table(table.combine_chunks())
        self._folder.publish(_name(segment), sink.getvalue().to_pybytes())

    def _stored(self) -> dict[str, tuple[Segment, str]]:
        """Return the stored segments and their noted hashes; what is unreadable is left out."""
        read = {name: self._read(name) for name in self._folder.names()}
        segments = {name: found for name, found in read.items() if found is not None}
        self._unreadable = read.keys() - segments.keys()
        return segments

    def _read(self, name: str) -> tuple[Segment, str] | None:
        """Return a stored segment and its noted hash, or None where it is unreadable."""
        try:
            table = pa.ipc.open_file(self._folder.mapped(name)).read_all()
            head = json.loads((table.schema.metadata or {})[_KEY])
            if head["version"] != _VERSION:
                return None
            # Its one piece stays on the disk; joining pieces, even one, would copy it.
            columns = (table[c].chunk(0).to_numpy() for c in _COLUMNS)
            return Segment(tuple(head["files"]), *columns), str(head["sha256"])
        except (OSError, pa.ArrowException, LookupError, ValueError):
            return None


def _name(segment: Segment) -> str:
    """Return the name of a segment's file."""
    text = "\n".join(segment.files).encode("utf-8", "surrogateescape")
    return f"{hashlib.sha256(text).hexdigest()}{_ENDING}"


def _segments_of(names: Sequence[str], read: Read) -> Iterator[Segment]:
    """Return the segments of files that have none, each of a bounded number of rows."""
    batch: dict[str, tuple[Stored, ...]] = {}
    hashing: Future[Segment] | None = None
    size = 0
    # The rows of a segment are hashed while those of the next are read.
    with ThreadPoolExecutor(1) as pool:
        for name in names:
            found = read(name)
            batch |= found
            size += sum(stored.table.num_rows for held in found.values() for stored in held)
            if size > _MANY_ROWS:
                if hashing is not None:
                    yield hashing.result()
                hashing = pool.submit(segment_of, batch)
                batch, size = {}, 0
        if hashing is not None:
            yield hashing.result()
    if batch:
        yield segment_of(batch)


def segment_of(read: Mapping[str, tuple[Stored, ...]]) -> Segment:
    """Return the segment of files."""
    parts = []
    for files, rows in rows_by_layout(read):
        sizes = [sum(stored.table.num_rows for stored in read[name]) for name in files]
        file_of = np.repeat(np.arange(len(files)), sizes)
        # Values are hashed in the types that they have in their files.
        values = row_hashes(rows, without=PROVENANCE)
        parts.append(make_segment(files, rows, file_of, values))
    return parts[0] if len(parts) == 1 else _merged(parts)


def make_segment(
    files: tuple[str, ...], rows: pd.DataFrame | Hashed, file_of: IntArray, values: Hashes
) -> Segment:
    """Return the segment of rows, with each row's place of its file in `files` and its hash."""
    columns = hashed(rows)
    parts = [(key_hashes(columns), values, file_of)]
    for groups, stated, owned in _rule_hashes(columns):
        first = owned[_first_of_each(mixed(groups, stated)[owned], file_of[owned])]
        parts.append((groups[first], stated[first], file_of[first]))
    for name in NAMED:
        hashes = columns.of(name)
        if not hashes.any():
            continue
        first = _first_of_each(hashes, file_of)
        names, places = group_hashes(columns, name, (name,))[first], file_of[first]
        many = np.flatnonzero(np.bincount(places, minlength=len(files)) > _MOST_VALUES)
        kept = ~np.isin(places, many)
        any_value = np.full(len(many), text_hash(_ANY + name), dtype=np.uint64)
        listed = np.concatenate([names[kept], any_value])
        parts.append((listed, np.zeros_like(listed), np.concatenate([places[kept], many])))
    return _sorted(files, *(np.concatenate(column) for column in zip(*parts, strict=True)))


def _rule_hashes(rows: Hashed) -> Iterator[tuple[Hashes, Hashes, IntArray]]:
    """Return, for each rule between rows, the hashes of keys and of values, and its rows."""
    for keys, (columns, _) in AGREEING.items():
        values = group_hashes(rows, f"values of {' '.join(keys)}", columns)
        yield _group_hashes(rows, keys), values, np.flatnonzero(rows.of(keys[-1]))


def _group_hashes(rows: Hashed, keys: tuple[str, ...]) -> Hashes:
    """Return the hash of each row's keys in a rule between rows."""
    return group_hashes(rows, f"rule of {' '.join(keys)}", keys)


def disagreeing(
    segments: Sequence[Segment], rows: pd.DataFrame | Hashed
) -> tuple[set[str], Hashes]:
    """Return what may break a rule between rows together with these: files, hashes of groups."""
    files: set[str] = set()
    found = [NO_HASHES]
    for groups, stated, owned in _rule_hashes(hashed(rows)) if segments else ():
        first = owned[_first_of_each(groups[owned], stated[owned])]
        for segment in segments:
            places, of = segment.find(groups[first], unlike=stated[first])
            files |= segment.named(places)
            found.append(groups[first][np.unique(of)])
    return files, np.unique(np.concatenate(found))


def unlike(segments: Sequence[Segment], low: int, high: int) -> tuple[set[str], Hashes]:
    """Return the hashes in a range with more than one value, and the files that hold them."""
    spans = [segment.between(low, high) for segment in segments]
    hashes, values = (np.concatenate([NO_HASHES, *(span[k] for span in spans)]) for k in (0, 1))
    order = np.argsort(hashes, kind="stable")
    hashes, values = hashes[order], values[order]
    found = np.unique(hashes[1:][(hashes[1:] == hashes[:-1]) & (values[1:] != values[:-1])])
    files: set[str] = set()
    for segment, (own, _, places) in zip(segments, spans, strict=True):
        files |= segment.named(places[np.isin(own, found)])
    return files, found


def in_groups(rows: pd.DataFrame, wanted: Hashes) -> BoolArray:
    """Return which rows have a key, or keys of a rule between rows, of one of the hashes."""
    columns = Hashed(rows)
    hit = np.isin(key_hashes(columns), wanted)
    for keys in AGREEING:
        hit |= (columns.of(keys[-1]) != 0) & np.isin(_group_hashes(columns, keys), wanted)
    return hit


def value_hashes_of(name: str, values: Sequence[Any]) -> Hashes:
    """Return the hashes by which files with one of the values of a column are listed."""
    frame = pd.DataFrame({name: pd.Series(list(values), dtype="string")})
    listed = group_hashes(frame, name, (name,))
    return np.sort(np.append(listed, np.uint64(text_hash(_ANY + name))))


def holding(segments: Sequence[Segment], wanted: Hashes) -> set[str]:
    """Return the files that have an entry of one of the hashes."""
    ascending = np.unique(wanted) if segments else wanted
    return {name for segment in segments for name in segment.named(segment.find(ascending)[0])}


def _first_of_each(hashes: Hashes, others: IntArray | Hashes) -> IntArray:
    """Return where each pair of hash and other stands first."""
    pairs = pd.Series(mixed(hashes, others.astype(np.uint64)))
    return np.flatnonzero(~pairs.duplicated().to_numpy())


def _merged(segments: Sequence[Segment]) -> Segment:
    """Return one segment for several."""
    starts = np.cumsum([0, *(len(segment.files) for segment in segments)])
    return _sorted(
        tuple(chain.from_iterable(segment.files for segment in segments)),
        np.concatenate([segment.hashes for segment in segments]),
        np.concatenate([segment.values for segment in segments]),
        np.concatenate([s.places + start for s, start in zip(segments, starts, strict=False)]),
    )


def _sorted(files: tuple[str, ...], hashes: Hashes, values: Hashes, places: IntArray) -> Segment:
    order = np.argsort(hashes, kind="stable")
    return Segment(files, hashes[order], values[order], places[order])
