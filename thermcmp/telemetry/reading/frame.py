"""Reading a log into a telemetry frame with canonical names, units and one clock."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from thermcmp.errors import Fault, InputError
from thermcmp.telemetry.quantities import BLOCK, DEVICE, THROTTLED
from thermcmp.telemetry.reading.clock import TIME_COLUMNS, Clock, localise
from thermcmp.telemetry.reading.notes import Notebook, unclear_times
from thermcmp.telemetry.reading.options import Column, Reading
from thermcmp.telemetry.reading.readers import (
    PluginReader,
    TelemetryReader,
    find_reader,
    require_file,
)
from thermcmp.telemetry.reading.time_parsing import seconds_since_1970


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """A log that was read, with the notes about it."""

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

    Delimiter, decimal mark, encoding, units in headings or cells, words for "no reading",
    repeated headings, a preamble, several devices, a cut last line and the form of the
    times are detected; a log that can be read in two ways is refused.

    Parameters
    ----------
    path : str or path-like
        The log: delimited text or Parquet.
    columns : mapping of str to str, int or re.Pattern, optional
        Canonical name to exact heading, position (from 0) or pattern; see `Reading`.
        By default every heading with a known unit is read.
    reader : str or TelemetryReader, optional
        Reader to use; by default chosen by the file's ending.
    **options
        Any other attribute of `Reading`: units, delimiter, decimal, encoding,
        header_line, missing, time_format, time_unit, zone, date, period_s, gap_s,
        one_device, skip_bad_times, skip_bad_lines, span_s, split_by.

    Returns
    -------
    pandas.DataFrame
        One row per reading: ``time_s`` (since the log's first reading) [s],
        ``recorded_at`` where the log has a date (UTC where the zone is known),
        ``device`` and ``block`` where there are such, ``segment`` (counts up at gaps and
        clock steps), the quantities, each with its unit in its name, and ``line``. What
        was left out or corrected is listed in ``frame.attrs["notes"]``.

    Raises
    ------
    InputError
        If the log is ambiguous, or cells or times are faulty; it lists every fault.
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
    """Read a log that is larger than memory in pieces.

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
        Pieces of the frame that `read_telemetry` returns, in order. Faults may still
        appear until the last piece.

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
    """Read a log, with the notes about it."""
    where = Path(path)
    book = Notebook(where.name)
    pieces = list(_pieces(where, reading, find_reader(where, reader), book))
    if not pieces:
        fix = "export the log again, or widen span_s"
        fault = Fault("no readings in the log", fix, where.name)
        raise InputError("This log cannot be used:", [fault])
    frame = pieces[0] if len(pieces) == 1 else pd.concat(pieces, ignore_index=True)
    return Record(frame, book.notes, where.name)


def _pieces(
    path: Path, reading: Reading, reader: TelemetryReader, book: Notebook
) -> Iterator[pd.DataFrame]:
    """Read a log, and place each piece on the clock of its device."""
    clocks: dict[str, Clock] = {}
    origin_s: float | None = None
    count = 0
    if not isinstance(reader, PluginReader):
        require_file(path)
    for chunk in reader.read(path, reading, book):
        if not len(chunk):
            continue
        if "line" not in chunk:
            chunk["line"] = np.arange(count + 1, count + len(chunk) + 1)
        raw_s, kind = _raw_seconds(chunk, reading, book, count)
        count += len(chunk)
        # Faulty times were reported, and refuse the log at its end.
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
    """Return the times as logged [s], and the column they were taken from."""
    if "recorded_at" in chunk:
        chunk["recorded_at"] = localise(chunk["recorded_at"], reading.zone, book.file)
    kind = next((name for name in TIME_COLUMNS if name in chunk), "")
    if not kind:
        if reading.period_s is None:
            fix = "give period_s="
            raise unclear_times("no time column was found", fix, book.file, column=None)
        return np.arange(count, count + len(chunk)) * reading.period_s, "period"
    if kind != "recorded_at":
        return chunk[kind].to_numpy(dtype=float), kind
    return seconds_since_1970(chunk["recorded_at"]), kind


def _placed(
    chunk: pd.DataFrame,
    raw_s: np.ndarray,
    kind: str,
    origin_s: float,
    clocks: dict[str, Clock],
    reading: Reading,
    book: Notebook,
) -> pd.DataFrame:
    """Return a piece in the columns of a telemetry frame, each device on its own clock."""
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
            time_s[rows], segment[rows] = clock(str(device)).place(
                raw_s[rows], lines[rows], origin_s
            )
    else:
        time_s, segment = clock("").place(raw_s, lines, origin_s)
    columns: dict[str, Any] = {"time_s": time_s}
    for name in ("recorded_at", DEVICE, BLOCK):
        if name in chunk:
            columns[name] = chunk[name].array
    columns["segment"] = segment
    for name in chunk.columns:
        if name not in (*TIME_COLUMNS, DEVICE, BLOCK, "line"):
            columns[name] = chunk[name].to_numpy()
    if THROTTLED in columns:
        columns[THROTTLED] = np.nan_to_num(columns[THROTTLED]) > 0.0
    columns["line"] = lines
    return pd.DataFrame(columns, copy=False)
