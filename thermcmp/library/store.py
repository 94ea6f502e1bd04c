"""The results library: an append-only folder of immutable Parquet files."""

from __future__ import annotations

import contextlib
import os
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial, wraps
from html import escape
from typing import Any, Literal, ParamSpec, Protocol, TypeVar, get_args

import numpy as np
import pandas as pd

from thermcmp.errors import Fault, InputError, LibraryError, ThermcmpWarning, suggest
from thermcmp.library.compaction import compact
from thermcmp.library.effective_rows import Contents, describe_differences, key_words
from thermcmp.library.filtering import refuse_near_names
from thermcmp.library.index import Index, Segment, make_segment
from thermcmp.library.journal import Journal
from thermcmp.library.storage import NoPlainFileError, open_folder
from thermcmp.library.store_file import (
    Damage,
    DamagedFileError,
    Note,
    Stored,
    check_whole,
    encode,
    make_stored,
    notes_in,
)
from thermcmp.library.verification import find_damages, lost_with_entry
from thermcmp.library.view import CompactedError, View
from thermcmp.library.writer_lock import WriterLock
from thermcmp.results.arrow import canonical_extras, concat
from thermcmp.results.fault_places import Origin
from thermcmp.results.hashing import PROVENANCE
from thermcmp.results.row_hashes import Hashed, Hashes, key_hashes, mixed, row_hashes
from thermcmp.results.rules import find_rule_faults
from thermcmp.results.schema import BY_NAME, KEY
from thermcmp.results.validation import check_results, without_bad_rows
from thermcmp.tabular.names import plain_name

P = ParamSpec("P")
T = TypeVar("T")
OnDamage = Literal["error", "skip"]


class DamageWarning(ThermcmpWarning):
    """Damaged files or clashing rows were left out because of on_damage='skip'."""


def _begun_again(call: Callable[P, T]) -> Callable[P, T]:
    """Begin a call again where files that it was about to read were compacted meanwhile."""

    @wraps(call)
    def begun(*args: P.args, **given: P.kwargs) -> T:
        while True:
            # A compaction takes much longer than a call, so few are met.
            with contextlib.suppress(CompactedError):
                return call(*args, **given)

    return begun


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
    #: What is wrong with the rows that were left out by ``bad_rows="skip"``.
    skipped: tuple[Fault, ...] = ()


