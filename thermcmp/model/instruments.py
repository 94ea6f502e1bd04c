"""The instruments of the benches: whose errors all runs share that were read with them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._types import Array, BoolArray
from thermcmp.errors import Fault, InputError
from thermcmp.model.rows import level_keys
from thermcmp.tabular.column import Column, Kind
from thermcmp.tabular.grid import Source
from thermcmp.tabular.small_table import SmallTable, TableRow, read_small_table

if TYPE_CHECKING:
    import pandas as pd

#: What errors that rows share do, by name: to which quantity, and how far they take each row's
#: reading, shape (n,): of ambient [K], of power and fan speed as a share of the reading.
Shifts = dict[str, tuple[str, Array]]

#: What an instrument may read -> its results column and unit.
QUANTITIES: Final = {
    "ambient": ("ambient_c", "K"),
    "power": ("power_w", "W"),
    "fan speed": ("fan_rpm", "rpm"),
}
COLUMNS: Final = (
    Column("instrument", Kind.TEXT, "its name or serial number", required=True),
    Column(
        "quantity", Kind.TEXT, "what it reads", required=True, choices=tuple(QUANTITIES)
    ),
    Column("lab", Kind.TEXT, "laboratory whose runs it reads; all where blank"),
    Column("bench", Kind.TEXT, "bench whose runs it reads; all of the laboratory where blank"),
    Column("first_day", Kind.TIME, "first day of its use"),
    Column("last_day", Kind.TIME, "last day of its use"),
    Column("offset", Kind.NUMBER, "uncertainty of its offset, in K, W or rpm"),
    Column("gain_percent", Kind.NUMBER, "uncertainty of its gain", "%"),
    Column(
        "coverage_factor", Kind.NUMBER, "what both are stated with; 1 where blank"
    ),
    Column("calibrated", Kind.TEXT, "day or number of its calibration, for people"),
    Column("accuracy_class", Kind.TEXT, "its class, for people"),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """One instrument, and the runs that were read with it.

    Attributes
    ----------
    name : str
        Its name or serial number.
    quantity : {"ambient", "power", "fan speed"}
        What it reads.
    lab, bench : str, optional
        Laboratory and bench whose runs it reads; all where none is named.
    first_day, last_day : str, optional
        Days of its use, as "2026-03-09"; without end where none is stated. Runs then need
        their `started_at`.
    offset : float
        Standard uncertainty of its offset [K, W or rpm].
    gain : float
        Standard uncertainty of its gain [-]; of power and fan speed only.

    Raises
    ------
    InputError
        If the quantity is not known, a day is not a date, or an uncertainty is out of range.
    """

    name: str
    quantity: str
    lab: str | None = None
    bench: str | None = None
    first_day: str | None = None
    last_day: str | None = None
    offset: float = 0.0
    gain: float = 0.0

    def __post_init__(self) -> None:
        faults = []
        if self.quantity not in QUANTITIES:
            fix = f"use one of: {', '.join(QUANTITIES)}"
            faults.append(Fault("not a quantity of a fit", fix, None, None, "quantity",
                                str(self.quantity)))  # fmt: skip
        if not (np.isfinite(self.offset) and self.offset >= 0.0):
            faults.append(Fault("not zero or more", "give a standard uncertainty", None, None,
                                "offset", str(self.offset)))  # fmt: skip
        if not 0.0 <= self.gain < (0.5 if self.quantity != "ambient" else 1e-300):
            fix = "give 0 to 0.5; a thermometer of the air has an offset only"
            faults.append(Fault("out of range", fix, None, None, "gain", str(self.gain)))
        for name in ("first_day", "last_day"):
            day = getattr(self, name)
            try:
                date.fromisoformat(day or "2000-01-01")
            except (TypeError, ValueError):
                faults.append(Fault("not a day", "write it as 2026-03-09", None, None, name,
                                    str(day)))  # fmt: skip
        if faults:
            raise InputError(f"The instrument '{self.name}' cannot be used:", faults)


def rows_read(instrument: Instrument, rows: pd.DataFrame) -> BoolArray:
    """Return which rows were read with an instrument, shape (n,)."""
    import pandas as pd

    hit = np.ones(len(rows), bool)
    for column, name in (("lab", instrument.lab), ("bench", instrument.bench)):
        if name is not None:
            hit &= level_keys(rows, (column,)).eq(name).to_numpy(bool)
    if instrument.first_day is None and instrument.last_day is None:
        return hit
    started = pd.to_datetime(rows["started_at"], utc=True)
    unknown = rows.loc[hit & started.isna().to_numpy(), "run"].astype(str).to_list()
    if unknown:
        fix = "state started_at, or leave first_day and last_day blank"
        fault = Fault(f"no start of {', '.join(unknown[:5])}", fix, column="started_at",
                      value=instrument.name)  # fmt: skip
        raise InputError("Which instrument read these runs is not known:", [fault])
    day = started.dt.strftime("%Y-%m-%d").fillna("").to_numpy()
    return hit & (day >= (instrument.first_day or "")) & (day <= (instrument.last_day or "9999"))


def instrument_errors(instrument: Instrument, rows: pd.DataFrame) -> Shifts:
    """Return what an instrument's offset and gain do to the rows that it read."""
    hit, quantity = rows_read(instrument, rows), instrument.quantity
    scale = 1.0 if quantity == "ambient" else rows[QUANTITIES[quantity][0]].to_numpy(float)
    found = {"offset": instrument.offset / scale, "gain": instrument.gain}
    return {
        f"{kind} of {instrument.name} ({quantity})": (quantity, np.asarray(moved * hit))
        for kind, moved in found.items()
        if np.any(moved * hit)
    }


