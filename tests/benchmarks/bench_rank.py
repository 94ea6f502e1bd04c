"""Processor time of ranking a library of many products and laboratories.

Run by hand: ``python tests/benchmarks/bench_rank.py --products 200 --labs 10``. Every product is
run at every laboratory at two fan speeds, with its noise. The second ranking is of the same fit
anew, with all packages loaded and loops compiled; the third finds what the fit has worked out.
"""

import argparse
import time
from dataclasses import replace

import numpy as np
import pandas as pd

import thermcmp as tc


def library(products, labs, rng):
    """Rows of every product at every laboratory."""
    p, place, step = (side.ravel() for side in np.indices((products, labs, 2)))
    rpm = 1500.0 + 500.0 * step
    rise = (50.0 + rng.normal(0, 4, products)[p]) * (0.5 + 0.5 * (rpm / 1800.0) ** -0.8)
    air, names = 22.0, np.char.mod("Card %03d", p)
    level = 38.0 + rng.normal(0, 2, products)[p] + 55.0 * np.log10(rpm / 1800.0)
    return pd.DataFrame({
        "run": np.arange(len(p)).astype(str), "sensor": "memory", "product": names,
        "cooler_model": np.char.add(names, " C"), "board_model": np.char.add(names, " B"),
        "assembly": np.char.add(names, np.char.mod(" %d", place)),
        "lab": np.char.mod("Lab %d", place), "session": np.char.mod("s%d", place),
        "fan_rpm": rpm, "fan_mode": "fixed", "power_w": 200.0, "ambient_c": air,
        "noise_dba": level + rng.normal(0, 0.2, len(p)), "mic_distance_m": 0.5,
        "temperature_c": air + rise + rng.normal(0, 2, labs)[place] + rng.normal(0, 0.2, len(p)),
    })  # fmt: skip


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--products", type=int, default=200)
    parser.add_argument("--labs", type=int, default=10)
    asked = parser.parse_args()
    rows = library(asked.products, asked.labs, np.random.default_rng(1))
    terms = ["cooler_model", "lab", "assembly"]
    fit = tc.fit(rows, terms=terms, seed=1, expand="none", engine="conditional")
    anew = replace(fit)
    for what, model in (("first", fit), ("anew", anew), ("again", anew)):
        start = time.process_time()
        tc.rank(model, fan_rpm=1800.0)
        print(f"{what}: {time.process_time() - start:.1f} s of processor")


if __name__ == "__main__":
    main()
