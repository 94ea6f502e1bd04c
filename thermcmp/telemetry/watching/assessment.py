"""One look at a log up to now: steady values, time still needed, what would refuse it.

The steady values are those of `reduce_telemetry` on the log up to now. Only the time still
needed is forecast here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd

from thermcmp.telemetry.loaded_record.loops import LOOPS
from thermcmp.telemetry.quantities import AMBIENT, FAN_DUTY, FAN_SPEED, LOAD, POWER, sensor_names
from thermcmp.telemetry.steady_state.condition_checks import TITLES
from thermcmp.telemetry.steady_state.load import (
    ANOTHER_STRETCH,
    LONG_GAP_S,
    at_load,
    longest_stretch,
    pause_advice,
    pauses_in,
)
from thermcmp.telemetry.steady_state.protocol import Protocol, Verdict
from thermcmp.telemetry.steady_state.quantization import find_step
from thermcmp.telemetry.steady_state.reduction import Reduction
from thermcmp.telemetry.steady_state.relaxation import SLOW_SHARE
from thermcmp.telemetry.steady_state.run_data import Readings, block_means
from thermcmp.telemetry.steady_state.run_reduction import COARSE_K, reduce_telemetry
from thermcmp.telemetry.watching.state import STEADY_COLUMNS, WatchState

#: The error of an end that is not yet seen is about the share of the rise that slow parts
#: carry, and fades with this time constant [s]: seen in simulated logs of two time constants
#: (tests/studies/test_watching.py).
_FADES_S: Final = 520.0
#: Rise of a usual card at load [K] (common practice, no source).
_USUAL_K: Final = 50.0
#: Looks in a row that must be good enough. One look is stopped at by luck: who looks again and
#: again until an error is small selects the looks at which it is understated.
LOOKS: Final = 3
#: Power is shown as the mean over this time [s].
_SHOWN_S: Final = 30.0
#: Checks that more time at load may mend.
_TIME_MENDS: Final = ("soak", "settled", LOOPS)
#: Checks of conditions that may still settle, with their columns.
_SETTLING: Final = {
    "fan speed steady": FAN_SPEED,
    "fan duty steady": FAN_DUTY,
    "power steady": POWER,
}
#: A condition settles if its last move in a window is at most this share of the first.
_SLOWS: Final = 0.5
_PARTS: Final = 4
#: Last readings by which power or fan is seen to have moved just now.
_LAST: Final = 3
#: Pauses that keep coming; one may be that before the test.
_LEAST_PAUSES: Final = 2
_NO_LOAD: Final = (
    "no load is seen: log load_percent, or give loaded_from_w=, the power from which the card is "
    "at load"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What is wanted of a run, and how its load is known."""

    wanted_k: float
    protocol: Protocol
    run: Mapping[str, Any] = field(default_factory=dict)
    sensors: tuple[str, ...] | None = None
    loaded_from_w: float | None = None
    every_s: float = 30.0
    #: Whether sensors may cut digits off: no time at load mends what that may be.
    cut_unknown: bool = False


