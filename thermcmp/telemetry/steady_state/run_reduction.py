"""Reducing one run's telemetry to result rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd

from thermcmp._types import BoolArray
from thermcmp.errors import Fault, InputError
from thermcmp.telemetry.loaded_record.held import fan_and_power_held_since
from thermcmp.telemetry.loaded_record.loops import over_loops
from thermcmp.telemetry.loaded_record.moving_air import air_between, delay_of, followed_air
from thermcmp.telemetry.loaded_record.switches import moved_meanwhile, since_last_step
from thermcmp.telemetry.plausibility.columns import column_checks
from thermcmp.telemetry.plausibility.dropouts import dropout_checks, without_dropouts, zero_checks
from thermcmp.telemetry.quantities import (
    AMBIENT,
    DEVICE,
    LOAD,
    POWER,
    dimension_of,
    is_set_point,
    sensor_names,
)
from thermcmp.telemetry.side_by_side import cards_in
from thermcmp.telemetry.steady_state.checks import Check, stated_value
from thermcmp.telemetry.steady_state.condition_checks import check_conditions
from thermcmp.telemetry.steady_state.load import (
    ANOTHER_STRETCH,
    Span,
    Stretch,
    at_load,
    longest_stretch,
    pause_advice,
)
from thermcmp.telemetry.steady_state.protocol import Protocol, Verdict
from thermcmp.telemetry.steady_state.quantization import find_step, rounding_bias_of
from thermcmp.telemetry.steady_state.reduction import Reduction, worst
from thermcmp.telemetry.steady_state.regulated_sensors import SensorResult, judge_sensor
from thermcmp.telemetry.steady_state.result_rows import MEASURED, result_rows
from thermcmp.telemetry.steady_state.run_data import Readings, time_weights
from thermcmp.telemetry.steady_state.sampling_interval import longest_step_s
from thermcmp.telemetry.steady_state.sensor_rise import (
    LEAST_COVERAGE,
    REPORTED_K,
    Series,
    mean_from,
    steady_rise,
)
from thermcmp.telemetry.steady_state.window import Window, choose_window
from thermcmp.telemetry.steady_state.window_mean import LEAST_READINGS, Settled, WindowMean

#: An error by steps that are cut off is noted from here on [K].
COARSE_K: Final = 0.2


def reduce_telemetry(
    frame: pd.DataFrame,
    protocol: Protocol | None = None,
    *,
    run: Mapping[str, Any] | None = None,
    notes: Sequence[str] = (),
) -> Reduction:
    """Reduce one run's telemetry to a result row per sensor, if it kept to the protocol.

    Parameters
    ----------
    frame : pandas.DataFrame, shape (n, columns)
        Telemetry of one run and one device, as `read_telemetry` returns it: ``time_s`` [s],
        sensor columns that end with ``_c`` [°C], and where logged ``ambient_c`` [°C],
        ``power_w`` [W], ``fan_rpm`` [rpm], ``fan_percent`` [%], ``noise_dba`` [dB(A)],
        ``load_percent`` [%], ``throttled``, ``firmware``, ``segment``.
    protocol : Protocol, optional
        Protocol of the test; that of ``Protocol()`` by default.
    run : mapping, optional
        The run's row of the run sheet: ids and models of the parts, which are passed
        through, and quantities stated instead of logged (``ambient_c``, ``power_w``,
        ``fan_rpm``, ``noise_dba``).
    notes : sequence of str, optional
        Notes of the reader; by default those of ``frame.attrs``.

    Returns
    -------
    Reduction
        Rows, verdicts and figure. A refused run has no rows.

    Raises
    ------
    InputError
        If the frame is not the telemetry of one device.
    """
    sheet = dict(run or {})
    record = _one_device(frame, sheet)
    protocol = (protocol or Protocol()).for_run(sheet)
    notes = (*(tuple(notes) or tuple(frame.attrs.get("notes", ()))), *_set_point_notes(record))
    readings, zeros = zero_checks(Readings.of(record))
    readings, dropped = without_dropouts(readings)
    loaded = at_load(readings.time_s, readings.get(POWER), readings.get(LOAD))
    stretch, window, soak, spans = _load_and_window(record, readings, loaded, protocol)
    if stretch is None or window is None:
        empty = pd.DataFrame(columns=list(MEASURED))
        return Reduction(empty, empty, (soak, *zeros), None, spans, protocol, record, notes)
    averaged, loops = over_loops(readings, stretch, loaded, protocol)
    series, unread = _series(averaged, readings, stretch, window, sheet, protocol)
    window, means, conditions = _longer(window, series, averaged, protocol, sheet)
    part = averaged.between(window.start_s, window.end_s)
    as_read = readings.between(window.start_s, window.end_s)
    doubts = [
        *zeros,
        *dropout_checks(dropped, readings, stretch.start_s, window.end_s),
        *column_checks(readings, stretch, as_read, loaded, protocol, sheet),
    ]
    conditions = [soak, *loops, *conditions, *(check for check in doubts if not check.sensor)]
    by_sensor = [check for check in doubts if check.sensor]
    sensors = _judged(series, means, window, averaged, readings, stretch, protocol)
    sensors = [_doubted(sensor, by_sensor) for sensor in sensors]
    judged = {sensor.series.name for sensor in sensors}
    unread += [check for check in by_sensor if check.sensor not in judged]
    started_at = None
    if "recorded_at" in record and record["recorded_at"].dt.tz is not None:
        started_at = record["recorded_at"].iloc[0]
    rows = result_rows(sensors, conditions, part, started_at, stretch, window, sheet)
    kept = (rows["protocol_verdict"] != str(Verdict.REFUSED)).to_numpy(dtype=bool)
    return Reduction(
        rows=rows.copy() if kept.all() else rows[kept].reset_index(drop=True),
        estimates=rows,
        checks=(*conditions, *unread, *(c for s in sensors for c in s.checks)),
        window_s=(window.start_s, window.end_s),
        spans=spans,
        protocol=protocol,
        frame=record,
        notes=(*notes, *_step_notes(series, protocol)),
    )


def _load_and_window(
    record: pd.DataFrame, readings: Readings, loaded: BoolArray | None, protocol: Protocol
) -> tuple[Stretch | None, Window | None, Check, tuple[Span, ...]]:
    """Return the time at load since the last switch of a condition, and the window in it."""
    time_s = readings.time_s
    if "segment" in record:
        segment = record["segment"].to_numpy(dtype=np.int64)
    else:
        gaps = np.diff(time_s, prepend=time_s[0]) > longest_step_s(time_s, protocol.gap_s)
        segment = np.cumsum(gaps).astype(np.int64)
    stretch, spans = longest_stretch(time_s, segment, loaded, protocol.pause_s)
    if stretch is None:
        soak = Check("load", Verdict.REFUSED, "the card was never at load")
        return None, None, soak, tuple(spans)
    stretch, before = since_last_step(readings, stretch, protocol)
    window, soak = choose_window(time_s, segment, stretch, protocol)
    if soak.verdict is not Verdict.PASS:
        advice = pause_advice(time_s, loaded, protocol.pause_s)
        if advice:
            soak = replace(soak, words=f"{soak.words}; {advice}")
    if soak.verdict is Verdict.PASS:
        least_s = protocol.window_s
        others = sum(
            span.reason == ANOTHER_STRETCH and span.end_s - span.start_s >= least_s
            for span in spans
        )
        if others:
            words = (
                f"{soak.words}; {others} other stretches at load of {least_s:.0f} s or more are "
                'not used: split_by="gap" or the heading of a set point makes runs of them'
            )
            soak = replace(soak, verdict=Verdict.CORRECTED, words=words)
    return stretch, window, soak, (*spans, *before)


def _doubted(sensor: SensorResult, doubts: Sequence[Check]) -> SensorResult:
    """Return a sensor's result with the doubts about its column."""
    name = sensor.series.name
    return replace(sensor, checks=(*(c for c in doubts if c.sensor == name), *sensor.checks))


