"""Which field of a log is which canonical column."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from thermcmp.errors import Fault, InputError
from thermcmp.tabular.numbers import split_cell
from thermcmp.tabular.units import CANONICAL, Dimension, Unit, parse_unit, stated_bracket
from thermcmp.telemetry.quantities import (
    THROTTLED,
    Role,
    dimension_of,
    name_and_unit,
    recognise,
    role_of,
)
from thermcmp.telemetry.reading.cell_patterns import is_bit_mask, is_number
from thermcmp.telemetry.reading.options import Column, Reading


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a log that is read.

    Attributes
    ----------
    name : str
        Canonical name.
    position : int
        Position in the row, from 0.
    role : Role
        How its cells are read.
    heading : str
        Heading as written.
    unit : Unit or None
        Unit of cells that do not carry one themselves.
    """

    name: str
    position: int
    role: Role
    heading: str
    unit: Unit | None = None


def match_fields(
    headings: Sequence[str],
    reading: Reading,
    samples: Mapping[int, Sequence[str]],
    file: str | None,
) -> tuple[Field, ...]:
    """Find the fields to read and what they are called."""
    faults: list[Fault] = []
    places: dict[str, int] = {}
    for name, place in (reading.columns or {}).items():
        position = _find(place, headings, name, faults, file)
        if position is not None:
            places[name] = position
    stated = reading.columns is not None
    taken = set(places.values())
    found: dict[str, list[int]] = {}
    for position, heading in enumerate(headings):
        known = _recognise(heading, samples.get(position, ()))
        if known is not None and position not in taken and known not in places:
            found.setdefault(known, []).append(position)
    if stated:
        timed = {"time", "date", "elapsed_s"} & places.keys()
        found = (
            {}
            if timed
            else {n: p for n, p in found.items() if role_of(n) is Role.TIME or n == "elapsed_s"}
        )
    _part_counter(found, headings)
    for name, positions in found.items():
        if len(positions) > 1:
            faults.append(_twice(name, positions, headings, file))
        else:
            places[name] = positions[0]
    fields = [
        _field(name, position, headings[position], reading, samples, faults, file)
        for name, position in places.items()
    ]
    if faults:
        raise InputError("The columns of this log are not clear:", faults)
    return tuple(sorted(fields, key=lambda f: f.position))


def unread_notes(
    headings: Sequence[str], fields: Sequence[Field], samples: Mapping[int, Sequence[str]]
) -> tuple[str, ...]:
    """Name what a user may miss among the columns that were not asked for by name."""
    read = {f.position for f in fields}
    left = [i for i, heading in enumerate(headings) if heading and i not in read]
    units = [i for i in left if stated_bracket(headings[i]) and any(map(is_number, samples[i]))]
    flags = [i for i in left if recognise(*name_and_unit(headings[i])) == THROTTLED]
    notes = {"not read, as the unit is not known": units, "not read, as it holds bit masks": flags}
    return tuple(
        f"{words}: {', '.join(repr(headings[i]) for i in found[:4])}{' …' if found[4:] else ''}"
        for words, found in notes.items()
        if found
    )


def _part_counter(found: dict[str, list[int]], headings: Sequence[str]) -> None:
    """Return a counter of seconds from the clock beside it."""
    times = found.get("time", [])
    counters = [p for p in times if name_and_unit(headings[p])[1] is not None]
    if len(times) == 2 and len(counters) == 1 and "elapsed_s" not in found:
        found["time"] = [p for p in times if p not in counters]
        found["elapsed_s"] = counters


def _find(
    place: Column, headings: Sequence[str], name: str, faults: list[Fault], file: str | None
) -> int | None:
    """Find a stated column."""
    if isinstance(place, int):
        if place < len(headings):
            return place
        faults.append(
            Fault(
                f"there are {len(headings)} fields",
                "give a position from 0",
                file,
                None,
                name,
                str(place),
            )
        )
        return None
    if isinstance(place, re.Pattern):
        hits = [i for i, heading in enumerate(headings) if place.search(heading)]
        shown = place.pattern
    else:
        hits = [i for i, heading in enumerate(headings) if heading.strip() == place.strip()]
        shown = place
    if len(hits) == 1:
        return hits[0]
    if hits:
        where = ", ".join(map(str, hits))
        faults.append(
            Fault(f"found at positions {where}", "name it by position", file, None, name, shown)
        )
        return None
    near = get_close_matches(shown, headings, n=1, cutoff=0.5)
    there = [heading for heading in headings if heading]
    fix = (
        f"did you mean '{near[0]}'?" if near else f"the headings are {', '.join(there) or 'empty'}"
    )
    faults.append(Fault("no heading like this", fix, file, None, name, shown))
    return None


def _recognise(heading: str, cells: Sequence[str]) -> str | None:
    """Recognise a heading, by its unit or that of its cells."""
    if not heading:
        return None
    name, unit = name_and_unit(heading)
    own = _cell_unit(cells)
    if recognise(name, unit) == THROTTLED and cells and all(map(is_bit_mask, cells)):
        # Which bit means throttling is known to the user alone.
        return None
    if unit is None and own is not None and own.dimension is Dimension.TIME:
        return "elapsed_s"
    return recognise(name, unit or own)


def _cell_unit(cells: Sequence[str]) -> Unit | None:
    """Return the unit that all sampled cells carry."""
    units = {parse_unit(unit) for unit in {split_cell(cell)[1] for cell in set(cells)}}
    dimensions = {unit.dimension for unit in units if unit}
    return next(iter(units)) if None not in units and len(dimensions) == 1 else None


def _twice(name: str, positions: list[int], headings: Sequence[str], file: str | None) -> Fault:
    """Describe that two headings mean the same column."""
    shown = " and ".join(f"'{headings[p]}' at position {p}" for p in positions[:4])
    shown += " …" if len(positions) > 4 else ""
    fix = f"state which one with columns={{'{name}': position, …}}"
    if role_of(name) is Role.TIME:
        fix += "; with a clock per sensor read the file once per clock and join the frames"
    return Fault(f"{len(positions)} columns could be {name}: {shown}", fix, file, None, name)


def _field(
    name: str,
    position: int,
    heading: str,
    reading: Reading,
    samples: Mapping[int, Sequence[str]],
    faults: list[Fault],
    file: str | None,
) -> Field:
    """Complete a field with its unit."""
    role = role_of(name) or Role.TEXT
    _, unit = name_and_unit(heading)
    dimension = dimension_of(name)
    stated = reading.units.get(name)
    if role is not Role.NUMBER or dimension is None:
        return Field(name, position, role, heading, unit)
    if stated is not None:
        return Field(name, position, role, heading, parse_unit(stated))
    bracket = stated_bracket(heading)
    own = _cell_unit(samples.get(position, ()))
    wrong = next((u for u in (unit, own) if u and u.dimension is not dimension), None)
    if wrong is not None:
        faults.append(
            Fault(
                f"the log gives it in {wrong.symbol}",
                "name it by its own unit, or correct the column it is read from",
                file,
                None,
                name,
                heading,
            )
        )
    elif unit is None and own is None and bracket is not None:
        faults.append(
            Fault(
                f"the unit '{bracket}' is not known",
                f"state it with units={{'{name}': '{CANONICAL[dimension].symbol}'}}",
                file,
                None,
                name,
                heading,
            )
        )
    return Field(name, position, role, heading, unit or CANONICAL[dimension])
