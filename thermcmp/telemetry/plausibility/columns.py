"""The checks of a run's columns for readings that cannot be true."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

import numpy as np

from thermcmp._types import BoolArray
from thermcmp.errors import PluginError
from thermcmp.hooks import RunCheck, checked_by_all, hookimpl
from thermcmp.tabular.units import Dimension
from thermcmp.telemetry.plausibility.repeats import clipped, frozen, is_constant
from thermcmp.telemetry.quantities import (
    AMBIENT,
    FAN_SPEED,
    NOISE,
    POWER,
    dimension_of,
    sensor_names,
)
from thermcmp.telemetry.steady_state.checks import Check, stated_value
from thermcmp.telemetry.steady_state.load import Stretch
from thermcmp.telemetry.steady_state.protocol import Protocol, Verdict
from thermcmp.telemetry.steady_state.quantization import find_step
from thermcmp.telemetry.steady_state.run_data import Readings

#: Warmest air that a room or a case has [°C], and hottest sensor of a running card
#: (common practice, no source).
_WARMEST_AIR_C: Final = 50.0
#: Coldest air of a room [°C] (common practice, no source).
_COLDEST_AIR_C: Final = 0.0
_HOTTEST_C: Final = 130.0
#: A sensor that is never colder than this before the load is rather in °F [°C], and a fan that
#: turns more slowly rather in 1/s [rpm] (common practice, no source).
_IDLE_C: Final = 75.0
_SLOWEST_RPM: Final = 100.0
#: A sensor may read this far below ambient by the errors of both [K].
_BELOW_K: Final = 0.5
#: Time about the start of the load that shows what was cold [s], the most that air then warms up
#: while a sensor does so by more than the last figure [K] (common practice, no source).
_IDLE_S: Final = 20.0
_STEADY_AIR_K: Final = 3.0
_WARMED_K: Final = 10.0
#: Air that warms up with the load by more than the first [K] is that of a case, by more than the
#: second no air (common practice, no source).
_CASE_K: Final = 5.0
_NO_AIR_K: Final = 20.0
#: A clock that falls by more than this share under full load was cut.
_CLOCK_SHARE: Final = 0.05
#: Time at the start of the load in which the clock is at its level [s].
_CLOCK_LEVEL_S: Final = 60.0
#: Share of a window that may be spent below the clock's level.
_CLOCK_CUT: Final = 0.02
_TITLES: Final = {AMBIENT: "ambient", FAN_SPEED: "fan speed", POWER: "power", NOISE: "noise level"}


def column_checks(
    readings: Readings,
    stretch: Stretch,
    window: Readings,
    loaded: BoolArray | None,
    protocol: Protocol,
    run: Mapping[str, Any],
) -> list[Check]:
    """Check the columns of a run at load; a refusal of a sensor names it."""
    sensors = ("", *sensor_names(list(readings.columns)))

    def require_sensor(check: Check) -> None:
        if check.sensor not in sensors:
            raise ValueError(f"no sensor '{check.sensor}' among {', '.join(sensors[1:])}")

    return [
        *_sensor_checks(readings, stretch, loaded),
        *checked_by_all(
            "thermcmp_run_checks", Check, window, run, failed=_unchecked, require=require_sensor
        ),
        *_condition_checks(readings, stretch),
        *_swapped_checks(readings, stretch, window),
        *_clock_checks(_clocks(readings, loaded), stretch, window, protocol),
    ]


def _sensor_checks(
    readings: Readings, stretch: Stretch, loaded: BoolArray | None
) -> Iterator[Check]:
    """Check each sensor for readings that repeat, or are clipped."""
    conditions = tuple(
        values
        for name in (POWER, FAN_SPEED)
        if (values := readings.get(name)) is not None
        and not np.isnan(values[stretch.first : stretch.last + 1]).any()
    )
    sensors = sensor_names(list(readings.columns))
    idle = readings.time_s < stretch.load_start_s
    for sensor in sensors:
        values = readings[f"{sensor}_c"]
        cold = values[idle][~np.isnan(values[idle])]
        if len(cold) >= _IDLE_S and cold.min() > _IDLE_C:
            words = f"it is never below {cold.min():.0f} °C, not even before the load: is it in °F?"
            yield Check("warm at idle", Verdict.CORRECTED, words, float(cold.min()), _IDLE_C, "°C",
                        float(readings.time_s[0]), sensor)  # fmt: skip
        repeated = frozen(
            readings.time_s, values, stretch.first, stretch.last, loaded=loaded,
            conditions=conditions,
            others=tuple(readings[f"{other}_c"] for other in sensors if other != sensor),
        )  # fmt: skip
        step = find_step(values)
        if repeated is not None:
            repeat, why = repeated
            start_s, end_s = (float(readings.time_s[i]) for i in (repeat.first, repeat.last))
            name, what = "frozen", "repeats"
            if repeat.last < stretch.last and repeat.value >= np.nanmax(values):
                name, what = "clipped", "stays at its highest value,"
            words = f"it {what} {repeat.value:g} °C exactly for {end_s - start_s:.0f} s: {why}"
            yield Check(name, Verdict.REFUSED, words, repeat.value, unit="°C", second=start_s,
                        sensor=sensor)  # fmt: skip
        elif is_constant(values):
            value = float(values[~np.isnan(values)][0])
            verdict = Verdict.REFUSED if step < 1.0 else Verdict.CORRECTED
            words = f"it is {value:g} °C in every reading: typed in, frozen or very coarse"
            yield Check("constant", verdict, words, value, unit="°C",
                        second=float(readings.time_s[0]), sensor=sensor)  # fmt: skip
        else:
            middle = (stretch.first + stretch.last) // 2
            top = clipped(values, middle, stretch.last, step, conditions)
            if top is not None:
                second = float(readings.time_s[middle + int(np.argmax(values[middle:] >= top))])
                words = f"it is clipped at {top:g} °C: readings pile up and none is above"
                yield Check("clipped", Verdict.REFUSED, words, top, unit="°C", second=second,
                            sensor=sensor)  # fmt: skip


def _unchecked(error: PluginError) -> Check:
    """Return the mark of a run that a plug-in could not check: a worker's warning is not seen."""
    return Check("plug-in", Verdict.CORRECTED, f"not checked: {error}")


