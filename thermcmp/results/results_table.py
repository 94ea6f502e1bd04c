"""The reader of hand-kept tables of results with any headings."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from thermcmp.errors import Fault, InputError, suggest
from thermcmp.results.fault_places import Origin
from thermcmp.results.headings import Target, map_headings
from thermcmp.results.schema import BY_NAME, NAMES, REQUIRED
from thermcmp.results.validation import examine, warn_of_doubts
from thermcmp.tabular.cells import Reader, fix_of, is_blank, mark_of_table
from thermcmp.tabular.coercion import build, is_missing, to_text
from thermcmp.tabular.column import Finding, Kind
from thermcmp.tabular.grid import Grid, read_grid

#: Row number and heading of a cell.
Place = tuple[int | None, str | None]


def read_results(
    path: str | os.PathLike[str],
    columns: Mapping[str, str | None] | None = None,
    *,
    decimal: str | None = None,
    sheet: str | None = None,
    constants: Mapping[str, Any] | None = None,
) -> pd.DataFrame:
    """Read a hand-kept table as checked results.

    Parameters
    ----------
    path : str or path
        A text file (comma, semicolon, tab or bar; UTF-8, UTF-16 or CP1252), an Excel
        workbook (.xlsx) or a Parquet file (.parquet). The first row holds headings;
        a second one may hold units.
    columns : mapping of str to str or None, optional
        Schema name for each of the user's headings; None leaves the column out.
        ``temperature_c[memory]`` (also with standard_error_k, resolution_k, n, at_limit,
        regulated, regulated_by, drift_k_per_min)
        names the sensor: a table with a column per sensor becomes a row per run and
        sensor, and a blank temperature makes no row. Headings that are schema names
        need no mapping, nor do those with a unit for its ending ("Power (W)"); other
        headings are kept as extra columns.
    decimal : {".", ","}, optional
        Decimal mark. By default it must be proved by the numbers of the file; in a
        comma-separated file without any comma inside a number it is the point.
    sheet : str, optional
        Sheet of a workbook that has several.
    constants : mapping of str to object, optional
        Values by schema name for columns that the table does not have.

    Returns
    -------
    pandas.DataFrame, shape (n, columns)
        As `check_results` returns it, in the schema's units: units in headings
        ("Fan (rpm)", "Power [W]") or cells ("87 °C") are converted. `source_file` and
        `source_sha256` are filled. A time without a zone is taken as UTC.

    Raises
    ------
    InputError
        If anything in the table is wrong or not clear; it lists every fault of every
        row, with the line or sheet row and the user's headings.
    FileNotFoundError
        If there is no such file.
    """
    where = Path(path)
    named, fixed = dict(columns or {}), dict(constants or {})
    grid = read_grid(where, {*named, *NAMES}, sheet)
    targets, faults = map_headings(grid.headings, grid.units, named, where.name)
    faults = [*grid.faults, *faults, *_argument_faults(decimal, fixed, targets)]
    if not grid.rows and not faults:
        faults = [Fault("the table has headings but no rows", "add the runs", where.name)]
    if decimal is None:
        numeric = [t for t in targets if not t.is_extra and BY_NAME[t.name].kind is Kind.NUMBER]
        cells = [row[target.place] for _, row in grid.rows for target in numeric]
        decimal, fault = mark_of_table(cells, grid.separator)
        faults += [] if fault is None else [replace(fault, file=where.name)]
    if faults:
        # Headings, widths and decimal mark come first: cells read under wrong ones
        # would only add false faults.
        raise InputError(f"The table {where.name} cannot be read:", faults)
    values, unread = _read_cells(grid, targets, decimal)
    numbers = [number for number, _ in grid.rows]
    unread_places = {(fault.row, fault.column) for fault in unread}
    frame, origin = _to_frame(targets, values, numbers, where.name, unread_places)
    frame = frame.assign(**fixed)
    for name, value in (
        ("source_file", where.name),
        ("source_sha256", hashlib.sha256(where.read_bytes()).hexdigest()),
    ):
        if name not in frame or frame[name].isna().all():
            frame[name] = value
    checked, findings = examine(frame)
    faults = [*unread, *_new_faults(findings, origin, fixed, unread_places)]
    lacking = [name for name in REQUIRED if name not in frame]
    extra = ", ".join(f"'{target.heading}'" for target in targets if target.is_extra)
    if lacking and extra:
        name = "temperature_c[memory]" if "temperature_c" in lacking else lacking[0]
        fix = f"map them with columns={{'your heading': '{name}', …}} (--columns)"
        faults.append(Fault(f"headings that are not yet columns of the results: {extra}", fix))
    if faults:
        faults.sort(key=lambda fault: fault.row or 0)
        raise InputError(
            f"The table {where.name} holds rows that cannot be used:",
            [replace(fault, file=where.name) for fault in faults],
        )
    warn_of_doubts(checked)
    return checked


def _argument_faults(
    decimal: str | None, constants: Mapping[str, Any], targets: list[Target]
) -> list[Fault]:
    """Return the faults of the arguments."""
    faults = []
    if decimal not in (None, ".", ","):
        faults.append(
            Fault(
                "not a decimal mark",
                "give decimal='.' or decimal=','",
                column="decimal",
                value=str(decimal),
            )
        )
    held = {target.name: target.heading for target in targets}
    if any(target.sensor is not None for target in targets):
        held["sensor"] = "one column per sensor"
    for name in constants:
        if name not in BY_NAME:
            faults.append(Fault("no such column for a constant", suggest(name, NAMES), column=name))
        elif name in held:
            faults.append(
                Fault(
                    f"the table holds this already ('{held[name]}')",
                    "drop the constant, or the column's mapping",
                    column=name,
                )
            )
    return faults


def _read_cells(
    grid: Grid, targets: list[Target], decimal: str | None
) -> tuple[dict[int, list[Any]], list[Fault]]:
    """Read all cells; an unreadable cell becomes None and a fault."""
    values: dict[int, list[Any]] = {}
    faults = []
    for target in targets:
        cells = [(number, row[target.place]) for number, row in grid.rows]
        if target.is_extra:
            values[target.place] = _extra([cell for _, cell in cells])
            continue
        column = BY_NAME[target.name]
        reader = Reader(column, target.unit, decimal)
        values[target.place] = read = []
        for number, cell in cells:
            try:
                read.append(reader.read(cell))
            except ValueError as error:
                read.append(None)
                fix = fix_of(error, column)
                faults.append(Fault(str(error), fix, None, number, target.heading, str(cell)))
    return values, faults


def _extra(cells: list[Any]) -> list[Any]:
    """Return an extra column's cells: typed where they are alike, else as text."""
    kept = [None if is_blank(cell, Kind.TEXT) else cell for cell in cells]
    kinds = {type(cell) for cell in kept if cell is not None}
    if kinds <= {int, float} or (len(kinds) == 1 and kinds != {str}):
        return kept
    texts: list[Any] = []
    for cell in kept:
        try:
            texts.append(None if cell is None else to_text(cell))
        except ValueError:
            texts.append(str(cell))
    return texts


