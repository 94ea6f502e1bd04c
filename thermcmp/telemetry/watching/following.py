"""The sources of a watch: a file that grows, or pieces that arrive."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from thermcmp.errors import Fault, InputError
from thermcmp.telemetry.reading.frame import read_record
from thermcmp.telemetry.reading.options import Reading
from thermcmp.telemetry.reading.readers import TelemetryReader

_TITLE = "This log cannot be watched:"


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A log up to now: its readings, or why there are none."""

    frame: pd.DataFrame | None
    trouble: str = ""  #: why the log cannot be read as it is now
    ended: str = ""  #: why nothing follows
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How a file is followed."""

    every_s: float  #: time of the log between two looks [s]
    poll_s: float  #: wait before the file is looked at again [s]
    timeout_s: float  #: longest wait without a new reading [s]
    sleep: Callable[[float], None]


def follow_file(
    path: Path, reading: Reading, reader: str | TelemetryReader | None, pace: Pace
) -> Iterator[Seen]:
    """Yield a file's readings at each step of log time, until nothing new comes.

    The file is read as a whole each time it has changed. So a log that is rotated, cut short
    or written anew is read as it is then, and by the same rules as a finished one.
    """
    state, size, newest_s, due_s, waited_s = None, -1, float("-inf"), float("-inf"), 0.0
    frame, trouble = None, ""
    notes: tuple[str, ...] = ()
    while True:
        changed = False
        try:
            stat = path.stat()
        except FileNotFoundError:
            stat = None
        if stat is not None and (stat.st_size, stat.st_mtime_ns, stat.st_ino) != state:
            shrunk = stat.st_size < size
            state, size = (stat.st_size, stat.st_mtime_ns, stat.st_ino), stat.st_size
            frame, problem = _read(path, reading, reader)
            if frame is None and problem != trouble:
                yield Seen(None, problem, notes=notes)
            trouble = problem
            last_s = newest_s if frame is None else float(frame["time_s"].iloc[-1])
            if shrunk or last_s < newest_s:
                newest_s = due_s = float("-inf")
                notes = ("the file was begun anew: what it held before is not counted",)
            changed = last_s > newest_s
            newest_s = max(last_s, newest_s)
        if changed:
            waited_s = 0.0
        if changed and frame is not None and newest_s >= due_s:
            due_s = newest_s + pace.every_s
            yield Seen(frame, notes=notes)
        if waited_s >= pace.timeout_s:
            break
        pace.sleep(pace.poll_s)
        waited_s += pace.poll_s
    if state is None:
        fix = "start the logger, check the path, or give a longer timeout_s"
        fault = Fault(f"no such file after {waited_s:.0f} s", fix, file=path.name)
        raise InputError(_TITLE, [fault])
    yield Seen(frame, trouble, f"no new reading for {waited_s:.0f} s", notes)


def _read(
    path: Path, reading: Reading, reader: str | TelemetryReader | None
) -> tuple[pd.DataFrame | None, str]:
    """Return the readings of a file that may have just begun, or why there are none."""
    try:
        frame = read_record(path, reading, reader).frame
    except InputError as error:
        return None, "; ".join(f"{f.message}. Fix: {f.fix}" for f in error.faults[:3])
    except OSError as error:
        # Between its removal and its new beginning, or while its writer holds it.
        return None, f"the file cannot be opened: {error.strerror}"
    if len(frame) < 2:
        return None, "fewer than two readings"
    return frame, ""


def follow_pieces(
    pieces: Iterable[pd.DataFrame | Mapping[str, Any]], every_s: float
) -> Iterator[Seen]:
    """Yield the readings of all pieces so far at each step of log time, until they end."""
    held: list[pd.DataFrame] = []
    frame, newest_s, due_s, shown = None, float("-inf"), float("-inf"), True
    for number, piece in enumerate(pieces, 1):
        part = pd.DataFrame([piece]) if isinstance(piece, Mapping) else piece
        if not isinstance(part, pd.DataFrame) or "time_s" not in part:
            fix = "give frames as of read_telemetry, or mappings with time_s"
            fault = Fault("no telemetry with 'time_s'", fix, row=number, value=type(piece).__name__)
            raise InputError(_TITLE, [fault])
        if not len(part):
            continue
        if float(part["time_s"].iloc[0]) < newest_s:
            fix = "give pieces in the order of time"
            value = f"{part['time_s'].iloc[0]:g}"
            fault = Fault("the time falls", fix, row=number, column="time_s", value=value)
            raise InputError(_TITLE, [fault])
        held.append(part)
        newest_s, shown = float(part["time_s"].iloc[-1]), False
        if newest_s >= due_s and sum(map(len, held)) >= 2:
            due_s, shown = newest_s + every_s, True
            frame = pd.concat(held, ignore_index=True)
            held = [frame]
            yield Seen(frame)
    if not shown and sum(map(len, held)) >= 2:
        frame = pd.concat(held, ignore_index=True)
    yield Seen(frame, "" if frame is not None else "fewer than two readings", "the readings end")
