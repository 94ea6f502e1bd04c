"""The logs of further instruments beside a card's: how they are read and joined to it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import pandas as pd

from thermcmp.errors import Fault, InputError
from thermcmp.telemetry.instruments.alignment import join_instruments, measure_offset
from thermcmp.telemetry.quantities import FRAME_COLUMNS
from thermcmp.telemetry.reading.frame import read_record
from thermcmp.telemetry.reading.options import Reading
from thermcmp.telemetry.reading.readers import TelemetryReader
from thermcmp.telemetry.steady_state.sampling_interval import usual_step_s

#: A reading counts for a time that is no further away, unless stated [s].
USUAL_TOLERANCE_S: Final = 1.0
#: A log that serves fewer readings than this may need a wider tolerance [%].
_SERVED: Final = 95.0
#: Largest offset that is looked for, unless stated [s].
_LARGEST_OFFSET_S: Final = 120.0
#: Options of an instrument that are not those of `Reading`.
_JOINING_OPTIONS: Final = ("reader", "tolerance_s", "offset_from", "largest_offset_s")


@dataclass(frozen=True, slots=True)
class Joining:
    """How an instrument's logs are read and joined."""

    reading: Reading
    reader: str | TelemetryReader | None = None
    #: A reading counts for a time that is no further away [s].
    tolerance_s: float = USUAL_TOLERANCE_S
    #: Column of the card's log and column of the instrument's that move together, from which a
    #: clock offset is measured where the run sheet states none.
    offset_from: tuple[str, str] | None = None
    largest_offset_s: float = _LARGEST_OFFSET_S  #: largest offset that is looked for [s]


def joinings(
    instruments: Mapping[str, Mapping[str, Any]] | None, roles: Iterable[str]
) -> dict[str, Joining]:
    """Return how the logs of each instrument of a run sheet are read and joined."""
    stated = dict(instruments or {})
    by_role = {role: _joining(role, stated.pop(role, {})) for role in roles}
    if stated:
        known = ", ".join(f"{role}_file" for role in by_role) or "no such column"
        faults = [
            Fault(
                "the run sheet names no log of this instrument",
                f"add a column {role}_file; it has {known}",
                column=role,
            )
            for role in stated
        ]
        raise InputError("These instruments cannot be joined:", faults)
    return by_role


def with_instrument(
    frame: pd.DataFrame, role: str, path: Path, offset_s: float | None, joining: Joining
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return a card's log joined with an instrument's, and notes about the match.

    Times are matched by date where both logs have dates, else by the seconds since the first
    reading of each.
    """
    record = read_record(path, joining.reading, joining.reader)
    other = record.frame
    by_date = "recorded_at" in frame and "recorded_at" in other
    if offset_s is None and joining.offset_from is not None:
        offset = measure_offset(
            frame,
            other,
            columns=joining.offset_from,
            largest_s=joining.largest_offset_s,
            by_date=by_date,
        )
        offset_s, how = offset.offset_s, f"measured to {offset.uncertainty_s:.0f} s"
    else:
        offset_s, how = offset_s or 0.0, "as stated"
    joined = join_instruments(
        frame, other, tolerance_s=joining.tolerance_s, offset_s=offset_s, by_date=by_date
    )
    new = [name for name in other.columns if name not in FRAME_COLUMNS]
    share = 100.0 * float(joined[new].notna().any(axis=1).mean())
    matched = (
        f"{role}: {path.name} gives {', '.join(new)} for {share:.0f} % of the readings, within "
        f"{joining.tolerance_s:g} s by {'date' if by_date else 'seconds since the start'}, clock "
        f"offset {offset_s:g} s {how}"
    )
    half_s = usual_step_s(other["time_s"].to_numpy(dtype=float)) / 2.0
    if share < _SERVED and half_s > joining.tolerance_s:
        matched += f"; its readings are {2.0 * half_s:g} s apart, tolerance_s={half_s:g} serves all"
    return joined, (*(f"{role}: {note}" for note in record.notes), matched)


def _joining(role: str, options: Mapping[str, Any]) -> Joining:
    """Return what is stated about an instrument, checked."""
    if not isinstance(options, Mapping):
        raise _refusal(role, "not a mapping", "give options as for read_telemetry", options)
    rest = dict(options)
    joined = {name: rest.pop(name) for name in _JOINING_OPTIONS if name in rest}
    joining = replace(Joining(Reading.of(rest.pop("columns", None), rest)), **joined)
    for name in ("tolerance_s", "largest_offset_s"):
        value = getattr(joining, name)
        if not (isinstance(value, (int, float)) and 0.0 < value < float("inf")):
            raise _refusal(f"{role}: {name}", "must be above zero", "give seconds", value)
    pair = joining.offset_from
    if pair is not None and not (
        isinstance(pair, (tuple, list)) and [type(name) for name in pair] == [str, str]
    ):
        fix = "give a column of the card's log and one of the instrument's that move together"
        raise _refusal(f"{role}: offset_from", "not two columns", fix, pair)
    return joining


def _refusal(column: str, message: str, fix: str, value: object) -> InputError:
    """Return the error for an option that is out of range."""
    fault = Fault(message, fix, column=column, value=str(value))
    return InputError("These instruments cannot be joined:", [fault])
