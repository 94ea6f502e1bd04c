"""Draw the figures of the page on speed from the output of the benchmarks.

From the root of the source tree::

    python tests/benchmarks/bench_scaling.py --draws 400 --rows 100 1000 10000 100000 1000000 \
        | python docs/make_speed.py
    python tests/benchmarks/bench_library.py add 1000 10000 100000 1000000 \
        | python docs/make_speed.py library
    python tests/benchmarks/bench_library.py fill 1 10 100 1000 10000 \
        | python docs/make_speed.py imports
"""

import sys
from pathlib import Path
from typing import Any, TextIO

import pandas as pd

FIGURE = Path(__file__).with_name("scaling.svg")
LIBRARY = Path(__file__).with_name("library.svg")
IMPORTS = Path(__file__).with_name("library-imports.svg")
#: Aims for a million rows: seconds, megabytes.
AIMS = (60.0, 4000.0)


def draw(table: pd.DataFrame, target: Path) -> None:
    """Draw seconds and peak memory against rows, both axes logarithmic."""
    figure, axes = _two_panels()
    sides = (("wall_s", "posterior of all effects [s]"), ("peak_mb", "peak memory [MB]"))
    for axis, (column, label), aim in zip(axes, sides, AIMS, strict=True):
        axis.loglog(table["rows"], table[column], "o-", color="0.2")
        # Both panels show the same points: one of them names the effects.
        for row in table.itertuples() if axis is axes[0] else ():
            axis.annotate(
                f"{row.effects:,} effects",
                (row.rows, getattr(row, column)),
                xytext=(-6, 5),
                textcoords="offset points",
                ha="right",
                fontsize=8,
            )
        axis.plot(table["rows"].max(), aim, "v", color="0.55", ms=8)
        axis.annotate(
            f"aim: {aim:,.0f}",
            (table["rows"].max(), aim),
            xytext=(0, 8),
            textcoords="offset points",
            ha="center",
            fontsize=8,
        )
        axis.set(xlabel="rows", ylabel=label, xlim=(8, 8e6))
        axis.set_ylim(top=4.0 * max(aim, table[column].max()))
        axis.grid(which="major", color="0.9")
    figure.savefig(target, metadata={"Date": None})


def draw_library(lines: TextIO) -> None:
    """Draw the cost of rows added at once to an empty library."""
    table = _lines(lines)
    figure, (left, right) = _two_panels()
    steps = {"add_cpu_s": "added", "read_cpu_s": "read", "verify_cpu_s": "verified"}
    _draw_each(left, table, steps, "processor time [s]")
    memory = {"frame_mb": "before", "add_mb": "peak while adding"}
    _draw_each(right, table, memory, "memory [MB]")
    figure.savefig(LIBRARY, metadata={"Date": None})


def draw_imports(lines: TextIO) -> None:
    """Draw the cost of calls to a library against the rows that it holds."""
    table = _lines(lines)
    figure, (left, right) = _two_panels()
    calls = {
        "add_ten_cpu_s": "a dozen rows added",
        "product_cpu_s": "one product read",
        "verify_cpu_s": "all verified",
    }
    _draw_each(left, table, calls, "processor time [s]")
    peak = {"peak_mb": "peak, with the index made for all rows"}
    _draw_each(right, table, peak, "memory [MB]")
    right.set_ylim(100.0, 2000.0)
    for axis in (left, right):
        axis.set_xlabel("rows in the library, 1,000 an import")
    figure.savefig(IMPORTS, metadata={"Date": None})


def _lines(lines: TextIO) -> pd.DataFrame:
    """Return the lines of the benchmark, pairs of a name and a number."""
    words = [line.replace(",", "").split() for line in lines]
    return pd.DataFrame([dict(zip(w[::2], map(float, w[1::2]), strict=True)) for w in words])


def _draw_each(axis: Any, table: pd.DataFrame, columns: dict[str, str], label: str) -> None:
    """Draw columns against the rows, both axes logarithmic."""
    for (column, words), style in zip(columns.items(), ("o-", "s--", "^:"), strict=False):
        axis.loglog(table["rows"], table[column], style, color="0.2", label=words)
    axis.set(xlabel="rows", ylabel=label)
    axis.legend()
    axis.grid(which="major", color="0.9")


def _two_panels() -> tuple[Any, Any]:
    """Return a figure and its two axes."""
    import matplotlib as mpl

    mpl.use("Agg")
    mpl.rcParams["svg.hashsalt"] = "thermcmp"
    import matplotlib.pyplot as plt

    return plt.subplots(1, 2, figsize=(9.0, 3.6), layout="constrained")


def main(lines: TextIO, of: str = "fit") -> None:
    """Read a benchmark's lines and write its figure."""
    if of == "library":
        draw_library(lines)
    elif of == "imports":
        draw_imports(lines)
    else:
        draw(pd.read_csv(lines, sep=r"\s+"), FIGURE)


if __name__ == "__main__":
    main(sys.stdin, *sys.argv[1:])