class Library:
    """A results library under a root folder.

    Each import is one immutable Parquet file named by the hash of its rows, so an import
    repeated changes nothing, two writers never meet, a killed writer leaves nothing
    visible, and any Parquet engine can read the rows. A correction is a new file that
    replaces named rows with a reason; what it replaced is kept. The rows are in `results/`
    below the root, and in `imports/` an entry for each file, by which a lost or altered
    file is noticed. `index/` says which files hold what; it is made from the others, and
    may be deleted.

    Parameters
    ----------
    root : str or path
        Local folder, created by the first import, or the URL of a pyarrow file system.
        Behind a URL a write is as indivisible as that file system's move, and one process
        writes at a time: another one waits 20 seconds for it.

    Raises
    ------
    InputError
        If a URL names no file system, or is given as a path.
    """

    def __init__(self, root: str | os.PathLike[str]) -> None:
        self.root = os.fspath(root)
        self._folder = open_folder(root, "results")
        self._journal = Journal(root)
        self._index = Index(root)
        self._lock = WriterLock(root)

    def __repr__(self) -> str:
        return f"Library({self.root!r})"

    def _repr_html_(self) -> str:
        view = self._view()
        rows = view.contents().effective
        sensors = rows.groupby("sensor", observed=True)
        table = sensors[["run", "product", "assembly", "session"]].nunique().reset_index()
        table.columns = pd.Index(["Sensor", "Runs", "Products", "Assemblies", "Sessions"])
        damage = f", {len(view.damages)} of them damaged" if view.damages else ""
        return (
            f"<p><strong>Library</strong> {escape(self.root)}: {len(rows)} rows in "
            f"{len(view.names)} files{damage}</p>{table.to_html(index=False, border=0)}"
        )

    @_begun_again
    def add(
        self,
        frame: pd.DataFrame | HasResults,
        source: str | None = None,
        *,
        bad_rows: Literal["refuse", "skip"] = "refuse",
    ) -> Receipt:
        """Import rows; those already held with equal values are passed over.

        Values are equal if all columns but `source_file` and `source_sha256` are. A row
        that a correction has replaced since still counts as held.

        Parameters
        ----------
        frame : pandas.DataFrame, shape (n, columns)
            As for `check_results`, or an object with such a frame as `.results`.
        source : str, optional
            Where the rows came from, for the history.
        bad_rows : {"refuse", "skip"}
            Whether a row that is wrong by itself, such as one with sensor and ambient swapped,
            refuses the import or is left out and listed. Rows that contradict each other or
            the library always refuse it.

        Returns
        -------
        Receipt
            Rows written, passed over and left out.

        Raises
        ------
        InputError
            If the frame fails its check, contradicts rows of the library, or has other
            values for a run that the library holds.
        LibraryError
            If files of the library are damaged, or, behind a URL, another process writes.
        """
        if bad_rows not in ("refuse", "skip"):
            fault = Fault("unknown choice", "use 'refuse' or 'skip'", column="bad_rows",
                          value=str(bad_rows))  # fmt: skip
            raise InputError("The import is not clear:", [fault])
        if bad_rows == "skip":
            sound, skipped = without_bad_rows(_frame_of(frame))
            return replace(self.add(sound, source), skipped=skipped)
        rows = _canonical(frame)
        with self._writing() as view:
            # What the checks need of the rows is gone before they are written.
            return self._write(view, *self._new_of(view, rows, source))

    def _new_of(
        self, view: View, rows: pd.DataFrame, source: str | None
    ) -> tuple[Stored, Segment, int]:
        """Return what is new in rows and its index, and how many are known, after all checks."""
        columns = Hashed(rows)
        keys, values = key_hashes(columns), row_hashes(columns, without=PROVENANCE)
        if view.lost:
            whole = make_stored(rows, source=source)
            if whole.note.file in view.lost:
                # A lost file, imported from its source again.
                return whole, _segment(whole, columns, values), 0
        contents = view.contents_of(keys)
        self._report(view.damages, "error")
        known = np.isin(mixed(keys, values), mixed(contents.keys, contents.values))
        # A key that is not in effect lost its correction: other values are as good as new.
        differing = ~known & np.isin(keys, contents.keys[contents.standing])
        if differing.any():
            faults = [_contradiction(contents, rows, p) for p in np.flatnonzero(differing).tolist()]
            raise InputError("The import contradicts the library:", faults)
        new = Hashed(rows[~known].reset_index(drop=True)) if known.any() else columns
        _check_together(view.beside(new).effective, new.frame)
        self._report(view.damages, "error")
        stored = make_stored(new.frame, source=source)
        return stored, _segment(stored, new, values[~known]), int(known.sum())

    @_begun_again
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
        with self._writing() as view:
            return self._supersede(view, rows, reason.strip())

    def _supersede(self, view: View, rows: pd.DataFrame, reason: str) -> Receipt:
        """Correct rows, after all checks."""
        keys, values = key_hashes(rows), row_hashes(rows, without=PROVENANCE)
        contents = view.contents_of(keys)
        self._report(view.damages, "error")
        standing: dict[int, set[int]] = {key: set() for key in keys.tolist()}
        for position in np.flatnonzero(contents.standing & np.isin(contents.keys, keys)).tolist():
            standing[int(contents.keys[position])].add(int(contents.values[position]))
        faults = [
            Fault(
                f"{key_words(rows.iloc[position])} is not in the library",
                "add it; only rows that are held can be replaced",
                row=position,
            )
            for position, key in enumerate(keys.tolist())
            if not standing[key]
        ]
        if faults:
            raise InputError("The correction names rows that do not exist:", faults)
        pairs = zip(keys.tolist(), values.tolist(), strict=True)
        changes = np.array([standing[key] != {value} for key, value in pairs], dtype=bool)
        new = rows[changes].reset_index(drop=True)
        held = view.beside(new)
        self._report(view.damages, "error")
        _check_together(held.rows[held.in_effect & ~np.isin(held.keys, keys[changes])], new)
        replaced = contents.replaced_by(keys[changes])
        stored = make_stored(new, reason=reason, supersedes=replaced)
        segment = _segment(stored, new, values[changes])
        return self._write(view, stored, segment, known=len(rows) - len(new))

    @_begun_again
    def results(
        self,
        sensor: str | None = None,
        *,
        columns: Sequence[str] | None = None,
        on_damage: OnDamage = "error",
        **equals: Any,
    ) -> pd.DataFrame:
        """Return the rows in effect.

        Parameters
        ----------
        sensor : str, optional
            Keep the rows of this sensor.
        columns : sequence of str, optional
            Read these columns only, in this order; all by default.
        on_damage : {"error", "skip"}
            Whether damaged files and clashing rows are an error, or are left out with
            a `DamageWarning`.
        **equals
            Keep the rows whose column equals the value, or one of a list of values. Of
            columns of text only the files that hold the value are read.

        Returns
        -------
        pandas.DataFrame, shape (n, columns)
            Canonical rows, sorted by lab, run and sensor.

        Raises
        ------
        InputError
            If a column is not known, or no row has a value and a held one is near it.
        LibraryError
            If files are damaged or rows clash; it names them all.
        """
        self._check_choice(on_damage)
        wanted = {
            name: [plain_name(v) if isinstance(v, str) else v for v in _listed(value)]
            for name, value in (equals if sensor is None else {"sensor": sensor, **equals}).items()
        }
        view = self._view()
        looked_at = None if columns is None else list(dict.fromkeys([*KEY, *wanted, *columns]))
        contents = view.matching(wanted, looked_at) if wanted else view.contents(looked_at)
        self._report(view.damages + view.clashes(contents), on_damage)
        rows = contents.effective
        faults = [
            Fault("no such column", suggest(name, [*BY_NAME, *rows.columns]), column=name)
            for name in looked_at or wanted
            if name not in rows
        ]
        if faults:
            raise InputError("The results cannot be filtered so:", faults)
        for name, values in wanted.items():
            rows = rows[rows[name].isin(values)]
        if rows.empty and wanted:
            refuse_near_names(view.contents().effective, wanted)
        rows = rows.sort_values(list(KEY), kind="stable", ignore_index=True)
        return rows if columns is None else rows[list(columns)]

    @_begun_again
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
        self._check_choice(on_damage)
        view = self._view()
        contents = view.contents()
        self._report(view.damages, on_damage)
        notes = [contents.notes[place] for place in contents.file_of.tolist()]
        origins = pd.DataFrame(
            {
                "in_effect": pd.Series(contents.standing),
                "imported_at": pd.Series(
                    pd.DatetimeIndex([n.imported_at for n in notes], dtype="datetime64[us, UTC]")
                ),
                "source": pd.Series([n.source for n in notes], dtype="string"),
                "reason": pd.Series([n.reason for n in notes], dtype="string"),
                "library_version": pd.Series([n.library_version for n in notes], dtype="string"),
                "file": pd.Series(contents.files, dtype="string"),
            }
        )
        whole = pd.concat([origins, contents.rows], axis=1)
        order = origins.sort_values(["imported_at", "file"], kind="stable").index
        return whole.loc[order].reset_index(drop=True)

    @_begun_again
    def verify(self, *, part: tuple[int, int] | None = None) -> list[Damage]:
        """Hash every file again and name all that is damaged, lost or in conflict.

        That is: files that are altered, foreign, lost or left behind by a killed import,
        notes that are not those of the import, rows with two sets of values, and rows of
        different imports that contradict each other.

        Parameters
        ----------
        part : (int, int), optional
            Only a part: (3, 10) is the third of ten. The parts may be verified on different
            days, in any order; each file and each pair of rows belongs to one of them.

        Returns
        -------
        list of Damage
            Empty for a sound library.

        Raises
        ------
        InputError
            If there is no such part.
        """
        number, of = (1, 1) if part is None else part
        if not 1 <= number <= of:
            fix = "give the number of the part and how many there are: (3, 10) is the third of ten"
            fault = Fault("no such part", fix, column="part", value=str(part))
            raise InputError("The library cannot be verified so:", [fault])
        view = View(self._folder, self._journal, self._index, is_index_checked=True)
        return find_damages(view, self._folder, self._journal, (number, of))

    @_begun_again
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
        with self._writing() as view:
            return self._repair(view)

    def _repair(self, view: View) -> list[Damage]:
        """Set aside every file that cannot be trusted."""
        view.check(view.names)
        present = set(self._folder.names())
        lost = lost_with_entry(view, self._folder, self._journal, (1, 1))
        damages = [*lost, *view.damages]
        for damage in damages:
            try:
                data = self._folder.read(damage.file) if damage.file in present else None
            except (NoPlainFileError, FileNotFoundError):
                # A pipe or a broken link has no bytes to keep.
                data = None
            except OSError:
                # Its bytes may be whole: whoever may read them can tell.
                continue
            self._journal.set_aside(damage, data)
            self._folder.remove(damage.file)
        self._enter(view)
        self._journal.relink()
        abandoned = self._folder.abandoned()
        for name in abandoned:
            self._folder.remove(name)
        return [
            *damages,
            *(Damage(name, "left behind by a killed import", "none") for name in abandoned),
            *(Damage(n, "altered: a part of the index", "none") for n in self._index.repair()),
        ]

    @_begun_again
    def compact(self, *, rows: int = 500_000) -> list[str]:
        """Put small files together, which makes a library of many imports quicker to read.

        No row and no note changes: `history` is the same before and after. The files that are
        put together are removed when the larger one has reached the disk; a kill at any moment
        loses and doubles nothing. Others may read and import meanwhile.

        Parameters
        ----------
        rows : int
            Rows of a file up to which others are put to it; files of more than half of them
            stay as they are.

        Returns
        -------
        list of str
            Names of the files written, of imports of one product where possible.

        Raises
        ------
        LibraryError
            If files of the library are damaged.
        """
        with self._writing() as view:
            view.check(view.names)
            self._report(view.damages, "error")
            self._enter(view)
            return compact(
                view, self._folder, self._journal, self._index, rows=rows, check=_check_written
            )

    @contextlib.contextmanager
    def _writing(self) -> Iterator[View]:
        """Return the view of a call that writes; behind a URL it is the only one."""
        with self._lock.held() as renew:
            yield View(self._folder, self._journal, self._index, renew=renew)

    def _view(self) -> View:
        return View(self._folder, self._journal, self._index)

    def _enter(self, view: View) -> None:
        """Write an entry for each file without one: a killed import's, or an older version's."""
        damaged = {damage.file for damage in view.damages}
        for name in view.without_entry:
            if name not in damaged:
                self._record(name, check_whole)

    def _record(self, name: str, notes_of: Callable[[str, bytes], tuple[Note, ...]]) -> None:
        """Write the entry of a file, unless a compaction takes the file at this moment."""
        try:
            data = self._folder.read(name)
            self._journal.record(name, data, notes_of(name, data))
            self._folder.open(name).close()
        except FileNotFoundError:
            self._journal.forget(name)

    def _check_choice(self, on_damage: OnDamage) -> None:
        if on_damage not in get_args(OnDamage):
            fix = "use 'error' or 'skip'"
            fault = Fault("no such choice", fix, column="on_damage", value=str(on_damage))
            raise InputError("Unknown way to treat damage:", [fault])

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

    def _write(self, view: View, stored: Stored, segment: Segment, known: int) -> Receipt:
        """Write a new file of rows, unless there is nothing to write."""
        if stored.table.num_rows == 0:
            return Receipt(0, known, None)
        name = stored.note.file
        self._enter(view)
        data = encode(stored)
        view.renew()
        self._folder.publish(name, data, partial(_check_written, name), keeps_first=True)
        # Another process may have imported the same rows at this moment, with a note of its own.
        self._record(name, notes_in)
        self._index.extend([*view.segments, segment])
        return Receipt(stored.table.num_rows, known, name)


