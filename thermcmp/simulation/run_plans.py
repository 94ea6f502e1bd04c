"""A run plan: parts, assemblies and set points in the order of testing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from thermcmp.errors import Fault, InputError
from thermcmp.simulation.builds import PlannedBuild
from thermcmp.simulation.scheduling import numbered

#: Invented memory vendors.
VENDORS: Final = ("Quill", "Sable")


@dataclass(frozen=True, slots=True)
class RunPlan:
    """The runs of a campaign: parts, assemblies and set points, without readings.

    Attributes
    ----------
    runs : pandas.DataFrame, shape (runs,)
        A row per run in the order of testing: the parts' and assembly's columns
        of the results table, ``started_at``, and the set points ``set_fan_rpm``,
        ``set_power_w``, ``set_noise_dba`` (NaN where the firmware or another set
        point determines them).
    products : tuple of PlannedBuild
        Products as shipped.
    before, after : PlannedBuild, optional
        The revised product's old and new build, in a revision study.
    """

    runs: pd.DataFrame
    products: tuple[PlannedBuild, ...]
    before: PlannedBuild | None = None
    after: PlannedBuild | None = None


def join_plans(study: RunPlan, others: RunPlan) -> RunPlan:
    """Combine two plans into one campaign; sessions of the same name become one.

    Parameters
    ----------
    study, others : RunPlan
        Plans without a common assembly; `before` and `after` are those of the study.

    Returns
    -------
    RunPlan
        All runs, renumbered.

    Raises
    ------
    InputError
        If an assembly occurs in both plans.
    """
    common = sorted(set(study.runs["assembly"]) & set(others.runs["assembly"]))
    if common:
        raise InputError(
            "These plans cannot be joined:",
            [
                Fault("occurs in both plans", "use different parts", column="assembly", value=name)
                for name in common
            ],
        )
    runs = pd.concat([study.runs, others.runs], ignore_index=True)
    runs["from_bench"] = runs["assembly_kind"] != "factory"
    runs = runs.sort_values(["lab", "session_number", "from_bench"], kind="stable")
    products = study.products + others.products
    return RunPlan(numbered(runs.drop(columns="from_bench")), products, study.before, study.after)


def count_faults(least: int = 1, **counts: object) -> list[Fault]:
    """Return the faults of counts that are not integers or too small."""
    return [
        Fault("not a count", f"give an integer of at least {least}", column=name, value=str(value))
        for name, value in counts.items()
        if isinstance(value, bool) or not isinstance(value, (int, np.integer)) or value < least
    ]


def choice_faults(name: str, value: str, choices: tuple[str, ...]) -> list[Fault]:
    """Return the fault of a value that is not among the choices."""
    fault = Fault("not known", f"use one of {', '.join(choices)}", column=name, value=str(value))
    return [] if value in choices else [fault]


def set_point_faults(
    fan_speeds_rpm: tuple[float, ...], noise_dba: float | None, power_w: float
) -> list[Fault]:
    """Return the faults of set points that are out of range."""
    limits = [("fan_speeds_rpm", speed, 1.0, 60_000.0) for speed in fan_speeds_rpm]
    limits.append(("power_w", power_w, 0.1, 5000.0))
    if noise_dba is not None:
        limits.append(("equal_noise_dba", noise_dba, 0.0, 140.0))
    return [
        Fault("out of range", f"give a value in [{low:g}, {high:g}]", column=name, value=str(value))
        for name, value, low, high in limits
        if not low <= value <= high
    ]
