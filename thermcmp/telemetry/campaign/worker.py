"""The reduction of one log and its runs by a worker."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from thermcmp.errors import Fault, InputError, ThermcmpError, shown_name
from thermcmp.hooks import guests
from thermcmp.telemetry.campaign.blocks import split_log
from thermcmp.telemetry.campaign.run_sheet import InstrumentLog, Run
from thermcmp.telemetry.instruments.logs import Joining, with_instrument
from thermcmp.telemetry.quantities import DEVICE
from thermcmp.telemetry.reading.frame import Record, read_record
from thermcmp.telemetry.reading.options import Reading
from thermcmp.telemetry.reading.readers import TelemetryReader, require_file
from thermcmp.telemetry.steady_state.protocol import Protocol
from thermcmp.telemetry.steady_state.reduction import Reduction, reason_of
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry
from thermcmp.telemetry.steady_state.sensor_rise import CREEP

if TYPE_CHECKING:
    import pandas as pd

REFUSED_COLUMNS: Final = ("file", "run", "sensor", "reason", "second")
#: Hooks of the plug-ins that may have a part in the reduction of a log.
HOOKS: Final = ("thermcmp_readers", "thermcmp_run_checks")
_LACKING: Final = (
    "the worker process lacks these plug-ins: {}. Fix: install them as packages, call use_plugin "
    "where workers start too, outside `if __name__ == '__main__'`, or leave executor= out"
)
NOT_FOUND: Final = "not found, or several files have this name"


@dataclass(frozen=True, slots=True)
class Task:
    """One log and its runs: all that a worker needs."""

    path: str | None
    runs: tuple[Run, ...]
    reading: Reading
    reader: str | TelemetryReader | None
    protocol: Protocol
    instruments: Mapping[str, Joining]
    #: Path of each further instrument's log by its name in the run sheet; None if not found.
    instrument_paths: Mapping[str, str | None]
    #: Plug-ins that may have a part, of which a worker process may lack those of `use_plugin`.
    plugins: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """Outcome of one log, small so that memory stays flat over many logs.

    Result rows are records, since a frame of a few rows takes ten times as much memory.
    """

    #: By the run of the run sheet.
    rows: list[tuple[str, list[dict[str, Any]]]] = field(default_factory=list)
    refused: list[dict[str, Any]] = field(default_factory=list)
    notes: list[dict[str, Any]] = field(default_factory=list)
    #: Sensors, and how likely a creep is in each [%].
    creeps: list[tuple[str, float]] = field(default_factory=list)


def reduce_log(task: Task) -> Outcome:
    """Reduce the runs of one log; what goes wrong with it becomes a refusal."""
    outcome = Outcome()
    if task.path is None or (lacking := sorted(set(task.plugins) - set(guests(*HOOKS)))):
        reason = NOT_FOUND if task.path is None else _LACKING.format(", ".join(lacking))
        outcome.refused.extend(refusal(run.file, run.name, reason) for run in task.runs)
        return outcome
    known: dict[tuple[float, float] | None, Record] = {}
    for run in task.runs:
        file = Path(task.path).name
        try:
            source = _source(task.path, run, task.instrument_paths)
            span = None
            if "from_s" in run.values or "to_s" in run.values:
                span = run.values.get("from_s", 0.0), run.values.get("to_s", float("inf"))
            if span not in known:
                reading = replace(task.reading, span_s=span)
                known = {span: read_record(task.path, reading, task.reader)}
            record = known[span]
            for log in run.instruments:
                file = log.file
                record = _with_log(record, run, log, task)
            file = shown_name(record.file)
            parts = split_log(record.frame, task.reading.split_by, run.values)
            notes = [{"file": file, "run": run.name, "note": n} for n in record.notes]
            outcome.notes.extend(notes)
            for frame, values in parts:
                part = replace(record, frame=frame)
                _reduce_run(run.name, part, task.protocol, values | source, outcome)
        except OSError as error:
            outcome.refused.append(refusal(file, run.name, f"cannot be read: {error}"))
        except ThermcmpError as error:
            faults = getattr(error, "faults", ())
            reason = str(faults[0]) if faults else str(error).splitlines()[0]
            more = f" (and {len(faults) - 1} more faults)" if len(faults) > 1 else ""
            outcome.refused.append(refusal(file, run.name, reason + more))
    return outcome


def _source(path: str, run: Run, instrument_paths: Mapping[str, str | None]) -> dict[str, str]:
    """Return the names of a run's logs, and the hash of their bytes in this order."""
    # A missing log refuses its run when it is to be joined.
    logs = [Path(path), *(Path(instrument_paths[log.file] or "") for log in run.instruments)]
    digest = sha256()
    for log in logs:
        if log.name:
            require_file(log)
            with log.open("rb") as handle:
                while block := handle.read(1 << 20):
                    digest.update(block)
    names = "; ".join(shown_name(log.name) for log in logs)
    return {"source_file": names, "source_sha256": digest.hexdigest()}


