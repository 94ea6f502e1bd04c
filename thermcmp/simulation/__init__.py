"""Simulated campaigns with known truth.

The formulas are independent of the physics and the model of the library, so that a fit
of a simulated campaign checks both.

A campaign is made in three steps: `run_plan` plans parts and set points, `draw_truth`
draws every effect, `measure` fills in the readings. `simulate` does all three, and
`simulate_logs` makes the per-second logs of the runs.
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
