"""Time and memory of the conditional engine by rows and effects, from a hundred rows up.

Run by hand: ``python tests/benchmarks/bench_scaling.py --rows 100 1000 10000``; a million
rows take minutes. With ``--check`` the rows are fitted as a user would fit them, and
`check_fit` is measured beside the fit in the same process, with MODELS cooler models whatever
the rows. Each size runs in a process of its own, so that its peak memory is its own. The
campaign is drawn from the model: products with specimens, assemblies of each specimen over
sessions, and runs at several fan speeds; about one effect for ten rows.
"""

import argparse
import json
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

import thermcmp as tc
from thermcmp.inference.arviz_adapter import pareto_k
from thermcmp.inference.conditional.engine import run_conditional
from thermcmp.inference.conditional.problem import GaussianProblem, effect_layout
from thermcmp.model.priors import HalfNormal, Normal

ROOT = Path(__file__).parents[2]
RUNS_PER_ASSEMBLY, ASSEMBLIES_PER_SPECIMEN, SPECIMENS_PER_MODEL = 12, 5, 10
ASSEMBLIES_PER_SITTING = 100
MODELS = 20
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


def campaign(
    rows: int, rng: np.random.Generator, models: int | None = None
) -> tuple[GaussianProblem, np.ndarray, np.ndarray]:
    """Draw a campaign of about that many rows from the model.

    Also the levels of each row, shape (n, 5), and its relative fan speed, shape (n,).
    """
    assemblies = max(rows // RUNS_PER_ASSEMBLY, 4)
    assembly = np.arange(rows) % assemblies
    specimen = assembly // ASSEMBLIES_PER_SPECIMEN
    model = specimen // SPECIMENS_PER_MODEL if models is None else specimen % models
    session = rng.permutation(assemblies)[assembly] // ASSEMBLIES_PER_SITTING
    index = np.stack([model, specimen, assembly, session, model], axis=1)
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
    problem = GaussianProblem(
        y=y + RESIDUAL_K * rng.standard_normal(rows),
        known_variance=np.full(rows, 0.01),
        run_scatter=np.ones(rows),
        columns=layout.columns,
        values=np.ones(layout.columns.shape),
        flow=flow,
        scale_of=layout.scale_of,
        fixed_mean=layout.fixed_mean,
        fixed_sd=layout.fixed_sd,
        spreads=("model", "specimen", "assembly", "session", "model airflow", "residual"),
        airflow=lambda m: np.exp(-m * log_speed) - 1.0,
        airflow_slope=lambda m: -log_speed * np.exp(-m * log_speed),
    )
    return problem, index, np.exp(log_speed[:, 0])


def results(rows: int, rng: np.random.Generator) -> pd.DataFrame:
    """Return the same campaign as a results table."""
    problem, index, speed = campaign(rows, rng, MODELS)
    model, specimen, assembly, session = (
        [f"{mark}{code}" for code in codes]
        for mark, codes in zip(["Heron-C", "c", "m", "s"], index.T[:4], strict=True)
    )
    return pd.DataFrame(
        {
            "run": [f"r{i}" for i in range(rows)], "sensor": "memory", "cooler_model": model,
            "cooler_id": specimen, "board_model": "Heron-B1", "board_id": "Heron-B1-1",
            "memory_vendor": "Quill", "assembly": assembly, "session": session, "lab": "North",
            "temperature_c": 22.0 + problem.y, "ambient_c": 22.0, "fan_rpm": 1800.0 * speed,
            "power_w": 200.0, "standard_error_k": 0.1,
        }
    )  # fmt: skip


def measure(rows: int, draws: int) -> dict[str, object]:
    """Compute one posterior, after the loops are compiled and ArviZ is imported."""
    pareto_k(np.arange(100.0))
    run_conditional(campaign(100, np.random.default_rng(0))[0], PRIORS, draws=400, seed=1)
    problem = campaign(rows, np.random.default_rng(1))[0]
    start, start_cpu = time.perf_counter(), time.process_time()
    found = run_conditional(problem, PRIORS, draws=draws, seed=2)
    return {
        "rows": rows,
        "effects": problem.effect_count,
        "wall_s": time.perf_counter() - start,
        "cpu_s": time.process_time() - start_cpu,
        "points": len(found.weighted.x),
        "count": found.weighted.effective_size,
        "assembly_k": float(found.points.spread[:, 2].mean()),
        "peak_mb": peak_mb(),
    }


def measure_check(rows: int, draws: int) -> dict[str, object]:
    """Fit a results table and check the fit, after all loops are compiled."""
    tc.check_fit(tc.fit(results(240, np.random.default_rng(0)), draws=400, seed=1))
    frame = results(rows, np.random.default_rng(1))
    start = time.perf_counter()
    model = tc.fit(frame, draws=draws, seed=2)
    fitted, fit_mb = time.perf_counter(), peak_mb()
    found = tc.check_fit(model)
    checked = time.perf_counter()
    return {
        "rows": rows,
        "effects": model.design.effect_count,
        "fit_s": fitted - start,
        "check_s": checked - fitted,
        "contrasts": len(found.left_out.table),
        "trusted": float((found.left_out.units["action"] == "weights").mean()),
        "fit_mb": fit_mb,
        "peak_mb": peak_mb(),
    }


def peak_mb() -> float:
    """Return the peak memory of this process [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6


def main() -> None:
    """Measure each size and print a line for it."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rows", type=int, nargs="+", default=[100, 1000, 10_000])
    options.add_argument("--draws", type=int, default=4000)
    options.add_argument("--check", action="store_true", help="measure check_fit beside the fit")
    options.add_argument("--here", action="store_true", help="measure in this process")
    given = options.parse_args()
    if given.here:
        measured = (measure_check if given.check else measure)(given.rows[0], given.draws)
        print(json.dumps(measured))
        return
    if given.check:
        print("rows effects contrasts fit_s check_s ratio by_weights fit_peak_mb peak_mb")
    else:
        print("rows effects wall_s cpu_s points counting assembly_sd_k peak_mb")
    for rows in given.rows:
        more = ["--check"] if given.check else []
        more += ["--here", "--rows", str(rows), "--draws", str(given.draws)]
        done = subprocess.run(
            [sys.executable, __file__, *more],
            stdout=subprocess.PIPE,
            text=True,
            check=True,
            cwd=ROOT,
        )
        one = json.loads(done.stdout.splitlines()[-1])
        print(_checked(one) if given.check else _fitted(one), flush=True)


def _fitted(one: dict[str, float]) -> str:
    return (
        f"{one['rows']} {one['effects']} {one['wall_s']:.2f} {one['cpu_s']:.2f} "
        f"{one['points']} {one['count']:.0f} {one['assembly_k']:.3f} {one['peak_mb']:.0f}"
    )


def _checked(one: dict[str, float]) -> str:
    return (
        f"{one['rows']} {one['effects']} {one['contrasts']} {one['fit_s']:.2f} "
        f"{one['check_s']:.2f} {one['check_s'] / one['fit_s']:.2f} {one['trusted']:.4f} "
        f"{one['fit_mb']:.0f} {one['peak_mb']:.0f}"
    )


if __name__ == "__main__":
    main()
