"""Which of all rows ever stored are in effect: corrections, repeats and clashes."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from thermcmp._types import BoolArray, IntArray
from thermcmp.library.store_file import Damage, Note, Stored
from thermcmp.results.arrow import SCHEMA, concat, from_arrow
from thermcmp.results.hashing import PROVENANCE, row_texts
from thermcmp.results.row_hashes import (
    NO_HASHES,
    Hashes,
    key_hashes,
    mixed,
    row_hashes,
    text_hash,
)
from thermcmp.results.schema import BY_NAME, COLUMNS, KEY
from thermcmp.tabular.column import Kind
from thermcmp.tabular.names import plain_name

#: Columns of names, which have one spelling each.
NAMED: Final = tuple(c.name for c in COLUMNS if c.kind is Kind.TEXT and not c.verbatim)
#: What `plain_name` may change: anything but plain words between single spaces.
_ODD: Final = r"^\s|\s$|  |[^\x20-\x7e]"
#: lab, run, sensor and file of a row that a correction replaced; a missing lab is "".
Replaced = tuple[str, str, str, str]


@dataclass(frozen=True, slots=True, eq=False)
class Contents:
    """Rows ever stored, with the import and hashes of each, and whether it is in effect."""

    rows: pd.DataFrame
    notes: tuple[Note, ...]  #: of the imports
    file_of: IntArray  #: place of each row's import in `notes`
    keys: Hashes  #: of lab, run and sensor
    #: Of all columns without provenance; 0 where nothing is compared with the row.
    values: Hashes
    #: Rows that no correction replaced and no earlier row repeats.
    standing: BoolArray

    @property
    def names(self) -> tuple[str, ...]:
        """The name of the file that was written for each import."""
        return tuple(note.file for note in self.notes)

    @property
    def files(self) -> list[str]:
        """The import of each row."""
        names = self.names
        return [names[place] for place in self.file_of.tolist()]

    @property
    def clashing(self) -> BoolArray:
        """Rows that stand beside others of the same key: two imports gave a run two values."""
        again = np.zeros(len(self.keys), dtype=bool)
        again[self.standing] = pd.Series(self.keys[self.standing]).duplicated(keep=False)
        return again

    @property
    def in_effect(self) -> BoolArray:
        """Rows in effect: those that stand alone."""
        return self.standing & ~self.clashing

    @property
    def effective(self) -> pd.DataFrame:
        """The rows in effect."""
        return self.rows[self.in_effect]

    def replaced_by(self, changed: Hashes) -> tuple[Replaced, ...]:
        """Return the rows that a correction of these keys replaces."""
        is_changed = np.isin(self.keys, changed)
        pairs = mixed(self.keys, self.values)
        # Repeats of these rows must be superseded too, or they would take effect again.
        replaced = is_changed & np.isin(pairs, pairs[self.standing & is_changed])
        rows = self.rows.loc[replaced, list(KEY)].fillna("")
        files = np.array(self.files, dtype=object)[replaced]
        keys = rows.itertuples(index=False, name=None)
        return tuple(sorted((*key, str(file)) for key, file in zip(keys, files, strict=True)))

    @property
    def clashes(self) -> list[Damage]:
        """The keys that hold more than one set of values."""
        positions: dict[int, list[int]] = {}
        for position in np.flatnonzero(self.clashing).tolist():
            positions.setdefault(int(self.keys[position]), []).append(position)
        return [
            Damage(
                ", ".join(sorted({self.notes[self.file_of[p]].file for p in alike})),
                f"{key_words(self.rows.iloc[alike[0]])} has two sets of values: "
                + describe_differences(self.rows.iloc[[alike[0]]], self.rows.iloc[[alike[1]]]),
                "supersede(frame, reason) with the row that holds",
            )
            for alike in positions.values()
        ]


def assemble(
    stored: Mapping[str, Stored],
    lost: Collection[Replaced] = (),
    *,
    wanted: Hashes | None = None,
    columns: Sequence[str] | None = None,
) -> Contents:
    """Return the contents of imports, or their rows of some keys, or some columns of them.

    Rows named in `lost` were replaced by a lost correction. Where keys are stated, the values of
    every row are hashed, else of those only that share their key with others; of some columns none.
    """
    groups: dict[str, list[str]] = {}
    for name in sorted(stored):
        # Files of one layout are converted in one go: that is most of the reading time.
        groups.setdefault(layout_of(stored[name].table.schema), []).append(name)
    names = tuple(name for group in groups.values() for name in group)
    places = {name: place for place, name in enumerate(names)}
    parts = [_picked(stored, group, places, wanted) for group in groups.values()]
    tables, files, hashes = zip(*parts, strict=True) if parts else ((), (), ())
    keys = np.concatenate([NO_HASHES, *hashes])
    file_of = np.concatenate([np.zeros(0, dtype=np.intp), *files])
    notes = tuple(stored[name].note for name in names)
    replaced = [*lost, *(row for note in notes for row in note.supersedes)]
    standing = ~_replaced(keys, names, file_of, replaced)
    frames = [plain_rows(table, columns) for table in tables] or [_no_rows(columns)]
    if columns is not None:
        values = np.zeros(len(keys), dtype=np.uint64)
        return Contents(concat(frames), notes, file_of, keys, values, standing)
    compared = np.ones(len(keys), dtype=bool)
    if wanted is None:
        compared = pd.Series(keys).duplicated(keep=False).to_numpy()
    # Before stacking, which may turn an extra column into another type.
    values = _values(frames, compared)
    pairs = pd.Series(mixed(keys, values))
    considered = standing & compared
    standing[considered] = ~pairs[considered].duplicated()
    return Contents(concat(frames), notes, file_of, keys, values, standing)


def _picked(
    stored: Mapping[str, Stored],
    group: Sequence[str],
    places: Mapping[str, int],
    wanted: Hashes | None,
) -> tuple[pa.Table, IntArray, Hashes]:
    """Return the rows of imports that have the keys, the place of each one's import, its key."""
    order = stored[group[0]].table.schema.names
    table = pa.concat_tables([stored[name].table.select(order) for name in group])
    sizes = [stored[name].table.num_rows for name in group]
    file_of = np.repeat([places[name] for name in group], sizes)
    keys = keys_in([table])
    if wanted is None:
        return table, file_of, keys
    kept = np.isin(keys, wanted)
    return table.filter(pa.array(kept)), file_of[kept], keys[kept]


