"""What is wrong with a library: its files against their entries, and its rows against each other.

A part of the files goes with a part of the hashes in the index, so that the parts between them
cover the files and every pair of rows that might contradict each other.
"""

from __future__ import annotations

import os
import zlib
from collections.abc import Iterator
from itertools import pairwise
from typing import Final

import numpy as np

from thermcmp.library.effective_rows import keys_in
from thermcmp.library.index import unlike
from thermcmp.library.journal import Journal
from thermcmp.library.storage import Folder
from thermcmp.library.store_file import Damage, missing
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
    view.check(names)
    damages = [damage for damage in view.damages if _is_in(damage.file, part)]
    damages += lost_with_entry(view, folder, journal, part)
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


def lost_with_entry(view: View, folder: Folder, journal: Journal, part: Part) -> list[Damage]:
    """Return the imports named by files of a part, which were checked, that are nowhere."""
    lost = [journal.entry(name) for name in view.lost if _is_in(name, part)]
    gone = {name for entry in filter(None, lost) for name in entry.after}
    gone |= view.linked | {name for name in journal.newest() if _is_in(name, part)}
    gone -= view.present | view.lost | journal.names_set_aside()
    # What was imported or compacted since the view is named, and is there.
    present = folder.names() if gone else []
    gone.difference_update(present)
    for name in (*present, *view.lost) if gone else ():
        if COMPACTED in name:
            entry = journal.entry(name)
            held = view.check([name]).get(name, ()) if entry is None else entry.notes
            gone -= {note.file for note in held}
    return [missing(name) for name in sorted(gone)]


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
