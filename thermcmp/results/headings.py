"""Understanding a table's headings: which schema column, which sensor, which unit."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from thermcmp.errors import Fault, suggest
from thermcmp.results.schema import BY_NAME, NAMES
from thermcmp.tabular.column_units import is_unit, split_heading

#: Columns that may be given once for each sensor, as in ``temperature_c[memory]``.
PER_SENSOR: Final = (
    "temperature_c",
    "standard_error_k",
    "resolution_k",
    "n",
    "at_limit",
    "regulated",
    "regulated_by",
    "drift_k_per_min",
)

_TARGET: Final = re.compile(r"(?P<name>[a-z0-9_]+)(?:\[(?P<sensor>[^\[\]]+)\])?")


@dataclass(frozen=True, slots=True)
class Target:
    """Where the cells under one heading go.

    Attributes
    ----------
    place : int
        Position of the heading in the table, from 0.
    heading : str
        The user's heading.
    name : str
        Schema name, or the heading itself for an extra column.
    sensor : str or None
        Sensor named by the heading.
    unit : str
        Unit named by the heading; "" where it names none.
    """

    place: int
    heading: str
    name: str
    sensor: str | None = None
    unit: str = ""

    @property
    def is_extra(self) -> bool:
        """Whether the schema does not hold this column."""
        return self.name not in BY_NAME

    @property
    def key(self) -> str:
        """Schema name with the sensor, as the user writes it."""
        return self.name if self.sensor is None else f"{self.name}[{self.sensor}]"


def map_headings(
    headings: Sequence[str], units: Sequence[str], columns: Mapping[str, str], file: str
) -> tuple[list[Target], list[Fault]]:
    """Find where the cells under each heading go.

    Returns targets, faults.
    """
    faults = [
        Fault(
            "the column has cells but no heading, or the line ends in a separator",
            "give it a heading, or remove the column",
            file,
            1,
        )
        for heading in headings
        if not heading
    ]
    counts = Counter(heading for heading in headings if heading)
    faults += [
        Fault("two columns have this heading", "rename one", file, 1, heading)
        for heading, count in counts.items()
        if count > 1
    ]
    for heading in columns:
        if heading not in headings:
            hint = suggest(heading, list(counts))
            faults.append(Fault("no such heading in the table", hint, file, column=heading))
    targets = []
    for place, (heading, unit) in enumerate(zip(headings, units, strict=True)):
        if heading:
            target, wrong = _target(place, heading, unit, columns)
            targets.append(target)
            faults += [Fault(message, fix, file, 1, heading) for message, fix in wrong]
    faults += _shape_faults(targets, file)
    return targets, faults


def _target(
    place: int, heading: str, unit: str, columns: Mapping[str, str]
) -> tuple[Target, list[tuple[str, str]]]:
    """Find where one heading goes, and what is wrong with it."""
    base, own = split_heading(heading)
    declared = columns.get(heading)
    if declared is None:
        as_written = _TARGET.fullmatch(heading)
        if (
            as_written
            and as_written["name"] in BY_NAME
            and (as_written["sensor"] is None or not is_unit(as_written["sensor"]))
        ):
            declared, own = heading, ""
        elif base in BY_NAME:
            declared = base
        else:
            return Target(place, heading, heading), []
    found = _TARGET.fullmatch(declared.strip())
    name = declared if found is None else found["name"]
    sensor = None if found is None else found["sensor"]
    if name not in BY_NAME:
        return Target(place, heading, heading), [
            (f"'{declared}' is no column of the results", suggest(name, NAMES))
        ]
    wrong = []
    if sensor is not None and name not in PER_SENSOR:
        wrong.append(
            (
                f"'{name}' is the same for all sensors of a run",
                f"only {', '.join(PER_SENSOR)} may name a sensor",
            )
        )
    if sensor is not None and own and not BY_NAME[name].unit and not is_unit(own):
        own = ""
    return Target(place, heading, name, sensor, own or unit), wrong


def _shape_faults(targets: Sequence[Target], file: str) -> list[Fault]:
    """Find headings that together make no table."""
    faults = []
    for key, count in Counter(t.key for t in targets).items():
        if count > 1:
            both = ", ".join(f"'{t.heading}'" for t in targets if t.key == key)
            faults.append(Fault(f"{both} all go to {key}", "map one of them only", file, 1))
    measured = {t.sensor for t in targets if t.name == "temperature_c"}
    for target in targets:
        if target.sensor is not None and target.sensor not in measured:
            faults.append(
                Fault(
                    f"sensor '{target.sensor}' has no temperature",
                    f"map a heading to temperature_c[{target.sensor}]",
                    file,
                    1,
                    target.heading,
                )
            )
        if (
            target.sensor is None
            and target.name in ("sensor", "temperature_c")
            and (measured - {None})
        ):
            faults.append(
                Fault(
                    "the table names its sensors both by heading and by row",
                    "map either temperature_c and sensor, or temperature_c[…] only",
                    file,
                    1,
                    target.heading,
                )
            )
    return faults
