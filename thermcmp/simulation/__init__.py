"""Campaigns with known truth: what a bench would have written down, and why.

The formulas are written out here on their own, not taken from the physics
floor or the model, so that a fit held against a simulated campaign checks both.

A campaign is made in three steps, each of its own use: `run_plan` says which
parts are mounted and which set points are run, `draw_truth` draws every effect,
`measure` fills in the readings. `simulate` does all three. `simulate_logs` gives the
second-by-second record behind the readings.
"""

from thermcmp.simulation.attributing import Attribution
from thermcmp.simulation.builds import BuildLike, PlannedBuild, StockSetting
from thermcmp.simulation.campaign import Campaign, draw_truth, run_plan, simulate
from thermcmp.simulation.instruments import Instruments, Wavering
from thermcmp.simulation.log_faults import AmbientDrift, FanSlip, LogFault, Throttling
from thermcmp.simulation.log_files import LogStyle, log_bytes, write_logs
from thermcmp.simulation.logging_runs import SimulatedLogs, simulate_logs
from thermcmp.simulation.measuring import measure
from thermcmp.simulation.peers import Peers
from thermcmp.simulation.revision import RevisionStudy
from thermcmp.simulation.run_plans import RunPlan, join_plans
from thermcmp.simulation.scenario import Scenario, SensorScenario
from thermcmp.simulation.sequels import extend_truth, repeat_runs, run_after
from thermcmp.simulation.truth import NoiseLaw, Truth

__all__ = [
    "AmbientDrift",
    "Attribution",
    "BuildLike",
    "Campaign",
    "FanSlip",
    "Instruments",
    "LogFault",
    "LogStyle",
    "NoiseLaw",
    "Peers",
    "PlannedBuild",
    "RevisionStudy",
    "RunPlan",
    "Scenario",
    "SensorScenario",
    "SimulatedLogs",
    "StockSetting",
    "Throttling",
    "Truth",
    "Wavering",
    "draw_truth",
    "extend_truth",
    "join_plans",
    "log_bytes",
    "measure",
    "repeat_runs",
    "run_after",
    "run_plan",
    "simulate",
    "simulate_logs",
    "write_logs",
]
