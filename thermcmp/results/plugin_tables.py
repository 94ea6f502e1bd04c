"""Tables of results in formats that plug-ins read."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final, Protocol

import pandas as pd

from thermcmp.errors import Fault, ThermcmpError
from thermcmp.hooks import guarded, provided, versions_of
from thermcmp.tabular.beginnings import begins_with, faults_of_beginnings, first_bytes
from thermcmp.tabular.grid import Grid, read_grid

#: Endings of tables that the library reads; a plug-in takes those of them that begin as it states.
_OWN: Final = frozenset({".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".parquet", ".pq"})


class ResultsReader(Protocol):
    """Interface of a reader of tables of results; a plug-in may register some.

    Attributes
    ----------
    name : str
        Name for messages.
    suffixes : tuple of str
        Endings of file names it reads, in lower case with the dot.
    first_bytes : tuple of bytes, optional
        How such files begin, past a byte order mark; any file of the ending by default, but for
        the endings of tables that the library reads itself.
    """

    name: str
    suffixes: tuple[str, ...]

    def read(self, path: Path) -> pd.DataFrame:
        """Return the table under its own headings.

        Parameters
        ----------
        path : pathlib.Path
            The file.

        Returns
        -------
        pandas.DataFrame
            A row per row of the table; headings, units and cells are then understood and
            checked like those of any table.
        """
        ...


def grid_of_plugin(path: Path) -> tuple[Grid, dict[str, str]] | None:
    """Return the cells of a table that a plug-in reads, and its version; None where none does."""
    for entry in provided("thermcmp_results_readers"):
        reader = entry.item
        if path.name.lower().endswith(reader.suffixes) and begins_with(path, reader):
            frame = guarded(entry, reader.read, pd.DataFrame, (ThermcmpError, OSError))(path)
            grid = read_grid(frame, set())
            # The first row of a frame is row 1 of the table, as in a Parquet file.
            numbered = tuple((n + 1, row) for n, row in grid.rows)
            return replace(grid, file=path.name, rows=numbered), versions_of([(entry.hook, reader)])
    return None


def faults_of_results_readers(reader: ResultsReader) -> Iterator[Fault]:
    """Yield what is wrong with the endings and first bytes of a plug-in's reader."""
    yield from faults_of_beginnings(reader)
    if not first_bytes(reader) and (own := sorted(set(reader.suffixes) & _OWN)):
        fix = "state the first_bytes of your format"
        yield Fault("an ending of the library's own", fix, column="suffixes", value=own[0])
