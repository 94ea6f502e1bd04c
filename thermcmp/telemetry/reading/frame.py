"""Reading a log into a telemetry frame: canonical names, units and one clock."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from thermcmp.errors import Fault, InputError
from thermcmp.telemetry.quantities import DEVICE, THROTTLED
from thermcmp.telemetry.reading.clock import TIME_COLUMNS, Clock, localise
from thermcmp.telemetry.reading.notes import Notebook
from thermcmp.telemetry.reading.options import Column, Reading
from thermcmp.telemetry.reading.readers import TelemetryReader, chunks, find_reader

_LEADING = ("time_s", "recorded_at", "device", "segment")


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """A log that was read.

    Attributes
    ----------
    frame : pandas.DataFrame
        The telemetry frame.
    notes : tuple of str
        What was left out, fixed or met while reading.
    file : str
        Name of the file.
    """

    frame: pd.DataFrame
    notes: tuple[str, ...]
    file: str


def read_telemetry(
    path: str | PathLike[str],
    columns: Mapping[str, Column] | None = None,
    reader: str | TelemetryReader | None = None,
    **options: Any,
) -> pd.DataFrame:
    """Read a per-second log into canonical names and units.

    Found without being told, or refused: delimiter, decimal mark, encoding, units in
    headings or cells, words for "no reading", headings that come again, a preamble,
    devices in one file, a cut last line, the form of the times.

    Parameters
    ----------
    path : str or path-like
        The log: delimited text or Parquet.
    columns : mapping of str to str, int or re.Pattern, optional
        Canonical name to exact heading, position (from 0) or pattern; see `Reading`.
        By default every heading with a known unit is read.
    reader : str or TelemetryReader, optional
        Reader to use; by the file's ending by default.
    **options
        Any other attribute of `Reading`: units, delimiter, decimal, encoding,
        header_line, missing, time_format, time_unit, zone, date, period_s, gap_s,
        one_device, span_s.

    Returns
    -------
    pandas.DataFrame
        One row per reading: ``time_s`` (since the log's first reading) [s],
        ``recorded_at`` where the log has a date (UTC where the zone is known),
        ``device`` where there is one, ``segment`` (counts up at gaps and clock steps),
        the quantities, each with its unit in its name, and ``line``. What was left out or
        fixed is listed in ``frame.attrs["notes"]``.

    Raises
    ------
    InputError
        If something has two readings, or cells or times are faulty; with every fault.
    """
    record = read_record(path, Reading.of(columns, options), reader)
    record.frame.attrs["notes"] = record.notes
    return record.frame


def stream_telemetry(
    path: str | PathLike[str],
    columns: Mapping[str, Column] | None = None,
    reader: str | TelemetryReader | None = None,
    **options: Any,
) -> Iterator[pd.DataFrame]:
    """Read a log that is larger than memory, piece by piece.

    Parameters
    ----------
    path : str or path-like
        The log.
    columns : mapping of str to str, int or re.Pattern, optional
        As for `read_telemetry`.
    reader : str or TelemetryReader, optional
        As for `read_telemetry`.
    **options
        As for `read_telemetry`.

    Yields
    ------
    pandas.DataFrame
        Pieces of the frame that `read_telemetry` returns, in order. The log is faultless
        only when the last piece has come.

    Raises
    ------
    InputError
        As for `read_telemetry`.
    """
    where = Path(path)
    book = Notebook(where.name)
    yield from _pieces(where, Reading.of(columns, options), find_reader(where, reader), book)


def read_record(
    path: str | PathLike[str], reading: Reading, reader: str | TelemetryReader | None = None
) -> Record:
    """Read a log with the notes about it."""
    where = Path(path)
    book = Notebook(where.name)
    pieces = list(_pieces(where, reading, find_reader(where, reader), book))
    if not pieces:
        raise InputError(
            "This log cannot be used:",
            [Fault("no readings in it", "export the log again, or widen span_s", where.name)],
        )
    frame = pieces[0] if len(pieces) == 1 else pd.concat(pieces, ignore_index=True)
    return Record(frame, book.notes, where.name)


def _pieces(
    path: Path, reading: Reading, reader: TelemetryReader, book: Notebook
) -> Iterator[pd.DataFrame]:
    """Read a log and put each piece on its clock."""
    clocks: dict[str, Clock] = {}
    origin_s: float | None = None
    count = 0
    for chunk in chunks(reader, path, reading, book):
        if "line" not in chunk:
            chunk["line"] = np.arange(count + 1, count + len(chunk) + 1)
        raw_s, kind = _raw_seconds(chunk, reading, book, count)
        count += len(chunk)
        # Faulty times are in the book and refuse the log at its end.
        known = ~np.isnan(raw_s)
        if not known.any():
            continue
        chunk, raw_s = (chunk, raw_s) if known.all() else (chunk[known], raw_s[known])
        origin_s = float(raw_s[0]) if origin_s is None else origin_s
        frame = _placed(chunk, raw_s, kind, origin_s, clocks, reading, book)
        if reading.span_s is not None:
            inside = frame["time_s"].between(*reading.span_s)
            frame = frame[inside].reset_index(drop=True)
        if len(frame):
            yield frame
    book.raise_faults()


def _raw_seconds(
    chunk: pd.DataFrame, reading: Reading, book: Notebook, count: int
) -> tuple[np.ndarray, str]:
    """Return the times as logged in seconds, and which column they are of."""
    if "recorded_at" in chunk:
        chunk["recorded_at"] = localise(chunk["recorded_at"], reading.zone, book.file)
    kind = next((name for name in TIME_COLUMNS if name in chunk), "")
    if not kind:
        period = reading.period_s
        if period is None:
            raise InputError(
                "The times of this log are not clear:",
                [Fault("no time column was found", "give period_s=", book.file)],
            )
        return (np.arange(count, count + len(chunk)) * period, "period")
    if kind != "recorded_at":
        return chunk[kind].to_numpy(dtype=float), kind
    times = chunk["recorded_at"]
    plain = times.dt.tz_localize(None) if times.dt.tz is not None else times
    micro = plain.astype("datetime64[us]").astype("int64").to_numpy() / 1e6
    return np.where(times.isna().to_numpy(), np.nan, micro), kind


def _placed(
    chunk: pd.DataFrame,
    raw_s: np.ndarray,
    kind: str,
    origin_s: float,
    clocks: dict[str, Clock],
    reading: Reading,
    book: Notebook,
) -> pd.DataFrame:
    """Put a piece on its clock, device by device."""
    zoned = "recorded_at" in chunk and chunk["recorded_at"].dt.tz is not None
    lines = chunk["line"].to_numpy(dtype=np.int64)

    def clock(device: str) -> Clock:
        local, of_day = kind == "recorded_at" and not zoned, kind == "time_of_day_s"
        return clocks.setdefault(device, Clock(reading, book, local, of_day))

    if DEVICE in chunk:
        time_s, segment = np.empty(len(chunk)), np.empty(len(chunk), dtype=np.int64)
        devices = chunk[DEVICE].to_numpy(dtype=object)
        for device in list(pd.unique(devices)):
            rows = np.flatnonzero(devices == device)
            placed = clock(str(device)).place(raw_s[rows], lines[rows], origin_s)
            time_s[rows], segment[rows] = placed
    else:
        time_s, segment = clock("").place(raw_s, lines, origin_s)
    columns: dict[str, Any] = {"time_s": time_s, "segment": segment}
    for name in chunk.columns:
        if name not in TIME_COLUMNS and name != "line":
            columns[name] = chunk[name].to_numpy() if name != DEVICE else chunk[name].array
    if THROTTLED in columns:
        columns[THROTTLED] = np.nan_to_num(columns[THROTTLED]) > 0.0
    if "recorded_at" in chunk:
        columns["recorded_at"] = chunk["recorded_at"].array
    columns["line"] = lines
    order = [name for name in _LEADING if name in columns]
    ordered = {name: columns[name] for name in [*order, *columns]}
    return pd.DataFrame(ordered, copy=False)
