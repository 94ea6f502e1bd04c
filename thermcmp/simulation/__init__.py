"""Campaigns with known truth: what a bench would have written down, and why.

The formulas are written out here on their own, not taken from the physics
floor or the model, so that a fit held against a simulated campaign checks both.

A campaign is made in three steps, each of its own use: `run_plan` says which
parts are mounted and which set points are run, `draw_truth` draws every effect,
`measure` fills in the readings. `simulate` does all three.
"""

from thermcmp.simulation.attributing import Attribution
from thermcmp.simulation.builds import BuildLike, PlannedBuild, StockSetting
from thermcmp.simulation.campaign import Campaign, draw_truth, run_plan, simulate
from thermcmp.simulation.measuring import measure
from thermcmp.simulation.peers import Peers
from thermcmp.simulation.revision import RevisionStudy
from thermcmp.simulation.run_plans import RunPlan, join_plans
from thermcmp.simulation.scenario import Scenario, SensorScenario
from thermcmp.simulation.truth import NoiseLaw, Truth

__all__ = [
    "Attribution",
    "BuildLike",
    "Campaign",
    "NoiseLaw",
    "Peers",
    "PlannedBuild",
    "RevisionStudy",
    "RunPlan",
    "Scenario",
    "SensorScenario",
    "StockSetting",
    "Truth",
    "draw_truth",
    "join_plans",
    "measure",
    "run_plan",
    "simulate",
]