def _segment(stored: Stored, rows: pd.DataFrame | Hashed, values: Hashes) -> Segment:
    """Return the index of the rows of an import."""
    return make_segment((stored.note.file,), rows, np.zeros(len(values), np.int64), values)


def _check_written(name: str, data: bytes) -> None:
    """Check a file that was written and read back before it is put in place."""
    try:
        check_whole(name, data)
    except DamagedFileError as error:
        raise LibraryError(
            f"Nothing was imported, the file was not written whole: {error}"
        ) from None


def _canonical(frame: pd.DataFrame | HasResults) -> pd.DataFrame:
    """Return a frame, or that of an object with results, checked and in stored form."""
    return canonical_extras(check_results(_frame_of(frame)))


def _frame_of(frame: Any) -> Any:
    """Return a frame, or that of an object with results; refuse logs that were all refused."""
    if isinstance(frame, pd.DataFrame):
        return frame
    results: Any = getattr(frame, "results", frame)
    refused: Any = getattr(frame, "refused", ())
    if len(refused) and not len(results):
        from thermcmp.telemetry.campaign.worker import all_refused

        raise all_refused(refused)
    return results


def _listed(value: Any) -> list[Any]:
    return list(value) if isinstance(value, (list, tuple, set, frozenset)) else [value]


def _contradiction(contents: Contents, rows: pd.DataFrame, position: int) -> Fault:
    """Return the fault of a row whose key is held with values that it never had before."""
    row = rows.iloc[[position]]
    held = np.flatnonzero(contents.standing & (contents.keys == key_hashes(row)[0]))[0]
    differences = describe_differences(contents.rows.iloc[[held]], row)
    words = (
        f"{key_words(rows.iloc[position])} is in the library with other values: "
        f"{differences} (library and import)"
    )
    return Fault(words, "if the import is right, use supersede(frame, reason)", row=position)


def _check_together(held: pd.DataFrame, new: pd.DataFrame) -> None:
    """Check the rules between rows that are held and new rows."""
    before = len(held)
    if not before:
        # The new rows were checked by themselves.
        return
    origin = Origin()
    faults = [
        origin.fault(finding._replace(position=finding.position - before))
        for finding in find_rule_faults(concat([held, new]))
        if finding.position is not None and finding.position >= before
    ]
    if faults:
        raise InputError("The rows contradict rows of the library:", faults)
