"""What is wrong with a library: its files against their entries, and its rows against each other.

A part of the files goes with a part of the hashes in the index, so that the parts between them
cover the files and every pair of rows that might contradict each other.
"""

from __future__ import annotations

import os
import zlib
from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import Final

import numpy as np

from thermcmp.library.effective_rows import keys_in
from thermcmp.library.index import unlike
from thermcmp.library.journal import Journal
from thermcmp.library.storage import Folder
from thermcmp.library.store_file import Damage, Note
from thermcmp.library.view import COMPACTED, View
from thermcmp.results.rules import find_rule_faults
from thermcmp.results.schema import KEY

#: Which part of how many, from 1 on.
Part = tuple[int, int]
#: Entries of the index that are sorted in one go.
_MOST_ENTRIES: Final = 4_000_000


def find_damages(view: View, folder: Folder, journal: Journal, part: Part) -> list[Damage]:
    """Return what is wrong with a part of a library."""
    names = [name for name in view.names if _is_in(name, part)]
    notes = view.check(names)
    damages = [damage for damage in view.damages if _is_in(damage.file, part)]
    damages += _lost_but_named(view, journal, [note for held in notes.values() for note in held])
    damages += [
        Damage(name, "left behind by an import that was killed", "repair() removes it")
        for name in folder.abandoned()
        if _is_in(name, part)
    ]
    damages += [
        Damage(name, "altered: a part of the index", "repair() removes it; it is made again")
        for name in view.altered_segments
        if _is_in(name, part)
    ]
    return damages + list(_contradictions(view, part))


def _is_in(name: str, part: Part) -> bool:
    """Return whether a file belongs to a part; it stays there while others come and go."""
    number, of = part
    return zlib.crc32(os.fsencode(name)) * of >> 32 == number - 1


def _lost_but_named(view: View, journal: Journal, notes: Iterable[Note]) -> list[Damage]:
    """Return the imports that a correction replaces rows of, and of which nothing is known."""
    known = {damage.file for damage in view.damages} | set(view.names) | journal.names_set_aside()
    for name in [name for name in known if COMPACTED in name]:
        entry = journal.entry(name)
        known |= {note.file for note in entry.notes} if entry is not None else set()
    known |= {note.file for note in notes}
    named = {(row[3], note.file) for note in notes for row in note.supersedes}
    return [
        Damage(
            file,
            f"missing: the correction {name} replaces rows of it",
            "restore it from a backup; the rows in effect are whole",
        )
        for file, name in sorted(named)
        if file not in known
    ]


def _contradictions(view: View, part: Part) -> Iterator[Damage]:
    """Return the rows of different imports that contradict each other."""
    number, of = part
    without_entry = [name for name in view.without_entry if _is_in(name, part)]
    entries = sum(len(segment.hashes) for segment in view.segments)
    pieces = 1 + entries // (of * _MOST_ENTRIES)
    ends = [(2**64 * k) // (of * pieces) for k in range((number - 1) * pieces, number * pieces + 1)]
    said: set[Damage] = set()
    for low, high in pairwise(ends):
        files, groups = unlike(view.segments, low, high - 1)
        if low == ends[0]:
            # What no import of this library wrote is held against the rules, too.
            foreign = [s.table for held in view.read(without_entry, KEY).values() for s in held]
            if foreign:
                files |= set(without_entry)
                groups = np.union1d(groups, keys_in(foreign))
        contents = view.contents_in(files & view.present, groups)
        names = np.array(contents.files, dtype=object)[contents.in_effect]
        found = [
            Damage(
                str(names[finding.position]),
                f"{finding.message}: {finding.value}",
                "supersede(frame, reason) with the rows that hold",
            )
            for finding in find_rule_faults(contents.effective)
            if finding.position is not None
        ]
        # Those of other keys, met through a rule, belong to the part of their own hash.
        own = np.intersect1d(contents.keys[contents.clashing], groups)
        clashes = view.contents_of(own).clashes if len(own) else []
        for damage in (*found, *clashes):
            if damage not in said:
                said.add(damage)
                yield damage
