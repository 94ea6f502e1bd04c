"""Per-second logs of planned runs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from thermcmp._types import Array, Int64Array
from thermcmp.errors import Fault, InputError
from thermcmp.simulation.instruments import Instruments
from thermcmp.simulation.log_faults import AmbientDrift, FanSlip, LogFault, Throttling
from thermcmp.simulation.measuring import measure, rounded
from thermcmp.simulation.run_plans import RunPlan, count_faults
from thermcmp.simulation.scenario import Scenario
from thermcmp.simulation.seeds import generator
from thermcmp.simulation.soaking import Stage, soaked_rise_k, stages_of
from thermcmp.simulation.truth import Truth

#: Window whose mean has the scenario's standard error [s].
_WINDOW_S: Final = 300.0
#: Coarsest resolution of a thermometer in air [K].
_THERMOMETER_STEP_K: Final = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedLogs:
    """Logs of a plan's runs, and the values behind them.

    Attributes
    ----------
    frames : mapping of str to pandas.DataFrame, each of shape (seconds, columns)
        Per-second record by run: ``elapsed_s``, a temperature per sensor
        (``memory_c`` …), ``ambient_c``, ``fan_rpm``, ``fan_percent``, ``power_w``,
        ``load_percent`` and ``throttled`` (0 or 1).
    runs : pandas.DataFrame, shape (runs,)
        The plan's runs with the columns that are measured once per run:
        ``noise_dba``, ``noise_floor_dba``, ``mic_distance_m``.
    steady : pandas.DataFrame, shape (runs * sensors,)
        Results table, not rounded, of the steady state of each run without its fault.
    """

    frames: Mapping[str, pd.DataFrame]
    runs: pd.DataFrame
    steady: pd.DataFrame


def simulate_logs(
    plan: RunPlan, truth: Truth, scenario: Scenario | None = None, *,
    seed: int | np.random.Generator, seconds: int = 1500,
    faults: Mapping[str, LogFault] | None = None, instruments: Instruments | None = None,
) -> SimulatedLogs:  # fmt: skip
    """Simulate the per-second log of every run of a plan.

    Each run idles, then is at load until its end. The rise of every sensor over the
    ambient of that second is of first order towards the steady value of `measure`,
    with noise for which the mean of 300 s has the scenario's ``standard_error_k``.

    Parameters
    ----------
    plan : RunPlan
        The runs.
    truth : Truth
        Effects of the plan's parts.
    scenario : Scenario, optional
        Spreads and resolutions; `Scenario()` by default.
    seed : int or numpy.random.Generator
        Source of all draws. A fault in one run leaves the other runs' draws alone.
    seconds : int
        Length of each run [s].
    faults : mapping of str to LogFault, optional
        Faults by run; none by default.
    instruments : Instruments, optional
        Time constants and noise; `Instruments()` by default.

    Returns
    -------
    SimulatedLogs
        Frames, run sheet and steady values.

    Raises
    ------
    InputError
        If a run, a length or the seed is out of range, or a fault cannot happen there.
    """
    scenario, instruments = scenario or Scenario(), instruments or Instruments()
    planted = dict(faults or {})
    _check(plan, seconds, planted, scenario, instruments)
    rng = generator(seed)
    for_readings, for_fans, *for_runs = rng.spawn(2 + len(plan.runs))
    # Readings without rounding and noise within the run, which the log has instead.
    exact = replace(
        scenario, standard_error_k=0.0, temperature_step_k=0.0, fan_step_rpm=0.0, power_step_w=0.0
    )
    steady = measure(plan, truth, exact, seed=for_readings)
    coolers = sorted(plan.runs["cooler_id"].unique())
    spread_rpm = instruments.full_speed_sd_rpm * for_fans.standard_normal(len(coolers))
    full_speeds_rpm = instruments.full_speed_rpm + spread_rpm
    full_speed = dict(zip(coolers, full_speeds_rpm.tolist(), strict=True))
    frames = {}
    for place, (run, rows) in enumerate(_parts_k(truth, steady).groupby("run", sort=False)):
        row, fault = rows.iloc[0], planted.get(str(run))
        pairs = rows[["r_k", "s_k"]].to_numpy(dtype=float).tolist()
        parts_k = {str(s): (r, k) for s, (r, k) in zip(rows["sensor"], pairs, strict=True)}
        log = _RunLog(truth, scenario, instruments, row, parts_k, seconds, fault)
        frames[str(run)] = log.frame(for_runs[place], full_speed[row["cooler_id"]])
    once = steady.drop_duplicates("run").set_index("run")
    runs = plan.runs.copy()
    for name in ("noise_dba", "noise_floor_dba", "mic_distance_m"):
        runs[name] = runs["run"].map(once[name]).astype(float)
    return SimulatedLogs(MappingProxyType(frames), runs, steady)


@dataclass(frozen=True, slots=True, eq=False)
class _RunLog:
    """One run to be logged."""

    truth: Truth
    scenario: Scenario
    instruments: Instruments
    row: pd.Series[Any]
    parts_k: Mapping[str, tuple[float, float]]
    seconds: int
    fault: LogFault | None

    def frame(self, rng: np.random.Generator, full_speed_rpm: float) -> pd.DataFrame:
        """Return the log of the run."""
        tools, scenario, n = self.instruments, self.scenario, self.seconds
        fan_rpm, power_w, mean_c = (float(self.row[c]) for c in ("fan_rpm", "power_w", "ambient_c"))
        seconds = np.arange(n, dtype=np.int64)
        # All noise is drawn first, so that a fault does not change the draws.
        air_k = tools.air.draw(rng, n)
        fan_noise, power_noise = tools.fan.draw(rng, n), tools.power.draw(rng, n)
        load_noise = rng.random(n)
        sensor_noise = {name: self._sensor_noise(rng) for name in scenario.sensors}
        stages = stages_of(
            Stage(start_s=0.0, fan_rpm=fan_rpm, power_w=tools.idle_power_w, at_load=False),
            float(tools.idle_s), power_w, n, self.fault, ambient_c=mean_c, steady=self._steady_k,
            time_constants_s={s: tools.time_constant_s(s) for s in scenario.sensors},
        )  # fmt: skip
        stage_of = np.searchsorted([stage.start_s for stage in stages], seconds, side="right") - 1
        fan = np.array([stage.fan_rpm for stage in stages])[stage_of]
        power = np.array([stage.power_w for stage in stages])[stage_of]
        at_load = np.array([stage.at_load for stage in stages])[stage_of]
        throttled = np.array([stage.throttled for stage in stages])[stage_of]
        air_k = air_k + self._drift_k(seconds)
        columns: dict[str, npt.NDArray[np.generic]] = {"elapsed_s": seconds}
        for name in scenario.sensors:
            rise = soaked_rise_k(seconds, stages, name, tools.time_constant_s(name), self._steady_k)
            shown = mean_c + air_k + rise + sensor_noise[name]
            columns[f"{name}_c"] = _shown(shown, scenario.temperature_step_k)
        air_step_k = min(scenario.temperature_step_k, _THERMOMETER_STEP_K)
        columns["ambient_c"] = _shown(mean_c + air_k, air_step_k)
        columns["fan_rpm"] = _shown(fan + fan_noise, scenario.fan_step_rpm)
        columns["fan_percent"] = np.full(n, round(100.0 * fan_rpm / full_speed_rpm))
        columns["power_w"] = _shown(np.maximum(power + power_noise, 0.0), scenario.power_step_w)
        columns["load_percent"] = np.where(at_load, 97 + load_noise * 4, load_noise * 3).astype(int)
        columns["throttled"] = throttled.astype(int)
        return pd.DataFrame(columns)

    def _steady_k(self, sensor: str, stage: Stage) -> float:
        """Return the steady rise of a sensor in a stage [K]."""
        r_k, s_k = self.parts_k[sensor]
        factor = float(self.truth.airflow_factor(stage.fan_rpm))
        share = stage.power_w / self.truth.reference_power_w
        return stage.rise_factor * share * (r_k + s_k * (factor - 1.0))

    def _sensor_noise(self, rng: np.random.Generator) -> Array:
        """Draw noise for which the mean of a window has the scenario's standard error [K]."""
        tools = self.instruments
        independent = (
            _WINDOW_S * (1.0 - tools.sensor_correlation) / (1.0 + tools.sensor_correlation)
        )
        sd_k = self.scenario.standard_error_k * float(np.sqrt(independent))
        return tools.sensor(sd_k).draw(rng, self.seconds)

    def _drift_k(self, seconds: Int64Array) -> Array:
        """Return the drift of the ambient [K]."""
        if not isinstance(self.fault, AmbientDrift):
            return np.zeros(len(seconds))
        start_s, end_s = self.seconds - self.fault.before_end_s, self.seconds - 1.0
        return np.asarray(np.interp(seconds, [start_s, end_s], [0.0, self.fault.change_k]))


