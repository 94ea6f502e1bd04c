"""The run sheet: which log belongs to which run, and what was on the bench."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from os import fspath
from pathlib import Path
from typing import Any, Final

import pandas as pd

from thermcmp.errors import Fault, InputError
from thermcmp.results.schema import COLUMNS
from thermcmp.tabular.column import Column, Kind, stated_unit
from thermcmp.tabular.grid import Source
from thermcmp.tabular.small_table import SmallTable, parse_small_table
from thermcmp.tabular.units import split_heading
from thermcmp.tabular.words import MISSING

#: Columns that every run sheet has.
REQUIRED: Final = ("file", "run", "cooler_model", "board_model")
#: Columns of a run sheet: those of the results, and what steers the reduction.
RUN_COLUMNS: Final = (
    Column("file", Kind.TEXT, "name of the log", required=True, verbatim=True),
    *(replace(column, required=column.name in REQUIRED) for column in COLUMNS),
    Column("target_fan_rpm", Kind.NUMBER, "fan speed to hold", "rpm"),
    Column("target_power_w", Kind.NUMBER, "board power to hold", "W"),
    Column("target_ambient_c", Kind.NUMBER, "ambient temperature to hold", "°C"),
    Column("from_s", Kind.NUMBER, "start of the run in its log", "s"),
    Column("to_s", Kind.NUMBER, "end of the run in its log", "s"),
)

#: Endings of columns about the log of a further instrument, and a column that only looks like one.
FILE_ENDING: Final = "_file"
OFFSET_ENDING: Final = "_offset_s"
_NO_INSTRUMENT: Final = "source_file"
_UNUSABLE: Final = "This run sheet cannot be used:"

RunSheet = Source


@dataclass(frozen=True, slots=True)
class InstrumentLog:
    """The log of a further instrument of a run."""

    role: str  #: the instrument, as the run sheet's column names it
    file: str  #: name of the log as written
    offset_s: float | None  #: what must be added to its times [s]; None where it is not stated


@dataclass(frozen=True, slots=True)
class Run:
    """One row of a run sheet."""

    file: str  #: name of the log as written
    row: int  #: row number as the user sees it
    #: All columns that are filled in, in the units of their names, but those of `instruments`.
    values: Mapping[str, Any]
    instruments: tuple[InstrumentLog, ...] = ()

    @property
    def name(self) -> str:
        """The run's id."""
        return str(self.values["run"])


def read_run_sheet(sheet: RunSheet) -> list[Run]:
    """Read a run sheet."""
    try:
        table = parse_small_table(sheet, RUN_COLUMNS, free=_free_column)
    except InputError as error:
        raise InputError(_UNUSABLE, map(_without_argument, error.faults)) from None
    except OSError as error:
        file = None if isinstance(sheet, pd.DataFrame) else Path(fspath(sheet)).name
        fault = Fault(f"it cannot be read: {error}", "give a CSV or Excel file", file)
        raise InputError(_UNUSABLE, [fault]) from None
    faults = list(map(_without_argument, table.faults))
    runs = []
    seen: dict[tuple[str, str], int] = {}
    for row in table.rows:
        if not row.values:
            continue
        values = dict(row.values)
        instruments = _instruments(values, table, row.number, faults)
        faults += [
            table.fault("the value is missing", "fill it in", row.number, column)
            for column in REQUIRED
            if column not in values
        ]
        key = (values.get("lab", ""), str(values.get("run")))
        if key in seen:
            words = f"the run is also in row {seen[key]}"
            fix = "give each repeat a run id"
            faults.append(table.fault(words, fix, row.number, "run", key[1]))
        seen[key] = row.number
        runs.append(Run(values.get("file", ""), row.number, values, instruments))
    if not runs and not faults:
        faults.append(table.fault("no runs in it", "add a row per run", None))
    if faults:
        raise InputError(_UNUSABLE, faults)
    return runs


def _without_argument(fault: Fault) -> Fault:
    """Return a fault whose fix needs no argument: `decimal` and `sheet` are the logs'."""
    if "decimal=" in fault.fix:
        return replace(fault, fix="write all numbers alike, without a mark between thousands")
    if "sheet=" in fault.fix:
        return replace(fault, fix="keep the run sheet alone in its workbook")
    return fault


def _free_column(heading: str) -> tuple[Column, str]:
    """Return the column of a further heading: a clock offset, or an id or name of the user's."""
    for name in (heading, split_heading(heading)[0]):
        if name.endswith(OFFSET_ENDING):
            return Column(name, Kind.NUMBER, "clock offset", "s"), stated_unit(heading)
    is_file = heading.endswith(FILE_ENDING)
    return Column(heading, Kind.TEXT, "as the user has it", verbatim=is_file), ""


def _instruments(
    values: dict[str, Any], table: SmallTable, row: int, faults: list[Fault]
) -> tuple[InstrumentLog, ...]:
    """Take the logs of further instruments out of a row's values."""
    logs = []
    for column in [c for c in values if c.endswith(FILE_ENDING) and c != _NO_INSTRUMENT]:
        role, file = column.removesuffix(FILE_ENDING), values.pop(column)
        if file.lower() not in MISSING:
            logs.append(InstrumentLog(role, file, values.pop(role + OFFSET_ENDING, None)))
    for column in [c for c in values if c.endswith(OFFSET_ENDING)]:
        fix = f"fill in {column.removesuffix(OFFSET_ENDING)}{FILE_ENDING} too, or leave this empty"
        faults.append(table.fault("an offset without a log", fix, row, column))
    return tuple(logs)
