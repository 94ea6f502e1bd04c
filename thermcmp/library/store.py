"""The results library: an append-only folder of immutable Parquet files."""

from __future__ import annotations

import os
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol, get_args

import numpy as np
import pandas as pd

from thermcmp.errors import Fault, InputError, LibraryError, ThermcmpWarning, suggest
from thermcmp.library.effective_rows import Contents, RowKey, assemble, describe_differences
from thermcmp.library.storage import open_folder
from thermcmp.library.store_file import (
    Damage,
    DamagedFileError,
    Stored,
    check_whole,
    decode,
    encode,
    make_stored,
)
from thermcmp.results.arrow import canonical_extras, concat
from thermcmp.results.fault_places import Origin
from thermcmp.results.hashing import PROVENANCE, keys_of, row_texts
from thermcmp.results.rules import find_rule_faults
from thermcmp.results.schema import KEY
from thermcmp.results.validation import check_results

OnDamage = Literal["error", "skip"]


class DamageWarning(ThermcmpWarning):
    """Damaged files or clashing rows were left out because of on_damage='skip'."""


class HasResults(Protocol):
    """Anything that carries a results frame, such as reduced logs."""

    @property
    def results(self) -> pd.DataFrame:
        """The frame."""
        ...


@dataclass(frozen=True, slots=True)
class Receipt:
    """Outcome of an import."""

    new: int  #: rows written
    known: int  #: rows that the library held already with equal values
    file: str | None  #: name of the file written, or None where nothing was new


