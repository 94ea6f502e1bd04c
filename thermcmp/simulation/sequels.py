"""Repeated runs, and later sessions of a campaign with the same parts."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from thermcmp.errors import Fault, InputError
from thermcmp.simulation.run_plans import RunPlan
from thermcmp.simulation.scenario import AIRFLOW_TERMS, RESISTANCE_TERMS, Scenario
from thermcmp.simulation.scheduling import numbered
from thermcmp.simulation.seeds import generator
from thermcmp.simulation.truth import Truth

#: Terms with new levels in a later session; all others are parts that stay the same.
_PER_SESSION: Final = ("session", "assembly")


def repeat_runs(plan: RunPlan, runs: Collection[str]) -> RunPlan:
    """Repeat some runs before the teardown of their assembly.

    Parameters
    ----------
    plan : RunPlan
        A plan.
    runs : collection of str
        Numbers of the runs to be repeated.

    Returns
    -------
    RunPlan
        All runs, renumbered.

    Raises
    ------
    InputError
        If a run is not in the plan.
    """
    frame = plan.runs
    unknown = sorted(set(runs) - set(frame["run"]))
    if unknown:
        raise InputError(
            "Runs cannot be repeated:",
            [Fault("no such run", "use runs of the plan", column="run", value=r) for r in unknown],
        )
    again = pd.concat([frame, frame[frame["run"].isin(runs)]], ignore_index=True)
    # A stable sort by assembly puts each repeat behind the last run of its assembly.
    place = {name: i for i, name in enumerate(frame["assembly"].unique())}
    order = again["assembly"].map(place).sort_values(kind="stable").index
    return replace(plan, runs=numbered(again.loc[order]))


def run_after(plan: RunPlan, earlier: RunPlan) -> RunPlan:
    """Continue the numbers and dates of an earlier plan.

    Parameters
    ----------
    plan : RunPlan
        Runs of the later session.
    earlier : RunPlan
        Earlier runs.

    Returns
    -------
    RunPlan
        The later session's runs; the first one starts a week after the earlier plan's
        last day.
    """
    runs = plan.runs.copy()
    earlier_count = earlier.runs.groupby("lab").size()
    done = runs["lab"].map(earlier_count).fillna(0)
    number = runs.groupby("lab", sort=False).cumcount() + done + 1
    runs["run"] = [f"R{int(n):03d}" for n in number]
    days = earlier.runs["started_at"].max().normalize() - runs["started_at"].min().normalize()
    runs["started_at"] = runs["started_at"] + (days + pd.Timedelta(days=7))
    return replace(plan, runs=runs)


def extend_truth(
    truth: Truth, plan: RunPlan, scenario: Scenario | None = None, *,
    seed: int | np.random.Generator,
) -> Truth:  # fmt: skip
    """Extend the truth by the sessions and assemblies of a later plan.

    Parameters
    ----------
    truth : Truth
        Truth of the earlier campaign; its values do not change.
    plan : RunPlan
        Runs of the later session, with parts of the earlier one.
    scenario : Scenario, optional
        Spreads; `Scenario()` by default.
    seed : int or numpy.random.Generator
        Source of all draws.

    Returns
    -------
    Truth
        The truth of both.

    Raises
    ------
    InputError
        If the plan has parts that the truth does not have, or the seed is not an
        integer of at least 0.
    """
    scenario, rng = scenario or Scenario(), generator(seed)
    new = {c: sorted(set(plan.runs[c]) - _levels(truth, c)) for c in _PER_SESSION}
    _refuse_new_parts(truth, plan)
    kinds = plan.runs.set_index("assembly")["assembly_kind"].to_dict()
    is_bad = rng.random(len(new["assembly"])) < scenario.bad_mount_probability
    bad = [a for a, b in zip(new["assembly"], is_bad, strict=True) if b and kinds[a] == "bench"]
    effects = {}
    for name, terms in truth.effects.items():
        grown = {term: dict(levels) for term, levels in terms.items()}
        for column, levels in new.items():
            draws = scenario.sensors[name].scales_k[column] * rng.standard_normal(len(levels))
            grown[column] |= dict(zip(levels, draws.tolist(), strict=True))
        for assembly in bad:
            grown["assembly"][assembly] += scenario.sensors[name].bad_mount_k
        effects[name] = grown
    z = rng.standard_normal(len(new["session"]))
    floors = scenario.noise_floor_dba + scenario.noise_floor_sd_db * z
    new_floors = dict(zip(new["session"], floors.tolist(), strict=True))
    return replace(
        truth,
        effects=effects,
        noise_floor_dba={**truth.noise_floor_dba, **new_floors},
        bad_assemblies=(*truth.bad_assemblies, *bad),
    )


def _levels(truth: Truth, term: str) -> set[str]:
    """Return the levels of a term that the truth has for all sensors."""
    return set.intersection(*(set(terms[term]) for terms in truth.effects.values()))


def _refuse_new_parts(truth: Truth, plan: RunPlan) -> None:
    """Check that the truth has all parts and firmwares of the plan."""
    known: Mapping[str, tuple[str, set[str]]] = {
        term: (column, _levels(truth, term))
        for term, column in (RESISTANCE_TERMS | AIRFLOW_TERMS).items()
        if term not in _PER_SESSION
    } | {"firmware": ("firmware", set(truth.firmware))}
    faults = {
        (column, str(level))
        for column, levels in known.values()
        for level in set(plan.runs[column]) - levels
    }
    if faults:
        raise InputError(
            "This truth cannot be extended:",
            [
                Fault("is not in the earlier campaign", "draw the truth of both plans together",
                      column=column, value=level)
                for column, level in sorted(faults)
            ],
        )  # fmt: skip
