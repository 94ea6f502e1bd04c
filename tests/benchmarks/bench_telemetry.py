"""Time from logs to result rows, relative to pyarrow reading the same file.

Run by hand: ``python tests/benchmarks/bench_telemetry.py [--folder FOLDER] [--runs N ...]
[--only {lengths,runs,inspect}]``. It prints, for logs of several lengths, the time of pyarrow's
read and the ratios to it of reading into a telemetry frame and of the reduction to result
rows, in wall and processor time (the bare read uses all processors); the inspection of a
file of 100 MB likewise, for which 2 s are asked; then
folders of runs on two workers, with the peak memory of a worker and of this process for
each number of runs: flat memory has the same peaks for all of them.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.csv
import pyarrow.parquet

from thermcmp.telemetry.campaign.folder import reduce_logs
from thermcmp.telemetry.inspection.question import inspect
from thermcmp.telemetry.reading.frame import read_telemetry
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry

LENGTHS = (1_800, 20_000, 200_000, 2_000_000)
ROUNDS = 9


def make_log(seconds: int, seed: int = 0) -> pd.DataFrame:
    """Return an invented run of eight columns."""
    rng = np.random.default_rng(seed)
    t = np.arange(float(seconds))
    load = t >= 60.0
    soak = np.where(load, 1.0 - np.exp(-(t - 60.0) / 120.0), 0.0)

    def noisy(level: np.ndarray, sd: float, places: int) -> np.ndarray:
        return np.round(level + sd * rng.standard_normal(seconds), places)

    ambient = noisy(np.full(seconds, 21.0), 0.03, 2)
    return pd.DataFrame(
        {
            "time_s": t,
            "memory_c": noisy(27.0 + 49.0 * soak, 0.2, 1),
            "junction_c": noisy(26.0 + 55.0 * soak, 0.3, 1),
            "edge_c": noisy(25.0 + 40.0 * soak, 0.1, 1),
            "ambient_c": ambient,
            "fan_rpm": noisy(np.full(seconds, 1800.0), 4.0, 0),
            "power_w": noisy(np.where(load, 250.0, 20.0), 0.5, 1),
            "noise_dba": noisy(np.full(seconds, 38.0), 0.1, 1),
        }
    )


def best_of(work) -> np.ndarray:
    """Return the shortest of some rounds in wall and processor time [s]."""
    times = []
    for _ in range(ROUNDS):
        start = np.array([time.perf_counter(), time.process_time()])
        work()
        times.append(np.array([time.perf_counter(), time.process_time()]) - start)
    return np.min(times, axis=0)


def compare(folder: Path, rows: int) -> None:
    """Print the ratios for one length."""
    text, parquet = folder / f"log{rows}.csv", folder / f"log{rows}.parquet"
    frame = make_log(rows)
    frame.to_csv(text, index=False)
    frame.to_parquet(parquet, index=False)
    for name, path, bare in (
        ("text", text, lambda: pyarrow.csv.read_csv(text)),
        ("parquet", parquet, lambda: pyarrow.parquet.read_table(parquet)),
    ):
        read, whole, plain = (
            best_of(lambda path=path: read_telemetry(path)),
            best_of(lambda path=path: reduce_telemetry(read_telemetry(path))),
            best_of(bare),
        )
        reads, wholes = read / plain, whole / plain
        print(
            f"{name:8s}{rows:>10,d} rows: bare {plain[0] * 1e3:8.1f} ms, read x{reads[0]:6.2f}, "
            f"to result rows x{wholes[0]:6.2f} ({rows / whole[0]:,.0f} rows/s); by processor "
            f"time x{reads[1]:6.2f} and x{wholes[1]:6.2f}",
            flush=True,
        )


def inspect_a_large_file(folder: Path) -> None:
    """Print the time of an inspection of 100 MB, and its ratio to the bare read."""
    path = folder / "large.csv"
    make_log(100_000).to_csv(path, index=False)
    head, _, rows = path.read_bytes().partition(b"\n")
    path.write_bytes(head + b"\n" + rows * int(1e8 / len(rows) + 1))
    plain, seen = best_of(lambda: pyarrow.csv.read_csv(path)), best_of(lambda: inspect(path))
    print(
        f"inspect {path.stat().st_size / 1e6:.0f} MB: {seen[0]:.2f} s, bare {plain[0]:.2f} s, "
        f"x{seen[0] / plain[0]:.2f}; by processor time {seen[1]:.2f} s, x{seen[1] / plain[1]:.2f}",
        flush=True,
    )


def worker_peak_mb() -> float:
    """Return the peak memory of this process [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def make_folder(logs: Path, runs: int) -> pd.DataFrame:
    """Write a folder of runs of 1,800 s; return its run sheet."""
    logs.mkdir()
    sheet = []
    for i in range(runs):
        make_log(1_800, seed=i).to_csv(logs / f"r{i}.csv", index=False)
        sheet.append({"file": f"r{i}.csv", "run": f"R{i}", "cooler_model": "Alder r1",
                      "board_model": "Quarz"})  # fmt: skip
    return pd.DataFrame(sheet)


def folders_of_runs(folder: Path, counts: list[int]) -> None:
    """Reduce folders of different numbers of runs, each on two new workers."""
    logs = folder / "logs"
    sheet = make_folder(logs, max(counts))
    for runs in counts:
        paths = [logs / name for name in sheet["file"][:runs]]
        start = time.perf_counter()
        for path in paths:
            pyarrow.csv.read_csv(path)
        bare = time.perf_counter() - start
        # Workers that start afresh: they inherit no memory from this process. They load
        # their modules before the clock starts, and the first log of each warms them up.
        with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as executor:
            list(executor.map(_first, [str(paths[0])] * 8))
            start = time.perf_counter()
            reduced = reduce_logs(paths, sheet[:runs], executor=executor, progress=False)
            took = time.perf_counter() - start
            peak = max(executor.map(_peak, range(8)))
        print(
            f"{runs} runs x 1,800 s x 8 columns on 2 workers: {took:.1f} s (bare reads in one "
            f"process {bare:.1f} s), {len(reduced.results)} rows; peak of a worker {peak:.0f} MB, "
            f"of this process {worker_peak_mb():.0f} MB",
            flush=True,
        )


def _first(path: str) -> None:
    """Reduce one log."""
    reduce_telemetry(read_telemetry(path))
    time.sleep(0.2)


def _peak(_: int) -> float:
    """Return the peak memory of a worker [MB]."""
    time.sleep(0.05)
    return worker_peak_mb()


def main() -> None:
    """Run the requested comparisons."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folder", help="where logs are written; a temporary place by default")
    parser.add_argument("--runs", type=int, nargs="+", default=[100, 200])
    parser.add_argument("--only", choices=("lengths", "runs", "inspect"))
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        folder = Path(name)
        if asked.only in (None, "lengths"):
            for rows in LENGTHS:
                compare(folder, rows)
        if asked.only in (None, "inspect"):
            inspect_a_large_file(folder)
        if asked.only in (None, "runs"):
            folders_of_runs(folder, asked.runs)


if __name__ == "__main__":
    main()