@hookimpl
def thermcmp_run_checks() -> list[RunCheck]:
    """Register the built-in check."""
    return [RunCheck("air and sensors", _air_checks)]


def _air_checks(window: Readings, run: Mapping[str, Any]) -> Iterator[Check]:
    """Check that the ambient is that of air, and each sensor above it."""
    ambient = window.mean(AMBIENT)
    is_logged = not np.isnan(ambient)
    ambient = ambient if is_logged else stated_value(run, AMBIENT)
    start_s = float(window.time_s[0])
    if ambient > _WARMEST_AIR_C:
        words = (
            f"ambient is {ambient:.1f} °C, warmer than a room or a case: state "
            "units={'ambient_c': '°F'} if it is in °F, or which column the air is in"
        )
        yield Check("ambient", Verdict.REFUSED, words, ambient, _WARMEST_AIR_C, "°C", start_s)
        return
    if is_logged and ambient < _COLDEST_AIR_C:
        words = (
            f"ambient is {ambient:.1f} °C, colder than a room: correct the column, or leave it out "
            "and state ambient_c in the run sheet if it was so cold"
        )
        yield Check("ambient", Verdict.REFUSED, words, ambient, _COLDEST_AIR_C, "°C", start_s)
        return
    for sensor in sensor_names(list(window.columns)):
        mean = window.mean(f"{sensor}_c")
        if mean > _HOTTEST_C:
            words = f"it is {mean:.0f} °C, hotter than a running card: is it in °F?"
            yield Check("too hot", Verdict.REFUSED, words, mean, _HOTTEST_C, "°C", start_s, sensor)
        elif mean < ambient - _BELOW_K:
            words = f"it is {ambient - mean:.1f} K below ambient at load: are the probes swapped?"
            yield Check("below ambient", Verdict.REFUSED, words, mean - ambient, -_BELOW_K, "K",
                        start_s, sensor)  # fmt: skip


