"""The reader of firmware tables: a row per point of a curve, else a row per firmware."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final, get_args

from thermcmp._plugin_checks import call_fault
from thermcmp.errors import Fault, InputError, ThermcmpError, suggest
from thermcmp.hooks import FanControlKind, PluginItem, guarded, hookimpl, provided
from thermcmp.physics.fan_controls import (
    DutyTable,
    FanControl,
    FanCurve,
    FixedSpeed,
    ObservedSpeed,
    TargetTemperature,
)
from thermcmp.physics.firmware import Firmware
from thermcmp.tabular.column import Column, Kind
from thermcmp.tabular.grid import Source
from thermcmp.tabular.small_table import SmallTable, TableRow, read_small_table

_TEXT, _NUMBER = Kind.TEXT, Kind.NUMBER
#: Columns of a firmware table.
FIRMWARE_COLUMNS: Final = (
    Column("firmware", _TEXT, "name, as in the results table", required=True),
    Column("fan_control", _TEXT, "how the fan is set", required=True),
    Column("control_sensor", _TEXT, "sensor that the fan follows"),
    Column("temperature_c", _NUMBER, "point of a curve: temperature", "°C"),
    Column("fan_rpm", _NUMBER, "point of a curve, fixed or observed speed", "rpm"),
    Column("duty_percent", _NUMBER, "point of a curve: duty", "%"),
    Column("target_c", _NUMBER, "temperature that the loop holds", "°C"),
    Column("lowest_rpm", _NUMBER, "lowest speed of the loop", "rpm"),
    Column("highest_rpm", _NUMBER, "highest speed of the loop", "rpm"),
    Column("hysteresis_k", _NUMBER, "fall before the speed falls", "K"),
    Column("start_c", _NUMBER, "temperature at which a standing fan starts", "°C"),
    Column("stop_c", _NUMBER, "temperature below which a turning fan stops", "°C"),
    Column("power_limit_w", _NUMBER, "highest board power", "W"),
)
#: Columns of a duty table.
DUTY_COLUMNS: Final = (
    Column("cooler_id", _TEXT, "specimen of the cooler"),
    Column("duty_percent", _NUMBER, "duty", "%", required=True),
    Column("fan_rpm", _NUMBER, "measured fan speed", "rpm", required=True),
)
#: Columns that any firmware may fill, in one of its rows or in all alike.
_COMMON: Final = ("control_sensor", "hysteresis_k", "start_c", "stop_c", "power_limit_w")
_DOING: Final = "This firmware table cannot be used:"


@hookimpl
def thermcmp_fan_controls() -> list[FanControlKind]:
    """Register the built-in kinds of fan control."""
    return [
        FanControlKind("curve", ("temperature_c", "fan_rpm"), FanCurve, by_point=True),
        FanControlKind(
            "target temperature", ("target_c", "lowest_rpm", "highest_rpm"), TargetTemperature
        ),
        FanControlKind("fixed speed", ("fan_rpm",), FixedSpeed),
        FanControlKind("observed speed", ("fan_rpm",), ObservedSpeed),
    ]


def faults_of_fan_controls(kind: FanControlKind) -> Iterator[Fault]:
    """Yield what is wrong with the columns of a plug-in's fan control."""
    known = {column.name for column in FIRMWARE_COLUMNS}
    for column in kind.columns:
        if isinstance(column, str) and column not in known:
            fix = f"{suggest(column, sorted(known))}; a new one is a thermcmp.tabular.column.Column"
            yield Fault("no column of firmware tables", fix, column="columns", value=column)
        elif not isinstance(column, str | Column):
            yield Fault("neither a name nor a Column", "use one", column="columns")
        elif isinstance(column, Column) and column.name in known:
            fix = "give its name alone"
            yield Fault("a column that firmware tables have", fix, value=column.name)
    if not kind.columns:
        yield Fault("no columns", "name those that it needs", column="columns")
    if fault := call_fault(kind.make, len(kind.columns), "make"):
        yield fault


def _kinds() -> dict[str, PluginItem]:
    """Return the kinds of fan control by the word in the table."""
    return {entry.key: entry for entry in provided("thermcmp_fan_controls")}


