"""Checks of the conditions that a run held in its window."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from thermcmp.tabular.units import Dimension
from thermcmp.telemetry.quantities import (
    AMBIENT,
    FAN_DUTY,
    FAN_SPEED,
    FIRMWARE,
    POWER,
    THROTTLED,
    dimension_of,
    is_of_air,
    is_set_point,
)
from thermcmp.telemetry.steady_state.checks import Check, stated_value
from thermcmp.telemetry.steady_state.protocol import Held, Protocol, Verdict
from thermcmp.telemetry.steady_state.run_data import Readings

#: A change of ambient up to this many times the limit is corrected.
AMBIENT_CORRECTABLE: Final = 3.0
#: A controller hunts when its actuator swings to each side by more than this many times the
#: limit of a change, in means over blocks of this length [s].
_HUNTING: Final = 3.0
_BLOCK_S: Final = 10.0
#: Largest share of a window for which a condition may go unlogged.
_UNLOGGED_SHARE: Final = 0.2
#: Fewest readings of the air in a window.
_FEWEST: Final = 2
UNITS: Final = {FAN_SPEED: "rpm", FAN_DUTY: "%", POWER: "W", AMBIENT: "°C"}
TITLES: Final = {FAN_SPEED: "fan speed", FAN_DUTY: "fan duty", POWER: "power", AMBIENT: "ambient"}


def check_conditions(window: Readings, protocol: Protocol, run: Mapping[str, Any]) -> list[Check]:
    """Check the conditions that a run held in its window."""
    return [
        *_check_fan(window, protocol, run),
        *_check_quantity(window, POWER, protocol.power_drift_share, protocol.power_w, run),
        *_check_ambient(window, protocol, run),
        *_check_firmware(window, protocol, run),
        *_check_throttling(window, protocol),
    ]


def _check_fan(window: Readings, protocol: Protocol, run: Mapping[str, Any]) -> list[Check]:
    """Check that the fan speed is known by tachometer, steady and as held."""
    logged = not np.isnan(window.mean(FAN_SPEED))
    if logged or not np.isnan(stated_value(run, FAN_SPEED)):
        share = protocol.fan_drift_share
        return _check_quantity(window, FAN_SPEED, share, protocol.fan_rpm, run)
    duty = window.mean(FAN_DUTY)
    steady = []
    if np.isnan(duty):
        why = " (0 rpm or nothing in all readings)" if FAN_SPEED in window else ""
        words = f"no fan speed was logged{why}: the run cannot be compared at equal speed"
        words += _to_name([c for c in window.columns if c.endswith("_rpm")], FAN_SPEED)
    else:
        words = (
            f"duty alone ({duty:.0f} %): duty is not fan speed, so the run cannot enter a "
            "comparison at equal speed; log the tachometer"
        )
        steady = _steadiness(window, FAN_DUTY, duty, protocol.fan_drift_share)
    verdict = Verdict.REFUSED if protocol.tachometer else Verdict.CORRECTED
    return [Check("fan speed", verdict, words, duty, unit="%"), *steady]


def _check_quantity(
    window: Readings, name: str, drift_share: float, held: Held | None, run: Mapping[str, Any]
) -> list[Check]:
    """Check that a quantity is known, steady and as held."""
    mean = window.mean(name)
    if np.isnan(mean):
        return _check_stated(window, name, held, run)
    return [*_steadiness(window, name, mean, drift_share), *_held(window, name, mean, held)]


def _check_stated(
    window: Readings, name: str, held: Held | None, run: Mapping[str, Any]
) -> list[Check]:
    """Check a quantity that was not logged by its value in the run sheet."""
    title, stated = TITLES[name], stated_value(run, name)
    if np.isnan(stated):
        words = f"no {title} was logged, and the run sheet states none"
        like = is_of_air if name == AMBIENT else _is_power
        words += _to_name([column for column in window.columns if like(column)], name)
        return [Check(title, Verdict.REFUSED, words)]
    words = f"{title} was stated once, not logged"
    once = Check(title, Verdict.CORRECTED, words, stated, unit=UNITS[name])
    return [once, *_held(window, name, stated, held)]


def _to_name(columns: list[str], name: str) -> str:
    """Return how a column that may be the missing one is named; empty without any."""
    others = [column for column in columns if column != name]
    if not others:
        return ""
    return f"; name {'one of ' * (len(others) > 1)}{', '.join(others)} as {name} by columns="


def _is_power(column: str) -> bool:
    """Return whether a column is a power, and not a limit of it."""
    return dimension_of(column) is Dimension.POWER and not is_set_point(column)


def _check_ambient(window: Readings, protocol: Protocol, run: Mapping[str, Any]) -> list[Check]:
    """Check that the ambient is known, steady and as held."""
    ambient = window.mean(AMBIENT)
    if np.isnan(ambient):
        return _check_stated(window, AMBIENT, protocol.ambient_c, run)
    moved, second = window.movement(AMBIENT)
    times_s, readings_c = window.known(AMBIENT)
    if np.isnan(moved) and len(readings_c) >= _FEWEST:
        # As of a thermometer that is read each minute.
        moved, second = float(np.ptp(readings_c)), float(times_s[np.argmax(readings_c)])
    limit = protocol.ambient_drift_k
    held = _held(window, AMBIENT, ambient, protocol.ambient_c)
    verdict, words = Verdict.PASS, f"ambient moved by {moved:.2f} K"
    if np.isnan(moved):
        verdict = Verdict.REFUSED
        words = (
            "ambient has too few readings: give a thermometer that logs more slowly a log of its "
            "own, with tolerance_s of half its period"
        )
    elif not moved <= limit:
        words = f"ambient moved by {moved:.1f} K"
        if moved <= AMBIENT_CORRECTABLE * limit:
            verdict = Verdict.CORRECTED
            words += "; the rise is over the air that was followed"
        else:
            verdict = Verdict.REFUSED
            words += ": too fast for the cooler to follow"
    broke_s = float("nan") if verdict is Verdict.PASS else second
    return [Check("ambient steady", verdict, words, moved, limit, "K", broke_s), *held]


def _check_firmware(window: Readings, protocol: Protocol, run: Mapping[str, Any]) -> list[Check]:
    """Check that the firmware is as stated and did not change."""
    versions = set()
    if FIRMWARE in window:
        logged = window[FIRMWARE]
        versions = set(pd.unique(logged[~pd.isna(logged)])) - {""}
    stated = run.get(FIRMWARE)
    if stated is not None and not pd.isna(stated) and str(stated):
        versions.add(str(stated))
    wanted = protocol.firmware
    verdict, words = Verdict.REFUSED, f"firmware is {', '.join(versions) or 'not stated'}"
    if len(versions) > 1:
        words = f"log and run sheet differ: {' and '.join(sorted(versions))}"
    elif wanted is None:
        return []
    elif versions == {wanted}:
        verdict = Verdict.PASS
    else:
        words += f", not {wanted}"
    return [Check("firmware", verdict, words)]


def _check_throttling(window: Readings, protocol: Protocol) -> list[Check]:
    """Check that the card was not throttled in the window."""
    if THROTTLED not in window:
        return []
    throttled = window[THROTTLED]
    if not throttled.any():
        return [Check("throttling", Verdict.PASS, "not throttled", 0.0, 0.0, "%")]
    share = 100.0 * float(np.mean(throttled))
    second = float(window.time_s[np.argmax(throttled)])
    verdict = Verdict.REFUSED if protocol.throttling == "refuse" else Verdict.CORRECTED
    words = f"throttled in {share:.0f} % of the window"
    return [Check("throttling", verdict, words, share, 0.0, "%", second)]


def _steadiness(window: Readings, name: str, mean: float, share: float) -> list[Check]:
    """Check that a quantity was logged throughout the window and did not move."""
    moved, second = window.movement(name)
    unit, limit = UNITS[name], share * abs(mean)
    title = f"{TITLES[name]} steady"
    logged_s = np.concatenate([window.time_s[:1], window.known(name)[0], window.time_s[-1:]])
    longest = int(np.argmax(np.diff(logged_s)))
    unlogged_s = float(logged_s[longest + 1] - logged_s[longest])
    most_s = _UNLOGGED_SHARE * float(np.ptp(window.time_s))
    if unlogged_s > most_s:
        words = f"{TITLES[name]} was not logged for {unlogged_s:.0f} s of the window"
        start_s = float(logged_s[longest])
        return [Check(title, Verdict.REFUSED, words, unlogged_s, most_s, "s", start_s)]
    if np.isnan(moved):
        return [Check(title, Verdict.REFUSED, f"too few readings of {TITLES[name]}")]
    words = f"{TITLES[name]} moved by {moved:.4g} {unit} around {mean:.4g} {unit}"
    if moved > limit:
        words += ": not held"
        return [Check(title, Verdict.REFUSED, words, moved, limit, unit, second)]
    time_s, values = window.known(name)
    blocks = ((time_s - time_s[0]) // _BLOCK_S).astype(np.int64)
    counts = np.bincount(blocks)
    means = np.bincount(blocks, values)[counts > 0] / counts[counts > 0]
    # Half the width of the middle 95 %.
    swing = float(np.diff(np.quantile(means, [0.025, 0.975]))[0]) / 2.0
    if swing > _HUNTING * limit:
        words = (
            f"{TITLES[name]} hunted by ±{swing:.4g} {unit} around {mean:.4g} {unit}; "
            "its mean is taken"
        )
        return [Check(title, Verdict.CORRECTED, words, swing, _HUNTING * limit, unit)]
    return [Check(title, Verdict.PASS, words, moved, limit, unit)]


def _held(window: Readings, name: str, mean: float, held: Held | None) -> list[Check]:
    """Check that a quantity was at its target."""
    if held is None:
        return []
    unit, verdict = UNITS[name], held.judge(mean)
    words = f"{TITLES[name]} is {mean:.5g} {unit}, held at {held.target:g} ± {held.tolerance:g}"
    second = float("nan")
    if verdict is not Verdict.PASS and name in window:
        off = np.abs(window[name] - held.target) > held.tolerance
        second = float(window.time_s[np.argmax(off)])
    return [Check(TITLES[name], verdict, words, mean - held.target, held.tolerance, unit, second)]
