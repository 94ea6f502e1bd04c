"""Means, spreads and differences of builds whose sensor a control loop held."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray


#: Up to where two builds were held alike: rise [K], power and fan speed [share]; the
#: tolerances of the test protocol (common practice, no source).
RISE_K: Final = 1.0
POWER_SHARE: Final = 0.03
SPEED_SHARE: Final = 0.02

_NAN: Final = float("nan")


@dataclass(frozen=True, slots=True, eq=False)
class HeldBuild:
    """Regulated runs of one build."""

    name: str
    #: Mean temperature that was held, and mean ambient [°C].
    held_c: float
    ambient_c: float
    #: What the loop moved: fan or power.
    by: str
    #: Shape (n,).
    assembly: NDArray[np.str_]
    #: Measured values by quantity, shape (n,); NaN where a run lacks one.
    values: Mapping[str, Array]

    def by_assembly(self, quantity: str) -> Array:
        """Return the means of the assemblies that have a value."""
        values = self.values[quantity]
        known = ~np.isnan(values)
        assemblies = np.unique(self.assembly[known])
        return np.array([values[known & (self.assembly == name)].mean() for name in assemblies])

    def known(self, quantity: str) -> Array:
        """Return the runs' values without the missing ones."""
        values = self.values[quantity]
        return values[~np.isnan(values)]


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the table; see `regulated_runs`."""

    build: str
    quantity: str
    unit: str
    mean: float
    sd: float
    low: float
    high: float
    held_c: float
    ambient_c: float
    regulated_by: str
    runs: int
    assemblies: int
    health: str


def _units(builds: tuple[HeldBuild, ...], quantity: str) -> tuple[list[Array], str]:
    """Return the observations of every build, and their health."""
    assemblies = [build.by_assembly(quantity) for build in builds]
    if all(len(values) > 1 for values in assemblies):
        return assemblies, "ok"
    runs = [build.known(quantity) for build in builds]
    if all(len(values) > 1 for values in runs):
        return runs, "one assembly: remounting is not in the interval"
    if not all(len(values) for values in runs):
        return runs, "not measured"
    return runs, "one run: no interval"


def summary(build: HeldBuild, quantity: str, unit: str, prob: float) -> Line:
    """Compute the mean of one quantity of a build, with Student's interval."""
    from scipy.stats import t as student

    (values,), health = _units((build,), quantity)
    runs, n = build.known(quantity), len(values)
    mean = float(np.mean(values)) if n else _NAN
    reach = _NAN
    if n > 1:
        error = float(np.std(values, ddof=1)) / np.sqrt(n)
        reach = float(student.ppf(0.5 + prob / 2.0, n - 1)) * error
    return Line(
        build.name,
        quantity,
        unit,
        mean,
        float(np.std(runs, ddof=1)) if len(runs) > 1 else _NAN,
        mean - reach,
        mean + reach,
        build.held_c,
        build.ambient_c,
        build.by,
        len(runs),
        len(build.by_assembly(quantity)),
        health,
    )


def difference(first: HeldBuild, second: HeldBuild, quantity: str, unit: str, prob: float) -> Line:
    """Compute the difference second minus first of one quantity, with Welch's interval."""
    from scipy.stats import ttest_ind

    (old, new), health = _units((first, second), quantity)
    mean = float(np.mean(new) - np.mean(old)) if len(old) and len(new) else _NAN
    low = high = _NAN
    if len(old) > 1 and len(new) > 1 and np.ptp(old) + np.ptp(new) > 0:
        ends = ttest_ind(new, old, equal_var=False).confidence_interval(prob)
        low, high = float(ends.low), float(ends.high)
    runs = [build.known(quantity) for build in (first, second)]
    return Line(
        f"{second.name} − {first.name}",
        quantity,
        unit,
        mean,
        _NAN,
        low,
        high,
        second.held_c - first.held_c,
        second.ambient_c - first.ambient_c,
        first.by if first.by == second.by else f"{first.by}; {second.by}",
        sum(map(len, runs)),
        len(first.by_assembly(quantity)) + len(second.by_assembly(quantity)),
        health,
    )


def unlike(first: HeldBuild, second: HeldBuild) -> str:
    """Describe how the conditions of two builds differ; "" where they were held alike."""
    differences = []
    rise = (second.held_c - second.ambient_c) - (first.held_c - first.ambient_c)
    if abs(rise) > RISE_K:
        differences.append(f"the rise held differs by {abs(rise):.1f} K")
    kept = {"fan": [("power", POWER_SHARE, "W")], "power": [("fan speed", SPEED_SHARE, "rpm")]}
    for quantity, share, unit in kept.get(first.by, []):
        both = [build.known(quantity) for build in (first, second)]
        if not all(len(values) for values in both):
            differences.append(f"{quantity} is not known of both")
            continue
        old, new = (float(np.mean(values)) for values in both)
        if abs(new / old - 1.0) > share:
            differences.append(f"{quantity} differs by {abs(new - old):.0f} {unit}")
    return ", ".join(differences)
