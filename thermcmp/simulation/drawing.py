"""Draws of the truth of a campaign: effects, noise laws, firmware settings."""

from __future__ import annotations

import numpy as np
import pandas as pd

from thermcmp.simulation.builds import StockSetting
from thermcmp.simulation.run_plans import RunPlan
from thermcmp.simulation.scenario import AIRFLOW_TERMS, RESISTANCE_TERMS, Scenario, SensorScenario
from thermcmp.simulation.truth import NoiseLaw, Truth

#: Lower bound of drawn airflow exponents.
_LEAST_EXPONENT = 0.05


def drawn_truth(
    plan: RunPlan, scenario: Scenario, rng: np.random.Generator, *, draw_effects: bool
) -> Truth:
    """Draw every effect that the plan's parts need."""
    runs = plan.runs
    levels = {column: _levels(runs, column) for column in RESISTANCE_TERMS.values()}
    bench = _levels(runs[runs["assembly_kind"] == "bench"], "assembly")
    is_bad = rng.random(len(bench)) < scenario.bad_mount_probability
    bad = tuple(name for name, wrong in zip(bench, is_bad, strict=True) if wrong)
    drawn_exponent = scenario.exponent + scenario.exponent_sd * rng.standard_normal()
    noise, noise_specimen = _noise(plan, scenario, rng)
    sessions = levels["session"]
    floors = scenario.noise_floor_dba + scenario.noise_floor_sd_db * rng.standard_normal(
        len(sessions)
    )
    return Truth(
        reference_power_w=scenario.reference_power_w,
        reference_fan_rpm=scenario.reference_fan_rpm,
        exponent=max(drawn_exponent, _LEAST_EXPONENT) if draw_effects else scenario.exponent,
        baseline_k={name: s.baseline_k for name, s in scenario.sensors.items()},
        baseline_airflow_k={
            name: s.baseline_k * s.convective_share for name, s in scenario.sensors.items()
        },
        firmware=_firmware(plan, scenario, rng),
        effects={
            name: _effects(plan, levels, sensor, bad, rng, draw_effects=draw_effects)
            for name, sensor in scenario.sensors.items()
        },
        scales_k={name: sensor.scales_k for name, sensor in scenario.sensors.items()},
        noise=noise,
        noise_specimen_db=noise_specimen,
        noise_floor_dba=dict(zip(sessions, floors.tolist(), strict=True)),
        products={build.product: build for build in plan.products},
        coolers=_members(runs, "cooler_model", "cooler_id"),
        boards=_members(runs, "board_model", "board_id"),
        vendors=_members(runs, "board_model", "memory_vendor"),
        bad_assemblies=bad,
    )


def _levels(runs: pd.DataFrame, column: str) -> list[str]:
    """Return the levels in an order that does not depend on that of the runs."""
    return sorted(str(level) for level in runs[column].unique())


def _members(runs: pd.DataFrame, model: str, member: str) -> dict[str, tuple[str, ...]]:
    """Return the members of each model."""
    return {str(name): tuple(_levels(group, member)) for name, group in runs.groupby(model)}


def _effects(
    plan: RunPlan,
    levels: dict[str, list[str]],
    sensor: SensorScenario,
    bad: tuple[str, ...],
    rng: np.random.Generator,
    *,
    draw_effects: bool,
) -> dict[str, dict[str, float]]:
    """Return the effects of one sensor by term and level [K]."""
    effects = {}
    for term, column in (RESISTANCE_TERMS | AIRFLOW_TERMS).items():
        names = levels[column]
        draws = sensor.scales_k[term] * rng.standard_normal(len(names))
        if term in ("session", "lab") and len(names) == 1:
            # An effect common to all runs is part of the baseline.
            draws = np.zeros(1)
        effects[term] = dict(zip(names, draws.tolist(), strict=True))
    # What the scenario states; the first level of each term is the baseline.
    stated = {
        "assembly_kind": {"factory": 0.0, "bench": sensor.bench_assembly_k},
        "memory_vendor": dict(zip(levels["memory_vendor"], (0.0, sensor.vendor_k), strict=False)),
    }
    if plan.before and plan.after:
        coolers = plan.before.cooler_model, plan.after.cooler_model
        boards = plan.before.board_model, plan.after.board_model
        airflow = (0.0, sensor.cooler_revision_airflow_k)
        stated["cooler_model"] = dict(zip(coolers, (0.0, sensor.cooler_revision_k), strict=True))
        stated["board_model"] = dict(zip(boards, (0.0, sensor.board_revision_k), strict=True))
        stated["cooler_model airflow"] = dict(zip(coolers, airflow, strict=True))
    for term, sizes in () if draw_effects else stated.items():
        effects[term] |= {name: size for name, size in sizes.items() if name in effects[term]}
    for assembly in bad:
        effects["assembly"][assembly] += sensor.bad_mount_k
    return effects


def _firmware(
    plan: RunPlan, scenario: Scenario, rng: np.random.Generator
) -> dict[str, StockSetting]:
    """Return the stock settings: as stated for the revision, drawn for the others."""
    names = sorted({*_levels(plan.runs, "firmware"), *(b.firmware for b in plan.products)})
    z = rng.standard_normal((len(names), 2))
    speeds = scenario.peer_fan_rpm + scenario.peer_fan_sd_rpm * z[:, 0]
    powers = scenario.peer_power_w + scenario.peer_power_sd_w * z[:, 1]
    settings = {
        name: StockSetting(float(round(speed)), float(round(power)))
        for name, speed, power in zip(names, speeds, powers, strict=True)
    }
    if plan.before and plan.after:
        settings[plan.before.firmware] = StockSetting(scenario.old_fan_rpm, scenario.old_power_w)
        settings[plan.after.firmware] = StockSetting(scenario.new_fan_rpm, scenario.new_power_w)
    return settings


def _noise(
    plan: RunPlan, scenario: Scenario, rng: np.random.Generator
) -> tuple[dict[str, NoiseLaw], dict[str, float]]:
    """Return the noise law per cooler model, and each specimen's level above it [dB]."""
    models = _levels(plan.runs, "cooler_model")
    levels = scenario.noise_level_dba + scenario.noise_level_sd_db * rng.standard_normal(
        len(models)
    )
    slopes = scenario.noise_slope_db + scenario.noise_slope_sd_db * rng.standard_normal(len(models))
    level_of = dict(zip(models, levels.tolist(), strict=True))
    if plan.before and plan.after:
        level_of[plan.before.cooler_model] = scenario.noise_level_dba
        level_of[plan.after.cooler_model] = scenario.noise_level_dba + scenario.noise_revision_db
    laws = {
        model: NoiseLaw(level_of[model], float(slope))
        for model, slope in zip(models, slopes, strict=True)
    }
    specimens = _levels(plan.runs, "cooler_id")
    above = scenario.noise_specimen_sd_db * rng.standard_normal(len(specimens))
    return laws, dict(zip(specimens, above.tolist(), strict=True))
