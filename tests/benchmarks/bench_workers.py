"""Time of logs reduced and tables fitted on two processes, beside one.

Run by hand on an idle machine: ``python tests/benchmarks/bench_workers.py``. It prints the wall
time of each on one process over that on two, whose start is not counted.
"""

from __future__ import annotations

import os

# One thread for each process, or a single one would take both cores.
os.environ.setdefault("OMP_NUM_THREADS", "1")

import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import pandas as pd
from bench_telemetry import make_log

import thermcmp as tc

LOGS, SECONDS, TABLES, ROUNDS = 60, 3_600, 24, 3


def seconds(job: Callable[[], object]) -> float:
    """Return the shortest wall time of a job."""
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        job()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    """Print both ratios."""
    tables = [tc.simulate(seed=seed, remounts=1).results for seed in range(TABLES)]
    fit = partial(tc.fit, sensor="memory", seed=3)
    with (
        tempfile.TemporaryDirectory() as name,
        ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool,
    ):
        folder = Path(name)
        sheet = pd.DataFrame({"file": [f"r{i}.csv" for i in range(LOGS)]})
        sheet = sheet.assign(run=sheet["file"], cooler_model="A", board_model="B")
        for i, file in enumerate(sheet["file"]):
            make_log(SECONDS, seed=i).to_csv(folder / file, index=False)
        reduce = partial(tc.reduce_logs, folder, sheet, progress=False)
        jobs: dict[str, tuple[Callable[[], object], Callable[[], object]]] = {
            f"{LOGS} logs of {SECONDS} s": (reduce, partial(reduce, executor=pool)),
            f"{TABLES} fits": (
                lambda: list(map(fit, tables)),
                lambda: list(pool.map(fit, tables)),
            ),
        }
        for what, (alone, shared) in jobs.items():
            one, two = seconds(alone), seconds(shared)
            print(f"{what}: {one:.2f} s on one process, {two:.2f} s on two, x {one / two:.2f}")


if __name__ == "__main__":
    main()
