"""Readings of a run plan: conditions, temperatures, noise, rounding."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from thermcmp.results.schema import COLUMNS, NAMES
from thermcmp.simulation.run_plans import RunPlan
from thermcmp.simulation.scenario import Scenario
from thermcmp.simulation.seeds import generator
from thermcmp.simulation.truth import Truth
from thermcmp.tabular.coercion import DTYPES

_Values = npt.NDArray[np.floating]


def measure(
    plan: RunPlan, truth: Truth, scenario: Scenario | None = None, *,
    seed: int | np.random.Generator,
) -> pd.DataFrame:  # fmt: skip
    """Simulate the readings of a plan.

    Parameters
    ----------
    plan : RunPlan
        The runs.
    truth : Truth
        Effects of the plan's parts.
    scenario : Scenario, optional
        Spreads and resolutions; `Scenario()` by default.
    seed : int or numpy.random.Generator
        Source of all draws.

    Returns
    -------
    pandas.DataFrame, shape (runs * sensors,)
        Results table with all columns of the schema.

    Raises
    ------
    InputError
        If the seed is not an integer of at least 0.
    """
    scenario = scenario or Scenario()
    rng = generator(seed)
    runs = plan.runs
    ambient = scenario.ambient_c + scenario.ambient_sd_k * rng.standard_normal(len(runs))
    settings = runs["firmware"].map(truth.firmware)
    stock = runs["fan_mode"] == "stock"
    set_fan = runs["set_fan_rpm"].where(~stock, [setting.fan_rpm for setting in settings])
    set_power = runs["set_power_w"].where(~stock, [setting.power_w for setting in settings])
    set_fan = set_fan.where(runs["fan_mode"] != "equal noise", _speed_at_set_level(runs, truth))
    z = rng.standard_normal((2, len(runs)))
    fan = set_fan.to_numpy(dtype=float) + scenario.fan_sd_rpm * z[0]
    power = set_power.to_numpy(dtype=float) + scenario.power_sd_w * z[1]
    floor = runs["session"].map(truth.noise_floor_dba).to_numpy(dtype=float)
    level = _cooler_level(runs, truth, fan)
    # Energetic sum of the card and the background.
    noise = 10.0 * np.log10(10.0 ** (level / 10.0) + 10.0 ** (floor / 10.0))
    noise = noise + scenario.noise_sd_db * rng.standard_normal(len(runs))
    readings = {
        "ambient_c": rounded(ambient, scenario.temperature_step_k),
        "fan_rpm": rounded(fan, scenario.fan_step_rpm),
        "power_w": rounded(power, scenario.power_step_w),
        # The meter never shows less than the background.
        "noise_dba": rounded(np.maximum(noise, floor), scenario.noise_step_db),
        "noise_floor_dba": rounded(floor, scenario.noise_step_db),
    }
    parts = []
    for name, sensor in scenario.sensors.items():
        spread = np.hypot(sensor.run_sd_k, scenario.standard_error_k)
        temperature = ambient + truth.run_rise_k(name, runs, fan, power)
        temperature = temperature + spread * rng.standard_normal(len(runs))
        at_limit = np.zeros(len(runs), dtype=bool)
        if sensor.limit_c is not None:
            at_limit = temperature >= sensor.limit_c
            temperature = np.minimum(temperature, sensor.limit_c)
        shown = rounded(temperature, scenario.temperature_step_k)
        parts.append(runs.assign(**readings, sensor=name, temperature_c=shown, at_limit=at_limit))
    rows = pd.concat(parts).sort_index(kind="stable").reset_index(drop=True)
    rows = rows.assign(
        standard_error_k=scenario.standard_error_k,
        resolution_k=scenario.temperature_step_k,
        mic_distance_m=scenario.mic_distance_m,
        at_floor=False,
        regulated=False,
        protocol_verdict="unchecked",
    ).reindex(columns=list(NAMES))
    return rows.astype({column.name: DTYPES[column.kind] for column in COLUMNS})


def _speed_at_set_level(runs: pd.DataFrame, truth: Truth) -> _Values:
    """Return the speed at which the meter, background included, shows the set level [rpm]."""
    floor = runs["session"].map(truth.noise_floor_dba).to_numpy(dtype=float)
    target = runs["set_noise_dba"].to_numpy(dtype=float)
    # At or below the background there is no such speed: the card is then taken at 0 dB(A).
    card = 10.0 * np.log10(np.maximum(10.0 ** (target / 10.0) - 10.0 ** (floor / 10.0), 1.0))
    slope = np.array([truth.noise[model].slope_db for model in runs["cooler_model"]])
    at_reference = _cooler_level(runs, truth, np.full(len(runs), truth.reference_fan_rpm))
    return np.asarray(truth.reference_fan_rpm * 10.0 ** ((card - at_reference) / slope))


def _cooler_level(runs: pd.DataFrame, truth: Truth, fan_rpm: _Values) -> _Values:
    """Return the level of each run's cooler without background [dB(A)]."""
    laws = [truth.noise[model] for model in runs["cooler_model"]]
    specimen = runs["cooler_id"].map(truth.noise_specimen_db).to_numpy(dtype=float)
    level = np.array([law.level_dba for law in laws]) + specimen
    slope = np.array([law.slope_db for law in laws])
    return np.asarray(level + slope * np.log10(fan_rpm / truth.reference_fan_rpm))


def rounded(values: _Values, step: float) -> _Values:
    """Return the values as an instrument of that resolution shows them; 0 does not round."""
    if step == 0.0:
        return values
    # The second rounding removes the rounding error of the multiplication.
    return np.asarray(np.round(np.round(values / step) * step, 9))
