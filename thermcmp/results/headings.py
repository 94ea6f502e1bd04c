"""Understanding a table's headings: which schema column, which sensor, which unit."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from thermcmp.errors import Fault, suggest
from thermcmp.results.schema import MEASURED, READABLE
from thermcmp.tabular.column import match_heading, stated_unit
from thermcmp.tabular.grid import Grid
from thermcmp.tabular.units import is_unit

#: Columns that may be given once for each sensor, as in ``temperature_c[memory]``.
PER_SENSOR: Final = (
    "temperature_c",
    "standard_error_k",
    "rise_k",
    "standard_deviation_k",
    "expanded_error_k",
    "resolution_k",
    "n",
    "at_limit",
    "at_floor",
    "temperature_high_c",
    "regulated",
    "regulated_by",
    "drift_k_per_min",
)

_TARGET: Final = re.compile(r"(?P<name>[a-z0-9_]+)(?:\[(?P<sensor>[^\[\]]+)\])?")


@dataclass(frozen=True, slots=True)
class Target:
    """Where the cells under one heading go."""

    place: int  #: position of the heading in the table, from 0
    heading: str
    name: str  #: schema name, or the heading itself for an extra column
    #: Sensor and unit named by the heading, if any.
    sensor: str | None = None
    unit: str = ""

    @property
    def is_extra(self) -> bool:
        """Whether the schema does not hold this column."""
        return self.name not in READABLE

    @property
    def key(self) -> str:
        """Schema name with the sensor, as the user writes it."""
        return self.name if self.sensor is None else f"{self.name}[{self.sensor}]"


def map_headings(
    grid: Grid, columns: Mapping[str, str | None], file: str
) -> tuple[list[Target], list[Fault]]:
    """Return where the cells under each heading go, and what is wrong with the headings."""
    headings, top = grid.headings, grid.header_row
    faults = [
        Fault(
            "the column has cells but no heading, or the line ends in a separator",
            "give it a heading, or remove the column",
            file,
            top,
            letter=letter,
        )
        for heading, letter in zip(headings, grid.letters, strict=True)
        if not heading
    ]
    counts = Counter(heading for heading in headings if heading)
    faults += [
        Fault("two columns have this heading", "rename one", file, top, heading)
        for heading, count in counts.items()
        if count > 1
    ]
    for heading in columns:
        if heading not in headings:
            hint = suggest(heading, list(counts))
            faults.append(Fault("no such heading in the table", hint, file, column=heading))
    targets = []
    taken = {*headings, *columns.values()}
    for place, (heading, unit) in enumerate(zip(headings, grid.units, strict=True)):
        if heading and columns.get(heading, heading):
            target, wrong = _target(Target(place, heading, heading, unit=unit), columns, taken)
            targets.append(target)
            faults += [Fault(message, fix, file, top, heading) for message, fix in wrong]
    faults += [replace(fault, file=file, row=top) for fault in _shape_faults(targets)]
    return targets, faults


def _target(
    extra: Target, columns: Mapping[str, str | None], taken: Collection[str | None]
) -> tuple[Target, list[tuple[str, str]]]:
    """Find where a heading's cells go, an extra column by default, and what is wrong with it."""
    heading = extra.heading
    as_written = _TARGET.fullmatch(heading)
    if stated := columns.get(heading):
        declared, unit = stated, stated_unit(heading)
    elif (
        as_written
        and as_written["name"] in READABLE
        and (as_written["sensor"] is None or not is_unit(as_written["sensor"]))
    ):
        declared, unit = heading, ""
    else:
        match = match_heading(heading, READABLE, {name for name in taken if name})
        if match is None:
            return extra, []
        declared, unit = match
    parts = _TARGET.fullmatch(declared.strip())
    name, sensor = (parts["name"], parts["sensor"]) if parts else (declared, None)
    if name not in READABLE:
        return extra, [(f"'{declared}' is not a column of the results", suggest(name, [*READABLE]))]
    wrong = []
    if sensor is not None and name not in PER_SENSOR:
        words = f"'{name}' is the same for all sensors of a run"
        wrong.append((words, f"only {', '.join(PER_SENSOR)} may name a sensor"))
    if sensor is not None and not READABLE[name].unit and not is_unit(unit):
        unit = ""
    return replace(extra, name=name, sensor=sensor, unit=unit or extra.unit), wrong


def _shape_faults(targets: Sequence[Target]) -> list[Fault]:
    """Find headings that contradict each other."""
    faults = []
    for key, count in Counter(t.key for t in targets).items():
        if count > 1:
            both = ", ".join(f"'{t.heading}'" for t in targets if t.key == key)
            faults.append(Fault(f"{both} all go to {key}", "map one of them only"))
    measured = {t.sensor for t in targets if t.name in MEASURED}
    for target in targets:
        message = fix = ""
        if target.sensor is not None and target.sensor not in measured:
            message = f"sensor '{target.sensor}' has no temperature"
            fix = f"map a heading to temperature_c[{target.sensor}]"
        elif target.key in ("sensor", "temperature_c") and measured - {None}:
            message = "the table names its sensors both by heading and by row"
            fix = "map either temperature_c and sensor, or temperature_c[…] only"
        if message:
            faults.append(Fault(message, fix, column=target.heading))
    return faults
