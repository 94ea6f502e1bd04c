"""Simulation of a campaign: plan, truth and readings in one call."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np
import pandas as pd

from thermcmp.errors import Fault, InputError, suggest
from thermcmp.simulation.drawing import drawn_truth
from thermcmp.simulation.measuring import measure
from thermcmp.simulation.peers import Peers
from thermcmp.simulation.revision import RevisionStudy
from thermcmp.simulation.run_plans import RunPlan
from thermcmp.simulation.scenario import Scenario
from thermcmp.simulation.seeds import generator
from thermcmp.simulation.truth import Truth

_DESIGNS: Final[dict[str, type[RevisionStudy] | type[Peers]]] = {
    "revision study": RevisionStudy,
    "peers": Peers,
}


@dataclass(frozen=True, slots=True, eq=False)
class Campaign:
    """Simulated results and the truth behind them.

    Attributes
    ----------
    results : pandas.DataFrame, shape (runs * sensors,)
        Results table with all columns of the schema.
    truth : Truth
        Every true effect.
    plan : RunPlan
        Parts and set points of the runs; `plan.before` and `plan.after` are the builds
        of a revision study.
    """

    results: pd.DataFrame
    truth: Truth
    plan: RunPlan


def run_plan(
    design: str | RevisionStudy | Peers = "revision study", *,
    seed: int | np.random.Generator, **options: Any,
) -> RunPlan:  # fmt: skip
    """Plan a campaign: parts, assemblies, sessions and set points.

    Parameters
    ----------
    design : {"revision study", "peers"} or RevisionStudy or Peers
        What is studied.
    seed : int or numpy.random.Generator
        Shuffles the assemblies within each session.
    **options
        Fields of `RevisionStudy` or `Peers`, such as ``remounts=2``.

    Returns
    -------
    RunPlan
        The runs in order.

    Raises
    ------
    InputError
        If the design, an option or the seed is unknown or out of range.
    """
    if isinstance(design, str) and design not in _DESIGNS:
        fix = f"use one of {', '.join(_DESIGNS)}"
        raise InputError(
            "This campaign cannot be planned:",
            [Fault("no such design", fix, column="design", value=design)],
        )
    kind = _DESIGNS[design] if isinstance(design, str) else type(design)
    known = [f.name for f in fields(kind)]
    faults = [
        Fault("no such option of this design", suggest(name, known), column=name)
        for name in options
        if name not in known
    ]
    if faults:
        raise InputError("This campaign cannot be planned:", faults)
    stated = kind(**options) if isinstance(design, str) else replace(design, **options)
    return stated.plan(generator(seed))


def draw_truth(
    plan: RunPlan, scenario: Scenario | None = None, *,
    seed: int | np.random.Generator, draw_effects: bool = False,
) -> Truth:  # fmt: skip
    """Draw the truth of a plan's parts.

    Parameters
    ----------
    plan : RunPlan
        The parts, assemblies and sessions that occur.
    scenario : Scenario, optional
        Sizes and spreads; `Scenario()` by default.
    seed : int or numpy.random.Generator
        Source of all draws.
    draw_effects : bool
        Draw also the effects that the scenario states (revision, vendor, assembly
        kind: normal with the scenario's spreads) and the exponent.

    Returns
    -------
    Truth
        The drawn truth.

    Raises
    ------
    InputError
        If the seed is not an integer of at least 0.
    """
    return drawn_truth(plan, scenario or Scenario(), generator(seed), draw_effects=draw_effects)


def simulate(
    design: str | RevisionStudy | Peers = "revision study",
    *,
    seed: int,
    scenario: Scenario | None = None,
    draw_effects: bool = False,
    **options: Any,
) -> Campaign:
    """Simulate a test campaign whose every effect is known.

    Parameters
    ----------
    design : {"revision study", "peers"} or RevisionStudy or Peers
        One product's old and new cooler and board, swapped, under old and new
        firmware; or products compared over sessions and benches.
    seed : int
        Same seed, same campaign.
    scenario : Scenario, optional
        Sizes, spreads and instruments; `Scenario()` by default.
    draw_effects : bool
        Draw also the effects that the scenario states, and the exponent, from the
        scenario's spreads: for calibration studies.
    **options
        Fields of `RevisionStudy` or `Peers`, such as ``remounts=2`` or
        ``vendors="crossed"``.

    Returns
    -------
    Campaign
        Results, truth and run plan.

    Raises
    ------
    InputError
        If the design, an option or the seed is unknown or out of range.

    Examples
    --------
    >>> campaign = simulate("revision study", seed=1)
    >>> fix = campaign.truth.attribution_k("memory", "Alder r1", "Alder r2")
    >>> fix.total_k > 10
    True
    """
    scenario = scenario or Scenario()
    # Separate streams: a change in one step leaves the other steps' draws alone.
    for_plan, for_truth, for_readings = generator(seed).spawn(3)
    plan = run_plan(design, seed=for_plan, **options)
    truth = draw_truth(plan, scenario, seed=for_truth, draw_effects=draw_effects)
    return Campaign(measure(plan, truth, scenario, seed=for_readings), truth, plan)
