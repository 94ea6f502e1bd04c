"""The result rows of a reduced run, in the columns of the results table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from thermcmp.physics.acoustics import energy_mean_db
from thermcmp.telemetry.quantities import AMBIENT, FAN_SPEED, NOISE, POWER, THROTTLED
from thermcmp.telemetry.steady_state.checks import Check, stated_value
from thermcmp.telemetry.steady_state.load import Stretch
from thermcmp.telemetry.steady_state.reduction import reason_of, worst
from thermcmp.telemetry.steady_state.regulated_sensors import SensorResult
from thermcmp.telemetry.steady_state.run_data import Readings
from thermcmp.telemetry.steady_state.window import Window

#: Columns of the run sheet that control the reduction and are not part of a result.
STEERING: Final = (
    "file", "device", "from_s", "to_s", "target_fan_rpm", "target_power_w", "target_ambient_c",
)  # fmt: skip
#: Columns that the reduction fills, beside those of the run sheet.
MEASURED: Final = (
    "sensor", "temperature_c", "standard_error_k", "resolution_k", "at_limit", "regulated",
    "regulated_by", "ambient_c", "fan_rpm", "fan_error_rpm", "power_w", "power_error_w",
    "noise_dba", "started_at", "soak_s", "window_s", "drift_k_per_min",
    "protocol_verdict", "protocol_reason",
)  # fmt: skip

#: Decimals kept of every number, far finer than any instrument. The last bits of a mean differ
#: between machines, and a library takes rows that differ for contradictions.
DECIMALS: Final = 6


def result_rows(
    sensors: Sequence[SensorResult],
    conditions: Sequence[Check],
    part: Readings,
    started_at: pd.Timestamp | None,
    stretch: Stretch,
    window: Window,
    sheet: Mapping[str, Any],
) -> pd.DataFrame:
    """Return a result row for each sensor, also refused ones, shape (sensors, columns)."""
    # A local time without its zone is not a point in time.
    times = {"started_at": sheet.get("started_at", pd.NaT) if started_at is None else started_at}
    shared = {name: value for name, value in sheet.items() if name not in STEERING} | times
    for name in (AMBIENT, FAN_SPEED, POWER):
        mean = part.mean(name)
        shared[name] = stated_value(sheet, name) if np.isnan(mean) else mean
    # The error of the rise includes that of the ambient.
    for name, column in ((FAN_SPEED, "fan_error_rpm"), (POWER, "power_error_w")):
        error = part.mean_error(name)
        shared[column] = stated_value(sheet, column) if np.isnan(error) else error
    noise = part.known(NOISE)[1] if NOISE in part else np.empty(0)
    shared[NOISE] = float(energy_mean_db(noise)) if len(noise) else stated_value(sheet, NOISE)
    throttled = bool(part[THROTTLED].any()) if THROTTLED in part else False
    rows = []
    for sensor in sensors:
        checks = [*conditions, *sensor.checks]
        # Where the log does not show what the loop moved, the run sheet may state it.
        regulated_by = sensor.regulated_by or sheet.get("regulated_by")
        measured = {
            "sensor": sensor.series.name,
            "temperature_c": sensor.rise.rise_k + shared[AMBIENT],
            "standard_error_k": sensor.rise.standard_error_k,
            "resolution_k": sensor.series.step_k,
            "at_limit": throttled or sensor.at_limit,
            "regulated": sensor.regulated,
            "regulated_by": regulated_by if sensor.regulated else None,
            "soak_s": window.start_s - stretch.start_s,
            "window_s": window.end_s - window.start_s,
            "drift_k_per_min": sensor.rise.window.drift_k_per_min,
            "protocol_verdict": str(worst(checks)),
            "protocol_reason": reason_of(checks),
        }
        rows.append(shared | measured)
    names = [name for name in sheet if name not in (*STEERING, *MEASURED)]
    frame = pd.DataFrame(rows, columns=[*names, *MEASURED])
    numbers = frame[list(MEASURED)].select_dtypes("float").columns
    return frame.assign(**{name: frame[name].round(DECIMALS) for name in numbers})