def _shown(values: Array, step: float) -> npt.NDArray[np.generic]:
    """Return the values as displayed; integers where the step is one."""
    steps = rounded(values, step)
    return steps.astype(np.int64) if step > 0.0 and float(step).is_integer() else steps


def _parts_k(truth: Truth, steady: pd.DataFrame) -> pd.DataFrame:
    """Return the rows with r and s at reference conditions, scatter included in r [K]."""
    power = np.full(len(steady), truth.reference_power_w)
    speeds = truth.reference_fan_rpm, 0.5 * truth.reference_fan_rpm
    s_k = np.empty(len(steady))
    for sensor, rows in steady.groupby("sensor"):
        place = steady.index.get_indexer(rows.index)
        fast, slow = (
            truth.run_rise_k(str(sensor), rows, np.full(len(rows), n), power[place]) for n in speeds
        )
        s_k[place] = (slow - fast) / (truth.airflow_factor(speeds[1]) - 1.0)
    rise = (steady["temperature_c"] - steady["ambient_c"]).to_numpy(dtype=float)
    at_reference = rise * truth.reference_power_w / steady["power_w"].to_numpy(dtype=float)
    r_k = at_reference - s_k * (truth.airflow_factor(steady["fan_rpm"]) - 1.0)
    return steady.assign(r_k=r_k, s_k=s_k)


def _check(
    plan: RunPlan, seconds: int, planted: Mapping[str, LogFault], scenario: Scenario,
    instruments: Instruments,
) -> None:  # fmt: skip
    """Check that the logs can be simulated."""
    faults = count_faults(instruments.idle_s + 1, seconds=seconds)
    known = set(plan.runs["run"])
    for run, fault in planted.items():
        if run not in known:
            faults.append(Fault("no such run", "use a run of the plan", column="run", value=run))
        if not isinstance(fault, AmbientDrift | FanSlip | Throttling):
            faults.append(Fault("not a fault that can be planted", "use AmbientDrift, FanSlip or "
                                "Throttling", column=run, value=type(fault).__name__))  # fmt: skip
        elif not faults and fault.before_end_s > seconds - instruments.idle_s:
            faults.append(Fault("begins before the load", "give fewer seconds before the end",
                                column=run, value=f"{fault.before_end_s:g}"))  # fmt: skip
        if isinstance(fault, Throttling) and fault.sensor not in scenario.sensors:
            faults.append(Fault("no such sensor", f"use one of {', '.join(scenario.sensors)}",
                                column=run, value=fault.sensor))  # fmt: skip
    if faults:
        raise InputError("These logs cannot be simulated:", faults)