def assess(frame: pd.DataFrame, wish: Wish) -> WatchState:
    """Return what a log shows up to its last reading."""
    end_s = float(frame["time_s"].iloc[-1])
    frame = _with_load(frame, wish)
    record, notes = _current(frame, wish.protocol)
    if record is None:
        return WatchState.empty(wish.wanted_k, (_NO_LOAD,), end_s)
    reduction = reduce_telemetry(record, wish.protocol, run=wish.run)
    load_s, since_s = _load_times(reduction, record, wish.protocol)
    table = _table(reduction, load_s, wish)
    refusals, more = _refusals(reduction, table, wish)
    notes += more
    advice = _pauses(frame, wish.protocol)
    refusals += (advice,) if advice else ()
    refusals += tuple(_just_moved(reduction))
    if since_s > wish.protocol.pause_s:
        refusals += (f"not at load since second {end_s - since_s:.0f}",)
    wanted = table[_is_wanted(table, wish)]
    good = not refusals and bool(len(wanted)) and bool(wanted["good_enough"].all())
    if good:
        # What is stated is what has been true for a while, with the largest error of that time.
        table, good = _confirmed(record, table, wish)
        wanted = table[_is_wanted(table, wish)]
    if wish.cut_unknown:
        table, cut = _with_cut(table, reduction)
        notes += cut
    left = 0.0 if good else wanted["minutes_left"].max(skipna=False) if len(wanted) else np.nan
    if refusals:
        left = np.nan
    power = record[POWER][record["time_s"] > end_s - _SHOWN_S].mean() if POWER in record else np.nan
    ended = ""
    if since_s > LONG_GAP_S and load_s >= wish.protocol.window_s:
        ended = f"the load ended {since_s:.0f} s before the last reading"
    return WatchState(
        at_s=end_s, load_s=load_s, power_w=float(power), wanted_k=wish.wanted_k, steady_c=table,
        minutes_left=float(left), good_enough=good, refusals=refusals, ended=ended, notes=notes,
        reduction=reduction,
    )  # fmt: skip


def _with_load(frame: pd.DataFrame, wish: Wish) -> pd.DataFrame:
    """Return the readings with the load that a stated power shows."""
    if wish.loaded_from_w is None:
        return frame
    loaded = np.ones(len(frame), dtype=bool)
    if POWER in frame:
        loaded = (frame[POWER].ffill() >= wish.loaded_from_w).to_numpy()
    return frame.assign(**{LOAD: np.where(loaded, 100.0, 0.0)})


def _current(
    frame: pd.DataFrame, protocol: Protocol
) -> tuple[pd.DataFrame | None, tuple[str, ...]]:
    """Return the log since the load before the present one, None where no load is seen."""
    notes: list[str] = []
    while True:
        readings = Readings.of(frame)
        power, load = readings.get(POWER), readings.get(LOAD)
        loaded = at_load(readings.time_s, power, load)
        # At idle alone the idle power is the highest: it would be taken for the load.
        if loaded is None or not loaded.any():
            return None, ()
        if loaded.all() and (load is None or not np.nanmax(load, initial=0.0) >= 50.0):
            return None, ()
        segment = frame["segment"].to_numpy() if "segment" in frame else np.zeros(len(frame))
        stretch, spans = longest_stretch(
            readings.time_s, segment.astype(np.int64), loaded, protocol.pause_s
        )
        later = [
            s for s in spans
            if s.reason == ANOTHER_STRETCH and stretch is not None
            and s.start_s > stretch.end_s and s.end_s - s.start_s >= LONG_GAP_S
        ]  # fmt: skip
        if stretch is None or not later:
            break
        frame = frame[frame["time_s"] > stretch.end_s].reset_index(drop=True)
        notes = [f"only the load after second {stretch.end_s:.0f} is watched"]
    if loaded[0]:
        notes.append("the log begins at load: what was soaked before is not seen")
    return frame, tuple(notes)


def _load_times(
    reduction: Reduction, record: pd.DataFrame, protocol: Protocol
) -> tuple[float, float]:
    """Return the time at load since the soak began, and the time since the load ended [s]."""
    end_s = float(record["time_s"].iloc[-1])
    soak = next(check for check in reduction.checks if check.name in ("soak", "load"))
    if reduction.window_s is not None:
        stop_s = reduction.window_s[1]
        full = soak.verdict is Verdict.PASS or soak.limit == protocol.soak_s
        # A full soak is stated up to the window, an unfinished one up to the end.
        return soak.figure + (protocol.window_s if full else 0.0), end_s - stop_s
    seen = 0.0 if np.isnan(soak.figure) else soak.figure
    stop_s = end_s if np.isnan(soak.second) else soak.second
    return seen, end_s - stop_s


