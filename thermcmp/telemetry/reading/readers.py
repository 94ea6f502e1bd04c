"""Readers of log files, and how one is chosen."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Protocol, runtime_checkable

import pandas as pd

from thermcmp.errors import Fault, InputError
from thermcmp.hooks import hookimpl, provided
from thermcmp.telemetry.reading.notes import Notebook
from thermcmp.telemetry.reading.options import Reading


@runtime_checkable
class TelemetryReader(Protocol):
    """What a reader is; plug-ins may bring their own.

    Attributes
    ----------
    name : str
        Name by which a script asks for it.
    suffixes : tuple of str
        Endings of file names that it reads unasked, in lower case with the dot.
    """

    @property
    def name(self) -> str:
        """Name by which a script asks for it."""
        ...

    @property
    def suffixes(self) -> tuple[str, ...]:
        """Endings of file names that it reads unasked."""
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
            Where notes and faults go; faults that are left in it refuse the log.

        Returns
        -------
        iterable of pandas.DataFrame
            In the log's order: canonical columns in canonical units, and the time as
            ``recorded_at`` (datetime64), ``elapsed_s`` or ``time_of_day_s`` [s]; with
            ``line`` where lines are known.
        """
        ...


@hookimpl
def thermcmp_readers() -> tuple[TelemetryReader, ...]:
    """Register the built-in readers: delimited text and Parquet."""
    from thermcmp.telemetry.reading.parquet_reader import ParquetReader
    from thermcmp.telemetry.reading.text_reader import DelimitedReader

    return (DelimitedReader(), ParquetReader())


def find_reader(path: Path, wanted: str | TelemetryReader | None) -> TelemetryReader:
    """Choose the reader of a file."""
    if wanted is not None and not isinstance(wanted, str):
        if isinstance(wanted, TelemetryReader):
            return wanted
        raise InputError(
            "A log cannot be read as stated:",
            [
                Fault(
                    "this is no reader",
                    "give a name, or an object with name, suffixes and read",
                    column="reader",
                    value=type(wanted).__name__,
                )
            ],
        )
    readers = telemetry_readers()
    if wanted is not None:
        for reader in readers:
            if reader.name == wanted:
                return reader
        raise InputError(
            "A log cannot be read as stated:",
            [
                Fault(
                    "no reader of this name",
                    f"use one of {', '.join(r.name for r in readers)}",
                    column="reader",
                    value=wanted,
                )
            ],
        )
    by_ending = [reader for reader in readers if path.suffix.lower() in reader.suffixes]
    return by_ending[0] if by_ending else readers[0]


def chunks(
    reader: TelemetryReader, path: Path, reading: Reading, book: Notebook
) -> Iterator[pd.DataFrame]:
    """Yield a reader's chunks that hold readings."""
    for chunk in reader.read(path, reading, book):
        if len(chunk):
            yield chunk


def telemetry_readers() -> tuple[TelemetryReader, ...]:
    """Return all readers of log files, built-ins first, in order of registration."""
    return tuple(reader.item for reader in provided("thermcmp_readers"))