def _to_frame(
    targets: list[Target],
    values: dict[int, list[Any]],
    numbers: list[int],
    file: str,
    unread: set[Place],
) -> tuple[pd.DataFrame, Origin]:
    """Return the frame: a row per run and sensor where headings name sensors."""
    sensors = list(dict.fromkeys(t.sensor for t in targets if t.sensor is not None))
    shared = [t for t in targets if t.sensor is None]
    headings = {t.key: t.heading for t in targets}
    if not sensors:
        columns = {t.name: _series(t, values[t.place]) for t in shared}
        return pd.DataFrame(columns, index=range(len(numbers))), Origin(file, numbers, headings)
    by_sensor = {(t.name, t.sensor): t for t in targets if t.sensor is not None}
    # Row by row, then sensor by sensor, as the user reads the table.
    picks = [
        (row, sensor)
        for row in range(len(numbers))
        for sensor in sensors
        if not is_missing(values[by_sensor["temperature_c", sensor].place][row])
        # An unreadable temperature is not a blank: its row stays and is checked.
        or (numbers[row], by_sensor["temperature_c", sensor].heading) in unread
    ]
    columns = {t.name: _series(t, [values[t.place][row] for row, _ in picks]) for t in shared}
    for name in dict.fromkeys(name for name, _ in by_sensor):
        cells = [
            values[by_sensor[name, sensor].place][row] if (name, sensor) in by_sensor else None
            for row, sensor in picks
        ]
        columns[name] = build(cells, BY_NAME[name])
    columns["sensor"] = build([sensor for _, sensor in picks], BY_NAME["sensor"])
    rows = [numbers[row] for row, _ in picks]
    frame = pd.DataFrame(columns, index=range(len(rows)))
    return frame, Origin(file, rows, headings, [sensor for _, sensor in picks])


def _series(target: Target, cells: list[Any]) -> pd.Series:
    """Return read cells as a column of the frame."""
    if target.is_extra:
        kinds = {type(cell) for cell in cells if cell is not None}
        return pd.Series(cells, dtype="string" if kinds <= {str} else None)
    return build(cells, BY_NAME[target.name])


def _new_faults(
    findings: list[Finding], origin: Origin, constants: Mapping[str, Any], unread: set[Place]
) -> list[Fault]:
    """Return the check's findings as faults, without those of cells that could not be read."""
    faults: dict[tuple[Any, ...], Fault] = {}
    for finding in findings:
        if finding.column in constants:
            # Every row holds the constant: one fault is enough.
            finding = finding._replace(position=None)
        fault = origin.fault(finding)
        if fault.row is None or (fault.row, fault.column) not in unread:
            faults.setdefault((fault.row, fault.column, fault.value, fault.message), fault)
    return list(faults.values())