def _set_point_notes(record: pd.DataFrame) -> list[str]:
    """Name the columns that state a set point or a limit, and are not sensors."""
    known = [str(name) for name in record if dimension_of(str(name))]
    read = {f"{sensor}_c" for sensor in sensor_names(known)}
    names = [
        name
        for name in known
        if is_set_point(name) or (name.endswith("_c") and name != AMBIENT and name not in read)
    ]
    if not names:
        return []
    return [f"not sensors, as they state a set point, a limit or an average: {', '.join(names)}"]


def _step_notes(series: Sequence[Series], protocol: Protocol) -> list[str]:
    """Name the sensors whose steps are so coarse that it matters how they are rounded."""
    steps = {s.name: s.step_k for s in series if protocol.cut_k("", s.step_k)[1] >= COARSE_K}
    if not steps:
        return []
    named = ", ".join(f"{name} ({step:g} K)" for name, step in steps.items())
    return [
        f"read in coarse steps: {named}; whether they are rounded or cut off is not known, which "
        "their errors allow for: Protocol(truncated=…) states it"
    ]


def _judged(
    series: list[Series],
    means: Mapping[str, WindowMean],
    window: Window,
    record: Readings,
    as_read: Readings,
    stretch: Stretch,
    protocol: Protocol,
) -> list[SensorResult]:
    """Return each sensor's steady rise, with its checks."""
    part = record.between(window.start_s, window.end_s)
    as_read_part = as_read.between(window.start_s, window.end_s)
    air_step_error_k = _air_step_error_k(as_read, as_read_part, protocol)
    read_s = float(time_weights(part.time_s).sum())
    loaded = record.between(stretch.start_s, window.end_s)
    meanwhile = moved_meanwhile(loaded)
    held_since_s = fan_and_power_held_since(loaded, window.start_s, protocol)
    results = []
    for sensor in series:
        rise = steady_rise(
            sensor,
            means[sensor.name],
            list(window.earlier_s),
            stretch.start_s,
            protocol,
            full_soak=window.full_soak,
            held_since_s=held_since_s,
        )
        if rise.check.verdict is Verdict.REFUSED:
            words = rise.check.words + meanwhile
            rise = replace(rise, check=replace(rise.check, words=words))
        result = judge_sensor(sensor, rise, window.start_s, record, protocol)
        in_window = sensor.since(window.start_s)
        cut_error_k = protocol.cut_k(sensor.name, sensor.step_k)[1]
        doubt_k = float(np.mean(in_window.doubt_k))
        errors_k = [result.rise.standard_error_k, cut_error_k, doubt_k, air_step_error_k]
        error_k = float(np.linalg.norm(errors_k))
        result = replace(result, rise=replace(result.rise, standard_error_k=error_k))
        checks = (_coverage_check(in_window, read_s), *_air_check(in_window, doubt_k))
        results.append(replace(result, checks=(*checks, *result.checks)))
    return results


