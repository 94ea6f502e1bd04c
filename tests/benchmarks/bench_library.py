"""Cost of a library against what is new and what is there, beside bare Parquet in the same run.

Run by hand: ``python tests/benchmarks/bench_library.py add 100000 1000000``,
``… fill 1000 3000`` (imports of 1,000 rows each, into which ten rows are added, one product is
read, and all is verified). Each size runs in a process of its own, so that its peak memory is
its own. The last column compares with pyarrow, which writes and reads the same rows.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from thermcmp.library.store import Library
from thermcmp.library.store_file import encode, make_stored
from thermcmp.results.validation import check_results

ROOT = Path(__file__).parents[2]
ROWS_PER_IMPORT = 1000
PRODUCTS = 200


def rows(count: int, number: int = 0, products: list[int] | None = None) -> pd.DataFrame:
    """Return the rows of one import: four sensors of each run, three runs of each assembly."""
    rng = np.random.default_rng(number)
    run = np.arange(count) // 4
    assembly = run // 3
    product = np.resize(products or list(range(PRODUCTS)), assembly.max() + 1)[assembly]
    power_w = np.round(rng.choice([180.0, 220.0, 260.0], run.max() + 1)[run], 1)
    return pd.DataFrame(
        {
            "lab": "North", "run": pd.Series(run).map(f"i{number} r{{}}".format),
            "sensor": np.resize(["edge", "junction", "memory", "board"], count),
            "product": pd.Series(product).map("Heron {}".format),
            "cooler_model": pd.Series(product % 20).map("Heron-C{}".format),
            "cooler_id": pd.Series(assembly).map(f"i{number} c{{}}".format),
            "board_model": pd.Series(product % 10).map("Heron-B{}".format),
            "board_id": pd.Series(assembly).map(f"i{number} b{{}}".format),
            "memory_vendor": pd.Series(assembly % 2).map(["Quill", "Ember"].__getitem__),
            "assembly": pd.Series(assembly).map(f"i{number} a{{}}".format),
            "session": f"s{number}", "bench": "b1", "firmware": "fw 1", "fan_mode": "fixed",
            "temperature_c": np.round(60.0 + 20.0 * rng.random(count), 2), "ambient_c": 22.0,
            "fan_rpm": 1800.0, "power_w": power_w, "standard_error_k": 0.1,
            "started_at": pd.Timestamp("2031-03-01", tz="UTC")
            + pd.to_timedelta(pd.Series(run + 60 * number), unit="min"),
        }
    )  # fmt: skip


def peak_mb() -> float:
    """Return the peak memory of this process [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6


class Clock:
    """The wall and processor time of steps, in the order in which they are taken [s]."""

    def __init__(self) -> None:
        self.taken: dict[str, float] = {}
        self._since = time.perf_counter(), time.process_time()

    def lap(self, name: str) -> None:
        """End a step; one without a name does not count."""
        now = time.perf_counter(), time.process_time()
        if name:
            for kind, end, start in zip(("s", "cpu_s"), now, self._since, strict=True):
                self.taken[f"{name}_{kind}"] = end - start
        self._since = time.perf_counter(), time.process_time()


def bare(frame: pd.DataFrame, folder: Path) -> float:
    """Return the time in which pyarrow writes a frame to the disk and reads it again [s]."""
    start = time.perf_counter()
    path = folder / "bare.parquet"
    with path.open("wb") as file:
        pq.write_table(pa.Table.from_pandas(frame), file, compression="zstd")
        file.flush()
        os.fsync(file.fileno())
    pq.read_table(path).to_pandas()
    return time.perf_counter() - start


def measure_add(count: int, folder: Path) -> dict[str, float]:
    """Add rows to an empty library, read and verify them."""
    folder.mkdir()
    Library(folder / "warm").add(rows(100))
    frame = rows(count)
    before = peak_mb()
    clock = Clock()
    library = Library(folder / "library")
    library.add(frame)
    clock.lap("add")
    added = peak_mb()
    assert library.verify() == []
    clock.lap("verify")
    assert len(library.results()) == count
    clock.lap("read")
    return {"rows": count, **clock.taken, "bare_s": bare(frame, folder), "frame_mb": before,
            "add_mb": added, "peak_mb": peak_mb()}  # fmt: skip


def fill(library: Library, imports: int) -> None:
    """Write many imports as `add` writes them, without checking each against the others."""
    types = check_results(rows(12)).dtypes
    for number in range(imports):
        typed = rows(ROWS_PER_IMPORT, number, [number % PRODUCTS])
        typed = typed.reindex(columns=types.index).assign(at_limit=False, regulated=False)
        stored = make_stored(typed.astype(types))
        data, name = encode(stored), stored.note.file
        path = Path(library.root) / "results" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        path = Path(library.root) / "imports"
        path.mkdir(exist_ok=True)
        library._journal.record(name, data, [stored.note])


def measure_fill(imports: int, folder: Path) -> dict[str, float]:
    """Add ten rows to a library of many imports, read one product, and verify all."""
    library = Library(folder)
    if not folder.exists():
        fill(library, imports)
    library.add(rows(12, imports + 1))
    clock = Clock()
    library.add(rows(12, imports + 2))
    clock.lap("add_ten")
    before = peak_mb()
    found = library.results(product="Heron 0")
    clock.lap("product")
    product_mb = peak_mb() - before
    clock.lap("")
    paths = sorted((folder / "results").iterdir())
    held = sum(len(path.read_bytes()) for path in paths)
    clock.lap("bytes")
    assert library.verify() == []
    clock.lap("verify")
    return {"imports": imports, "rows": imports * ROWS_PER_IMPORT, "found": len(found),
            **clock.taken, "mb": held / 1e6, "product_mb": product_mb,
            "peak_mb": peak_mb()}  # fmt: skip


def main() -> None:
    """Measure each size in a process of its own and print a line for it."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("what", choices=["add", "fill"], help="rows added, or imports there")
    options.add_argument("sizes", type=int, nargs="+")
    options.add_argument("--here", type=Path, help="measure in this process, in this folder")
    given = options.parse_args()
    if given.here is not None:
        measure = measure_add if given.what == "add" else measure_fill
        print(json.dumps(measure(given.sizes[0], given.here)))
        return
    for size in given.sizes:
        with tempfile.TemporaryDirectory() as folder:
            command = [sys.executable, __file__, given.what, str(size), "--here", f"{folder}/bench"]
            done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True, cwd=ROOT)
        one = json.loads(done.stdout.splitlines()[-1])
        print(" ".join(f"{name} {value:,.2f}" for name, value in one.items()), flush=True)


if __name__ == "__main__":
    main()
