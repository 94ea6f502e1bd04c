"""Readers of log files, and the choice among them."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Final, Protocol, runtime_checkable

import pandas as pd

from thermcmp._files import what_it_is
from thermcmp.errors import Fault, InputError, ThermcmpError
from thermcmp.hooks import PluginItem, guarded_items, hookimpl, provided
from thermcmp.tabular.beginnings import begins_with, faults_of_beginnings, first_bytes
from thermcmp.telemetry.reading.notes import Notebook
from thermcmp.telemetry.reading.options import INVALID, Reading

_HOOK: Final = "thermcmp_readers"
#: Options that only the reader itself can obey.
_OF_TEXT: Final = ("delimiter", "decimal", "encoding", "header_line", "missing")
_LOG: Final = logging.getLogger("thermcmp.plugins")


@runtime_checkable
class TelemetryReader(Protocol):
    """Interface of a reader; a plug-in may register further ones.

    Attributes
    ----------
    name : str
        Name to select it by.
    suffixes : tuple of str
        Endings of file names it is chosen for, in lower case with the dot.
    first_bytes : tuple of bytes, optional
        How such files begin, past a byte order mark: a file that begins otherwise is not the
        reader's. A reader with a beginning goes before those that have the ending alone.
    options : tuple of str, optional
        Which of delimiter, decimal, encoding, header_line and missing `read` obeys; by default
        none, and stating one is refused. All other options are obeyed for it.
    """

    @property
    def name(self) -> str:
        """Name to select it by."""
        ...

    @property
    def suffixes(self) -> tuple[str, ...]:
        """Endings of file names it is chosen for."""
        ...

    def read(self, path: Path, reading: Reading, book: Notebook) -> Iterable[pd.DataFrame]:
        """Read a log in chunks.

        Parameters
        ----------
        path : pathlib.Path
            The file.
        reading : Reading
            What the user states.
        book : Notebook
            Collects notes and faults; any fault refuses the log.

        Returns
        -------
        iterable of pandas.DataFrame
            In the log's order, the same columns in each: canonical names such as
            ``memory_c``, or the log's headings with their units, which are then matched and
            converted (also by ``columns=`` and ``units=``); the time as ``recorded_at``
            (datetime64), ``elapsed_s`` or ``time_of_day_s`` [s] or under its heading; with
            ``line`` where line numbers are known. Ranges are checked as for any log.
        """
        ...


@dataclass(frozen=True, slots=True)
class PluginReader:
    """The reader of a plug-in, or one given by the user; an error in it names it."""

    reader: TelemetryReader
    provision: PluginItem

    @property
    def name(self) -> str:
        """Name to select it by."""
        return self.reader.name

    @property
    def suffixes(self) -> tuple[str, ...]:
        """Endings of file names it is chosen for."""
        return self.reader.suffixes

    @property
    def first_bytes(self) -> tuple[bytes, ...]:
        """How the files begin that it is chosen for."""
        return first_bytes(self.reader)

    def read(self, path: Path, reading: Reading, book: Notebook) -> Iterator[pd.DataFrame]:
        """Read a log in chunks; faults of the log and of the file pass as they are."""
        from thermcmp.telemetry.reading.parquet_reader import canonical_frames, sound_chunks

        obeyed = getattr(self.reader, "options", ())
        stated = [f.name for f in fields(reading) if getattr(reading, f.name) != f.default]
        fix = "leave it out, or convert the log"
        faults = [
            Fault(f"the reader '{self.name}' does not take this option", fix, path.name, None, name)
            for name in stated
            if name in _OF_TEXT and name not in obeyed
        ]
        if faults:
            raise InputError(INVALID, faults)
        if self.provision.version:
            book.note(f"read by '{self.name}' of {self.provision.owner}")

        def chunks() -> Iterator[pd.DataFrame]:
            yield from sound_chunks(iter(self.reader.read(path, reading, book)))

        passing = (ThermcmpError, OSError)
        sound = guarded_items(self.provision, chunks(), pd.DataFrame, passing)
        yield from canonical_frames(sound, reading, book)


@hookimpl
def thermcmp_readers() -> tuple[TelemetryReader, ...]:
    """Register the built-in readers: delimited text and Parquet."""
    from thermcmp.telemetry.reading.parquet_reader import ParquetReader
    from thermcmp.telemetry.reading.text_reader import DelimitedReader

    return (DelimitedReader(), ParquetReader())


def find_reader(path: Path, wanted: str | TelemetryReader | None) -> TelemetryReader:
    """Return the reader of a file, as stated or by the file's ending."""
    if isinstance(wanted, TelemetryReader):
        built_in = [type(each.item) for each in provided(_HOOK) if each.is_built_in]
        if isinstance(wanted, (PluginReader, *built_in)):
            return wanted
        return PluginReader(wanted, PluginItem(_HOOK, wanted.name, wanted, "reader="))
    readers = telemetry_readers()
    if wanted is None:
        return reader_of(path) or readers[0]
    for reader in readers:
        if reader.name == wanted:
            return reader
    if isinstance(wanted, str):
        message, fix = "no such reader", f"use one of {', '.join(r.name for r in readers)}"
    else:
        message, fix = "not a reader", "give a name, or an object with name, suffixes and read"
    value = wanted if isinstance(wanted, str) else type(wanted).__name__
    raise InputError(INVALID, [Fault(message, fix, column="reader", value=value)])


def reader_of(path: Path) -> TelemetryReader | None:
    """Return the reader that takes a file by its ending and its first bytes, or None.

    Of several, one that knows the first bytes goes first, then the order of registration decides.
    """
    name = path.name.lower()
    by_ending = [r for r in telemetry_readers() if name.endswith(tuple(r.suffixes))]
    begun = [r for r in by_ending if first_bytes(r) and begins_with(path, r)]
    plain = [r for r in by_ending if not first_bytes(r)]
    found = next(iter((*begun, *plain)), None)
    if len(begun) + len(plain) > 1:
        others = ", ".join(repr(r.name) for r in (*begun, *plain)[1:])
        _LOG.debug("%s: read by '%s', also claimed by %s", path.name, found and found.name, others)
    return found


def faults_of_readers(reader: TelemetryReader) -> Iterator[Fault]:
    """Yield what is wrong with the endings and first bytes of a plug-in's reader."""
    return faults_of_beginnings(reader)


def require_file(path: Path) -> None:
    """Refuse a folder, a pipe or a device: one of them may have no end."""
    if path.exists() and (kind := what_it_is(path)):
        fault = Fault(f"{kind}, not a file", "name a log", file=path.name)
        raise InputError("This log cannot be read:", [fault])


def telemetry_readers() -> tuple[TelemetryReader, ...]:
    """Return all readers of log files, built-ins first, in order of registration."""
    return tuple(
        each.item if each.is_built_in else PluginReader(each.item, each) for each in provided(_HOOK)
    )