def _coverage_check(in_window: Series, read_s: float) -> Check:
    """Check that a sensor was read in nearly all of the time of the window that was logged."""
    name = in_window.name
    share = 100.0 * min(float(time_weights(in_window.time_s).sum()) / read_s, 1.0)
    words = f"{name} and ambient were read in {share:.0f} % of the window"
    verdict = Verdict.PASS if share >= LEAST_COVERAGE else Verdict.REFUSED
    if verdict is Verdict.REFUSED:
        words += (
            "; leave the sensor out by columns=, or give a joined instrument that logs more "
            "slowly a wider tolerance_s"
        )
    return Check("coverage", verdict, words, share, LEAST_COVERAGE, "%", sensor=name)


def _air_step_error_k(record: Readings, part: Readings, protocol: Protocol) -> float:
    """Return the standard error of a window's mean air by the step of its thermometer [K]."""
    if AMBIENT not in part or not len(part.known(AMBIENT)[1]):
        return 0.0
    step_k = find_step(record.known(AMBIENT)[1])
    # A bias anywhere between its ends is a rectangular distribution (JCGM 100, 4.3.7).
    rounding_k = rounding_bias_of(part.known(AMBIENT)[1], step_k) / np.sqrt(3.0)
    return float(np.hypot(rounding_k, protocol.cut_k("ambient", step_k)[1]))


def _air_check(in_window: Series, error_k: float) -> list[Check]:
    """State how far a window's air was ahead of that which the sensor had followed."""
    ahead_k = float(np.mean(in_window.ahead_k))
    if max(abs(ahead_k), abs(error_k)) < REPORTED_K:
        return []
    name, delay_s = in_window.name, in_window.delay_s
    words = (
        f"{ahead_k:+.2f} ± {abs(error_k):.2f} K, as the air moves and {name} follows it about "
        f"{delay_s:.0f} s later"
    )
    return [Check("air", Verdict.CORRECTED, words, ahead_k, unit="K", sensor=name)]


