"""Simulated logs as text files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pandas as pd

from thermcmp.errors import Fault, InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class LogStyle:
    """Text format of a log.

    Attributes
    ----------
    delimiter, decimal : str
        Field delimiter and decimal mark.
    encoding : str
        Text encoding.
    units_below : bool
        Units in a second heading line instead of behind each heading.
    decimals : int, optional
        Decimals of all columns that are not integers; as many as needed if None.
    """

    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    units_below: bool = False
    decimals: int | None = 1


PLAIN: Final = LogStyle()


def log_bytes(
    frame: pd.DataFrame, headings: Mapping[str, tuple[str, str]], style: LogStyle = PLAIN
) -> bytes:
    """Return one run's log as text, with LF line ends.

    Parameters
    ----------
    frame : pandas.DataFrame, shape (seconds, columns)
        The record.
    headings : mapping of str to tuple of (str, str)
        Heading and unit by column, in the order of writing; the unit may be empty.
    style : LogStyle
        Text format.

    Returns
    -------
    bytes
        The file's content.

    Raises
    ------
    InputError
        If a column is missing, or the decimal mark is also the delimiter.
    """
    faults = [
        Fault("no such column", f"use some of {', '.join(frame.columns)}", column=name)
        for name in headings
        if name not in frame
    ]
    if style.delimiter == style.decimal:
        faults.append(Fault("decimal mark and delimiter are the same", "use another delimiter",
                            column="delimiter", value=style.delimiter))  # fmt: skip
    if faults:
        raise InputError("This log cannot be written:", faults)
    named = list(headings.values())
    if style.units_below:
        lines = [[heading for heading, _ in named], [unit for _, unit in named]]
    else:
        lines = [[f"{heading} [{unit}]" if unit else heading for heading, unit in named]]
    head = "".join(style.delimiter.join(line) + "\n" for line in lines)
    body = frame[list(headings)].to_csv(
        sep=style.delimiter,
        decimal=style.decimal,
        float_format=None if style.decimals is None else f"%.{style.decimals}f",
        header=False,
        index=False,
        lineterminator="\n",
    )
    return (head + body).encode(style.encoding)


def write_logs(
    frames: Mapping[str, pd.DataFrame], folder: Path, headings: Mapping[str, tuple[str, str]],
    styles: Mapping[str, LogStyle] | None = None,
) -> dict[str, Path]:  # fmt: skip
    """Write a log per run, named after the run.

    Parameters
    ----------
    frames : mapping of str to pandas.DataFrame
        Records by run.
    folder : pathlib.Path
        Target folder; created if missing.
    headings : mapping of str to tuple of (str, str)
        Heading and unit by column.
    styles : mapping of str to LogStyle, optional
        Style of single runs; `LogStyle()` for the others.

    Returns
    -------
    dict of str to pathlib.Path
        The file of each run.

    Raises
    ------
    InputError
        As `log_bytes`.
    """
    written = {
        run: log_bytes(frame, headings, (styles or {}).get(run, PLAIN))
        for run, frame in frames.items()
    }
    folder.mkdir(parents=True, exist_ok=True)
    paths = {run: folder / f"{run}.csv" for run in written}
    for run, content in written.items():
        paths[run].write_bytes(content)
    return paths