def _names(entry: PluginItem) -> tuple[str, ...]:
    """Return the names of the columns that a kind of fan control needs."""
    return tuple(str(getattr(column, "name", column)) for column in entry.item.columns)


def read_firmware(
    source: Source,
    columns: Mapping[str, str] | None = None,
    *,
    duty: DutyTable | Source | None = None,
    cooler_id: str | None = None,
    decimal: str | None = None,
) -> dict[str, Firmware]:
    """Read firmwares from a table.

    Parameters
    ----------
    source : str, path or pandas.DataFrame
        A text file, an Excel workbook or a frame. ``firmware`` and ``fan_control``
        are needed; the latter is one of

        - ``curve``: a row per point, with temperature_c and fan_rpm or duty_percent;
        - ``target temperature``: target_c, lowest_rpm and highest_rpm;
        - ``fixed speed``, ``observed speed``: fan_rpm.

        Any firmware may have control_sensor, hysteresis_k, start_c, stop_c and
        power_limit_w, in one of its rows or in all alike.
    columns : mapping of str to str, optional
        Column name for the user's headings. Units in headings and cells are converted.
    duty : DutyTable, str, path or pandas.DataFrame, optional
        Fan speed by duty of the cooler specimen that the firmware runs on; needed
        where a curve is stated in duty. A table has the columns duty_percent and
        fan_rpm, and cooler_id where it holds several specimens.
    cooler_id : str, optional
        Which specimen of the duty table.
    decimal : {".", ","}, optional
        Decimal mark of both tables; by default proved by their numbers.

    Returns
    -------
    dict of str to Firmware
        Firmwares by name, in the table's order.

    Raises
    ------
    InputError
        If a table is wrong or not clear; with every fault, its row and heading.
    FileNotFoundError
        If there is no such file.
    """
    kinds = _kinds()
    added = [c for entry in kinds.values() for c in entry.item.columns if isinstance(c, Column)]
    known = {column.name: column for column in (*added, *FIRMWARE_COLUMNS)}
    table = read_small_table(source, tuple(known.values()), named=columns, decimal=decimal)
    if duty is None or isinstance(duty, DutyTable):
        measured = duty
    else:
        measured = _duty_table(duty, cooler_id, decimal)
    groups: dict[str, list[TableRow]] = {}
    faults = []
    for row in table.rows:
        name = row.values.get("firmware")
        if name is None:
            faults.append(table.fault("the value is missing", "name it", row.number, "firmware"))
        else:
            groups.setdefault(str(name), []).append(row)
    firmwares = {}
    for name, rows in groups.items():
        try:
            firmwares[name] = _firmware(name, rows, table, measured, kinds)
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(_DOING, faults)
    return firmwares


def _firmware(
    name: str,
    rows: Sequence[TableRow],
    table: SmallTable,
    duty: DutyTable | None,
    kinds: Mapping[str, PluginItem],
) -> Firmware:
    """Return the firmware that rows describe."""
    faults: list[Fault] = []
    kind = _one_value("fan_control", rows, table, faults)
    common = {column: _one_value(column, rows, table, faults) for column in _COMMON}
    first, fix = rows[0].number, "use one of " + ", ".join(f"'{word}'" for word in kinds)
    if kind is None and not faults:
        faults.append(table.fault("the value is missing", fix, first, "fan_control"))
    elif kind is not None and kind not in kinds:
        faults.append(table.fault("no such fan control", fix, first, "fan_control", kind))
    if not faults:
        chosen = kinds[str(kind)]
        needed = _names(chosen)
        if kind == "curve" and any("duty_percent" in row.values for row in rows):
            needed = ("temperature_c", "duty_percent")
        faults = _row_faults(chosen.item, needed, rows, table, duty)
    if faults:
        raise InputError(_DOING, faults)
    stated = {column: value for column, value in common.items() if value is not None}
    points = [tuple(row.values[column] for row in rows) for column in needed]
    try:
        control = _control(chosen, points, needed, duty)
        source = "" if chosen.is_built_in else chosen.source
        return Firmware(name=name, fan=control, source=source, **stated)
    except InputError as error:
        raise InputError(_DOING, [_placed(fault, rows, table) for fault in error.faults]) from None