class Library:
    """A results library under a root folder.

    Each import is one immutable Parquet file named by the hash of its rows, so an import
    repeated changes nothing, two writers never meet, a killed writer leaves nothing
    visible, and any Parquet engine can read the rows. A correction is a new file that
    replaces named rows with a reason; what it replaced is kept.

    Parameters
    ----------
    root : str or path
        Local folder, created where absent, or the URL of a pyarrow file system. Behind
        a URL a write is as indivisible as that file system's move.
    """

    def __init__(self, root: str | os.PathLike[str]) -> None:
        self.root = os.fspath(root)
        self._folder = open_folder(self.root, "results")

    def __repr__(self) -> str:
        return f"Library({self.root!r})"

    def add(self, frame: pd.DataFrame | HasResults, source: str | None = None) -> Receipt:
        """Import rows; those already held with equal values are passed over.

        Values are equal if all columns but `source_file` and `source_sha256` are. A row
        that a correction has replaced since still counts as held.

        Parameters
        ----------
        frame : pandas.DataFrame, shape (n, columns)
            As for `check_results`, or an object with such a frame as `.results`.
        source : str, optional
            Where the rows came from, for the history.

        Returns
        -------
        Receipt
            Rows written and passed over.

        Raises
        ------
        InputError
            If the frame fails its check, contradicts rows of the library, or has other
            values for a run that the library holds.
        LibraryError
            If files of the library are damaged.
        """
        rows = _canonical(frame)
        keys = list(keys_of(rows))
        contents = self._contents("error", keys)
        faults = _contradictions(contents, rows, keys)
        if faults:
            raise InputError("The import contradicts the library:", faults)
        is_new = np.array([key not in contents.live for key in keys], dtype=bool)
        new = rows[is_new].reset_index(drop=True)
        _check_together(contents.effective, new)
        return self._write(make_stored(new, source=source), known=len(rows) - len(new))

    def supersede(self, frame: pd.DataFrame | HasResults, reason: str) -> Receipt:
        """Correct rows: write new values that replace those of the same run and sensor.

        Parameters
        ----------
        frame : pandas.DataFrame, shape (n, columns)
            The corrected rows, complete, as for `add`.
        reason : str
            Why; kept in the history.

        Returns
        -------
        Receipt
            Rows replaced, and rows that held these values already.

        Raises
        ------
        InputError
            If the reason is blank, a row is not in the library, the frame fails its
            check, or the corrected library would contradict itself.
        LibraryError
            If files of the library are damaged.
        """
        if not isinstance(reason, str) or not reason.strip():
            fix = "state in a few words why the rows change"
            fault = Fault("no reason", fix, column="reason")
            raise InputError("A correction needs a reason:", [fault])
        rows = _canonical(frame)
        keys = list(keys_of(rows))
        contents = assemble(self._stored("error"), keys)
        faults = [
            Fault(
                f"run '{key[1]}', sensor '{key[2]}' is not in the library",
                "add it; only rows that are held can be replaced",
                row=position,
            )
            for position, key in enumerate(keys)
            if key not in contents.live
        ]
        if faults:
            raise InputError("The correction names rows that do not exist:", faults)
        texts = row_texts(rows, without=PROVENANCE)
        changes = [
            [contents.texts[p] for p in contents.live[key]] != [text]
            for key, text in zip(keys, texts, strict=True)
        ]
        new = rows[np.array(changes, dtype=bool)].reset_index(drop=True)
        changed = {key for key, change in zip(keys, changes, strict=True) if change}
        held = contents.effective
        is_kept = np.array([key not in changed for key in keys_of(held)], dtype=bool)
        _check_together(held[is_kept], new)
        # Repeats of these rows must be superseded too, or they would take effect again.
        standing = {(key, contents.texts[p]) for key in changed for p in contents.live[key]}
        supersedes = sorted(
            (*contents.keys[position], contents.files[position])
            for position, text in contents.texts.items()
            if (contents.keys[position], text) in standing
        )
        stored = make_stored(new, reason=reason.strip(), supersedes=tuple(supersedes))
        return self._write(stored, known=len(rows) - len(new))

    def results(
        self, sensor: str | None = None, *, on_damage: OnDamage = "error", **equals: Any
    ) -> pd.DataFrame:
        """Return the rows in effect.

        Parameters
        ----------
        sensor : str, optional
            Keep the rows of this sensor.
        on_damage : {"error", "skip"}
            Whether damaged files and clashing rows are an error, or are left out with
            a `DamageWarning`.
        **equals
            Keep the rows whose column equals the value, or one of a list of values.

        Returns
        -------
        pandas.DataFrame, shape (n, columns)
            Canonical rows, sorted by lab, run and sensor.

        Raises
        ------
        InputError
            If a column is not known.
        LibraryError
            If files are damaged or rows clash; it names them all.
        """
        rows = self._contents(on_damage).effective
        wanted = equals if sensor is None else {"sensor": sensor, **equals}
        faults = [
            Fault("no such column", suggest(name, list(rows.columns)), column=name)
            for name in wanted
            if name not in rows
        ]
        if faults:
            raise InputError("The results cannot be filtered so:", faults)
        for name, value in wanted.items():
            values = list(value) if isinstance(value, (list, tuple, set, frozenset)) else [value]
            rows = rows[rows[name].isin(values)]
        return rows.sort_values(list(KEY), kind="stable", ignore_index=True)

    def history(self, *, on_damage: OnDamage = "error") -> pd.DataFrame:
        """Return every row ever stored, also those that were replaced.

        Parameters
        ----------
        on_damage : {"error", "skip"}
            As in `results`.

        Returns
        -------
        pandas.DataFrame, shape (n, 6 + columns)
            `in_effect`, `imported_at` [UTC], `source`, `reason`, `library_version` and
            `file` before the columns of the results, by time of import.

        Raises
        ------
        LibraryError
            If files are damaged.
        """
        stored = self._stored(on_damage)
        contents = assemble(stored)
        notes = [stored[file].note for file in contents.files]
        in_effect = {p for positions in contents.live.values() for p in positions}
        origins = pd.DataFrame(
            {
                "in_effect": pd.Series([p in in_effect for p in range(len(notes))], dtype="bool"),
                "imported_at": pd.Series(
                    pd.DatetimeIndex([n.imported_at for n in notes], dtype="datetime64[us, UTC]")
                ),
                "source": pd.Series([n.source for n in notes], dtype="string"),
                "reason": pd.Series([n.reason for n in notes], dtype="string"),
                "library_version": pd.Series([n.library_version for n in notes], dtype="string"),
                "file": pd.Series(list(contents.files), dtype="string"),
            }
        )
        whole = pd.concat([origins, contents.rows], axis=1)
        order = origins.sort_values(["imported_at", "file"], kind="stable").index
        return whole.loc[order].reset_index(drop=True)

    def verify(self) -> list[Damage]:
        """Hash every file again and name all that is damaged, missing or in conflict.

        Returns
        -------
        list of Damage
            Empty for a sound library.
        """
        stored, damages = self._read(check_whole)
        named = {(row[3], name) for name, part in stored.items() for row in part.note.supersedes}
        unread = {damage.file for damage in damages}
        damages += [
            Damage(
                file,
                f"missing: the correction {name} replaces rows of it",
                "restore it from a backup; the rows in effect are whole",
            )
            for file, name in sorted(named)
            if file not in stored and file not in unread
        ]
        return damages + assemble(stored).clashes

    def _read(self, reader: Any) -> tuple[dict[str, Stored], list[Damage]]:
        """Read every file, and collect what is damaged."""
        stored, damages = {}, []
        for name in self._folder.names():
            try:
                stored[name] = reader(name, self._folder.read(name))
            except DamagedFileError as error:
                damages.append(error.damage)
        return stored, damages

    def _stored(self, on_damage: OnDamage) -> dict[str, Stored]:
        """Read every file, as the caller wants damage treated."""
        if on_damage not in get_args(OnDamage):
            fix = "use 'error' or 'skip'"
            fault = Fault("no such choice", fix, column="on_damage", value=str(on_damage))
            raise InputError("Unknown way to treat damage:", [fault])
        stored, damages = self._read(decode)
        self._report(damages, on_damage)
        return stored

    def _contents(self, on_damage: OnDamage, compared: Sequence[RowKey] = ()) -> Contents:
        """Read and assemble the library, as the caller wants damage treated."""
        contents = assemble(self._stored(on_damage), compared)
        self._report(contents.clashes, on_damage)
        return contents

    def _report(self, damages: list[Damage], on_damage: OnDamage) -> None:
        """Raise or warn of damage."""
        if not damages:
            return
        lines = "\n".join(f"  - {damage}" for damage in damages)
        if on_damage == "error":
            raise LibraryError(
                f"The library {self.root} has damage (on_damage='skip' reads the rest):\n{lines}"
            )
        warnings.warn(DamageWarning(f"Left out as damaged:\n{lines}"), stacklevel=4)

    def _write(self, stored: Stored, known: int) -> Receipt:
        """Write a new file, unless there is nothing to write."""
        if stored.table.num_rows == 0:
            return Receipt(0, known, None)
        name = stored.note.file

        def check(data: bytes) -> None:
            try:
                check_whole(name, data)
            except DamagedFileError as error:
                raise LibraryError(
                    f"Nothing was imported, the file was not written whole: {error}"
                ) from None

        self._folder.publish(name, encode(stored), check)
        return Receipt(stored.table.num_rows, known, name)


