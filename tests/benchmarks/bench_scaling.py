"""What the conditional engine costs against rows and effects, from a hundred rows up.

Run by hand: ``python tests/benchmarks/bench_scaling.py --rows 100 1000 10000``; a million
rows take minutes. Each size runs in a process of its own, so that its peak memory is its
own. The campaign is drawn from the model: products with specimens, mountings of each
specimen over sittings, and runs at several fan speeds; about one effect for ten rows.
"""

import argparse
import json
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from thermcmp.inference.conditional import run_conditional
from thermcmp.inference.problem import GaussianProblem, effect_layout
from thermcmp.model.priors import HalfNormal, Normal

ROOT = Path(__file__).parents[2]
RUNS_PER_MOUNTING, MOUNTINGS_PER_SPECIMEN, SPECIMENS_PER_MODEL = 12, 5, 10
MOUNTINGS_PER_SITTING = 100
SPREADS_K = (6.0, 1.5, 1.0, 0.5, 3.0)
RESIDUAL_K = 0.4
PRIORS = [
    Normal(0.65, 0.1),
    HalfNormal(10.0),
    HalfNormal(2.0),
    HalfNormal(2.0),
    HalfNormal(1.0),
    HalfNormal(10.0),
    HalfNormal(1.0),
]


def campaign(rows: int, rng: np.random.Generator) -> GaussianProblem:
    """A campaign of about that many rows, drawn from the model."""
    mountings = max(rows // RUNS_PER_MOUNTING, 4)
    mounting = np.arange(rows) % mountings
    specimen = mounting // MOUNTINGS_PER_SPECIMEN
    model = specimen // SPECIMENS_PER_MODEL
    sitting = rng.permutation(mountings)[mounting] // MOUNTINGS_PER_SITTING
    index = np.stack([model, specimen, mounting, sitting, model], axis=1)
    sizes = [int(column.max()) + 1 for column in index.T]
    layout = effect_layout(index, sizes, [Normal(50.0, 50.0), Normal(30.0, 20.0)])
    log_speed = np.log(rng.choice([1400.0, 1800.0, 2200.0], rows) / 1800.0)[:, None]
    log_speed += rng.normal(0.0, 0.005, log_speed.shape)
    effects = np.concatenate(
        [
            [48.0, 28.0],
            *(s * rng.standard_normal(n) for s, n in zip(SPREADS_K, sizes, strict=True)),
        ]
    )
    flow = np.array([False, True, False, False, False, False, True])
    weight = np.where(flow, np.exp(-0.65 * log_speed) - 1.0, 1.0)
    y = np.sum(weight * effects[layout.columns], axis=1)
    return GaussianProblem(
        y=y + RESIDUAL_K * rng.standard_normal(rows),
        known_variance=np.full(rows, 0.01),
        run_scatter=np.ones(rows),
        columns=layout.columns,
        values=np.ones(layout.columns.shape),
        flow=flow,
        scale_of=layout.scale_of,
        fixed_mean=layout.fixed_mean,
        fixed_sd=layout.fixed_sd,
        spreads=("model", "specimen", "mounting", "sitting", "model airflow", "residual"),
        airflow=lambda m: np.exp(-m * log_speed) - 1.0,
        airflow_slope=lambda m: -log_speed * np.exp(-m * log_speed),
    )


def measure(rows: int, draws: int) -> dict[str, object]:
    """One posterior; the loops are compiled beforehand."""
    run_conditional(campaign(100, np.random.default_rng(0)), PRIORS, draws=400, seed=1)
    problem = campaign(rows, np.random.default_rng(1))
    start, start_cpu = time.perf_counter(), time.process_time()
    found = run_conditional(problem, PRIORS, draws=draws, seed=2)
    return {
        "rows": rows,
        "effects": problem.effect_count,
        "wall_s": time.perf_counter() - start,
        "cpu_s": time.process_time() - start_cpu,
        "points": len(found.weighted.x),
        "count": found.weighted.effective_size,
        "mounting_k": float(found.points.spread[:, 2].mean()),
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6,
    }


def main() -> None:
    """Measure each size and print a line for it."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rows", type=int, nargs="+", default=[100, 1000, 10_000])
    options.add_argument("--draws", type=int, default=4000)
    options.add_argument("--here", action="store_true", help="measure in this process")
    given = options.parse_args()
    if given.here:
        print(json.dumps(measure(given.rows[0], given.draws)))
        return
    print("rows effects wall_s cpu_s points counting mounting_sd_k peak_mb")
    for rows in given.rows:
        done = subprocess.run(
            [sys.executable, __file__, "--here", "--rows", str(rows), "--draws", str(given.draws)],
            stdout=subprocess.PIPE,
            text=True,
            check=True,
            cwd=ROOT,
        )
        one = json.loads(done.stdout.splitlines()[-1])
        print(
            f"{one['rows']} {one['effects']} {one['wall_s']:.2f} {one['cpu_s']:.2f} "
            f"{one['points']} {one['count']:.0f} {one['mounting_k']:.3f} {one['peak_mb']:.0f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