def _row_faults(
    kind: FanControlKind,
    needed: Sequence[str],
    rows: Sequence[TableRow],
    table: SmallTable,
    duty: DutyTable | None,
) -> list[Fault]:
    """Return the faults of missing and of superfluous values in a firmware's rows."""
    faults = []
    allowed = {"firmware", "fan_control", *_COMMON, *needed}
    for row in rows:
        faults += [
            table.fault(
                f"has no part in '{kind.name}'", "leave it blank", row.number, column, value
            )
            for column, value in row.values.items()
            if column not in allowed
        ]
        faults += [
            table.fault("the value is missing", f"'{kind.name}' needs it", row.number, column)
            for column in needed
            if column not in row.values
        ]
    if not kind.by_point and len(rows) > 1:
        words = f"a second row of a firmware with '{kind.name}'"
        faults.append(table.fault(words, "keep one row", rows[1].number, "firmware"))
    if "duty_percent" in needed and duty is None:
        words = "a curve in duty needs the fan's speed by duty"
        fix = "give duty=, measured on the specimen that the firmware runs on"
        faults.append(table.fault(words, fix, rows[0].number, "duty_percent"))
    return faults


def _control(
    kind: PluginItem,
    points: Sequence[tuple[float, ...]],
    needed: Sequence[str],
    duty: DutyTable | None,
) -> FanControl:
    """Return the fan control that columns describe."""
    if "duty_percent" in needed and kind.key == "curve" and duty is not None:
        return FanCurve.from_duty(points[0], points[1], duty)
    values = points if kind.item.by_point else [column[0] for column in points]
    make = guarded(kind, kind.item.make, get_args(FanControl), (ThermcmpError,))
    control: FanControl = make(*values)
    return control


def _duty_table(source: Source, cooler_id: str | None, decimal: str | None) -> DutyTable:
    """Read the duty table of one specimen."""
    doing = "This duty table cannot be used:"
    table = read_small_table(source, DUTY_COLUMNS, decimal=decimal)
    specimens = list(dict.fromkeys(row.values.get("cooler_id") for row in table.rows))
    if cooler_id is None and len(specimens) == 1:
        cooler_id = specimens[0]
    rows = [row for row in table.rows if row.values.get("cooler_id") == cooler_id]
    if not rows:
        known = ", ".join(str(name) for name in specimens if name is not None) or "none is named"
        words = "several specimens" if cooler_id is None else "no row of this specimen"
        fix = f"give cooler_id= as one of: {known}"
        raise InputError(doing, [table.fault(words, fix, None, "cooler_id", cooler_id)])
    faults = [
        table.fault("the value is missing", "fill it in", row.number, name)
        for row in rows
        for name in ("duty_percent", "fan_rpm")
        if name not in row.values
    ]
    if faults:
        raise InputError(doing, faults)
    rows.sort(key=lambda row: float(row.values["duty_percent"]))
    try:
        return DutyTable(
            tuple(row.values["duty_percent"] for row in rows),
            tuple(row.values["fan_rpm"] for row in rows),
        )
    except InputError as error:
        raise InputError(doing, [_placed(fault, rows, table) for fault in error.faults]) from None


def _one_value(
    column: str, rows: Sequence[TableRow], table: SmallTable, faults: list[Fault]
) -> Any:
    """Return the one value that a firmware's rows have in a column, or None."""
    filled = [row for row in rows if column in row.values]
    for row in filled:
        first, value = filled[0].values[column], row.values[column]
        if value != first:
            words = f"row {filled[0].number} of this firmware has '{first}'"
            faults.append(table.fault(words, "make them alike", row.number, column, value))
    return filled[0].values[column] if filled else None


def _placed(fault: Fault, rows: Sequence[TableRow], table: SmallTable) -> Fault:
    """Return a control's or firmware's fault with its row: its point's, else the first."""
    if fault.row is not None:
        number = rows[fault.row - 1].number
    else:
        number = next((row.number for row in rows if fault.column in row.values), rows[0].number)
    return table.fault(fault.message, fault.fix, number, fault.column, fault.value)
