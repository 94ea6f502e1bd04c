"""Time of one look at a growing log, by its length: reading it, and judging it.

``python tests/benchmarks/bench_watch.py``
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from thermcmp.telemetry.reading.frame import read_telemetry
from thermcmp.telemetry.steady_state.protocol import Protocol
from thermcmp.telemetry.watching.assessment import Wish, assess


def log(hours: float, load_s: float = 1800.0) -> pd.DataFrame:
    """A log of one reading a second, at idle until the last half hour."""
    rng = np.random.default_rng(0)
    t = np.arange(hours * 3600.0)
    since = np.maximum(t - (t[-1] - load_s), 0.0)
    columns = {"time_s": t}
    for i in range(12):
        rise = 8.0 + (40.0 + i) * (1.0 - np.exp(-since / 90.0))
        columns[f"sensor{i}_c"] = np.round(22.0 + rise + 0.15 * rng.standard_normal(len(t)), 1)
    columns["ambient_c"] = np.round(22.0 + 0.03 * rng.standard_normal(len(t)), 2)
    columns["fan_rpm"] = np.round(1800.0 + 4.0 * rng.standard_normal(len(t)))
    columns["power_w"] = np.round(
        np.where(since > 0.0, 250.0, 20.0) + rng.standard_normal(len(t)), 1
    )
    return pd.DataFrame(columns)


def main() -> None:
    """Print the time of a look at logs of an hour, eight hours and a day."""
    wish = Wish(wanted_k=0.5, protocol=Protocol(truncated=()))
    with tempfile.TemporaryDirectory() as folder:
        for hours in (1.0, 8.0, 24.0):
            path = Path(folder) / "bench.csv"
            log(hours).to_csv(path, index=False)
            started = time.perf_counter()
            frame = read_telemetry(path)
            read_s = time.perf_counter() - started
            started = time.perf_counter()
            state = assess(frame, wish)
            judged_s = time.perf_counter() - started
            print(
                f"{hours:4.0f} h, {len(frame):6d} readings of {len(state.steady_c)} sensors, "
                f"{path.stat().st_size / 1e6:.1f} MB: read {read_s:.2f} s, judged {judged_s:.2f} s"
            )


if __name__ == "__main__":
    main()
