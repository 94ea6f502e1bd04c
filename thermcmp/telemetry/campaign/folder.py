"""Reduction of a folder of logs and its run sheet to checked results."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from os import PathLike, fspath
from pathlib import Path
from typing import Any

import pandas as pd

from thermcmp.errors import Fault, InputError, shown_name, visible
from thermcmp.hooks import guests
from thermcmp.telemetry.campaign.comparability import find_cautions, find_creeps
from thermcmp.telemetry.campaign.execution import outcomes_of
from thermcmp.telemetry.campaign.run_sheet import Run, RunSheet, read_run_sheet
from thermcmp.telemetry.campaign.worker import HOOKS, REFUSED_COLUMNS, Outcome, Task, refusal
from thermcmp.telemetry.instruments.logs import joinings
from thermcmp.telemetry.reading.options import Reading
from thermcmp.telemetry.reading.readers import TelemetryReader, reader_of
from thermcmp.telemetry.steady_state.protocol import Protocol
from thermcmp.telemetry.steady_state.result_rows import MEASURED

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
        ``file``, ``run`` and ``note``: what the reader left out, fixed or met.
    """

    results: pd.DataFrame
    refused: pd.DataFrame
    cautions: tuple[str, ...]
    notes: pd.DataFrame

    def __str__(self) -> str:
        runs = self.results["run"].nunique() if len(self.results) else 0
        lines = [f"{runs} runs gave {len(self.results)} result rows; {len(self.refused)} refusals"]
        for record in self.refused.to_dict("records"):
            place = [visible(record[n]) for n in ("file", "run", "sensor") if record[n]]
            lines.append(f"Refused {', '.join(place)}: {visible(record['reason'])}")
        return "\n".join([*lines, *(f"Caution: {caution}" for caution in self.cautions)])


def reduce_logs(  # noqa: PLR0913
    logs: Logs,
    runs: RunSheet,
    protocol: Protocol | None = None,
    *,
    columns: Mapping[str, Any] | None = None,
    reader: str | TelemetryReader | None = None,
    instruments: Mapping[str, Mapping[str, Any]] | None = None,
    split_by: str | None = None,
    executor: Executor | None = None,
    progress: bool = True,
    **options: Any,
) -> Reduced:
    """Reduce a folder of logs to checked results.

    A log that cannot be used is refused by name and the others go on. The order of the
    results is that of the run sheet, whatever the executor. Where the runs together show that a
    sensor creeps, all are reduced again as by ``Protocol(creeping=…)``.

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
    instruments : mapping of str to mapping, optional
        For each further instrument of the run sheet (``"tachometer"`` for its column
        ``tachometer_file``) what `read_telemetry` takes about its logs, beside
        ``tolerance_s``: its readings count for times that are no further away (1 s by
        default), and ``offset_from``: two columns, one of each log, from which a clock
        offset up to ``largest_offset_s`` is measured where the run sheet states none.
    split_by : str, optional
        Makes runs out of one log, each judged and named after its part: the heading of a set
        point (``"Set_W"``) whose blocks they are, ``"gap"`` for sessions, or ``"device"`` for
        cards, whose specimens then stay unnamed.
    executor : concurrent.futures.Executor, optional
        Where to reduce the logs; here, one by one, by default. Where a worker is killed,
        the logs that it did not finish are reduced in a process each, and one that kills its
        process again is refused. Ctrl-C stops the executor and its workers.
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
    reading = Reading.of(columns, options | ({} if split_by is None else {"split_by": split_by}))
    paths = _find_logs(logs, runs)
    roles = dict.fromkeys(log.role for run in sheet for log in run.instruments)
    joined = joinings(instruments, roles)
    like = Task(None, (), reading, reader, protocol or Protocol(), joined, {}, guests(*HOOKS))
    tasks, orphans = _tasks(paths, sheet, like)
    outcomes = list(_outcomes(tasks, executor, progress))
    stated = like.protocol.creeping
    seen = (creep for outcome in outcomes for creep in outcome.creeps)
    creeps = find_creeps(creep for creep in seen if creep[0] not in stated)
    if creeps:
        # What hardly shows in one run is known of each now.
        known = replace(like.protocol, creeping=(*stated, *creeps))
        outcomes = list(_outcomes([replace(t, protocol=known) for t in tasks], executor, progress))
    order = {run.name: i for i, run in enumerate(sheet)}
    by_run = (named for outcome in outcomes for named in outcome.rows)
    reduced = [rows for _, rows in sorted(by_run, key=lambda named: order[named[0]])]
    names = list(dict.fromkeys(name for rows in reduced for name in rows[0]))
    records = [record for rows in reduced for record in rows]
    results = pd.DataFrame(records, columns=names or ["run", *MEASURED])
    if reduced:
        results["started_at"] = pd.to_datetime(results["started_at"], utc=True)
    refused = [record for outcome in outcomes for record in outcome.refused]
    refused.sort(key=lambda record: _place(record["run"], order))
    refused += [
        refusal(path.name, "", "no row of the run sheet names this file") for path in orphans
    ]
    notes = [record for outcome in outcomes for record in outcome.notes]
    return Reduced(
        results=results,
        refused=pd.DataFrame(refused, columns=list(REFUSED_COLUMNS)),
        cautions=(*find_cautions(results), *creeps.values()),
        notes=pd.DataFrame(notes, columns=["file", "run", "note"]),
    )


def _place(run: str, order: Mapping[str, int]) -> int:
    """Return a run's place in the run sheet; a part of a log bears its run's name first."""
    named = [place for name, place in order.items() if run == name or run.startswith(f"{name} ")]
    return max(named, default=len(order))


def _find_logs(logs: Logs, runs: RunSheet) -> list[Path]:
    """Return the logs in a folder, or those stated."""
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
        # A folder or a broken link of such a name is refused where the run sheet names it.
        if reader_of(path) and path.resolve() != sheet
    )


def _tasks(
    paths: Sequence[Path], sheet: Sequence[Run], like: Task
) -> tuple[list[Task], list[Path]]:
    """Return a task per log, whatever the number of its runs, and the logs without a run."""
    files = {run.file for run in sheet} | {log.file for run in sheet for log in run.instruments}
    by_file: dict[str, str | None] = {}
    spelled = {path: Path(shown_name(str(path))).parts for path in paths}
    for file in files:
        # A run sheet may name a log by the end of its path.
        parts = Path(file).parts
        hits = [path for path in paths if spelled[path][-len(parts) :] == parts]
        by_file[file] = str(hits[0]) if len(hits) == 1 else None
    runs_of: dict[str, list[Run]] = {}
    for run in sheet:
        # Two names may mean the same log; a missing log is known by its name only.
        runs_of.setdefault(str(by_file[run.file] or run.file), []).append(run)
    tasks = [
        replace(
            like,
            path=by_file[runs[0].file],
            runs=tuple(runs),
            instrument_paths={
                log.file: by_file[log.file] for run in runs for log in run.instruments
            },
        )
        for runs in runs_of.values()
    ]
    used = set(by_file.values())
    return tasks, [path for path in paths if str(path) not in used and not path.is_dir()]


def _outcomes(
    tasks: Sequence[Task], executor: Executor | None, progress: bool
) -> Iterable[Outcome]:
    """Reduce the logs, here or by an executor, under a progress bar."""
    outcomes = outcomes_of(tasks, executor)
    if not progress:
        return outcomes
    from rich.console import Console
    from rich.progress import track

    console = Console(stderr=True)
    return track(
        outcomes,
        "Reducing logs",
        len(tasks),
        console=console,
        transient=True,
        disable=not console.is_terminal,
    )
