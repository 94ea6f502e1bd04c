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
    from thermcmp.inference.posterior import Fit
    from thermcmp.inference.sensor_fits import SensorFits, fit_sensors
    from thermcmp.inference.stored_fit import load_fit, load_sensor_fits
    from thermcmp.library.firmware_table import read_firmware
    from thermcmp.library.store import Library
    from thermcmp.library.table import read_results
    from thermcmp.model.conditions import Build, Conditions
    from thermcmp.model.priors import Gamma, HalfNormal, Normal
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
    from thermcmp.questions.attribution import attribute
    from thermcmp.questions.build_chain import chain
    from thermcmp.questions.classical import classical_check
    from thermcmp.questions.fit_check import FitCheck, check_fit
    from thermcmp.questions.held_runs import regulated_runs
    from thermcmp.questions.limit_margin import margin
    from thermcmp.questions.ranking import rank
    from thermcmp.questions.sensor_attribution import attribute_sensors
    from thermcmp.questions.separation import separate
    from thermcmp.reporting.document import report
    from thermcmp.simulation import simulate
    from thermcmp.telemetry.instruments import join_instruments
    from thermcmp.telemetry.logs import Reduced, reduce_logs
    from thermcmp.telemetry.protocol import Held, Protocol
    from thermcmp.telemetry.record import read_telemetry, stream_telemetry
    from thermcmp.telemetry.reducing import reduce_telemetry
    from thermcmp.telemetry.reduction import Reduction

__version__ = "0.1.0"

#: Public name -> the module that holds it.
_HOMES = {
    "Answer": "thermcmp.questions.answer",
    "Build": "thermcmp.model.conditions",
    "Conditions": "thermcmp.model.conditions",
    "DutyTable": "thermcmp.physics.fan_controls",
    "EngineError": "thermcmp.errors",
    "FanCurve": "thermcmp.physics.fan_controls",
    "Fault": "thermcmp.errors",
    "Firmware": "thermcmp.physics.firmware",
    "Fit": "thermcmp.inference.posterior",
    "FixedSpeed": "thermcmp.physics.fan_controls",
    "FitCheck": "thermcmp.questions.fit_check",
    "Gamma": "thermcmp.model.priors",
    "HalfNormal": "thermcmp.model.priors",
    "Held": "thermcmp.telemetry.protocol",
    "InputError": "thermcmp.errors",
    "Library": "thermcmp.library.store",
    "LibraryError": "thermcmp.errors",
    "ModelError": "thermcmp.errors",
    "Normal": "thermcmp.model.priors",
    "NotEstimableError": "thermcmp.errors",
    "ObservedSpeed": "thermcmp.physics.fan_controls",
    "PluginError": "thermcmp.errors",
    "Protocol": "thermcmp.telemetry.protocol",
    "Reduced": "thermcmp.telemetry.logs",
    "Reduction": "thermcmp.telemetry.reduction",
    "SensorFits": "thermcmp.inference.sensor_fits",
    "TargetTemperature": "thermcmp.physics.fan_controls",
    "Term": "thermcmp.model.terms",
    "ThermcmpError": "thermcmp.errors",
    "ThermcmpWarning": "thermcmp.errors",
    "attribute": "thermcmp.questions.attribution",
    "attribute_sensors": "thermcmp.questions.sensor_attribution",
    "chain": "thermcmp.questions.build_chain",
    "check_fit": "thermcmp.questions.fit_check",
    "classical_check": "thermcmp.questions.classical",
    "fit": "thermcmp.inference.fitting",
    "fit_sensors": "thermcmp.inference.sensor_fits",
    "hookimpl": "thermcmp.hooks",
    "join_instruments": "thermcmp.telemetry.instruments",
    "load_fit": "thermcmp.inference.stored_fit",
    "load_sensor_fits": "thermcmp.inference.stored_fit",
    "margin": "thermcmp.questions.limit_margin",
    "plugins": "thermcmp.hooks",
    "rank": "thermcmp.questions.ranking",
    "read_firmware": "thermcmp.library.firmware_table",
    "read_results": "thermcmp.library.table",
    "read_telemetry": "thermcmp.telemetry.record",
    "reduce_logs": "thermcmp.telemetry.logs",
    "reduce_telemetry": "thermcmp.telemetry.reducing",
    "regulated_runs": "thermcmp.questions.held_runs",
    "report": "thermcmp.reporting.document",
    "separate": "thermcmp.questions.separation",
    "simulate": "thermcmp.simulation",
    "stream_telemetry": "thermcmp.telemetry.record",
    "use_plugin": "thermcmp.hooks",
}

__all__ = [
    "Answer",
    "Build",
    "Conditions",
    "DutyTable",
    "EngineError",
    "FanCurve",
    "Fault",
    "Firmware",
    "Fit",
    "FitCheck",
    "FixedSpeed",
    "Gamma",
    "HalfNormal",
    "Held",
    "InputError",
    "Library",
    "LibraryError",
    "ModelError",
    "Normal",
    "NotEstimableError",
    "ObservedSpeed",
    "PluginError",
    "Protocol",
    "Reduced",
    "Reduction",
    "SensorFits",
    "TargetTemperature",
    "Term",
    "ThermcmpError",
    "ThermcmpWarning",
    "attribute",
    "attribute_sensors",
    "chain",
    "check_fit",
    "classical_check",
    "fit",
    "fit_sensors",
    "hookimpl",
    "join_instruments",
    "load_fit",
    "load_sensor_fits",
    "margin",
    "plugins",
    "rank",
    "read_firmware",
    "read_results",
    "read_telemetry",
    "reduce_logs",
    "reduce_telemetry",
    "regulated_runs",
    "report",
    "separate",
    "simulate",
    "stream_telemetry",
    "use_plugin",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'thermcmp' has no attribute '{name}'")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
