"""Honest statistics for cooling tests.

The public face is here; everything loads on first use, so that importing the
package costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from thermcmp.errors import (
        EngineError,
        Fault,
        InputError,
        LibraryError,
        ModelError,
        NotEstimableError,
        PluginError,
        ThermcmpError,
        ThermcmpWarning,
    )
    from thermcmp.hooks import hookimpl, plugins, use_plugin
    from thermcmp.inference.fitting import fit
    from thermcmp.inference.joint_fitting import fit_sensors
    from thermcmp.inference.noise_fit import NoiseFit, fit_noise
    from thermcmp.inference.posterior import Fit
    from thermcmp.inference.sensor_fits import SensorFits
    from thermcmp.inference.storage import load_fit, load_sensor_fits
    from thermcmp.library.store import Library
    from thermcmp.library.withdrawal import withdraw
    from thermcmp.model.conditions import Build, Conditions
    from thermcmp.model.instruments import Instrument, read_instruments
    from thermcmp.model.measurement_error import MeasurementError
    from thermcmp.model.priors import Gamma, HalfCauchy, HalfNormal, Normal
    from thermcmp.model.terms import Term
    from thermcmp.physics.fan_controls import (
        DutyTable,
        FanCurve,
        FixedSpeed,
        ObservedSpeed,
        TargetTemperature,
    )
    from thermcmp.physics.firmware import Firmware
    from thermcmp.questions.answer import Answer
    from thermcmp.questions.attribution.answer import Attribution
    from thermcmp.questions.attribution.question import attribute
    from thermcmp.questions.budget.question import ErrorBudget, error_budget
    from thermcmp.questions.build_chain.answer import Chain
    from thermcmp.questions.build_chain.question import chain
    from thermcmp.questions.build_prediction.answer import Prediction
    from thermcmp.questions.build_prediction.question import predict
    from thermcmp.questions.classical_tests import ClassicalCheck, classical_check
    from thermcmp.questions.fit_check.question import FitCheck, check_fit
    from thermcmp.questions.laboratories.funnel import Funnel
    from thermcmp.questions.laboratories.question import Laboratories, compare_labs
    from thermcmp.questions.limit_margin.answer import Margin
    from thermcmp.questions.limit_margin.question import margin
    from thermcmp.questions.made_answer import make_answer
    from thermcmp.questions.model_comparison.answer import ModelComparison
    from thermcmp.questions.model_comparison.question import compare_models
    from thermcmp.questions.plugin_questions import ask
    from thermcmp.questions.ranking.question import Ranking, rank
    from thermcmp.questions.regulation.question import RegulatedRuns, regulated_runs
    from thermcmp.questions.separation.question import Separation, separate
    from thermcmp.questions.sessions.question import BenchHistory, bench_history
    from thermcmp.questions.several_sensors.question import SensorAttribution, attribute_sensors
    from thermcmp.questions.smallest_margin.question import MarginRanking, rank_margins
    from thermcmp.reporting.article.paragraph import Statement, statement
    from thermcmp.reporting.document import report
    from thermcmp.results.firmware_table import read_firmware
    from thermcmp.results.results_table import read_results
    from thermcmp.simulation import simulate
    from thermcmp.telemetry.campaign.folder import Reduced, reduce_logs
    from thermcmp.telemetry.inspection.question import Inspection, inspect
    from thermcmp.telemetry.instruments.alignment import join_instruments
    from thermcmp.telemetry.reading.frame import read_telemetry, stream_telemetry
    from thermcmp.telemetry.steady_state.protocol import Held, Protocol
    from thermcmp.telemetry.steady_state.reduction import Reduction
    from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry
    from thermcmp.telemetry.watching.question import watch
    from thermcmp.telemetry.watching.state import WatchState

__version__ = "0.2.0"

#: Public name -> the module that holds it.
_HOMES = {
    "Answer": "thermcmp.questions.answer",
    "Attribution": "thermcmp.questions.attribution.answer",
    "BenchHistory": "thermcmp.questions.sessions.question",
    "Build": "thermcmp.model.conditions",
    "Chain": "thermcmp.questions.build_chain.answer",
    "ClassicalCheck": "thermcmp.questions.classical_tests",
    "Conditions": "thermcmp.model.conditions",
    "DutyTable": "thermcmp.physics.fan_controls",
    "EngineError": "thermcmp.errors",
    "FanCurve": "thermcmp.physics.fan_controls",
    "ErrorBudget": "thermcmp.questions.budget.question",
    "Fault": "thermcmp.errors",
    "Firmware": "thermcmp.physics.firmware",
    "Fit": "thermcmp.inference.posterior",
    "FitCheck": "thermcmp.questions.fit_check.question",
    "FixedSpeed": "thermcmp.physics.fan_controls",
    "Funnel": "thermcmp.questions.laboratories.funnel",
    "Gamma": "thermcmp.model.priors",
    "HalfCauchy": "thermcmp.model.priors",
    "HalfNormal": "thermcmp.model.priors",
    "Held": "thermcmp.telemetry.steady_state.protocol",
    "InputError": "thermcmp.errors",
    "Inspection": "thermcmp.telemetry.inspection.question",
    "Instrument": "thermcmp.model.instruments",
    "Laboratories": "thermcmp.questions.laboratories.question",
    "Library": "thermcmp.library.store",
    "LibraryError": "thermcmp.errors",
    "Margin": "thermcmp.questions.limit_margin.answer",
    "MarginRanking": "thermcmp.questions.smallest_margin.question",
    "MeasurementError": "thermcmp.model.measurement_error",
    "ModelComparison": "thermcmp.questions.model_comparison.answer",
    "ModelError": "thermcmp.errors",
    "NoiseFit": "thermcmp.inference.noise_fit",
    "Normal": "thermcmp.model.priors",
    "NotEstimableError": "thermcmp.errors",
    "ObservedSpeed": "thermcmp.physics.fan_controls",
    "PluginError": "thermcmp.errors",
    "Prediction": "thermcmp.questions.build_prediction.answer",
    "Protocol": "thermcmp.telemetry.steady_state.protocol",
    "Ranking": "thermcmp.questions.ranking.question",
    "Reduced": "thermcmp.telemetry.campaign.folder",
    "Reduction": "thermcmp.telemetry.steady_state.reduction",
    "RegulatedRuns": "thermcmp.questions.regulation.question",
    "SensorAttribution": "thermcmp.questions.several_sensors.question",
    "SensorFits": "thermcmp.inference.sensor_fits",
    "Separation": "thermcmp.questions.separation.question",
    "Statement": "thermcmp.reporting.article.paragraph",
    "TargetTemperature": "thermcmp.physics.fan_controls",
    "Term": "thermcmp.model.terms",
    "ThermcmpError": "thermcmp.errors",
    "ThermcmpWarning": "thermcmp.errors",
    "WatchState": "thermcmp.telemetry.watching.state",
    "ask": "thermcmp.questions.plugin_questions",
    "attribute": "thermcmp.questions.attribution.question",
    "attribute_sensors": "thermcmp.questions.several_sensors.question",
    "bench_history": "thermcmp.questions.sessions.question",
    "chain": "thermcmp.questions.build_chain.question",
    "check_fit": "thermcmp.questions.fit_check.question",
    "classical_check": "thermcmp.questions.classical_tests",
    "compare_labs": "thermcmp.questions.laboratories.question",
    "compare_models": "thermcmp.questions.model_comparison.question",
    "error_budget": "thermcmp.questions.budget.question",
    "fit": "thermcmp.inference.fitting",
    "fit_noise": "thermcmp.inference.noise_fit",
    "fit_sensors": "thermcmp.inference.joint_fitting",
    "hookimpl": "thermcmp.hooks",
    "inspect": "thermcmp.telemetry.inspection.question",
    "join_instruments": "thermcmp.telemetry.instruments.alignment",
    "load_fit": "thermcmp.inference.storage",
    "load_sensor_fits": "thermcmp.inference.storage",
    "make_answer": "thermcmp.questions.made_answer",
    "margin": "thermcmp.questions.limit_margin.question",
    "plugins": "thermcmp.hooks",
    "predict": "thermcmp.questions.build_prediction.question",
    "rank": "thermcmp.questions.ranking.question",
    "rank_margins": "thermcmp.questions.smallest_margin.question",
    "read_firmware": "thermcmp.results.firmware_table",
    "read_instruments": "thermcmp.model.instruments",
    "read_results": "thermcmp.results.results_table",
    "read_telemetry": "thermcmp.telemetry.reading.frame",
    "reduce_logs": "thermcmp.telemetry.campaign.folder",
    "reduce_telemetry": "thermcmp.telemetry.steady_state.run_reduction",
    "regulated_runs": "thermcmp.questions.regulation.question",
    "report": "thermcmp.reporting.document",
    "separate": "thermcmp.questions.separation.question",
    "simulate": "thermcmp.simulation",
    "statement": "thermcmp.reporting.article.paragraph",
    "stream_telemetry": "thermcmp.telemetry.reading.frame",
    "use_plugin": "thermcmp.hooks",
    "watch": "thermcmp.telemetry.watching.question",
    "withdraw": "thermcmp.library.withdrawal",
}

__all__ = [
    "Answer",
    "Attribution",
    "BenchHistory",
    "Build",
    "Chain",
    "ClassicalCheck",
    "Conditions",
    "DutyTable",
    "EngineError",
    "ErrorBudget",
    "FanCurve",
    "Fault",
    "Firmware",
    "Fit",
    "FitCheck",
    "FixedSpeed",
    "Funnel",
    "Gamma",
    "HalfCauchy",
    "HalfNormal",
    "Held",
    "InputError",
    "Inspection",
    "Instrument",
    "Laboratories",
    "Library",
    "LibraryError",
    "Margin",
    "MarginRanking",
    "MeasurementError",
    "ModelComparison",
    "ModelError",
    "NoiseFit",
    "Normal",
    "NotEstimableError",
    "ObservedSpeed",
    "PluginError",
    "Prediction",
    "Protocol",
    "Ranking",
    "Reduced",
    "Reduction",
    "RegulatedRuns",
    "SensorAttribution",
    "SensorFits",
    "Separation",
    "Statement",
    "TargetTemperature",
    "Term",
    "ThermcmpError",
    "ThermcmpWarning",
    "WatchState",
    "ask",
    "attribute",
    "attribute_sensors",
    "bench_history",
    "chain",
    "check_fit",
    "classical_check",
    "compare_labs",
    "compare_models",
    "error_budget",
    "fit",
    "fit_noise",
    "fit_sensors",
    "hookimpl",
    "inspect",
    "join_instruments",
    "load_fit",
    "load_sensor_fits",
    "make_answer",
    "margin",
    "plugins",
    "predict",
    "rank",
    "rank_margins",
    "read_firmware",
    "read_instruments",
    "read_results",
    "read_telemetry",
    "reduce_logs",
    "reduce_telemetry",
    "regulated_runs",
    "report",
    "separate",
    "simulate",
    "statement",
    "stream_telemetry",
    "use_plugin",
    "watch",
    "withdraw",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'thermcmp' has no attribute '{name}'")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*__all__, "__version__", "__doc__"})
