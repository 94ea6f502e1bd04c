"""How fast the closed loop is solved for 10 000 draws, against SciPy per draw and a grid.

Run by hand: ``python tests/benchmarks/bench_equilibrium.py``. All three run in one
process in turn on the same draws; compare the ratios, not the times.
"""

import sys
import time

import numpy as np
from scipy.optimize import brentq

from thermcmp.physics.closed_loop import ambient_at_limit, equilibrium
from thermcmp.physics.fan_controls import FanCurve, TargetTemperature
from thermcmp.physics.firmware import Firmware
from thermcmp.physics.sensor_law import SensorLaw

DRAWS = 10_000
GRID = 4001
ROUNDS = 7
CURVE = FanCurve((40, 50, 60, 66, 72, 80, 90), (800, 800, 1200, 1600, 1900, 2600, 3200))


def card(seed: int, resistance: float, convective: float) -> SensorLaw:
    """Return draws of one sensor."""
    rng = np.random.default_rng(seed)
    return SensorLaw(
        ambient_c=25.0,
        power_w=220.0,
        resistance_k_per_w=rng.normal(resistance, 0.02, DRAWS),
        convective_k_per_w=rng.normal(convective, 0.02, DRAWS),
        exponent=rng.normal(0.65, 0.08, DRAWS),
        reference_rpm=1800.0,
    )


def per_draw(sensor: SensorLaw) -> np.ndarray:
    """Solve draw by draw with SciPy's scalar solver."""
    ambient, power, r, s, m = (values.tolist() for values in (sensor.ambient_c, *sensor.rise_draws))
    warm, speed = np.array(CURVE.temperature_c), np.array(CURVE.fan_rpm)

    def gap(t: float, d: int) -> float:
        factor = (np.interp(t, warm, speed) / 1800.0) ** -m[d]
        return ambient[d] + power[d] * (r[d] + s[d] * (factor - 1.0)) - t

    roots = [brentq(gap, 0.0, 300.0, args=(d,), xtol=1e-11) for d in range(DRAWS)]
    return np.interp(roots, warm, speed)


def by_grid(sensor: SensorLaw) -> tuple[np.ndarray, float]:
    """Return the equilibrium on a grid of temperatures, and the step of the grid [K]."""
    grid = np.linspace(25.0, 145.0, GRID)
    speed = np.interp(grid, CURVE.temperature_c, CURVE.fan_rpm)
    found = np.empty(DRAWS)
    for start in range(0, DRAWS, 500):
        draws = slice(start, start + 500)
        part = [values[draws] for values in sensor.rise_draws]
        gap = sensor.ambient_c[draws] + sensor.rise_from(speed[:, None], *part) - grid[:, None]
        place = np.argmax(gap <= 0.0, axis=0)
        found[draws] = 0.5 * (speed[place] + speed[np.maximum(place - 1, 0)])
    return found, grid[1] - grid[0]


def best(function, *args) -> float:
    """Return the shortest of some rounds [ms], after a first one that is not timed."""
    function(*args)
    taken = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        function(*args)
        taken.append(time.perf_counter() - start)
    return min(taken) * 1e3


def main() -> None:
    """Measure and print."""
    edge, memory = card(1, 0.19, 0.14), card(2, 0.28, 0.20)
    curve = Firmware(name="curve", fan=CURVE)
    ours = equilibrium(curve, edge).fan_rpm
    start = time.perf_counter()
    scalar = per_draw(edge)
    scalar_ms = (time.perf_counter() - start) * 1e3
    start = time.perf_counter()
    coarse, step = by_grid(edge)
    grid_ms = (time.perf_counter() - start) * 1e3
    solved = best(equilibrium, curve, edge)
    steepest = np.max(np.diff(CURVE.fan_rpm) / np.diff(CURVE.temperature_c))
    print(f"Python {sys.version.split()[0]}, {DRAWS} draws, best of {ROUNDS}")
    print(f"curve of {len(CURVE.fan_rpm)} points            {solved:8.1f} ms")
    target = Firmware(name="target", fan=TargetTemperature(63.0, 900.0, 3000.0))
    print(f"target temperature           {best(equilibrium, target, edge):8.1f} ms")
    banded = Firmware(name="hysteresis", fan=CURVE, hysteresis_k=3.0)
    print(f"curve with hysteresis        {best(equilibrium, banded, edge):8.1f} ms")
    inverse = best(lambda: ambient_at_limit(curve, memory, 100.0, control=edge))
    print(f"ambient at limit, 2 sensors  {inverse:8.1f} ms")
    for name, taken, found in (
        ("scalar solver per draw", scalar_ms, scalar),
        (f"grid of {GRID} temperatures", grid_ms, coarse),
    ):
        apart = np.max(np.abs(ours / found - 1.0))
        times = taken / solved
        print(f"{name:28s} {taken:8.1f} ms, {times:5.1f} times as long, differs by {apart:.1e}")
    print(f"the grid's step is {step:.2f} K, up to {step * steepest:.1f} rpm")


if __name__ == "__main__":
    main()
