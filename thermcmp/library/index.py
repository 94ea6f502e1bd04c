"""The index of a library: which files hold a run, a part, or a name.

It is made from the files alone, and may be deleted at any time. A segment covers some files and
is one Arrow file of hashes in ascending order; as a library grows, segments are merged, so that
few are open at a time. Files that no segment covers are read.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa

from thermcmp._types import IntArray
from thermcmp.library.effective_rows import NAMED, plain_rows
from thermcmp.library.storage import open_folder
from thermcmp.library.store_file import Stored
from thermcmp.results.arrow import SCHEMA
from thermcmp.results.row_hashes import Hashes, group_hashes, key_hashes, mixed, text_hash
from thermcmp.results.rules import AGREEING

_ENDING: Final = ".arrow"
_KEY: Final = b"thermcmp.index"
#: Version of the layout; with the hash of a word, as pandas does not promise its hashes.
_VERSION: Final = [1, text_hash("thermcmp")]
#: So many files or rows without a segment get one.
_MOST_UNCOVERED: Final = 16
_MANY_ROWS: Final = 50_000
#: So many segments of one size are merged, unless the outcome is too large to be quick.
_MERGED: Final = 16
_MOST_ENTRIES: Final = 4_000_000
#: The values of named columns say which files to read; a file with more of one is always read.
_MOST_VALUES: Final = 500
_ANY: Final = "any value"


@dataclass(frozen=True, slots=True, eq=False)
class Segment:
    """The entries of some files: hash and place of the file in `files`, by ascending hash."""

    files: tuple[str, ...]
    hashes: Hashes
    places: IntArray

    def count(self, wanted: Hashes) -> IntArray:
        """Return the number of entries of each hash."""
        first, last = self._spans(wanted)
        return last - first

    def holding(self, wanted: Hashes) -> set[str]:
        """Return the files with an entry of one of the hashes."""
        first, last = self._spans(wanted)
        counts = last - first
        starts = np.repeat(first - np.cumsum(counts) + counts, counts)
        places = np.unique(self.places[starts + np.arange(len(starts))])
        return {self.files[place] for place in places.tolist()}

    def _spans(self, wanted: Hashes) -> tuple[IntArray, IntArray]:
        """Return where the entries of each hash begin and end."""
        first = np.searchsorted(self.hashes, wanted, side="left")
        return first, np.searchsorted(self.hashes, wanted, side="right")


class Index:
    """The segments of a library, and the entries of files that none covers."""

    def __init__(self, root: str | os.PathLike[str]) -> None:
        self._folder = open_folder(root, "index", _ENDING)

    def open(
        self, names: Iterable[str], read: Callable[[list[str]], Mapping[str, Stored]]
    ) -> list[Segment]:
        """Return segments that cover the files between them; `read` reads those without one."""
        present = set(names)
        covered: set[str] = set()
        segments = []
        for segment in sorted(self._stored().values(), key=lambda s: -len(s.files)):
            if present.issuperset(segment.files) and covered.isdisjoint(segment.files):
                segments.append(segment)
                covered.update(segment.files)
        uncovered = read(sorted(present - covered))
        return [*segments, segment_of(uncovered)] if uncovered else segments

    def extend(self, segments: Sequence[Segment]) -> None:
        """Store the last segment if it is not stored and worth it, and merge what has grown."""
        stored = self._stored()
        known = {segment.files for segment in stored.values()}
        new = [s for s in segments if s.files not in known]
        large = [s for s in new if len(s.files) >= _MOST_UNCOVERED or len(s.hashes) > _MANY_ROWS]
        for segment in large:
            self._publish(segment)
        kept = [s for s in segments if s.files in known or s in large]
        by_size: dict[int, list[Segment]] = {}
        for segment in kept:
            by_size.setdefault(int(np.log2(max(len(segment.hashes), 1)) / 4), []).append(segment)
        for alike in by_size.values():
            if len(alike) >= _MERGED and sum(len(s.hashes) for s in alike) <= _MOST_ENTRIES:
                self._publish(_merged(alike))
        in_use = {segment.files for segment in kept}
        for name, segment in stored.items():
            # What covers files that a merged segment covers, or files that are gone.
            if segment.files not in in_use:
                self._folder.remove(name)

    def _publish(self, segment: Segment) -> None:
        """Store a segment."""
        digest = hashlib.sha256("\n".join(segment.files).encode()).hexdigest()
        head = {_KEY: json.dumps({"version": _VERSION, "files": segment.files}).encode()}
        table = pa.table(
            {"hash": segment.hashes, "file": segment.places.astype(np.int32)}, metadata=head
        )
        sink = pa.BufferOutputStream()
        with pa.ipc.new_file(sink, table.schema) as writer:
            writer.write_table(table.combine_chunks())
        self._folder.publish(f"{digest}{_ENDING}", sink.getvalue().to_pybytes())

    def _stored(self) -> dict[str, Segment]:
        """Return the stored segments by their names; what cannot be read counts as not there."""
        segments = {}
        for name in self._folder.names():
            try:
                table = pa.ipc.open_file(self._folder.mapped(name)).read_all()
                head = json.loads((table.schema.metadata or {})[_KEY])
                if head["version"] != _VERSION:
                    continue
                columns = (table[c].combine_chunks().to_numpy() for c in ("hash", "file"))
                segments[name] = Segment(tuple(head["files"]), *columns)
            except (OSError, pa.ArrowException, KeyError, ValueError):
                continue
        return segments


def segment_of(stored: Mapping[str, Stored]) -> Segment:
    """Return the segment of files."""
    names = tuple(sorted(stored))
    declared = [stored[name].table.select(SCHEMA.names).cast(SCHEMA) for name in names]
    sizes = [table.num_rows for table in declared]
    rows = plain_rows(pa.concat_tables(declared))
    return make_segment(names, rows, np.repeat(np.arange(len(names)), sizes))


def make_segment(names: tuple[str, ...], rows: pd.DataFrame, file_of: IntArray) -> Segment:
    """Return the segment of rows, with the place of each row's file in `names`."""
    parts = [(key_hashes(rows), file_of)]
    for keys, (hashes, values) in rule_hashes(rows).items():
        owned = rows[keys[-1]].notna().to_numpy(dtype=bool)
        first = _distinct(values[owned], file_of[owned])
        # As many entries of the keys as of their different values.
        parts += [(of[owned][first], file_of[owned][first]) for of in (hashes, values)]
    for name in NAMED:
        if not rows[name].notna().any():
            continue
        hashes = group_hashes(rows, name, (name,))
        first = _distinct(hashes, file_of)
        hashes, places = hashes[first], file_of[first]
        many = np.flatnonzero(np.bincount(places, minlength=len(names)) > _MOST_VALUES)
        kept = ~np.isin(places, many)
        any_value = np.full(len(many), text_hash(_ANY + name), dtype=np.uint64)
        parts += [(hashes[kept], places[kept]), (any_value, many)]
    return _sorted(names, *(np.concatenate(column) for column in zip(*parts, strict=True)))


