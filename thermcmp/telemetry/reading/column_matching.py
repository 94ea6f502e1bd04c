"""Matching the fields of a log to canonical columns."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from thermcmp.errors import Fault, InputError, suggest
from thermcmp.tabular.numbers import split_cell
from thermcmp.tabular.units import CANONICAL, Dimension, Unit, parse_unit, stated_bracket
from thermcmp.telemetry.quantities import (
    BLOCK,
    THROTTLED,
    Role,
    bare_time_unit,
    dimension_of,
    is_difference,
    name_and_unit,
    recognise,
    role_of,
)
from thermcmp.telemetry.reading.cell_patterns import is_bit_mask, is_number
from thermcmp.telemetry.reading.options import Column, Reading


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a log that is read, by canonical name, with the unit of bare cells."""

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
    """Find the fields to read, with their canonical names."""
    faults: list[Fault] = []
    places = _stated_places(headings, reading, faults, file)
    taken = set(places.values())
    times_only = reading.columns is not None
    timed = times_only and bool({"time", "date", "elapsed_s"} & places.keys())
    recognised: dict[str, list[int]] = {}
    for position, heading in enumerate(() if timed else headings):
        known = _recognise(heading, samples.get(position, ()))
        if known is None or position in taken or known in places:
            continue
        if not times_only or role_of(known) is Role.TIME or known == "elapsed_s":
            recognised.setdefault(known, []).append(position)
    _part_counter(recognised, headings)
    for name, positions in recognised.items():
        if len(positions) > 1:
            shown = " and ".join(f"'{headings[p]}' at position {p}" for p in positions[:4])
            message = f"{len(positions)} columns could be {name}: {shown}"
            message += " …" if len(positions) > 4 else ""
            fix = f"state which with columns={{'{name}': position, …}}"
            if role_of(name) is Role.TIME:
                fix += "; with a clock per sensor read the file once per clock and join the frames"
            faults.append(Fault(message, fix, file, None, name))
        else:
            places[name] = positions[0]
    faults += [
        Fault("a unit for a column that is not read", suggest(name, list(places)), file, None, name)
        for name in reading.units
        if name not in places
    ]
    fields = [
        _field(name, position, headings[position], reading, samples, faults, file)
        for name, position in places.items()
    ]
    if faults:
        raise InputError("The columns of this log cannot be identified:", faults)
    return tuple(sorted(fields, key=lambda f: f.position))


def _stated_places(
    headings: Sequence[str], reading: Reading, faults: list[Fault], file: str | None
) -> dict[str, int]:
    """Return the positions of the columns that the user names."""
    stated = dict(reading.columns or {})
    if reading.split_by not in (None, "gap", "device"):
        stated.setdefault(BLOCK, str(reading.split_by))
    places: dict[str, int] = {}
    for name, place in stated.items():
        position = _find(place, headings, name, faults, file)
        if position is not None:
            places[name] = position
    if BLOCK in places:
        # A set point is not a reading.
        places = {n: p for n, p in places.items() if n == BLOCK or p != places[BLOCK]}
    return places


def unread_notes(
    headings: Sequence[str],
    fields: Sequence[Field],
    samples: Mapping[int, Sequence[str]],
    *,
    stated: bool = False,
) -> tuple[str, ...]:
    """Name the unread columns that a user may miss."""
    read = {f.position for f in fields}
    left = [i for i, heading in enumerate(headings) if heading and i not in read]
    if stated:
        known = [i for i in left if _recognise(headings[i], samples[i])]
        return _listed({"recognised and not used, as columns= does not name it": known}, headings)
    names = {i: name_and_unit(headings[i]) for i in left}
    differences = [i for i in left if names[i][1] and is_difference(names[i][0])]
    units = [
        i for i in left
        if i not in differences and stated_bracket(headings[i]) and any(map(is_number, samples[i]))
    ]  # fmt: skip
    flags = [i for i in left if recognise(*name_and_unit(headings[i])) == THROTTLED]
    notes = {
        "not read, as the unit is not known": units,
        "not read, as it holds bit masks": flags,
        "not read, as it holds differences of temperatures": differences,
    }
    return _listed(notes, headings)