def _table(reduction: Reduction, load_s: float, wish: Wish) -> pd.DataFrame:
    """Return each sensor's steady value, its error and the minutes still needed."""
    rows, kept = reduction.estimates, set(reduction.rows.get("sensor", ()))
    records = []
    for row in rows.to_dict("records"):
        error_k = float(row["standard_error_k"])
        good = row["sensor"] in kept and error_k <= wish.wanted_k
        left = 0.0 if good else _minutes_left(error_k, load_s, wish)
        records.append((row["sensor"], float(row["temperature_c"]), error_k, left, good))
    if not records:
        records = [
            (name, np.nan, np.nan, _minutes_left(np.nan, load_s, wish), False)
            for name in sensor_names(list(map(str, reduction.frame.columns)))
        ]
    return pd.DataFrame(records, columns=list(STEADY_COLUMNS))


def _minutes_left(error_k: float, load_s: float, wish: Wish) -> float:
    """Return the minutes at load until an error is as wanted, with the looks that confirm it."""
    protocol = wish.protocol
    if np.isfinite(error_k):
        left_s = _FADES_S * float(np.log(max(error_k / wish.wanted_k, 1.0)))
    else:
        # A rise of which no end is seen yet: that of a usual card (common practice, no source).
        usual_s = _FADES_S * float(np.log(max(SLOW_SHARE * _USUAL_K / wish.wanted_k, 1.0)))
        least_s = (protocol.soak_s + protocol.window_s) / 2.0
        left_s = max(usual_s, least_s) - load_s
        if left_s <= 0.0:
            return float("nan")
    return (left_s + (LOOKS - 1) * wish.every_s) / 60.0


def _is_wanted(table: pd.DataFrame, wish: Wish) -> pd.Series:
    """Return which rows of a table are of wanted sensors."""
    if wish.sensors is None:
        return pd.Series(True, index=table.index)
    return table["sensor"].isin(wish.sensors)


def _window_of(reduction: Reduction) -> Readings:
    """Return the readings in the window of a run; none without one."""
    if reduction.window_s is None:
        return Readings({})
    return Readings.of(reduction.frame).between(*reduction.window_s)


def _just_moved(reduction: Reduction) -> Iterator[str]:
    """Yield which of power and fan speed left the range of its window with the last readings."""
    window = _window_of(reduction)
    shares = {
        POWER: reduction.protocol.power_drift_share,
        FAN_SPEED: reduction.protocol.fan_drift_share,
    }
    for name, share in shares.items():
        values = window.known(name)[1] if name in window else np.empty(0)
        if len(values) < 8 * _LAST:
            continue
        before, now = values[:-_LAST], float(np.median(values[-_LAST:]))
        low, usual, high = np.quantile(before, [0.01, 0.5, 0.99])
        if not low - share * usual <= now <= high + share * usual:
            moved = f"{TITLES[name]} has just moved from {usual:.0f} to {now:.0f}"
            yield f"{moved}: the soak begins anew"


def _pauses(frame: pd.DataFrame, protocol: Protocol) -> str:
    """Return how pauses that keep coming can be joined; empty where there are none."""
    end_s = float(frame["time_s"].iloc[-1])
    # Those before a long time at load are over.
    readings = Readings.of(frame).between(end_s - protocol.soak_s, end_s)
    loaded = at_load(readings.time_s, readings.get(POWER), readings.get(LOAD))
    if pauses_in(readings.time_s, loaded, LONG_GAP_S)[0] < _LEAST_PAUSES:
        return ""
    return pause_advice(readings.time_s, loaded, protocol.pause_s)


