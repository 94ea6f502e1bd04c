"""Watching a run at the bench: how long it must still be at load."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from os import PathLike
from pathlib import Path
from typing import Any

import pandas as pd

from thermcmp.errors import Fault, InputError
from thermcmp.telemetry.reading.options import Column, Reading
from thermcmp.telemetry.reading.readers import TelemetryReader
from thermcmp.telemetry.steady_state.protocol import Protocol
from thermcmp.telemetry.watching.assessment import Wish, assess
from thermcmp.telemetry.watching.following import Pace, Seen, follow_file, follow_pieces
from thermcmp.telemetry.watching.state import WatchState

#: Looks at a file per step of log time.
_POLLS = 6


def watch(  # noqa: PLR0913 - the public face
    source: str | PathLike[str] | Iterable[pd.DataFrame | Mapping[str, Any]],
    columns: Mapping[str, Column] | None = None,
    *,
    wanted_k: float = 0.5,
    protocol: Protocol | None = None,
    run: Mapping[str, Any] | None = None,
    sensors: Sequence[str] | None = None,
    loaded_from_w: float | None = None,
    every_s: float = 30.0,
    give_up_min: float = 60.0,
    timeout_s: float = 120.0,
    reader: str | TelemetryReader | None = None,
    sleep: Callable[[float], None] = time.sleep,
    **options: Any,
) -> Iterator[WatchState]:
    """Follow a growing log, and state when its steady values are known well enough.

    Steady values and their errors are those of `reduce_telemetry` on the log up to now. They
    are good enough once they have been so in three looks in a row; the largest of their three
    errors is stated, as one look would be stopped at by luck. What digits that may be cut off
    add to it is stated, and not waited for, as no time at load mends it.

    Stay with a card at load: what is watched is the steady value, not the safety of the card.
    Heatsinks and boards are hot enough to burn, and fans start without warning.

    Parameters
    ----------
    source : path-like, or iterable of pandas.DataFrame or mapping
        The log, which need not exist yet; or telemetry in pieces or rows, in the columns of
        `read_telemetry`.
    columns : mapping of str to str, int or re.Pattern, optional
        As for `read_telemetry`.
    wanted_k : float
        Standard error at which a steady value is good enough [K].
    protocol : Protocol, optional
        Protocol of the test; that of ``Protocol()`` by default.
    run : mapping, optional
        The run's row of the run sheet, as for `reduce_telemetry`.
    sensors : sequence of str, optional
        Sensors that must be good enough; all by default.
    loaded_from_w : float, optional
        Power from which the card is at load [W], where no load is logged and power does not
        show it, as in a log that begins at load. 0 states that the whole log is at load.
    every_s : float
        Time of the log between two states [s].
    give_up_min : float
        Longest time at load that is waited for [min].
    timeout_s : float
        Longest wait for a new reading of a file [s].
    reader : str or TelemetryReader, optional
        As for `read_telemetry`.
    sleep : callable
        Waits for some seconds between two looks at a file.
    **options
        Any other attribute of `Reading`.

    Yields
    ------
    WatchState
        The last one has `ended`: good enough, the load or the log ended, or given up.

    Raises
    ------
    InputError
        If a value is out of range, the file never appears, or the log holds several devices.
    """
    protocol = protocol or Protocol()
    cut_unknown = protocol.truncated is None
    if cut_unknown:
        # No time at load shows whether a sensor cuts digits off: it is no reason to wait.
        protocol = replace(protocol, truncated=())
    wish = Wish(
        wanted_k=wanted_k,
        protocol=protocol,
        run=dict(run or {}),
        sensors=None if sensors is None else tuple(sensors),
        loaded_from_w=loaded_from_w,
        every_s=every_s,
        cut_unknown=cut_unknown,
    )
    numbers = {"every_s": every_s, "give_up_min": give_up_min, "timeout_s": timeout_s}
    faults = [
        Fault("must be above zero", "give a finite number", column=name, value=str(value))
        for name, value in {"wanted_k": wanted_k, **numbers}.items()
        if not 0.0 < value < float("inf")
    ]
    if isinstance(sensors, str):
        faults.append(
            Fault("not a list of names", f"give [{sensors!r}]", column="sensors", value=sensors)
        )
    if faults:
        raise InputError("This log cannot be watched:", faults)
    if isinstance(source, str | PathLike):
        pace = Pace(every_s=every_s, poll_s=every_s / _POLLS, timeout_s=timeout_s, sleep=sleep)
        seen = follow_file(Path(source), Reading.of(columns, options), reader, pace)
    else:
        unread = {"columns": columns, "reader": reader, **options}
        faults = [
            Fault("is for files", "leave it out, or give the path of a log", column=name)
            for name, value in unread.items()
            if value is not None
        ]
        if faults:
            raise InputError("This log cannot be watched:", faults)
        seen = follow_pieces(source, every_s)
    return _states(seen, wish, give_up_min)


def _states(seen: Iterable[Seen], wish: Wish, give_up_min: float) -> Iterator[WatchState]:
    """Yield the state of each look, up to the last one."""
    for look in seen:
        if look.frame is None:
            state = WatchState.empty(wish.wanted_k, (f"cannot be read: {look.trouble}",))
        else:
            state = assess(look.frame, wish)
        ended = state.ended or look.ended
        if state.good_enough:
            ended = "good enough"
        elif not ended and state.load_s >= 60.0 * give_up_min:
            ended = f"given up after {give_up_min:g} min at load"
        yield state.ending(ended, *look.notes)
        if ended:
            return