def read_instruments(
    source: Source, columns: Mapping[str, str] | None = None, *, decimal: str | None = None
) -> tuple[Instrument, ...]:
    """Read the instruments of the benches from a table.

    Parameters
    ----------
    source : str, path or pandas.DataFrame
        A text file, an Excel workbook or a frame, a row per instrument: ``instrument``,
        ``quantity`` (ambient, power, fan speed), and where they apply ``lab``, ``bench``,
        ``first_day``, ``last_day``, ``offset`` (uncertainty in K, W or rpm), ``gain_percent``,
        ``coverage_factor`` (what both are stated with; 1 by default), ``calibrated`` and
        ``accuracy_class`` for people.
    columns : mapping of str to str, optional
        Column name for the user's headings.
    decimal : {".", ","}, optional
        Decimal mark; by default proved by the numbers.

    Returns
    -------
    tuple of Instrument
        For ``MeasurementError(instruments=…)``.

    Raises
    ------
    InputError
        If the table is wrong or not clear; with every fault, its row and heading.
    FileNotFoundError
        If there is no such file.
    """
    table = read_small_table(source, COLUMNS, named=columns, decimal=decimal)
    found, faults = [], list[Fault]()
    for row in table.rows:
        lacking = [name for name in ("instrument", "quantity") if name not in row.values]
        faults += [
            table.fault("the value is missing", "fill it in", row.number, n) for n in lacking
        ]
        if not lacking:
            try:
                found.append(_instrument(row))
            except InputError as error:
                faults += [_placed(table, row, fault) for fault in error.faults]
    if faults:
        raise InputError("These instruments cannot be used:", faults)
    return tuple(found)


def _instrument(row: TableRow) -> Instrument:
    values: dict[str, Any] = dict(row.values)
    factor = values.get("coverage_factor", 1.0)
    if not 1.0 <= factor <= 5.0:
        fault = Fault("out of range", "give 1 to 5", None, None, "coverage_factor", str(factor))
        raise InputError("This coverage factor is not usual:", [fault])
    days = {
        name: values[name].strftime("%Y-%m-%d")
        for name in ("first_day", "last_day")
        if name in values
    }
    return Instrument(
        name=str(values["instrument"]),
        quantity=str(values["quantity"]),
        lab=values.get("lab"),
        bench=values.get("bench"),
        offset=values.get("offset", 0.0) / factor,
        gain=values.get("gain_percent", 0.0) / 100.0 / factor,
        **days,
    )


def _placed(table: SmallTable, row: TableRow, fault: Fault) -> Fault:
    column = "gain_percent" if fault.column == "gain" else fault.column
    return table.fault(fault.message, fault.fix, row.number, column, fault.value)
