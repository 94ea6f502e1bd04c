"""The run sheet: which log belongs to which run, and what was on the bench."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any, Final

import pandas as pd

from thermcmp.errors import Fault, InputError
from thermcmp.tabular.numbers import MARKS, parse_number
from thermcmp.tabular.words import MISSING
from thermcmp.telemetry.reading.cell_patterns import split_line

#: Columns that every run sheet has.
REQUIRED: Final = ("file", "run", "cooler_model", "board_model")
#: Columns that hold numbers; all others are text, so that ids keep their zeros.
NUMBERS: Final = (
    "ambient_c", "power_w", "fan_rpm", "noise_dba", "noise_floor_dba", "mic_distance_m",
    "target_fan_rpm", "target_power_w", "target_ambient_c", "from_s", "to_s",
)  # fmt: skip

#: Endings of columns about the log of a further instrument, and one that is none.
FILE_ENDING: Final = "_file"
OFFSET_ENDING: Final = "_offset_s"
_NO_INSTRUMENT: Final = "source_file"

RunSheet = str | PathLike[str] | pd.DataFrame


@dataclass(frozen=True, slots=True)
class InstrumentLog:
    """The log of a further instrument of a run.

    Attributes
    ----------
    role : str
        The instrument, as the run sheet's column names it.
    file : str
        Name of the log as written.
    offset_s : float or None
        What must be added to its times [s]; None where it is not stated.
    """

    role: str
    file: str
    offset_s: float | None


@dataclass(frozen=True, slots=True)
class Run:
    """One row of a run sheet.

    Attributes
    ----------
    file : str
        Name of the log as written.
    row : int
        Row number in the sheet, headings being row 1.
    values : mapping of str to object
        All columns that are filled in, numbers as numbers, but those of `instruments`.
    instruments : tuple of InstrumentLog
        Logs of further instruments.
    """

    file: str
    row: int
    values: Mapping[str, Any]
    instruments: tuple[InstrumentLog, ...] = ()

    @property
    def name(self) -> str:
        """The run's id."""
        return str(self.values["run"])


def read_run_sheet(sheet: RunSheet) -> list[Run]:
    """Read a run sheet."""
    frame, name = _as_text(sheet)
    faults = [
        Fault("the column is missing", "add it to the run sheet", name, 1, column)
        for column in REQUIRED
        if column not in frame
    ]
    faults += [
        Fault("two columns have this name", "rename or drop one", name, 1, str(column))
        for column in frame.columns[frame.columns.duplicated()].unique()
    ]
    if faults:
        raise InputError("This run sheet cannot be used:", faults)
    runs = []
    seen: dict[tuple[str, str], int] = {}
    # Iterated as text: a frame of rows would turn ids into numbers.
    for row, record in enumerate(frame.to_dict("records"), start=2):
        filled = {str(k): v for k, v in record.items() if str(v).strip().lower() not in MISSING}
        if not filled:
            continue
        values = _values(filled, name, row, faults)
        instruments = _instruments(values, name, row, faults)
        for column in REQUIRED:
            if column not in filled:
                faults.append(Fault("the value is missing", "fill it in", name, row, column))
        key = (str(values.get("lab", "")), str(values.get("run")))
        if key in seen:
            faults.append(
                Fault(
                    f"the run stands in row {seen[key]} too",
                    "a repeat is a run of its own",
                    name,
                    row,
                    "run",
                    key[1],
                )
            )
        seen[key] = row
        runs.append(Run(str(values.get("file", "")), row, values, instruments))
    if not runs and not faults:
        faults.append(Fault("no runs in it", "add a row per run", name))
    if faults:
        raise InputError("This run sheet cannot be used:", faults)
    return runs


def _as_text(sheet: RunSheet) -> tuple[pd.DataFrame, str | None]:
    """Load a sheet with every cell as text."""
    if isinstance(sheet, pd.DataFrame):
        return sheet.astype("object").where(sheet.notna(), ""), None
    path = Path(sheet)
    try:
        if path.suffix.lower() in (".xlsx", ".xlsm"):
            frame = pd.read_excel(path, dtype=str, keep_default_na=False)
        else:
            first = path.read_text(encoding="utf-8-sig").split("\n", 1)[0]
            delimiter = max(",;\t", key=lambda d: len(split_line(first, d)))
            frame = pd.read_csv(
                path,
                sep=delimiter,
                dtype=str,
                keep_default_na=False,
                index_col=False,
                encoding="utf-8-sig",
                skipinitialspace=True,
            )
    except (OSError, ValueError, KeyError) as error:
        raise InputError(
            "This run sheet cannot be used:",
            [Fault(f"it cannot be read: {error}", "give a CSV or Excel file", path.name)],
        ) from None
    frame.columns = [str(column).strip() for column in frame.columns]
    return frame.fillna(""), path.name


def _values(
    filled: Mapping[str, Any], name: str | None, row: int, faults: list[Fault]
) -> dict[str, Any]:
    """Turn the filled cells of a row into values."""
    values: dict[str, Any] = {}
    for column, cell in filled.items():
        if column not in NUMBERS and not column.endswith(OFFSET_ENDING):
            values[column] = _text(cell)
            if column == "started_at" and pd.isna(pd.to_datetime(cell, errors="coerce", utc=True)):
                fix = "write it as ISO 8601, such as 2026-03-09T14:05+01:00"
                faults.append(Fault("not a time", fix, name, row, column, str(cell)))
            continue
        readings = {parse_number(str(cell), mark) for mark in MARKS} - {None}
        if len(readings) == 1:
            values[column] = readings.pop()
            continue
        message = "not a number" if not readings else "two readings: decimal or thousands comma?"
        faults.append(
            Fault(
                message,
                "write it with a decimal point and no thousands mark",
                name,
                row,
                column,
                str(cell),
            )
        )
    return values


def _instruments(
    values: dict[str, Any], name: str | None, row: int, faults: list[Fault]
) -> tuple[InstrumentLog, ...]:
    """Take the logs of further instruments out of a row's values."""
    roles = [
        column.removesuffix(FILE_ENDING)
        for column in values
        if column.endswith(FILE_ENDING) and column != _NO_INSTRUMENT
    ]
    logs = [
        InstrumentLog(
            role, str(values.pop(role + FILE_ENDING)), values.pop(role + OFFSET_ENDING, None)
        )
        for role in roles
    ]
    for column in [c for c in values if c.endswith(OFFSET_ENDING)]:
        file = column.removesuffix(OFFSET_ENDING) + FILE_ENDING
        fix = f"fill in {file} too, or leave this empty"
        faults.append(Fault("an offset without a log", fix, name, row, column))
    return tuple(logs)


def _text(cell: Any) -> Any:
    """Write an id as text: 7.0 becomes '7'; times stay times."""
    if isinstance(cell, float) and cell.is_integer():
        return f"{cell:.0f}"
    return cell.strip() if isinstance(cell, str) else cell if hasattr(cell, "tzinfo") else str(cell)
