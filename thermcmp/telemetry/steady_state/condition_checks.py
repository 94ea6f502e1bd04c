"""The protocol's checks of what a run held in its window."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from thermcmp.telemetry.quantities import (
    AMBIENT,
    FAN_DUTY,
    FAN_SPEED,
    FIRMWARE,
    POWER,
    THROTTLED,
)
from thermcmp.telemetry.steady_state.checks import Check, stated_value
from thermcmp.telemetry.steady_state.protocol import Held, Protocol, Verdict
from thermcmp.telemetry.steady_state.run_data import Readings

#: Ambient may change by this many times the protocol's limit and still be corrected.
AMBIENT_CORRECTABLE: Final = 3.0
#: A controller hunts when what it moves swings by more than this many times the limit of
#: a change, to each side, in means over these seconds.
_HUNTING: Final = 3.0
_BLOCK_S: Final = 10.0
#: A condition that was not logged for more than this share of a window was not watched.
_UNWATCHED_SHARE: Final = 0.2
_UNITS: Final = {FAN_SPEED: "rpm", FAN_DUTY: "%", POWER: "W", AMBIENT: "°C"}
_NAMES: Final = {FAN_SPEED: "fan speed", FAN_DUTY: "fan duty", POWER: "power", AMBIENT: "ambient"}


def check_conditions(window: Readings, protocol: Protocol, run: Mapping[str, Any]) -> list[Check]:
    """Check what a run held in its window."""
    return [
        *_check_fan(window, protocol, run),
        *_check_power(window, protocol, run),
        *_check_ambient(window, protocol, run),
        *_check_firmware(window, protocol, run),
        *_check_throttling(window, protocol),
    ]


def _check_fan(window: Readings, protocol: Protocol, run: Mapping[str, Any]) -> list[Check]:
    """Check that the fan speed is known by tachometer, steady and as held."""
    speed = window.mean(FAN_SPEED)
    stated = stated_value(run, FAN_SPEED)
    if np.isnan(speed) and not np.isnan(stated):
        once = Check(
            "fan speed",
            Verdict.CORRECTED,
            "fan speed was stated once, not logged",
            stated,
            unit="rpm",
        )
        return [once, *_held(window, FAN_SPEED, stated, protocol.fan_rpm)]
    if np.isnan(speed):
        duty = window.mean(FAN_DUTY)
        verdict = Verdict.REFUSED if protocol.tachometer else Verdict.CORRECTED
        if np.isnan(duty):
            words = "no fan speed was logged: the run cannot be compared at equal speed"
            others = [c for c in window.columns if c.endswith("_rpm")]
            words += f"; name one of {', '.join(others)} fan_rpm" if others else ""
        else:
            words = (
                f"duty alone ({duty:.0f} %): duty is not fan speed, so the run cannot enter a "
                "comparison at equal speed; log the tachometer"
            )
        steady = (
            [] if np.isnan(duty) else _steadiness(window, FAN_DUTY, duty, protocol.fan_drift_share)
        )
        return [Check("fan speed", verdict, words, duty, unit="%"), *steady]
    return [
        *_steadiness(window, FAN_SPEED, speed, protocol.fan_drift_share),
        *_held(window, FAN_SPEED, speed, protocol.fan_rpm),
    ]


def _check_power(window: Readings, protocol: Protocol, run: Mapping[str, Any]) -> list[Check]:
    """Check that the power is known, steady and as held."""
    power = window.mean(POWER)
    if np.isnan(power):
        stated = stated_value(run, POWER)
        if np.isnan(stated):
            return [
                Check(
                    "power", Verdict.REFUSED, "no power was logged and none stands in the run sheet"
                )
            ]
        once = Check(
            "power", Verdict.CORRECTED, "power was stated once, not logged", stated, unit="W"
        )
        return [once, *_held(window, POWER, stated, protocol.power_w)]
    return [
        *_steadiness(window, POWER, power, protocol.power_drift_share),
        *_held(window, POWER, power, protocol.power_w),
    ]


def _check_ambient(window: Readings, protocol: Protocol, run: Mapping[str, Any]) -> list[Check]:
    """Check that ambient was watched, steady and as held."""
    ambient = window.mean(AMBIENT)
    if np.isnan(ambient):
        stated = stated_value(run, AMBIENT)
        if np.isnan(stated):
            return [
                Check(
                    "ambient",
                    Verdict.REFUSED,
                    "no ambient was logged and none stands in the run sheet",
                )
            ]
        once = Check(
            "ambient", Verdict.CORRECTED, "ambient was stated once, not watched", stated, unit="°C"
        )
        return [once, *_held(window, AMBIENT, stated, protocol.ambient_c)]
    moved, second = window.movement(AMBIENT)
    limit = protocol.ambient_drift_k
    checks = _held(window, AMBIENT, ambient, protocol.ambient_c)
    if moved <= limit:
        return [
            Check(
                "ambient steady", Verdict.PASS, f"ambient moved by {moved:.2f} K", moved, limit, "K"
            ),
            *checks,
        ]
    fair = moved <= AMBIENT_CORRECTABLE * limit
    words = f"ambient moved by {moved:.1f} K" + (
        "; the rise is taken second by second" if fair else ": the cooler could not follow"
    )
    verdict = Verdict.CORRECTED if fair else Verdict.REFUSED
    return [Check("ambient steady", verdict, words, moved, limit, "K", second), *checks]


def _check_firmware(window: Readings, protocol: Protocol, run: Mapping[str, Any]) -> list[Check]:
    """Check that the firmware is the stated one and did not change."""
    seen = (
        set(pd.unique(window[FIRMWARE][~pd.isna(window[FIRMWARE])])) - {""}
        if FIRMWARE in window
        else set()
    )
    stated = run.get(FIRMWARE)
    if stated is not None and not pd.isna(stated) and str(stated):
        seen.add(str(stated))
    if len(seen) > 1:
        return [
            Check(
                "firmware",
                Verdict.REFUSED,
                f"log and run sheet differ: {' and '.join(sorted(seen))}",
            )
        ]
    if protocol.firmware is None:
        return []
    if seen != {protocol.firmware}:
        found = seen.pop() if seen else "not stated"
        return [Check("firmware", Verdict.REFUSED, f"firmware is {found}, not {protocol.firmware}")]
    return [Check("firmware", Verdict.PASS, f"firmware is {protocol.firmware}")]


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
    """Check that a quantity did not move in the window."""
    moved, second = window.movement(name)
    unit, limit = _UNITS[name], share * abs(mean)
    title = f"{_NAMES[name]} steady"
    unwatched_s, since_s = _unwatched(window, name)
    longest_s = _UNWATCHED_SHARE * float(np.ptp(window.time_s))
    if unwatched_s > longest_s:
        words = f"{_NAMES[name]} was not logged for {unwatched_s:.0f} s of the window"
        return [Check(title, Verdict.REFUSED, words, unwatched_s, longest_s, "s", since_s)]
    if np.isnan(moved):
        return [Check(title, Verdict.REFUSED, f"too few readings of {_NAMES[name]}")]
    words = f"{_NAMES[name]} moved by {moved:.4g} {unit} around {mean:.4g} {unit}"
    if moved > limit:
        words += ": it was not held"
        return [Check(title, Verdict.REFUSED, words, moved, limit, unit, second)]
    swing = _swing(window, name)
    if swing > _HUNTING * limit:
        words = f"{_NAMES[name]} hunted by ±{swing:.4g} {unit} around {mean:.4g} {unit}; its mean"
        words += " is taken"
        return [Check(title, Verdict.CORRECTED, words, swing, _HUNTING * limit, unit)]
    return [Check(title, Verdict.PASS, words, moved, limit, unit)]


def _swing(window: Readings, name: str) -> float:
    """Return half the band of the middle 95 % of a column's means over ten seconds."""
    time_s, values = window.known(name)
    blocks = ((time_s - time_s[0]) // _BLOCK_S).astype(np.int64)
    counts = np.bincount(blocks)
    means = np.bincount(blocks, values)[counts > 0] / counts[counts > 0]
    return float(np.diff(np.quantile(means, [0.025, 0.975]))[0]) / 2.0


def _unwatched(window: Readings, name: str) -> tuple[float, float]:
    """Return the longest time without readings of a column, and when it began [s]."""
    known, _ = window.known(name)
    seen = np.concatenate([window.time_s[:1], known, window.time_s[-1:]])
    longest = int(np.argmax(np.diff(seen)))
    return float(seen[longest + 1] - seen[longest]), float(seen[longest])


def _held(window: Readings, name: str, mean: float, held: Held | None) -> list[Check]:
    """Check that a quantity was at its target."""
    if held is None:
        return []
    unit, verdict = _UNITS[name], held.judge(mean)
    away = mean - held.target
    words = f"{_NAMES[name]} is {mean:.5g} {unit}, held at {held.target:g} ± {held.tolerance:g}"
    second = float("nan")
    if verdict is not Verdict.PASS and name in window:
        off = np.abs(window[name] - held.target) > held.tolerance
        second = float(window.time_s[np.argmax(off)])
    return [Check(_NAMES[name], verdict, words, away, held.tolerance, unit, second)]
