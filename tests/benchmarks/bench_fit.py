"""How fast the two engines fit the demo campaign's memory rows, at equal accuracy.

Run by hand: ``python tests/benchmarks/bench_fit.py``. Each engine runs in a process
of its own, so that its peak memory is its own. On a busy machine look at the CPU time
of this process and its threads. Speed at equal Monte Carlo error is the smallest bulk
effective sample size over all scalar parameters, per second.
"""

import argparse
import json
import resource
import subprocess
import sys
import time
from pathlib import Path

import thermcmp as tc
from thermcmp.inference.arviz_adapter import effective_sizes

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "datasets" / "demo"
DRAWS = 4000
SEED = 1


def measure(engine: str, repeats: int) -> dict[str, object]:
    """Fit with one engine; repeats are without imports and compilation."""
    columns = json.loads((DEMO / "columns.json").read_text(encoding="utf-8"))
    rows = tc.read_results(DEMO / "campaign.csv", columns=columns)
    memory = rows[rows["sensor"] == "memory"]
    before_mb = peak_mb()
    times, cpu = [], []
    for _ in range(repeats):
        start, start_cpu = time.perf_counter(), time.process_time()
        fit = tc.fit(memory, engine=engine, draws=DRAWS, seed=SEED)
        times.append(time.perf_counter() - start)
        cpu.append(time.process_time() - start_cpu)
    sizes = effective_sizes(fit.posterior[list(fit.parameter_names)], "bulk")
    least = min(sizes, key=lambda name: sizes[name])
    return {
        "engine": fit.engine,
        "rows": len(memory),
        "effects": fit.design.effect_count,
        "health": str(fit.health),
        "first_s": times[0],
        "best_s": min(times),
        "cpu_s": min(cpu),
        "least_ess": sizes[least],
        "parameter": least,
        "before_mb": before_mb,
        "peak_mb": peak_mb(),
        "versions": fit.versions,
        "means": {name: float(fit.draws(name).mean()) for name in fit.parameter_names},
        "sds": {name: float(fit.draws(name).std()) for name in fit.parameter_names},
    }


def peak_mb() -> float:
    """Return the peak resident memory of this process [MB]; Linux counts in kibibytes."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6


def in_own_process(engine: str, repeats: int) -> dict[str, object]:
    """Measure one engine in a fresh Python."""
    done = subprocess.run(
        [sys.executable, __file__, "--engine", engine, "--repeats", str(repeats)],
        stdout=subprocess.PIPE,  # what goes wrong is shown
        text=True,
        check=True,
        cwd=ROOT,
    )
    return json.loads(done.stdout.splitlines()[-1])


def main() -> None:
    """Measure both engines and print the comparison."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--engine", choices=("conditional", "nuts"))
    options.add_argument("--repeats", type=int, default=1)
    given = options.parse_args()
    if given.engine is not None:
        print(json.dumps(measure(given.engine, given.repeats)))
        return
    found = {"conditional": in_own_process("conditional", 3), "nuts": in_own_process("nuts", 1)}
    fast, slow = found["conditional"], found["nuts"]
    print(f"Python {sys.version.split()[0]}, " + ", ".join(
        f"{name} {version}" for name, version in slow["versions"].items()))  # fmt: skip
    print(f"{fast['rows']} rows, {fast['effects']} effects, {DRAWS} draws, seed {SEED}")
    for one in found.values():
        rate = one["least_ess"] / one["best_s"]
        print(
            f"{one['engine']:12s} first {one['first_s']:7.2f} s  best {one['best_s']:7.2f} s  "
            f"CPU {one['cpu_s']:7.2f} s  "
            f"least bulk ESS {one['least_ess']:6.0f} ({one['parameter']})  {rate:8.1f} per s  "
            f"peak {one['peak_mb']:.0f} MB ({one['before_mb']:.0f} before)  health {one['health']}"
        )
    work = slow["cpu_s"] / fast["cpu_s"]
    best = slow["best_s"] / fast["best_s"]
    first = slow["first_s"] / fast["first_s"]
    equal = (fast["least_ess"] / fast["best_s"]) / (slow["least_ess"] / slow["best_s"])
    print(f"nuts / conditional: first fit {first:.1f}, best {best:.1f}, CPU {work:.1f} times")
    print(f"conditional / nuts: {equal:.1f} times the effective draws per second")
    apart = {
        name: abs(mean - slow["means"][name]) / slow["sds"][name]
        for name, mean in fast["means"].items()
    }
    worst = max(apart, key=lambda name: apart[name])
    print(f"means differ by at most {apart[worst]:.2f} posterior sd ({worst})")


if __name__ == "__main__":
    main()