def _with_cut(table: pd.DataFrame, reduction: Reduction) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return a table whose errors allow for digits that are cut off, and a note where it shows."""
    if not len(reduction.estimates):
        return table, ()
    steps = reduction.estimates.set_index("sensor")["resolution_k"].reindex(table["sensor"])
    cut_k = np.array([Protocol().cut_k(str(name), float(step))[1] for name, step in steps.items()])
    error_k = np.hypot(table["standard_error_k"].to_numpy(dtype=float), cut_k)
    if AMBIENT in reduction.frame and reduction.frame[AMBIENT].notna().any():
        air_step_k = find_step(reduction.frame[AMBIENT].dropna())
        error_k = np.hypot(error_k, Protocol().cut_k("ambient", air_step_k)[1])
    coarse = [str(name) for name, k in zip(steps.index, cut_k, strict=True) if k >= COARSE_K]
    notes: tuple[str, ...] = ()
    if coarse:
        notes = (
            f"{', '.join(coarse)}: {np.nanmax(cut_k):.2f} K of the error is for digits that may be "
            "cut off, which no time at load mends: Protocol(truncated=…) states it",
        )
    return table.assign(standard_error_k=error_k), notes


def _refusals(
    reduction: Reduction, table: pd.DataFrame, wish: Wish
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what would refuse the run or a wanted sensor and time does not mend, and notes."""
    refusals, notes = [], []
    # Before there are enough loops for a mean, power is not that of whole ones.
    early = [c for c in reduction.checks if c.name == LOOPS and c.verdict is Verdict.REFUSED]
    for check in reduction.checks:
        if check.name == "regulated" or check in early:
            notes.append(check.words)
        if early and check.name in _SETTLING:
            continue
        if check.verdict is not Verdict.REFUSED or check.name in _TIME_MENDS:
            continue
        if check.name in _SETTLING and _settles(reduction, _SETTLING[check.name]):
            notes.append(f"{check.words.removesuffix(': not held')}, and is still settling")
            continue
        if check.sensor and wish.sensors is not None and check.sensor not in wish.sensors:
            continue
        refusals.append((f"{check.sensor}: " if check.sensor else "") + check.words)
    absent = [name for name in wish.sensors or () if name not in set(table["sensor"])]
    refusals += [f"the log has no sensor '{name}'" for name in absent]
    return tuple(dict.fromkeys(refusals)), tuple(notes)


def _settles(reduction: Reduction, name: str) -> bool:
    """Return whether a condition moves one way in the window, and ever less, as a fan curve's."""
    window = _window_of(reduction)
    values = window.known(name)[1] if name in window else np.empty(0)
    if len(values) < 2 * _PARTS:
        return False
    moves = np.diff(block_means(values, len(values) // _PARTS))
    one_way = bool(np.all(moves > 0.0) or np.all(moves < 0.0))
    return one_way and bool(abs(moves[-1]) <= _SLOWS * abs(moves[0]))


def _confirmed(record: pd.DataFrame, table: pd.DataFrame, wish: Wish) -> tuple[pd.DataFrame, bool]:
    """Return a table with the largest error of the last looks, and whether all were good."""
    end_s = float(record["time_s"].iloc[-1])
    wanted = _is_wanted(table, wish).to_numpy()
    values, errors = table["steady_c"].to_numpy(), table["standard_error_k"].to_numpy()
    good, left = table["good_enough"].to_numpy(dtype=bool), table["minutes_left"].to_numpy()
    for look in range(1, LOOKS):
        part = record[record["time_s"] <= end_s - look * wish.every_s]
        rows = reduce_telemetry(part, wish.protocol, run=wish.run).rows if len(part) > 1 else None
        if rows is None or not len(rows):
            before_c = before_k = np.full(len(table), np.nan)
        else:
            rows = rows.set_index("sensor").reindex(table["sensor"])
            before_c = rows["temperature_c"].to_numpy(dtype=float)
            before_k = rows["standard_error_k"].to_numpy(dtype=float)
        same = (before_k <= wish.wanted_k) & (np.abs(before_c - values) <= wish.wanted_k)
        left = np.where(good & ~same, (LOOKS - look) * wish.every_s / 60.0, left)
        good, errors = good & same, np.fmax(errors, np.where(same, before_k, np.nan))
    table = table.assign(standard_error_k=errors, minutes_left=left, good_enough=good)
    return table, bool(good[wanted].all())
