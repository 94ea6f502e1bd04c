"""Which of all rows ever stored are in effect: corrections, repeats and clashes."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass

import pandas as pd
import pyarrow as pa

from thermcmp.library.store_file import Damage, Stored
from thermcmp.results.arrow import SCHEMA, concat, from_arrow
from thermcmp.results.hashing import PROVENANCE, keys_of, row_texts
from thermcmp.results.schema import COLUMNS
from thermcmp.tabular.column import Kind
from thermcmp.tabular.names import plain_name

#: lab, run, sensor; a missing lab is "".
RowKey = tuple[str, str, str]


@dataclass(frozen=True, slots=True, eq=False)
class Contents:
    """Every row ever stored, with its file and key, and what became of it."""

    rows: pd.DataFrame
    files: tuple[str, ...]
    keys: tuple[RowKey, ...]
    #: Canonical text by position, without provenance, of the rows to be compared.
    texts: Mapping[int, str]
    #: Positions of the rows that no correction replaced and no other row repeats; more than one
    #: where two imports gave the same run different values at the same time.
    live: Mapping[RowKey, tuple[int, ...]]

    @property
    def clashes(self) -> list[Damage]:
        """The keys that hold more than one set of values."""
        return [
            Damage(
                ", ".join(sorted({self.files[p] for p in positions})),
                f"run '{key[1]}', sensor '{key[2]}' has two sets of values: "
                + describe_differences(
                    self.rows.iloc[positions[0]],
                    self.texts[positions[0]],
                    self.rows.iloc[positions[1]],
                    self.texts[positions[1]],
                ),
                "supersede(frame, reason) with the row that holds",
            )
            for key, positions in self.live.items()
            if len(positions) > 1
        ]

    @property
    def effective(self) -> pd.DataFrame:
        """The rows in effect, without those that clash."""
        return self.rows.iloc[[p[0] for p in self.live.values() if len(p) == 1]]

    @property
    def effective_files(self) -> list[str]:
        """The file of each row of `effective`."""
        return [self.files[p[0]] for p in self.live.values() if len(p) == 1]

    @property
    def ever(self) -> dict[RowKey, set[str]]:
        """The texts that each compared key ever had."""
        texts: dict[RowKey, set[str]] = {}
        for position, text in self.texts.items():
            texts.setdefault(self.keys[position], set()).add(text)
        return texts


def assemble(
    stored: Mapping[str, Stored],
    compared: Collection[RowKey] = (),
    lost: Collection[tuple[str, str, str, str]] = (),
) -> Contents:
    """Return the contents of a store's files; rows of the keys in `compared` get a text.

    Rows named in `lost` were replaced by a correction that is no longer there.
    """
    notes = (row for part in stored.values() for row in part.note.supersedes)
    replaced = {
        ((plain_name(lab), plain_name(run), plain_name(sensor)), file)
        for lab, run, sensor, file in (*lost, *notes)
    }
    alike: dict[str, list[str]] = {}
    for name in sorted(stored):
        alike.setdefault(str(stored[name].table.schema), []).append(name)
    # Files of one schema are converted in one go: that is most of the reading time.
    frames = [
        _plain(from_arrow(pa.concat_tables([stored[name].table for name in names])))
        for _, names in sorted(alike.items())
    ] or [from_arrow(SCHEMA.empty_table())]
    files = tuple(
        name
        for _, names in sorted(alike.items())
        for name in names
        for _ in range(stored[name].table.num_rows)
    )
    keys = tuple(key for frame in frames for key in keys_of(frame))
    # Only the texts of rows that have to be compared, as all would take long; and before
    # stacking, which may turn an extra column into another type.
    needed = {key for key, count in Counter(keys).items() if count > 1} | set(compared)
    texts: dict[int, str] = {}
    start = 0
    for frame in frames:
        places = [p for p in range(len(frame)) if keys[start + p] in needed]
        written = row_texts(frame.iloc[places], without=PROVENANCE)
        texts.update(zip((start + p for p in places), written, strict=True))
        start += len(frame)
    live: dict[RowKey, tuple[int, ...]] = {}
    for position, (key, file) in enumerate(zip(keys, files, strict=True)):
        standing = live.get(key, ())
        is_repeat = bool(standing) and texts[position] in [texts[p] for p in standing]
        if (key, file) not in replaced and not is_repeat:
            live[key] = (*standing, position)
    return Contents(concat(frames), files, keys, texts, live)


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame with its names in one spelling each: an older version kept them as typed."""
    changed = {}
    for name in (c.name for c in COLUMNS if c.kind is Kind.TEXT and not c.verbatim):
        spelled = {text: plain_name(text) for text in frame[name].dropna().unique()}
        odd = {text: plain for text, plain in spelled.items() if text != plain}
        if odd:
            changed[name] = frame[name].replace(odd)
    return frame.assign(**changed)


def describe_differences(row: pd.Series, text: str, other: pd.Series, other_text: str) -> str:
    """Return both values of each column in which two rows differ by their canonical texts."""
    values, other_values = json.loads(text), json.loads(other_text)
    names = sorted(
        name
        for name in values.keys() | other_values.keys()
        if values.get(name) != other_values.get(name)
    )

    def shown(values: pd.Series, name: str) -> str:
        return "blank" if pd.isna(values.get(name)) else str(values[name])

    return ", ".join(f"{name} {shown(row, name)} and {shown(other, name)}" for name in names)