def _with_log(record: Record, run: Run, log: InstrumentLog, task: Task) -> Record:
    """Join the log of a further instrument; its faults name the instrument."""
    path = task.instrument_paths[log.file]
    if not path:
        fault = Fault(f"{log.role}: {NOT_FOUND}", "check the run sheet", log.file)
        raise InputError("This log cannot be used:", [fault])
    frame, device = record.frame, run.values.get(DEVICE)
    if DEVICE in frame and device is not None:
        frame = frame[frame[DEVICE] == str(device)].reset_index(drop=True)
        if not len(frame):
            # The reduction refuses the run.
            return record
    joining = task.instruments[log.role]
    try:
        frame, notes = with_instrument(frame, log.role, Path(path), log.offset_s, joining)
    except InputError as error:
        faults = [replace(f, message=f"{log.role}: {f.message}") for f in error.faults]
        raise InputError("This log cannot be used:", faults) from None
    return replace(record, frame=frame, notes=(*record.notes, *notes))


def _reduce_run(
    name: str, record: Record, protocol: Protocol, values: Mapping[str, Any], outcome: Outcome
) -> None:
    """Reduce one run, or a part of it, and add its rows and refusals to the outcome."""
    reduced = reduce_telemetry(record.frame, protocol, run=values, notes=record.notes)
    run = str(values["run"])
    outcome.notes.extend(
        {"file": shown_name(record.file), "run": run, "note": note}
        for note in reduced.notes
        if note not in record.notes
    )
    outcome.creeps.extend((c.sensor, c.figure) for c in reduced.checks if c.name == CREEP)
    if len(reduced.rows):
        records = reduced.rows.to_dict("records")
        rows = [{str(column): value for column, value in r.items()} for r in records]
        outcome.rows.append((name, rows))
        # By the checks, since a sensor without a reading has no estimate.
        kept = {row["sensor"] for row in rows}
        for sensor in dict.fromkeys(c.sensor for c in reduced.checks if c.verdict == "refused"):
            if sensor and sensor not in kept:
                outcome.refused.append(_refused(record.file, run, reduced, sensor))
        return
    outcome.refused.append(_refused(record.file, run, reduced))


def _refused(file: str, run: str, reduced: Reduction, sensor: str = "") -> dict[str, Any]:
    """Return the record of a refused run, or of one of its sensors, with the first second."""
    checks = [c for c in reduced.checks if sensor in ("", c.sensor)]
    seconds = [c.second for c in checks if c.verdict == "refused" and c.second == c.second]
    return refusal(file, run, reason_of(checks), sensor, min(seconds, default=float("nan")))


def all_refused(refused: pd.DataFrame) -> InputError:
    """Return the error for logs of which none gave a result."""
    faults = []
    for record in refused.to_dict("records"):
        reason = f"run {record['run']}: {record['reason']}" if record["run"] else record["reason"]
        # What could not be read has a fix of its own.
        message, _, fix = reason.rpartition(". Fix: ")
        fix = fix if message else "test it again, or correct the run sheet"
        faults.append(Fault(message or reason, fix, record["file"]))
    return InputError("No log could be used; each was refused:", faults)


def refusal(
    file: str, run: str, reason: str, sensor: str = "", second: float = float("nan")
) -> dict[str, Any]:
    """Return a record of a refusal."""
    values = (shown_name(file), run, sensor, shown_name(reason), second)
    return dict(zip(REFUSED_COLUMNS, values, strict=True))
