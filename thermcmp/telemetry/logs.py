"""A folder of logs and a run sheet become checked results."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from hashlib import file_digest
from os import PathLike, fspath
from pathlib import Path
from typing import Any, Final

import pandas as pd

from thermcmp.errors import Fault, InputError, ThermcmpError
from thermcmp.telemetry.comparability import find_cautions
from thermcmp.telemetry.protocol import Protocol
from thermcmp.telemetry.readers import TelemetryReader
from thermcmp.telemetry.reading import Reading
from thermcmp.telemetry.record import read_record
from thermcmp.telemetry.reducing import reduce_telemetry
from thermcmp.telemetry.result_rows import MEASURED
from thermcmp.telemetry.run_sheet import Run, RunSheet, read_run_sheet

REFUSED_COLUMNS: Final = ("file", "run", "sensor", "reason", "second")
#: Endings of files in a folder that are logs.
_ENDINGS: Final = (".csv", ".tsv", ".txt", ".log", ".dat", ".parquet", ".pq")

Logs = str | PathLike[str] | Iterable[str | PathLike[str]]


@dataclass(frozen=True, slots=True, eq=False)
class Reduced:
    """Results of many logs, and what was refused.

    Attributes
    ----------
    results : pandas.DataFrame
        Result rows of all runs that kept the protocol, in the run sheet's order.
    refused : pandas.DataFrame
        What is not among them: ``file``, ``run``, ``sensor`` (empty for a whole run),
        ``reason`` and the ``second`` where it broke [s].
    cautions : tuple of str
        What speaks against comparing these runs with each other.
    notes : pandas.DataFrame
        ``file``, ``run`` and ``note``: what the reader left out, mended or met.
    """

    results: pd.DataFrame
    refused: pd.DataFrame
    cautions: tuple[str, ...]
    notes: pd.DataFrame

    def __str__(self) -> str:
        runs = self.results["run"].nunique() if len(self.results) else 0
        lines = [f"{runs} runs gave {len(self.results)} result rows; {len(self.refused)} refusals"]
        for record in self.refused.to_dict("records"):
            place = [record[name] for name in ("file", "run", "sensor") if record[name]]
            lines.append(f"Refused {', '.join(place)}: {record['reason']}")
        return "\n".join([*lines, *(f"Caution: {caution}" for caution in self.cautions)])


@dataclass(frozen=True, slots=True)
class _Task:
    """One log and its runs: all that a worker needs."""

    path: str | None
    runs: tuple[Run, ...]
    reading: Reading
    reader: str | TelemetryReader | None
    protocol: Protocol


@dataclass(frozen=True, slots=True)
class _Outcome:
    """What a worker found: small, so that memory stays flat over many logs."""

    rows: list[pd.DataFrame]
    refused: list[dict[str, Any]]
    notes: list[dict[str, Any]]


def reduce_logs(
    logs: Logs,
    runs: RunSheet,
    protocol: Protocol | None = None,
    *,
    columns: Mapping[str, Any] | None = None,
    reader: str | TelemetryReader | None = None,
    executor: Executor | None = None,
    progress: bool = True,
    **options: Any,
) -> Reduced:
    """Reduce a folder of logs to checked results.

    A log that cannot be used is refused by name and the others go on. The order of the
    results is that of the run sheet, whatever the executor.

    Parameters
    ----------
    logs : str, path-like or iterable of these
        A folder, or files.
    runs : str, path-like or pandas.DataFrame
        The run sheet; see `read_run_sheet`.
    protocol : Protocol, optional
        What must have been held; the defaults of `Protocol` by default.
    columns : mapping, optional
        Columns of the logs; as for `read_telemetry`.
    reader : str or TelemetryReader, optional
        Reader of the logs; as for `read_telemetry`.
    executor : concurrent.futures.Executor, optional
        Where to reduce the logs; here, one by one, by default.
    progress : bool
        Whether a progress bar is shown on the terminal (standard error).
    **options
        How the logs are read; as for `read_telemetry`.

    Returns
    -------
    Reduced
        Results, refusals, cautions and notes.

    Raises
    ------
    InputError
        If the run sheet or an argument cannot be used.
    """
    sheet = read_run_sheet(runs)
    reading = Reading.of(columns, options)
    paths = _find_logs(logs, runs)
    tasks, orphans = _tasks(paths, sheet, reading, reader, protocol or Protocol())
    outcomes: dict[int, _Outcome] = {}
    for task, outcome in zip(
        tasks, _shown(_mapped(tasks, executor), len(tasks), progress), strict=True
    ):
        outcomes[id(task)] = outcome
    found = [outcomes[id(task)] for task in tasks]
    order = {run.name: i for i, run in enumerate(sheet)}
    results = _joined([row for outcome in found for row in outcome.rows], order)
    refused = [record for outcome in found for record in outcome.refused]
    refused.sort(key=lambda record: order.get(record["run"], len(order)))
    refused += [
        _refusal(path.name, "", "no row of the run sheet names this file") for path in orphans
    ]
    notes = [record for outcome in found for record in outcome.notes]
    return Reduced(
        results=results,
        refused=pd.DataFrame(refused, columns=list(REFUSED_COLUMNS)),
        cautions=find_cautions(results),
        notes=pd.DataFrame(notes, columns=["file", "run", "note"]),
    )


def _find_logs(logs: Logs, runs: RunSheet) -> list[Path]:
    """List the logs in a folder, or those given."""
    if not isinstance(logs, (str, PathLike)):
        return [Path(fspath(log)) for log in logs]
    folder = Path(fspath(logs))
    if folder.is_file():
        return [folder]
    if not folder.is_dir():
        fault = Fault("no such folder", "check the path", value=str(logs))
        raise InputError("These logs cannot be reduced:", [fault])
    # The run sheet may lie beside its logs.
    sheet = None if isinstance(runs, pd.DataFrame) else Path(fspath(runs)).resolve()
    return sorted(
        path
        for path in folder.rglob("*")
        if path.suffix.lower() in _ENDINGS and path.is_file() and path.resolve() != sheet
    )


def _tasks(
    paths: Sequence[Path],
    sheet: Sequence[Run],
    reading: Reading,
    reader: str | TelemetryReader | None,
    protocol: Protocol,
) -> tuple[list[_Task], list[Path]]:
    """Bring runs and logs together; a log of several runs is one task."""
    by_log: dict[str, tuple[Path | None, list[Run]]] = {}
    for run in sheet:
        wanted = Path(run.file).parts
        hits = [p for p in paths if p.parts[-len(wanted) :] == wanted]
        path = hits[0] if len(hits) == 1 else None
        key = str(path) if path else f"{run.file}\n{len(hits)}"
        by_log.setdefault(key, (path, []))[1].append(run)
    tasks = [
        _Task(str(path) if path else None, tuple(runs), reading, reader, protocol)
        for path, runs in by_log.values()
    ]
    used = {path for path, _ in by_log.values() if path}
    return tasks, [path for path in paths if path not in used]


def _mapped(tasks: Sequence[_Task], executor: Executor | None) -> Iterator[_Outcome]:
    """Reduce the logs, here or by an executor."""
    if executor is None:
        yield from map(_reduce_log, tasks)
        return
    futures = [executor.submit(_reduce_log, task) for task in tasks]
    for future in futures:
        yield future.result()


def _shown(outcomes: Iterator[_Outcome], total: int, progress: bool) -> Iterator[_Outcome]:
    """Show a progress bar while outcomes come in."""
    if not progress:
        yield from outcomes
        return
    from rich.console import Console
    from rich.progress import track

    console = Console(stderr=True)
    yield from track(
        outcomes,
        "Reducing logs",
        total,
        console=console,
        transient=True,
        disable=not console.is_terminal,
    )


def _reduce_log(task: _Task) -> _Outcome:
    """Reduce the runs of one log; what goes wrong with it becomes a refusal."""
    outcome = _Outcome([], [], [])
    if task.path is None:
        for run in task.runs:
            outcome.refused.append(
                _refusal(run.file, run.name, "not found, or there are several of this name")
            )
        return outcome
    path = Path(task.path)
    try:
        with path.open("rb") as handle:
            digest = file_digest(handle, "sha256").hexdigest()
    except OSError as error:
        for run in task.runs:
            outcome.refused.append(_refusal(path.name, run.name, f"cannot be read: {error}"))
        return outcome
    source = {"source_file": path.name, "source_sha256": digest}
    known: dict[tuple[float, float] | None, Any] = {}
    for run in task.runs:
        try:
            span = _span(run)
            if span not in known:
                known = {span: read_record(path, replace(task.reading, span_s=span), task.reader)}
            _reduce_run(run, known[span], task.protocol, source, outcome)
        except ThermcmpError as error:
            outcome.refused.append(_refusal(path.name, run.name, _in_one_line(error)))
    return outcome


def _reduce_run(
    run: Run, record: Any, protocol: Protocol, source: Mapping[str, str], outcome: _Outcome
) -> None:
    """Reduce one run and sort its rows and refusals."""
    reduced = reduce_telemetry(
        record.frame, protocol, run={**run.values, **source}, notes=record.notes
    )
    outcome.notes.extend({"file": record.file, "run": run.name, "note": n} for n in record.notes)
    if len(reduced.rows):
        outcome.rows.append(reduced.rows)
        left_out = reduced.estimates[reduced.estimates["protocol_verdict"] == "refused"]
        for row in left_out.to_dict("records"):
            outcome.refused.append(
                _refusal(record.file, run.name, row["protocol_reason"], row["sensor"])
            )
        return
    seconds = [c.second for c in reduced.checks if c.verdict == "refused" and c.second == c.second]
    first = min(seconds) if seconds else float("nan")
    outcome.refused.append(_refusal(record.file, run.name, reduced.reason, "", first))


def _span(run: Run) -> tuple[float, float] | None:
    """Return the part of a log that a run is."""
    start, end = run.values.get("from_s"), run.values.get("to_s")
    if start is None and end is None:
        return None
    return (start if start is not None else 0.0, end if end is not None else float("inf"))


def _refusal(
    file: str, run: str, reason: str, sensor: str = "", second: float = float("nan")
) -> dict[str, Any]:
    """Make a record of a refusal."""
    values = (file, run, sensor, reason, second)
    return dict(zip(REFUSED_COLUMNS, values, strict=True))


def _in_one_line(error: ThermcmpError) -> str:
    """Write an error of the reader as a reason."""
    faults = getattr(error, "faults", ())
    if not faults:
        return str(error).splitlines()[0]
    more = f" (and {len(faults) - 1} more faults)" if len(faults) > 1 else ""
    return f"{faults[0]}{more}"


def _joined(frames: list[pd.DataFrame], order: Mapping[str, int]) -> pd.DataFrame:
    """Join result rows in the run sheet's order."""
    if not frames:
        return pd.DataFrame(columns=["run", *MEASURED])
    frames = sorted(frames, key=lambda frame: order[str(frame["run"].iloc[0])])
    records = [record for frame in frames for record in frame.to_dict("records")]
    names = list(dict.fromkeys(name for frame in frames for name in frame.columns))
    joined = pd.DataFrame(records, columns=names)
    joined["started_at"] = pd.to_datetime(joined["started_at"], utc=True)
    return joined