def rule_hashes(rows: pd.DataFrame) -> dict[tuple[str, ...], tuple[Hashes, Hashes]]:
    """Return, for each rule between rows, the hash of each row's keys, and of its values too."""
    return {
        keys: (
            group_hashes(rows, f"rule of {' '.join(keys)}", keys),
            group_hashes(rows, f"{' '.join(keys)} with values", (*keys, *columns)),
        )
        for keys, (columns, _) in AGREEING.items()
    }


def disagreeing(segments: Sequence[Segment], rows: pd.DataFrame) -> set[str]:
    """Return the files with rows that may break a rule between rows together with these."""
    files: set[str] = set()
    for keys, (hashes, values) in rule_hashes(rows).items():
        owned = np.flatnonzero(rows[keys[-1]].notna().to_numpy(dtype=bool))
        picked = owned[np.unique(values[owned], return_index=True)[1]]
        others = np.zeros(len(picked), dtype=np.intp)
        for segment in segments:
            others += segment.count(hashes[picked]) - segment.count(values[picked])
        files |= holding(segments, hashes[picked][others > 0])
    return files


def value_hashes_of(name: str, values: Sequence[Any]) -> Hashes:
    """Return the hashes by which files with one of the values of a column are listed."""
    frame = pd.DataFrame({name: pd.Series(list(values), dtype="string")})
    listed = group_hashes(frame, name, (name,))
    return np.sort(np.append(listed, np.uint64(text_hash(_ANY + name))))


def holding(segments: Iterable[Segment], wanted: Hashes) -> set[str]:
    """Return the files that have an entry of one of the hashes."""
    ascending = np.unique(wanted)
    return set(chain.from_iterable(segment.holding(ascending) for segment in segments))


def _distinct(hashes: Hashes, places: IntArray) -> IntArray:
    """Return where each pair of hash and place stands first."""
    return np.unique(mixed(hashes, places.astype(np.uint64)), return_index=True)[1]


def _merged(segments: Sequence[Segment]) -> Segment:
    """Return one segment for several."""
    starts = np.cumsum([0, *(len(segment.files) for segment in segments)])
    return _sorted(
        tuple(chain.from_iterable(segment.files for segment in segments)),
        np.concatenate([segment.hashes for segment in segments]),
        np.concatenate([s.places + start for s, start in zip(segments, starts, strict=False)]),
    )


def _sorted(files: tuple[str, ...], hashes: Hashes, places: IntArray) -> Segment:
    order = np.argsort(hashes, kind="stable")
    return Segment(files, hashes[order], places[order])
