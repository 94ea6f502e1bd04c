"""Which of all rows ever stored are in effect: corrections, repeats and clashes."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa

from thermcmp._types import BoolArray, IntArray
from thermcmp.library.store_file import Damage, Stored
from thermcmp.results.arrow import SCHEMA, concat, from_arrow
from thermcmp.results.hashing import PROVENANCE, row_texts
from thermcmp.results.row_hashes import Hashes, key_hashes, mixed, row_hashes, text_hash
from thermcmp.results.schema import COLUMNS, KEY
from thermcmp.tabular.column import Kind
from thermcmp.tabular.names import plain_name

#: Columns of names, which have one spelling each.
NAMED: Final = tuple(c.name for c in COLUMNS if c.kind is Kind.TEXT and not c.verbatim)
#: lab, run, sensor and file of a row that a correction replaced; a missing lab is "".
Replaced = tuple[str, str, str, str]


@dataclass(frozen=True, slots=True, eq=False)
class Contents:
    """Every row ever stored, with its file and hashes, and whether it is in effect."""

    rows: pd.DataFrame
    names: tuple[str, ...]  #: files
    file_of: IntArray  #: place of each row's file in `names`
    keys: Hashes  #: of lab, run and sensor
    values: Hashes  #: of all columns without provenance
    #: Rows that no correction replaced and no earlier row repeats.
    standing: BoolArray

    @property
    def files(self) -> list[str]:
        """The file of each row."""
        return [self.names[place] for place in self.file_of]

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

    @property
    def clashes(self) -> list[Damage]:
        """The keys that hold more than one set of values."""
        positions: dict[int, list[int]] = {}
        for position in np.flatnonzero(self.clashing).tolist():
            positions.setdefault(int(self.keys[position]), []).append(position)
        return [
            Damage(
                ", ".join(sorted({self.names[self.file_of[p]] for p in alike})),
                f"{key_words(self.rows.iloc[alike[0]])} has two sets of values: "
                + describe_differences(self.rows.iloc[[alike[0]]], self.rows.iloc[[alike[1]]]),
                "supersede(frame, reason) with the row that holds",
            )
            for alike in positions.values()
        ]


def assemble(stored: Mapping[str, Stored], lost: Collection[Replaced] = ()) -> Contents:
    """Return the contents of files; rows named in `lost` were replaced by a lost correction."""
    alike: dict[str, list[str]] = {}
    for name in sorted(stored):
        alike.setdefault(str(stored[name].table.schema), []).append(name)
    names = tuple(name for group in alike.values() for name in group)
    # Files of one schema are converted in one go: that is most of the reading time.
    frames = [
        plain_rows(pa.concat_tables([stored[name].table for name in group]))
        for group in alike.values()
    ] or [from_arrow(SCHEMA.empty_table())]
    sizes = [stored[name].table.num_rows for name in names]
    file_of = np.repeat(np.arange(len(names)), sizes)
    keys = np.concatenate([key_hashes(frame) for frame in frames])
    # Before stacking, which may turn an extra column into another type.
    values = np.concatenate([row_hashes(frame, without=PROVENANCE) for frame in frames])
    notes = [row for part in stored.values() for row in part.note.supersedes]
    standing = ~_replaced(keys, names, file_of, [*lost, *notes])
    pairs = pd.Series(mixed(keys, values))
    standing[standing] = ~pairs[standing].duplicated()
    return Contents(concat(frames), names, file_of, keys, values, standing)


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


def plain_rows(table: pa.Table) -> pd.DataFrame:
    """Return stored rows with one spelling for each name: an older version kept them as typed."""
    frame = from_arrow(table)
    return frame.assign(**{name: _plain(frame[name]) for name in NAMED})


def keys_in(tables: Iterable[pa.Table]) -> Hashes:
    """Return the hash of each key in stored tables, without reading their other columns."""
    keys = pa.concat_tables([table.select(list(KEY)) for table in tables])
    columns = {name: _plain(keys[name].to_pandas().astype("string")) for name in KEY}
    return key_hashes(pd.DataFrame(columns))


def _plain(names: pd.Series) -> pd.Series:
    """Return names in one spelling each."""
    spelled = {text: plain_name(text) for text in names.dropna().unique()}
    odd = {text: plain for text, plain in spelled.items() if text != plain}
    return names.replace(odd) if odd else names


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