def _swapped_checks(readings: Readings, stretch: Stretch, window: Readings) -> Iterator[Check]:
    """Check that it is the sensors that warmed up with the load, and not the ambient."""
    ambient = window.mean(AMBIENT)
    early = readings.between(stretch.load_start_s - _IDLE_S, stretch.load_start_s + _IDLE_S)
    warmed = ambient - early.mean(AMBIENT)
    if warmed > _CASE_K:
        is_air = warmed <= _NO_AIR_K
        words = f"ambient warmed up by {warmed:.0f} K with the load: " + (
            "a case does, a room does not; is the probe in the exhaust?"
            if is_air else "is the column another sensor?"
        )  # fmt: skip
        yield Check(
            "ambient", Verdict.CORRECTED if is_air else Verdict.REFUSED, words, warmed,
            _CASE_K if is_air else _NO_AIR_K, "K", float(window.time_s[0]),
        )  # fmt: skip
    means = [window.mean(f"{sensor}_c") for sensor in sensor_names(list(window.columns))]
    # A sensor with a fault of its own may be below a sound ambient.
    if np.isnan(ambient) or not any(mean < ambient - _BELOW_K for mean in means):
        return
    rises = (
        window.mean(name) - early.mean(name)
        for name in map("{}_c".format, sensor_names(list(window.columns)))
    )
    if warmed <= _STEADY_AIR_K and any(rise > _WARMED_K for rise in rises):
        return
    words = (
        f"ambient is {ambient:.1f} °C and above a sensor at load, and no warming up shows which is "
        "the air: are the probes swapped?"
    )
    if warmed > _STEADY_AIR_K:
        words = (
            f"ambient warmed up by {warmed:.0f} K with the load and is above a sensor: are the "
            "probes swapped?"
        )
    yield Check("ambient", Verdict.REFUSED, words, ambient, unit="°C",
                second=float(window.time_s[0]))  # fmt: skip


def _condition_checks(readings: Readings, stretch: Stretch) -> Iterator[Check]:
    """Check ambient, power, fan speed and noise for constants and frozen instruments."""
    for name, title in _TITLES.items():
        values = readings.get(name)
        if values is None or np.isnan(values).all():
            continue
        if is_constant(values):
            value = float(values[~np.isnan(values)][0])
            words = (
                f"{title} is {value:g} in every reading: it counts as stated once, not as logged"
            )
            yield Check(title, Verdict.CORRECTED, words, value, second=float(readings.time_s[0]))
            continue
        at_load = values[stretch.first : stretch.last + 1]
        if name == FAN_SPEED and 0.0 < (mean := float(np.nanmean(at_load))) < _SLOWEST_RPM:
            words = (
                f"{title} is {mean:.0f} rpm, slower than a fan turns: state "
                "units={'fan_rpm': '1/s'} if it is in revolutions per second"
            )
            yield Check(title, Verdict.REFUSED, words, mean, _SLOWEST_RPM, "rpm",
                        float(readings.time_s[stretch.first]))  # fmt: skip
            continue
        repeated = frozen(readings.time_s, values, stretch.first, stretch.last, thermal=False)
        if repeated is not None:
            repeat, why = repeated
            start_s, end_s = (float(readings.time_s[i]) for i in (repeat.first, repeat.last))
            words = f"{title} repeats {repeat.value:g} exactly for {end_s - start_s:.0f} s: {why}"
            verdict = Verdict.CORRECTED if name == NOISE else Verdict.REFUSED
            yield Check("frozen", verdict, words, repeat.value, second=start_s)


def _clocks(readings: Readings, loaded: BoolArray | None) -> Readings:
    """Return the clock rates but for pauses, in which they fall for want of work."""
    at = slice(None) if loaded is None else loaded
    return Readings(
        {
            name: values[at]
            for name, values in readings.columns.items()
            if name == "time_s" or dimension_of(name) is Dimension.FREQUENCY
        }
    )


def _clock_checks(
    readings: Readings, stretch: Stretch, window: Readings, protocol: Protocol
) -> Iterator[Check]:
    """Check that no clock rate fell at full load, as it does when a card is throttled."""
    part = readings.between(window.time_s[0], window.time_s[-1])
    for name in readings.columns:
        if dimension_of(name) is not Dimension.FREQUENCY:
            continue
        early = readings.between(stretch.load_start_s, stretch.load_start_s + _CLOCK_LEVEL_S).known(
            name
        )[1]
        times, values = part.known(name)
        if not len(early) or not len(values):
            continue
        level = float(np.quantile(early, 0.9))
        low = values < (1.0 - _CLOCK_SHARE) * level
        share = float(np.mean(low))
        if share <= _CLOCK_CUT:
            continue
        title = name.removesuffix("_mhz")
        words = (
            f"the {title} clock fell from {level:.0f} to {float(np.median(values[low])):.0f} MHz "
            f"in {100.0 * share:.0f} % of the window: the card was throttled; where it was meant, "
            'Protocol(throttling="mark") keeps the run'
        )
        verdict = Verdict.REFUSED if protocol.throttling == "refuse" else Verdict.CORRECTED
        yield Check("throttling", verdict, words, 100.0 * share, 100.0 * _CLOCK_CUT, "%",
                    float(times[np.argmax(low)]))  # fmt: skip