def _values(frames: Sequence[pd.DataFrame], compared: BoolArray) -> Hashes:
    """Return the hash of each compared row's values, 0 for the others."""
    values = np.zeros(len(compared), dtype=np.uint64)
    start = 0
    for frame in frames:
        chosen = compared[start : start + len(frame)]
        values[start : start + len(frame)][chosen] = row_hashes(frame[chosen], without=PROVENANCE)
        start += len(frame)
    return values


def layout_of(schema: pa.Schema) -> str:
    """Return the extra columns of a file, with their types, which may differ between files."""
    extras = sorted(name for name in schema.names if name not in BY_NAME)
    return str([(name, str(schema.field(name).type)) for name in extras])


def _no_rows(columns: Sequence[str] | None) -> pd.DataFrame:
    declared = None if columns is None else [name for name in columns if name in BY_NAME]
    return from_arrow(SCHEMA.empty_table(), declared)


def places_of(contents: Contents) -> Hashes:
    """Return a hash of each row's key and import."""
    names = np.array([text_hash(name) for name in contents.names], dtype=np.uint64)
    return mixed(contents.keys, names[contents.file_of])


def _replaced(
    keys: Hashes, names: tuple[str, ...], file_of: IntArray, replaced: list[Replaced]
) -> BoolArray:
    """Return which rows a correction has replaced."""
    if not replaced or not names:
        return np.zeros(len(keys), dtype=bool)
    named = pd.DataFrame(replaced, columns=[*KEY, "file"], dtype="string")
    known = {name: np.uint64(text_hash(name)) for name in {*names, *named["file"]}}
    for name in KEY:
        spelled = named[name].map(plain_name)
        named[name] = spelled.where(spelled != "", None).astype("string")
    wanted = mixed(key_hashes(named), named["file"].map(known).to_numpy(np.uint64))
    by_file = np.array([known[name] for name in names], dtype=np.uint64)
    return np.asarray(np.isin(mixed(keys, by_file[file_of]), wanted), dtype=bool)


def rows_by_layout(
    read: Mapping[str, tuple[Stored, ...]],
) -> Iterator[tuple[tuple[str, ...], pd.DataFrame]]:
    """Return files of one layout, and their rows one after the other."""
    groups: dict[str, list[str]] = {}
    for name, imports in read.items():
        groups.setdefault(layout_of(imports[0].table.schema), []).append(name)
    for names in groups.values():
        tables = [stored.table for name in names for stored in read[name]]
        order = tables[0].schema.names
        whole = pa.concat_tables([table.select(order) for table in tables])
        yield tuple(names), plain_rows(whole, order)


def plain_rows(table: pa.Table, columns: Sequence[str] | None = None) -> pd.DataFrame:
    """Return stored rows, or some of their columns, with one spelling for each name."""
    names = None if columns is None else [n for n in columns if n in table.schema.names]
    return from_arrow(_plain(table), names)


def keys_in(tables: Iterable[pa.Table]) -> Hashes:
    """Return the hash of each key in stored tables, without converting their other columns."""
    keys = pa.concat_tables([table.select(list(KEY)) for table in tables])
    return key_hashes(from_arrow(_plain(keys), KEY))


def _plain(table: pa.Table) -> pa.Table:
    """Return a table with one spelling for each name: an older version kept them as typed."""
    for place, name in enumerate(table.schema.names):
        if name not in NAMED or table[name].null_count == len(table):
            continue
        distinct = pc.unique(table[name])
        if not pc.any(pc.match_substring_regex(distinct, _ODD)).as_py():
            continue
        spelled = pa.array([t and plain_name(t) for t in distinct.to_pylist()], pa.string())
        column = pc.take(spelled, pc.index_in(table[name], distinct))
        table = table.set_column(place, table.schema.field(name), column)
    return table


def key_words(row: pd.Series) -> str:
    """Return the run and sensor of a row in words."""
    return f"run '{row['run']}', sensor '{row['sensor']}'"


def describe_differences(row: pd.DataFrame, other: pd.DataFrame) -> str:
    """Return both values of each column in which two frames of one row differ."""
    values, other_values = (json.loads(*row_texts(r, without=PROVENANCE)) for r in (row, other))
    names = sorted(
        name
        for name in values.keys() | other_values.keys()
        if values.get(name) != other_values.get(name)
    )

    def shown(frame: pd.DataFrame, name: str) -> str:
        value = frame[name].iloc[0] if name in frame else None
        return "blank" if pd.isna(value) else str(value)

    return ", ".join(f"{name} {shown(row, name)} and {shown(other, name)}" for name in names)
