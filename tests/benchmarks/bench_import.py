"""Import times of the package, of its first use, and of pandas for comparison.

Run by hand: ``python tests/benchmarks/bench_import.py``. Each import runs in a fresh
Python, the candidates in turn, so that a busy machine slows all of them alike.
"""

import statistics
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
ROUNDS = 9
STATEMENTS = {
    "an empty Python": "pass",
    "import thermcmp": "import thermcmp",
    "import thermcmp, then fit and separate": "from thermcmp import fit, separate",
    "import pandas": "import pandas",
}


def seconds(statement: str) -> float:
    """Return the wall time of a new Python process that runs one statement [s]."""
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", statement], check=True, cwd=ROOT)
    return time.perf_counter() - start


def main() -> None:
    """Measure and print."""
    for statement in STATEMENTS.values():
        seconds(statement)  # fills the byte-code cache and the disk cache
    taken: dict[str, list[float]] = {name: [] for name in STATEMENTS}
    for _ in range(ROUNDS):
        for name, statement in STATEMENTS.items():
            taken[name].append(seconds(statement))
    middle = {name: statistics.median(values) for name, values in taken.items()}
    empty = middle["an empty Python"]
    pandas = middle["import pandas"] - empty
    print(f"Python {sys.version.split()[0]}, median of {ROUNDS} fresh processes")
    for name, value in middle.items():
        own = value - empty
        print(f"{name:42s} {value * 1e3:7.0f} ms  own {own * 1e3:7.1f} ms  "
              f"{own / pandas:5.2f} of pandas")  # fmt: skip


if __name__ == "__main__":
    main()