def _one_device(frame: pd.DataFrame, sheet: Mapping[str, Any]) -> pd.DataFrame:
    """Return the telemetry of the run sheet's device, checked."""
    title, fix = "This telemetry cannot be reduced:", "read the log with read_telemetry"
    if not isinstance(frame, pd.DataFrame) or "time_s" not in frame:
        raise InputError(title, [Fault("no column 'time_s'", fix, column="time_s")])
    faults = []
    record = frame
    wanted = sheet.get(DEVICE)
    if DEVICE in record:
        if wanted is not None and not pd.isna(wanted):
            record = record[record[DEVICE] == str(wanted)]
        devices = list(record[DEVICE].dropna().unique())
        if len(devices) > 1:
            message = f"{len(devices)} devices: {', '.join(map(str, devices[:8]))}"
            faults.append(
                Fault(message, 'name one in run, or reduce_logs(split_by="device")', column=DEVICE)
            )
        if not len(record):
            message, check = "no readings of this device", "check the run sheet"
            faults.append(Fault(message, check, column=DEVICE, value=str(wanted)))
    sensors = sensor_names(list(map(str, record.columns)))
    cards = cards_in(sensors)
    if cards:
        message = f"sensors of {len(cards)} cards: {', '.join(cards[:8])}"
        once = (
            'reduce_logs(split_by="device") makes a run of each; or read the log once for each '
            "card, with its sensors, power and fan in columns="
        )
        faults.append(Fault(message, once))
    if not sensors:
        faults.append(Fault("no sensor", "name its column so that it ends with _c"))
    time_s = record["time_s"].to_numpy(dtype=float)
    if len(time_s) < 2 or np.isnan(time_s).any() or (time_s[1:] < time_s[:-1]).any():
        faults.append(Fault("times must be two or more, and never fall", fix, column="time_s"))
    if faults:
        raise InputError(title, faults)
    return record.reset_index(drop=True)


def _series(
    record: Readings,
    as_read: Readings,
    stretch: Stretch,
    window: Window,
    sheet: Mapping[str, Any],
    protocol: Protocol,
) -> tuple[list[Series], list[Check]]:
    """Return each sensor's rise over the stretch, and checks that refuse those hardly read."""
    inside = slice(stretch.first, int(np.searchsorted(record.time_s, window.end_s, side="right")))
    time_s, air_c = record.time_s[inside], record.get(AMBIENT)
    if air_c is None or np.isnan(air_c[inside]).all():
        air_c = np.full(len(record.time_s), stated_value(sheet, AMBIENT))
    air_step_k = find_step(air_c)
    still = np.isnan(air_c).all() or not np.nanmax(air_c) > np.nanmin(air_c)
    air_c = air_between(record.time_s, air_c) + protocol.cut_k("ambient", air_step_k)[0]
    series, unread = [], []
    for name in sensor_names(list(record.columns)):
        readings = record[f"{name}_c"]
        step_k = find_step(as_read[f"{name}_c"])
        cut_k = protocol.cut_k(name, step_k)[0]
        if cut_k:
            readings = readings + cut_k
        missing = np.isnan(readings[inside]) | np.isnan(air_c[inside])
        if len(missing) - np.count_nonzero(missing) < LEAST_READINGS:
            words = f"{name} has too few readings at load, or ambient is not known"
            unread.append(Check("coverage", Verdict.REFUSED, words, sensor=name))
            continue
        # Slices where nothing is missing: copies of a long log are slow.
        at = ~missing if missing.any() else slice(None)
        times_s, temperature_c = time_s[at], readings[inside][at]
        rise_k = temperature_c - air_c[inside][at]
        level_k = float(np.mean(rise_k[np.searchsorted(times_s, window.start_s) :]))
        delay_s = delay_of(times_s - stretch.start_s, rise_k, level_k)
        air = followed_air(record.time_s, air_c, delay_s, times_s)
        series.append(
            Series(
                name,
                step_k,
                0.0 if still else air_step_k,
                delay_s,
                times_s,
                temperature_c - air.followed_c,
                temperature_c,
                air_c[inside][at] - air.followed_c,
                air.doubt_k,
            )
        )
    return series, unread


def _longer(
    window: Window,
    series: list[Series],
    record: Readings,
    protocol: Protocol,
    sheet: Mapping[str, Any],
) -> tuple[Window, dict[str, WindowMean], list[Check]]:
    """Lengthen the window while settled sensors stay settled and no condition gets worse."""

    def conditions(start_s: float) -> list[Check]:
        return check_conditions(record.between(start_s, window.end_s), protocol, sheet)

    start, checks = window.start_s, conditions(window.start_s)
    means = {s.name: mean_from(s, start, protocol) for s in series}
    settled = [s.name for s in series if means[s.name].settled is Settled.SETTLED]
    for earlier in window.earlier_s if settled else ():
        longer = {s.name: mean_from(s, earlier, protocol) for s in series}
        longer_checks = conditions(earlier)
        unsettled = any(longer[name].settled is not Settled.SETTLED for name in settled)
        if unsettled or worst(longer_checks).severity > worst(checks).severity:
            break
        start, means, checks = earlier, longer, longer_checks
    rest = tuple(s for s in window.earlier_s if s < start)
    return replace(window, start_s=start, earlier_s=rest), means, checks
