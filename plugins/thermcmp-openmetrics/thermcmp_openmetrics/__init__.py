"""A reader of logs in OpenMetrics text, as a plug-in of thermcmp."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pandas as pd
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from thermcmp.errors import Fault, InputError
from thermcmp.hooks import hookimpl
from thermcmp.telemetry.reading.notes import Notebook
from thermcmp.telemetry.reading.options import Reading
from thermcmp.telemetry.reading.readers import TelemetryReader

__all__ = ["OpenMetricsReader"]

#: Version of thermcmp's hooks that this package is written for.
api_version = 1
#: Unit of a metric family -> unit that thermcmp reads in a heading, and factor.
UNITS: Final = {
    "celsius": ("°C", 1.0), "watts": ("W", 1.0), "rpm": ("rpm", 1.0), "volts": ("V", 1.0),
    "amperes": ("A", 1.0), "hertz": ("MHz", 1e-6), "ratio": ("%", 100.0), "percent": ("%", 1.0),
    "dba": ("dB(A)", 1.0),
}  # fmt: skip
#: Label whose values tell sensors of one family apart, and the one that tells cards apart.
SENSOR, DEVICE = "sensor", "device"


@dataclass(frozen=True, slots=True)
class OpenMetricsReader:
    """Reader of gauges with timestamps, under the units that their families state."""

    name: str = "OpenMetrics text"
    suffixes: tuple[str, ...] = (".om", ".openmetrics", ".txt", ".log")
    first_bytes: tuple[bytes, ...] = (b"# HELP ", b"# TYPE ", b"# UNIT ")

    def read(self, path: Path, reading: Reading, book: Notebook) -> Iterator[pd.DataFrame]:
        """Yield one frame: a row per timestamp and device, a column per gauge and sensor."""
        columns: dict[str, dict[tuple[float, str], float]] = {}
        try:
            for family in text_string_to_metric_families(path.read_text(encoding="utf-8")):
                unit, factor = UNITS.get(family.unit, ("", 1.0))
                if family.type not in ("gauge", "unknown") or not unit:
                    book.note(f"not read, as it is no gauge in a known unit: {family.name}")
                    continue
                stem = family.name.removesuffix(f"_{family.unit}").removesuffix("_temperature")
                for sample in family.samples:
                    if sample.timestamp is None:
                        raise ValueError(f"{family.name} has a sample without a timestamp")
                    words = [sample.labels.get(SENSOR, ""), stem if unit != "°C" else ""]
                    heading = "_".join(filter(None, words)) or stem
                    place = float(sample.timestamp), sample.labels.get(DEVICE, "")
                    cells = columns.setdefault(f"{heading} [{unit}]", {})
                    if cells.setdefault(place, sample.value * factor) != sample.value * factor:
                        raise ValueError(f"two values of {family.name} at {place[0]}")
        except (ValueError, UnicodeDecodeError) as error:
            fault = Fault(f"not OpenMetrics text: {error}", "export it again", path.name)
            raise InputError("This log cannot be read:", [fault]) from error
        frame = pd.DataFrame(columns).sort_index()
        if frame.empty:
            return
        times, devices = frame.index.get_level_values(0), frame.index.get_level_values(1)
        frame = frame.reset_index(drop=True)
        frame.insert(0, "recorded_at", pd.to_datetime(times, unit="s", utc=True))
        yield frame.assign(device=devices) if len(set(devices)) > 1 else frame


@hookimpl
def thermcmp_readers() -> list[TelemetryReader]:
    """Return the reader."""
    return [OpenMetricsReader()]
