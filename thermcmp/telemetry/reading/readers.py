"""Readers of log files, and the choice among them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol, runtime_checkable

import pandas as pd

from thermcmp._files import what_it_is
from thermcmp.errors import Fault, InputError, ThermcmpError
from thermcmp.hooks import PluginItem, guarded_items, hookimpl, provided
from thermcmp.telemetry.reading.notes import Notebook
from thermcmp.telemetry.reading.options import INVALID, Reading

_HOOK: Final = "thermcmp_readers"


@runtime_checkable
class TelemetryReader(Protocol):
    """Interface of a reader; a plug-in may register further ones.

    Attributes
    ----------
    name : str
        Name to select it by.
    suffixes : tuple of str
        Endings of file names it is chosen for, in lower case with the dot.
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
            In the log's order: canonical columns in canonical units, and the time as
            ``recorded_at`` (datetime64), ``elapsed_s`` or ``time_of_day_s`` [s]; with
            ``line`` where line numbers are known.
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

    def read(self, path: Path, reading: Reading, book: Notebook) -> Iterator[pd.DataFrame]:
        """Read a log in chunks; faults of the log and of the file pass as they are."""

        def chunks() -> Iterator[pd.DataFrame]:
            yield from self.reader.read(path, reading, book)

        passing = (ThermcmpError, OSError)
        return guarded_items(self.provision, chunks(), pd.DataFrame, passing)


@hookimpl
def thermcmp_readers() -> tuple[TelemetryReader, ...]:
    """Register the built-in readers: delimited text and Parquet."""
    from thermcmp.telemetry.reading.parquet_reader import ParquetReader
    from thermcmp.telemetry.reading.text_reader import DelimitedReader

    return (DelimitedReader(), ParquetReader())


def find_reader(path: Path, wanted: str | TelemetryReader | None) -> TelemetryReader:
    """Return the reader of a file, as stated or by the file's ending."""
    if isinstance(wanted, PluginReader):
        return wanted
    if isinstance(wanted, TelemetryReader):
        return PluginReader(wanted, PluginItem(_HOOK, wanted.name, wanted, "reader="))
    readers = telemetry_readers()
    if wanted is None:
        ending = path.suffix.lower()
        return next((reader for reader in readers if ending in reader.suffixes), readers[0])
    for reader in readers:
        if reader.name == wanted:
            return reader
    if isinstance(wanted, str):
        message, fix = "no such reader", f"use one of {', '.join(r.name for r in readers)}"
    else:
        message, fix = "not a reader", "give a name, or an object with name, suffixes and read"
    value = wanted if isinstance(wanted, str) else type(wanted).__name__
    raise InputError(INVALID, [Fault(message, fix, column="reader", value=value)])


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
