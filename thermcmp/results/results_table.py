"""The reader of hand-kept tables of results with any headings."""

from __future__ import annotations

import hashlib
import os
import warnings
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import pandas as pd

from thermcmp.errors import Fault, InputError, ThermcmpWarning, fault_lines, visible
from thermcmp.results.column_template import HEADING_WORDS
from thermcmp.results.fault_places import Origin
from thermcmp.results.headings import Target, map_headings, unlikely_unit
from thermcmp.results.near_names import NearNamesWarning, near_names
from thermcmp.results.plausibility.doubts import find_doubts
from thermcmp.results.plugin_tables import grid_of_plugin
from thermcmp.results.reading_guide import Guide, word_of
from thermcmp.results.schema import ERROR_OF, MEASURED, READABLE, REQUIRED, UNLESS_PUBLISHED
from thermcmp.results.validation import MISSING_VALUE, examine
from thermcmp.tabular.blocks import BLOCK, join_blocks
from thermcmp.tabular.cells import Reader, fix_of, is_blank, marks_of_columns
from thermcmp.tabular.coercion import build, is_missing, to_text
from thermcmp.tabular.column import Finding, Kind
from thermcmp.tabular.dates import fitting_formats, parse_date
from thermcmp.tabular.grid import Grid, read_grid, shown_row
from thermcmp.tabular.ranges import HALF_WIDTHS, ends_of_range

#: Row number and heading of a cell.
Place = tuple[int | None, str | None]
#: Test numbers of rows that hold no run, English or German (common practice, no source).
_TOTALS: Final = frozenset(
    ("mean", "average", "avg", "median", "total", "totals", "sum", "min", "max", "sd", "std",
     "mittel", "mittelwert", "summe")
)  # fmt: skip
#: A row that lacks so many required values is a total or a remark, and one fault (a choice).
_NO_RUN: Final = 3

_STRAY: Final = "the row holds no run, but a total or a remark"
_STRAY_FIX: Final = "take the row out of the table, or give bad_rows='skip'"


@dataclass(frozen=True, slots=True, eq=False)
class _Reading:
    """Rows read from a table, what is wrong with single rows or between them, and questions."""

    rows: pd.DataFrame
    alone: list[Fault]
    between: list[Fault]
    near_names: list[Fault]
    #: Rows of the file in which no sensor has a temperature, as the file calls them.
    empty: list[str]