def _canonical(frame: pd.DataFrame | HasResults) -> pd.DataFrame:
    """Return a frame, or that of an object with results, checked and in stored form."""
    rows: Any = frame if isinstance(frame, pd.DataFrame) else getattr(frame, "results", frame)
    return canonical_extras(check_results(rows))


def _contradictions(contents: Contents, rows: pd.DataFrame, keys: Sequence[RowKey]) -> list[Fault]:
    """Return a fault for each row whose key is held with values that it never had before."""
    ever = {(contents.keys[p], text) for p, text in contents.texts.items()}
    places = [p for p, key in enumerate(keys) if key in contents.live]
    texts = row_texts(rows.iloc[places], without=PROVENANCE)
    faults = []
    for position, text in zip(places, texts, strict=True):
        key = keys[position]
        if (key, text) in ever:
            continue
        held = contents.live[key][0]
        differences = describe_differences(
            contents.rows.iloc[held], contents.texts[held], rows.iloc[position], text
        )
        words = (
            f"run '{key[1]}', sensor '{key[2]}' is in the library with other values: "
            f"{differences} (library and import)"
        )
        faults.append(
            Fault(words, "if the import is right, use supersede(frame, reason)", row=position)
        )
    return faults


def _check_together(held: pd.DataFrame, new: pd.DataFrame) -> None:
    """Check the rules between rows that are held and new rows."""
    before = len(held)
    origin = Origin()
    faults = [
        origin.fault(finding._replace(position=finding.position - before))
        for finding in find_rule_faults(concat([held, new]))
        if finding.position is not None and finding.position >= before
    ]
    if faults:
        raise InputError("The rows contradict rows of the library:", faults)
