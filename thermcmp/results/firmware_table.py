"""The reader of firmware tables: a row per point of a curve, else a row per firmware."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from thermcmp.errors import Fault, InputError
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
#: Word in the column fan_control -> columns that it needs.
CONTROLS: Final[dict[str, tuple[str, ...]]] = {
    "curve": ("temperature_c", "fan_rpm"),
    "target temperature": ("target_c", "lowest_rpm", "highest_rpm"),
    "fixed speed": ("fan_rpm",),
    "observed speed": ("fan_rpm",),
}
#: Columns that any firmware may fill, in one of its rows or in all alike.
_COMMON: Final = ("control_sensor", "hysteresis_k", "start_c", "stop_c", "power_limit_w")
_KINDS: Final = "use one of " + ", ".join(f"'{word}'" for word in CONTROLS)
_DOING: Final = "This firmware table cannot be used:"


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
    table = read_small_table(source, FIRMWARE_COLUMNS, named=columns, decimal=decimal)
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
            firmwares[name] = _firmware(name, rows, table, measured)
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(_DOING, faults)
    return firmwares


def _firmware(
    name: str, rows: Sequence[TableRow], table: SmallTable, duty: DutyTable | None
) -> Firmware:
    """Return the firmware that rows describe."""
    faults: list[Fault] = []
    kind = _one_value("fan_control", rows, table, faults)
    common = {column: _one_value(column, rows, table, faults) for column in _COMMON}
    first = rows[0].number
    if kind is None and not faults:
        faults.append(table.fault("the value is missing", _KINDS, first, "fan_control"))
    elif kind is not None and kind not in CONTROLS:
        faults.append(table.fault("no such fan control", _KINDS, first, "fan_control", kind))
    if not faults:
        needed = CONTROLS[str(kind)]
        if kind == "curve" and any("duty_percent" in row.values for row in rows):
            needed = ("temperature_c", "duty_percent")
        faults = _row_faults(str(kind), needed, rows, table, duty)
    if faults:
        raise InputError(_DOING, faults)
    stated = {column: value for column, value in common.items() if value is not None}
    points = [tuple(row.values[column] for row in rows) for column in needed]
    try:
        return Firmware(name=name, fan=_control(str(kind), points, needed, duty), **stated)
    except InputError as error:
        raise InputError(_DOING, [_placed(fault, rows, table) for fault in error.faults]) from None


def _row_faults(
    kind: str,
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
            table.fault(f"has no part in '{kind}'", "leave it blank", row.number, column, value)
            for column, value in row.values.items()
            if column not in allowed
        ]
        faults += [
            table.fault("the value is missing", f"'{kind}' needs it", row.number, column)
            for column in needed
            if column not in row.values
        ]
    if kind != "curve" and len(rows) > 1:
        words = f"a second row of a firmware with '{kind}'"
        faults.append(table.fault(words, "keep one row", rows[1].number, "firmware"))
    if "duty_percent" in needed and duty is None:
        words = "a curve in duty needs the fan's speed by duty"
        fix = "give duty=, measured on the specimen that the firmware runs on"
        faults.append(table.fault(words, fix, rows[0].number, "duty_percent"))
    return faults


def _control(
    kind: str, points: Sequence[tuple[float, ...]], needed: Sequence[str], duty: DutyTable | None
) -> FanControl:
    """Return the fan control that columns describe."""
    if kind == "curve" and "duty_percent" in needed and duty is not None:
        return FanCurve.from_duty(points[0], points[1], duty)
    if kind == "curve":
        return FanCurve(points[0], points[1])
    single = [values[0] for values in points]
    if kind == "target temperature":
        return TargetTemperature(*single)
    return FixedSpeed(*single) if kind == "fixed speed" else ObservedSpeed(*single)


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