def _listed(notes: Mapping[str, Sequence[int]], headings: Sequence[str]) -> tuple[str, ...]:
    """Return a note for each list of positions that is not empty."""
    return tuple(
        f"{words}: {', '.join(repr(headings[i]) for i in unread[:4])}{' …' if unread[4:] else ''}"
        for words, unread in notes.items()
        if unread
    )


def _part_counter(recognised: dict[str, list[int]], headings: Sequence[str]) -> None:
    """Separate a counter of seconds from the clock beside it."""
    times = recognised.get("time", [])
    counters = [p for p in times if name_and_unit(headings[p])[1] is not None]
    if len(times) == 2 and len(counters) == 1 and "elapsed_s" not in recognised:
        recognised["time"] = [p for p in times if p not in counters]
        recognised["elapsed_s"] = counters


def _find(
    place: Column, headings: Sequence[str], name: str, faults: list[Fault], file: str | None
) -> int | None:
    """Return the position of a stated column; None, with a fault, where it is not unique."""
    if isinstance(place, int):
        shown, hits = str(place), [place] if place < len(headings) else []
    elif isinstance(place, re.Pattern):
        shown = place.pattern
        hits = [i for i, heading in enumerate(headings) if place.search(heading)]
    else:
        shown = place
        hits = [i for i, heading in enumerate(headings) if heading.strip() == place.strip()]
    if len(hits) == 1:
        return hits[0]
    near = get_close_matches(shown, headings, n=1, cutoff=0.5)
    if isinstance(place, int):
        message, fix = f"there are {len(headings)} fields", "give a position from 0"
    elif hits:
        message, fix = f"found at positions {', '.join(map(str, hits))}", "name it by position"
    elif near:
        message, fix = "no such heading", f"did you mean '{near[0]}'?"
    else:
        message = "no such heading"
        fix = f"the headings are {', '.join(filter(None, headings)) or 'empty'}"
    faults.append(Fault(message, fix, file, None, name, shown))
    return None


def _recognise(heading: str, cells: Sequence[str]) -> str | None:
    """Return the canonical name of a heading, by its unit or that of its cells."""
    if not heading:
        return None
    name, unit = name_and_unit(heading)
    cell_unit = _cell_unit(cells)
    if recognise(name, unit) == THROTTLED and cells and all(map(is_bit_mask, cells)):
        # Only the user knows which bit means throttling.
        return None
    if unit is None and cell_unit is not None and cell_unit.dimension is Dimension.TIME:
        return "elapsed_s"
    return recognise(name, unit or cell_unit)


def _cell_unit(cells: Sequence[str]) -> Unit | None:
    """Return the unit that all sampled cells carry."""
    units = {parse_unit(unit) for unit in {split_cell(cell)[1] for cell in set(cells)}}
    dimensions = {unit.dimension for unit in units if unit}
    return next(iter(units)) if None not in units and len(dimensions) == 1 else None


def _field(
    name: str,
    position: int,
    heading: str,
    reading: Reading,
    samples: Mapping[int, Sequence[str]],
    faults: list[Fault],
    file: str | None,
) -> Field:
    """Return a field with its unit."""
    role = role_of(name) or Role.TEXT
    _, unit = name_and_unit(heading)
    dimension = dimension_of(name)
    stated = reading.units.get(name)
    if role is not Role.NUMBER or dimension is None:
        return Field(name, position, role, heading, unit or bare_time_unit(heading))
    if stated is not None:
        return Field(name, position, role, heading, parse_unit(stated))
    bracket = stated_bracket(heading)
    cell_unit = _cell_unit(samples.get(position, ()))
    wrong = next((u for u in (unit, cell_unit) if u and u.dimension is not dimension), None)
    if wrong is not None:
        message = f"its unit in the log is {wrong.symbol}"
        fix = "name it by its actual unit, or correct which column it is read from"
        faults.append(Fault(message, fix, file, None, name, heading))
    elif unit is None and cell_unit is None and bracket is not None:
        message = f"the unit '{bracket}' is not known"
        fix = f"state it with units={{'{name}': '{CANONICAL[dimension].symbol}'}}"
        faults.append(Fault(message, fix, file, None, name, heading))
    return Field(name, position, role, heading, unit or CANONICAL[dimension])
