"""The results library: an append-only folder of immutable Parquet files."""

from __future__ import annotations

import hashlib
import os
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol, get_args

import numpy as np
import pandas as pd

from thermcmp.errors import Fault, InputError, LibraryError, ThermcmpWarning, suggest
from thermcmp.library.effective_rows import Contents, RowKey, assemble, describe_differences
from thermcmp.library.journal import Journal
from thermcmp.library.storage import open_folder
from thermcmp.library.store_file import (
    Damage,
    DamagedFileError,
    Stored,
    altered_note,
    check_whole,
    decode,
    encode,
    make_stored,
    missing,
)
from thermcmp.results.arrow import canonical_extras, concat
from thermcmp.results.fault_places import Origin
from thermcmp.results.hashing import PROVENANCE, keys_of, row_texts
from thermcmp.results.rules import find_rule_faults
from thermcmp.results.schema import KEY
from thermcmp.results.validation import check_results
from thermcmp.tabular.names import plain_name

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
    replaces named rows with a reason; what it replaced is kept. The rows are in `results/`
    below the root, and in `imports/` an entry for each file, by which a lost or altered
    file is noticed.

    Parameters
    ----------
    root : str or path
        Local folder, created by the first import, or the URL of a pyarrow file system.
        Behind a URL a write is as indivisible as that file system's move.

    Raises
    ------
    InputError
        If a URL names no file system, or is given as a path.
    """

    def __init__(self, root: str | os.PathLike[str]) -> None:
        self.root = os.fspath(root)
        self._folder = open_folder(root, "results")
        self._journal = Journal(root)

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
        whole = make_stored(rows, source=source)
        if whole.note.file in self._journal.names() - set(self._folder.names()):
            # A lost file, imported from its source again.
            return self._write(whole, known=0)
        keys = list(keys_of(rows))
        contents = self._contents("error", keys)
        ever = contents.ever
        met = [p for p, key in enumerate(keys) if key in ever]
        texts = dict(zip(met, row_texts(rows.iloc[met], without=PROVENANCE), strict=True))
        known = {p for p in met if texts[p] in ever[keys[p]]}
        # A key that is not in effect lost its correction: other values are as good as new.
        differing = [p for p in met if p not in known and keys[p] in contents.live]
        if differing:
            faults = [_contradiction(contents, rows, p, keys[p], texts[p]) for p in differing]
            raise InputError("The import contradicts the library:", faults)
        is_new = np.array([p not in known for p in range(len(rows))], dtype=bool)
        new = rows[is_new].reset_index(drop=True)
        _check_together(contents.effective, new)
        self._enter_all()
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
        contents = self._assembled(self._stored("error"), keys)
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
        self._enter_all()
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
            values = [plain_name(v) if isinstance(v, str) else v for v in values]
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
        contents = self._assembled(stored)
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
        """Hash every file again and name all that is damaged, lost or in conflict.

        That is: files that are altered, foreign, lost or left behind by a killed import,
        notes that are not those of the import, rows with two sets of values, and rows of
        different imports that contradict each other.

        Returns
        -------
        list of Damage
            Empty for a sound library.
        """
        stored, damages = self._read(self._check_entry)
        unread = {damage.file for damage in damages} | self._journal.names_set_aside()
        named = {(row[3], name) for name, part in stored.items() for row in part.note.supersedes}
        damages += [
            Damage(
                file,
                f"missing: the correction {name} replaces rows of it",
                "restore it from a backup; the rows in effect are whole",
            )
            for file, name in sorted(named)
            if file not in stored and file not in unread
        ]
        damages += [
            Damage(name, "left behind by an import that was killed", "repair() removes it")
            for name in self._folder.abandoned()
        ]
        contents = self._assembled(stored)
        faults = dict.fromkeys(
            (contents.effective_files[finding.position], f"{finding.message}: {finding.value}")
            for finding in find_rule_faults(contents.effective)
            if finding.position is not None
        )
        damages += [
            Damage(file, words, "supersede(frame, reason) with the rows that hold")
            for file, words in faults
        ]
        return damages + contents.clashes

    def repair(self) -> list[Damage]:
        """Set aside every file that cannot be trusted, so that the rest can be used.

        A damaged or foreign file is moved to `quarantine/` with a note of what was wrong,
        a lost one is noted there, and what a killed import left behind is removed. Rows
        that a lost correction had replaced stay out of effect, where its entry states
        them. Rows that clash are left: only `supersede` can settle them.

        Returns
        -------
        list of Damage
            What was set aside or removed; import its source again, or restore a backup.
        """
        _, damages = self._read(self._check_entry)
        for damage in damages:
            present = damage.file in self._folder.names()
            self._journal.set_aside(damage, self._folder.read(damage.file) if present else None)
            self._folder.remove(damage.file)
        self._enter_all()
        abandoned = self._folder.abandoned()
        for name in abandoned:
            self._folder.remove(name)
        return damages + [Damage(n, "left behind by a killed import", "none") for n in abandoned]

    def _check_entry(self, name: str, data: bytes) -> Stored:
        """Return a file's content if its bytes are those of its entry; hash its rows without one.

        Raises
        ------
        DamagedFileError
            If they are not.
        """
        entry = self._journal.entry(name)
        if entry is None:
            return check_whole(name, data)
        if entry.sha256 == hashlib.sha256(data).hexdigest():
            return decode(name, data)
        stored = check_whole(name, data)
        if stored.note == entry.note:
            # Other bytes of the same rows and note, as another program writes them.
            return stored
        raise altered_note(name)

    def _enter_all(self) -> None:
        """Write an entry for each file without one: a killed import's, or an older version's."""
        for name in sorted(set(self._folder.names()) - self._journal.names()):
            data = self._folder.read(name)
            self._journal.record(name, data, check_whole(name, data).note)

    def _read(self, reader: Any) -> tuple[dict[str, Stored], list[Damage]]:
        """Read every file, and collect what is damaged or lost."""
        stored, damages = {}, []
        # Entries first: each that is seen has its file by then.
        entered = self._journal.names()
        names = self._folder.names()
        for name in names:
            try:
                stored[name] = reader(name, self._folder.read(name))
            except DamagedFileError as error:
                damages.append(error.damage)
        return stored, damages + [missing(name) for name in sorted(entered - set(names))]

    def _assembled(self, stored: dict[str, Stored], compared: Sequence[RowKey] = ()) -> Contents:
        """Return the contents of the files, without rows that a lost correction replaced."""
        return assemble(stored, compared, self._journal.superseded_by_lost())

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
        contents = self._assembled(self._stored(on_damage), compared)
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

        data = encode(stored)
        self._folder.publish(name, data, check)
        self._journal.record(name, data, stored.note)
        return Receipt(stored.table.num_rows, known, name)


def _canonical(frame: pd.DataFrame | HasResults) -> pd.DataFrame:
    """Return a frame, or that of an object with results, checked and in stored form."""
    rows: Any = frame if isinstance(frame, pd.DataFrame) else getattr(frame, "results", frame)
    return canonical_extras(check_results(rows))


def _contradiction(
    contents: Contents, rows: pd.DataFrame, position: int, key: RowKey, text: str
) -> Fault:
    """Return the fault of a row whose key is held with values that it never had before."""
    held = contents.live[key][0]
    differences = describe_differences(
        contents.rows.iloc[held], contents.texts[held], rows.iloc[position], text
    )
    words = (
        f"run '{key[1]}', sensor '{key[2]}' is in the library with other values: "
        f"{differences} (library and import)"
    )
    return Fault(words, "if the import is right, use supersede(frame, reason)", row=position)


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
