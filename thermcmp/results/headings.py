"""Understanding a table's headings: which schema column, which sensor, which unit."""

from __future__ import annotations

import re
import statistics
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from thermcmp.errors import Fault, suggest
from thermcmp.results.schema import MEASURED, READABLE
from thermcmp.tabular.blocks import BLOCK, MOST_LONE_REPEATS
from thermcmp.tabular.column import match_heading, stated_unit
from thermcmp.tabular.grid import Grid
from thermcmp.tabular.numbers import split_cell
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

#: Lowest and highest usual median of a column, and the unit that is likely beyond (common
#: practice, no source): rooms and warm cases, silicon below its limit, meters in quiet rooms,
#: fans that turn, cards at load.
_USUAL: Final = {
    "ambient_c": (-40.0, 50.0, "°F", "°C"),
    "temperature_c": (-60.0, 125.0, "°F", "°C"),
    "noise_dba": (12.0, 140.0, "sone", "dB(A)"),
    "fan_rpm": (120.0, 60_000.0, "%", "rpm"),
    "power_w": (2.0, 5_000.0, "kW", "W"),
}
#: A letter that ends a heading and may be a degree Fahrenheit, or the sixth of several probes.
_MAYBE_FAHRENHEIT: Final = re.compile(r"(?:[\W_][fF]|[a-z]F)$")
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
        Fault("two columns have this heading", _rename(counts), file, top, heading, letter=letter)
        for heading, letter in zip(headings, grid.letters, strict=True)
        if counts[heading] > 1
    ]
    if grid.blocks and BLOCK not in columns:
        words = f"the table has a block for each of {', '.join(map(repr, grid.blocks))}"
        fix = f"state what their names are: columns={{'{BLOCK}': 'cooler_model'}}"
        faults.append(Fault(words, fix, file, top))
    for heading, name in columns.items():
        if heading not in headings:
            hint = suggest(heading, list(counts))
            if name in headings and heading in READABLE:
                hint = f"the map leads from your headings to columns: {{'{name}': '{heading}'}}"
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


def _rename(counts: Mapping[str, int]) -> str:
    """Return what to do about headings that repeat, one by one or as blocks of columns."""
    if sum(count > 1 for count in counts.values()) <= MOST_LONE_REPEATS:
        return "rename one"
    return (
        "blocks of columns with the same headings are read where a name stands above each, in the "
        "row above the headings; else rename them"
    )


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
    is_unclear = not unit and not extra.unit and _MAYBE_FAHRENHEIT.search(heading)
    if is_unclear and READABLE[name].unit in ("°C", "K"):
        stem = heading[:-1].rstrip(" _")
        fix = f"write the heading as '{stem} [°F]', or as '{heading} [{READABLE[name].unit}]'"
        wrong.append(("the F in the heading may be a unit or a name", fix))
    if sensor is not None and not READABLE[name].unit and not is_unit(unit):
        unit = ""
    return replace(extra, name=name, sensor=sensor, unit=unit or extra.unit), wrong


def _shape_faults(targets: Sequence[Target]) -> list[Fault]:
    """Find headings that contradict each other."""
    faults = []
    headings: dict[str, list[str]] = {}
    for target in targets:
        headings.setdefault(target.key, []).append(f"'{target.heading}'")
    for key, names in headings.items():
        # Headings that are the same are a fault already.
        if len(set(names)) > 1:
            both = ", ".join(names)
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


def unlikely_unit(target: Target, cells: Sequence[Any], values: Sequence[Any]) -> list[Fault]:
    """Ask for the unit of a column's numbers that are rather those of another unit."""
    usual = _USUAL.get(target.name)
    is_stated = bool(target.unit) or target.heading.startswith(target.name)
    numbers = [value for value in values if value is not None]
    if usual is None or is_stated or not numbers:
        return []
    low, high, other, own = usual
    median = statistics.median(numbers)
    if low <= median <= high or any(isinstance(c, str) and split_cell(c)[1] for c in cells):
        return []
    fix = f"write the unit into the heading, '{target.heading} [{other}]' or [{own}]"
    words = (
        f"no unit is stated, and the middle number, {median:g}, looks more like {other} than {own}"
    )
    return [Fault(words, fix, column=target.heading)]