def read_results(  # noqa: PLR0913 - the public face; all but two are keyword-only
    path: str | os.PathLike[str],
    columns: Mapping[str, str | None] | str | os.PathLike[str] | None = None,
    *,
    words: Mapping[str, Mapping[str, Any]] | None = None,
    dates: str | Sequence[str] | None = None,
    decimal: str | Mapping[str, str] | None = None,
    sheet: str | None = None,
    header_row: int | None = None,
    fill_merged: bool | None = None,
    constants: Mapping[str, Any] | None = None,
    bad_rows: Literal["refuse", "skip"] = "refuse",
    known: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Read a hand-kept table as checked results.

    Parameters
    ----------
    path : str or path
        A text file (comma, semicolon, tab or bar; UTF-8, UTF-16 or CP1252), an Excel
        workbook (.xlsx) or a Parquet file (.parquet). A title may stand above the
        headings, and units in a row below them.
    columns : mapping of str to str or None, or path, optional
        Schema name for each of the user's headings; None or "" leaves the column out.
        ``temperature_c[memory]`` (also with standard_error_k, resolution_k, n, at_limit,
        at_floor, temperature_high_c, regulated, regulated_by, drift_k_per_min)
        names the sensor: a table with a column per sensor becomes a row per run and
        sensor, and a blank temperature makes no row. Headings that are schema names
        need no mapping, nor do those with a unit for its ending ("Power (W)"); other
        headings are kept as extra columns. Or the path of a TOML file with any of these
        options, as ``thermcmp columns`` writes it; arguments go before it.
    words : mapping of str to mapping of str to object, optional
        What words mean, by column and in any case:
        ``{"assembly_kind": {"remounted": "bench"}}``. Two names that are much alike and
        yet two are stated as themselves.
    dates : str or sequence of str, optional
        Formats of dates that are not ISO 8601, as for `datetime.strptime`:
        ``"%d.%m.%Y %H:%M"``.
    decimal : {".", ","} or mapping of str to str, optional
        Decimal mark, of all columns or by heading. By default that of most numbers in a
        column that prove one, else it must be proved by the numbers of the file; in a
        comma-separated file without any comma inside a number it is the point.
    sheet : str, optional
        Sheet of a workbook that has several.
    header_row : int, optional
        Row of the headings, as an editor or spreadsheet counts; by default the row with
        known headings, else the first with more than one cell.
    fill_merged : bool, optional
        Whether the value of merged cells of a workbook holds for all of them, or for the
        first alone; merged cells below the headings are refused by default.
    constants : mapping of str to object, optional
        Values by schema name for columns that the table does not have.
    bad_rows : {"refuse", "skip"}
        Whether a row that is wrong by itself refuses the table or is left out with a
        warning; ``.attrs["skipped"]`` then lists what was wrong, a dict per fault. Rows
        that contradict each other always refuse it. Where a plug-in read the table,
        ``.attrs["read_by"]`` has its version, which a fit of these rows states.
    known : pandas.DataFrame, optional
        Rows whose names are known, as from `Library.results`: a new name much like one of
        them is asked about too.

    Returns
    -------
    pandas.DataFrame, shape (n, columns)
        As `check_results` returns it, in the schema's units: units in headings
        ("Fan (rpm)", "Power [W]") or cells ("87 °C") are converted. `source_file` and
        `source_sha256` are filled, and where the table names no product at all, `product` is
        "cooler on board". A time without a zone is taken as UTC.

    Warns
    -----
    ThermcmpWarning
        About names that are so much alike that they may be one, and about readings that
        errors alone would not leave so.

    Raises
    ------
    InputError
        If anything in the table is wrong or not clear; it lists every fault of every
        row, with the line or sheet row and the user's headings.
    FileNotFoundError
        If there is no such file.
    """
    where = Path(path)
    guide = Guide.of(
        columns, words=words, dates=dates, decimal=decimal, sheet=sheet, header_row=header_row,
        fill_merged=fill_merged, constants=constants,
    )  # fmt: skip
    by_plugin = grid_of_plugin(where)
    grid = by_plugin[0] if by_plugin else read_grid(
        where, {*guide.columns, *READABLE}, guide.sheet,
        header_row=guide.header_row, fill_merged=guide.fill_merged, words=HEADING_WORDS,
    )  # fmt: skip
    grid = join_blocks(grid)
    targets, faults = map_headings(grid, guide.columns, where.name)
    faults += guide.faults(targets, bad_rows)
    if not grid.rows and not faults and not grid.faults:
        faults.append(Fault("the table has headings but no rows", "add the runs", where.name))
    if faults:
        # Headings come first: cells read under wrong ones would only add false faults.
        raise InputError(f"The table {visible(where.name)} cannot be read:", _placed(faults, grid))
    reading = _read_rows(grid, targets, guide, where, known)
    skipped: list[Fault] = []
    if bad_rows == "skip":
        skipped = sorted(_placed(reading.alone, grid), key=_row_of)
        bad = {fault.row for fault in reading.alone}
        sound = replace(grid, rows=tuple(row for row in grid.rows if row[0] not in bad), faults=())
        if skipped and sound.rows and None not in bad:
            reading = _read_rows(sound, targets, guide, where, known)
    faults = _placed([*reading.alone, *reading.between], grid)
    for question in _placed(reading.near_names, grid):
        warnings.warn(NearNamesWarning(question), stacklevel=2)
    doubts = [] if faults else [*_empty_rows(reading, where), *find_doubts(reading.rows)]
    if skipped and not faults:
        lines = "\n".join(fault_lines(skipped))
        count = "1 row was" if len(bad) == 1 else f"{len(bad)} rows were"
        doubts.append(f"{visible(where.name)}: {count} left out:\n{lines}")
    for doubt in doubts:
        warnings.warn(doubt, ThermcmpWarning, stacklevel=2)
    if faults:
        summary = f"The table {visible(where.name)} holds rows that cannot be used:"
        raise InputError(summary, sorted(faults, key=_row_of))
    if bad_rows == "skip":
        reading.rows.attrs["skipped"] = [asdict(fault) for fault in skipped]
    reading.rows.attrs.update({"read_by": by_plugin[1]} if by_plugin else {})
    return reading.rows


def _empty_rows(reading: _Reading, where: Path) -> list[str]:
    """Name the rows that make none, since no sensor has a temperature in them."""
    if not reading.empty:
        return []
    rows = ", ".join(reading.empty[:5]) + (" …" if len(reading.empty) > 5 else "")
    return [
        f"{visible(where.name)}: runs without any temperature are left out: {rows}. Fix: fill "
        "them in, or take them out of the table."
    ]


def _row_of(fault: Fault) -> int:
    return fault.row or 0


def _placed(faults: Sequence[Fault], grid: Grid) -> list[Fault]:
    """Return faults with the file, the rows and the letters of their columns."""
    return list(map(grid.placed, faults))


def _read_rows(
    grid: Grid, targets: list[Target], guide: Guide, where: Path, known: pd.DataFrame | None
) -> _Reading:
    """Read and check the rows of a table whose headings are understood."""
    values, errors, unread = _read_cells(grid, targets, guide)
    numbers = [number for number, _ in grid.rows]
    broken = [fault for fault in grid.faults if fault.column is not None]
    unread_places = {(fault.row, fault.column) for fault in [*unread, *broken]}
    frame, origin = _to_frame(targets, values, numbers, where.name, unread_places)
    for name, by_row in errors.items():
        stated = frame[name] if name in frame else pd.Series(np.nan, frame.index)
        frame[name] = stated.fillna(pd.Series(origin.rows, frame.index).map(by_row))
    frame = _with_names_of_blocks(frame, grid, targets)
    frame = _with_products(frame.assign(**guide.constants))
    for name, value in (
        ("source_file", where.name),
        ("source_sha256", hashlib.sha256(where.read_bytes()).hexdigest()),
    ):
        if name not in frame or frame[name].isna().all():
            frame[name] = value
    checked, findings = examine(frame)
    copies = _copied_rows(grid)
    if copies:
        copied = {fault.row for fault in copies}
        findings = [f for f in findings if f.position is None or origin.fault(f).row not in copied]
    of_rows = [finding for finding in findings if finding.earlier is None]
    between = [finding for finding in findings if finding.earlier is not None]
    words = {target.name: guide.words_for(target) for target in targets}
    questions = near_names(checked, known, words)
    asked = {(question.column, question.value): origin.fault(question) for question in questions}
    # Rows that contradict each other by a name that may be a slip do so no more without it.
    slips = {f: _names_in(f, checked) & set(asked) for f in between}
    between = [finding for finding in between if not slips[finding]]
    blamed = set().union(*slips.values())
    alone = _one_per_stray_row(
        [
            *grid.faults,
            *unread,
            *copies,
            *_totals(grid, targets),
            *_new_faults(of_rows, origin, guide, unread_places),
        ]
    )
    lacking = [name for name in (*REQUIRED, *UNLESS_PUBLISHED) if name not in frame]
    extra = ", ".join(f"'{target.heading}'" for target in targets if target.is_extra)
    if lacking and extra:
        name = "temperature_c[memory]" if "temperature_c" in lacking else lacking[0]
        fix = f"map them with columns={{'your heading': '{name}', …}}"
        fix += f"; 'thermcmp columns {where.name}' writes a map to edit"
        alone.append(Fault(f"headings that are not yet columns of the results: {extra}", fix))
    contradictions = [*grid.merged, *(asked.pop(name) for name in sorted(blamed))]
    contradictions += _new_faults(between, origin, guide, unread_places)
    picked = set(origin.rows or ())
    empty = list(dict.fromkeys(grid.name_of(n) for n in numbers if n not in picked))
    return _Reading(checked, alone, contradictions, list(asked.values()), empty)


def _copied_rows(grid: Grid) -> list[Fault]:
    """Return a fault for each row whose cells are those of an earlier one."""
    first: dict[tuple[str, ...], int] = {}
    faults = []
    for number, cells in grid.rows:
        earlier = first.setdefault(tuple(map(str, cells)), number)
        if earlier != number:
            fix = "take it out, or give bad_rows='skip'"
            faults.append(Fault(f"the row is a copy of row {shown_row(earlier)}", fix, row=number))
    return faults


def _names_in(finding: Finding, checked: pd.DataFrame) -> set[tuple[str | None, Any]]:
    """Return the two values by which rows contradict each other, each with its column."""
    rows = [row for row in (finding.position, finding.earlier) if row is not None]
    return {(finding.column, value) for value in checked[finding.column].iloc[rows]}


def _with_names_of_blocks(
    frame: pd.DataFrame, grid: Grid, targets: Sequence[Target]
) -> pd.DataFrame:
    """Return rows whose runs begin with their block's name where blocks count alike.

    So do assemblies where the blocks are parts: one assembly has one cooler on one board.
    Blocks of sensors or laboratories keep their runs: a run is one within a laboratory.
    """
    name = next((t.name for t in targets if grid.blocks and t.heading == BLOCK), None)
    if name not in frame or name in ("run", "sensor", "lab"):
        return frame
    parts = ("cooler_model", "cooler_id", "board_model", "board_id", "product")
    block = frame[name].astype("string")
    for column in ("run", "assembly") if name in parts else ("run",):
        if column in frame and block.groupby(frame[column]).nunique().max() > 1:
            frame = frame.assign(**{column: block + " " + frame[column].astype("string")})
    return frame


def _with_products(frame: pd.DataFrame) -> pd.DataFrame:
    """Return rows with products named by cooler and board where the table names none.

    Beside named products a blank one is a build that no shop sells.
    """
    is_named = "product" in frame and frame["product"].notna().any()
    if is_named or not {"cooler_model", "board_model"} <= set(frame):
        return frame
    parts = frame[["cooler_model", "board_model"]].astype("string")
    return frame.assign(product=parts["cooler_model"] + " on " + parts["board_model"])


def _one_per_stray_row(faults: list[Fault]) -> list[Fault]:
    """Return faults with one for each row that holds no run, in place of each missing value."""
    missing = Counter(f.row for f in faults if f.message == MISSING_VALUE and f.row is not None)
    stray = {row for row, count in missing.items() if count >= _NO_RUN}
    return [fault for fault in faults if fault.row not in stray] + [
        Fault(_STRAY, _STRAY_FIX, row=row) for row in sorted(stray)
    ]


def _totals(grid: Grid, targets: Sequence[Target]) -> list[Fault]:
    """Return a fault for each row whose test number is "mean" or the like."""
    place = next((target.place for target in targets if target.name == "run"), None)
    return [
        Fault(_STRAY, _STRAY_FIX, row=number)
        for number, cells in grid.rows
        if place is not None and word_of(cells[place]).strip(".:") in _TOTALS
    ]


def _read_cells(
    grid: Grid, targets: list[Target], guide: Guide
) -> tuple[dict[int, list[Any]], dict[str, dict[int, float]], list[Fault]]:
    """Read all cells; an unreadable cell becomes None and a fault.

    A range counts as its middle, and by row as a standard error in the column of that.
    """
    values: dict[int, list[Any]] = {}
    errors: dict[str, dict[int, float]] = {}
    faults = []
    numeric = [t for t in targets if not t.is_extra and READABLE[t.name].kind is Kind.NUMBER]
    marks = marks_of_columns(
        {t.place: [row[t.place] for _, row in grid.rows] for t in numeric}, grid.separator
    )
    for target in targets:
        known = guide.words_for(target)
        cells = [
            (number, known.get(word_of(row[target.place]), row[target.place]))
            for number, row in grid.rows
        ] if known else [(number, row[target.place]) for number, row in grid.rows]  # fmt: skip
        if target.is_extra:
            values[target.place] = _extra([cell for _, cell in cells])
            continue
        column = READABLE[target.name]
        mark = guide.decimal_for(target) or marks.get(target.place)
        reader = Reader(column, target.unit, mark, guide.dates)
        values[target.place] = read = []
        wrong = []
        for number, cell in cells:
            try:
                ends = ends_of_range(cell) if target.name in ERROR_OF else None
                if ends is None:
                    read.append(reader.read(cell))
                    continue
                low, high = map(reader.read, ends)
                read.append((low + high) / 2.0)
                half_width = abs(high - low) / 2.0
                errors.setdefault(ERROR_OF[target.name], {})[number] = half_width * HALF_WIDTHS
            except ValueError as error:
                read.append(None)
                fix = fix_of(error, column)
                wrong.append(Fault(str(error), fix, None, number, target.heading, str(cell)))
        faults += _with_date_fix(wrong) if column.kind is Kind.TIME else wrong
        faults += unlikely_unit(target, [cell for _, cell in cells], read)
    return values, errors, faults


def _with_date_fix(faults: list[Fault]) -> list[Fault]:
    """Return the faults of a column of times with the formats that most of them may have."""
    forms = fitting_formats(fault.value or "" for fault in faults)[:3]
    stated = " or ".join(f"dates='{form}'" for form in forms)
    return [
        replace(fault, fix=f"give {stated}, or {fault.fix}")
        if parse_date(fault.value or "", forms)
        else fault
        for fault in faults
    ]


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
    picks = dict.fromkeys(
        (row, sensor)
        for row in range(len(numbers))
        for sensor in sensors
        for target in (by_sensor.get((name, sensor)) for name in MEASURED)
        if target is not None
        # An unreadable temperature is not a blank: its row stays and is checked.
        if not is_missing(values[target.place][row]) or (numbers[row], target.heading) in unread
    )
    columns = {t.name: _series(t, [values[t.place][row] for row, _ in picks]) for t in shared}
    for name in dict.fromkeys(name for name, _ in by_sensor):
        cells = [
            values[by_sensor[name, sensor].place][row] if (name, sensor) in by_sensor else None
            for row, sensor in picks
        ]
        columns[name] = build(cells, READABLE[name])
    columns["sensor"] = build([sensor for _, sensor in picks], READABLE["sensor"])
    rows = [numbers[row] for row, _ in picks]
    frame = pd.DataFrame(columns, index=range(len(rows)))
    return frame, Origin(file, rows, headings, [sensor for _, sensor in picks])


def _series(target: Target, cells: list[Any]) -> pd.Series:
    """Return read cells as a column of the frame."""
    if target.is_extra:
        kinds = {type(cell) for cell in cells if cell is not None}
        return pd.Series(cells, dtype="string" if kinds <= {str} else None)
    return build(cells, READABLE[target.name])


def _new_faults(
    findings: list[Finding], origin: Origin, guide: Guide, unread: set[Place]
) -> list[Fault]:
    """Return the check's findings as faults, without those of cells that could not be read."""
    faults: dict[tuple[Any, ...], Fault] = {}
    for finding in findings:
        if finding.column in guide.constants:
            # Every row holds the constant: one fault is enough.
            finding = finding._replace(position=None)
        fault = origin.fault(finding)
        choices = READABLE[finding.column].choices if finding.column in READABLE else ()
        if choices and fault.value is not None:
            meant = f"words={{'{finding.column}': {{'your word': '{choices[-1]}'}}}}"
            fault = replace(fault, fix=f"{fault.fix}, or give {meant}")
        if fault.row is None or (fault.row, fault.column) not in unread:
            faults.setdefault((fault.row, fault.column, fault.value, fault.message), fault)
    return list(faults.values())
