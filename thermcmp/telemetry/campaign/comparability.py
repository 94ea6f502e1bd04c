"""Cautions about comparing runs with each other."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import Final

import numpy as np
import pandas as pd

from thermcmp.results.plausibility.run_order import PARTS, climbs_with_order
from thermcmp.telemetry.steady_state.relaxation import CREEP_ODDS, CREEP_S, SLOW_S

#: Runs that are to be compared at equal power differ by no more than this share
#: (common practice, no source).
_POWER_SHARE: Final = 0.05
#: Two coolers that read the same to this [K] while power or fan differ are suspect.
_SAME_K: Final = 0.1
_DIFFERENT_SHARE: Final = 0.05
#: Logarithms of the odds for a creep, as the readings change them: most that one run counts,
#: and least on average and together (choices, from simulated runs with and without creeps).
_ONE_RUN: Final = 3.0
_EACH_RUN: Final = 0.65
_ALL_RUNS: Final = 3.0


def find_cautions(results: pd.DataFrame) -> tuple[str, ...]:
    """Return what no single run can show and what speaks against comparing the runs."""
    cautions: list[str] = []
    for sensor, rows in results.groupby("sensor", dropna=False, observed=True, sort=False):
        power = rows["power_w"].to_numpy(dtype=float)
        if not cautions and len(rows) > 1 and not np.ptp(power) <= _POWER_SHARE * np.median(power):
            low, high = (rows["run"].iloc[int(i)] for i in (np.argmin(power), np.argmax(power)))
            cautions.append(
                f"power was not held across runs: {power.min():.0f} W in {low} to "
                f"{power.max():.0f} W in {high}; compare thermal resistances, not temperatures"
            )
        cautions += _same_reading(str(sensor), rows)
        cautions += _follows_order(str(sensor), rows)
    return tuple(cautions)


def find_creeps(shares: Iterable[tuple[str, float]]) -> dict[str, str]:
    """Return a caution for each sensor of which the runs together show a creep.

    Of each run its sensor and the probability of a creep [%]: what hardly shows in one run may
    show in all of them.
    """
    runs: dict[str, list[float]] = {}
    for sensor, percent in shares:
        runs.setdefault(sensor, []).append(percent)
    from scipy.special import logit

    cautions = {}
    for sensor, percents in runs.items():
        share = np.clip(np.array(percents) / 100.0, 1e-6, 1.0 - 1e-6)
        evidence = np.clip(logit(share) - logit(CREEP_ODDS), -_ONE_RUN, _ONE_RUN)
        if evidence.mean() < _EACH_RUN or evidence.sum() < _ALL_RUNS:
            continue
        cautions[sensor] = (
            f"{sensor} goes on moving at the end of its {len(percents)} runs, in all of them "
            f"together more than a soak of up to {SLOW_S[1]:.0f} s would: a creep of "
            f"{CREEP_S:,.0f} s or more, upwards as of a case or a room that warms up, downwards as "
            "of a paste that beds in, makes their ends a guess. All errors allow for it, as by "
            f"Protocol(creeping=({sensor!r},)); run one for an hour or more, and compare runs of "
            "one length"
        )
    return cautions


def _same_reading(sensor: str, rows: pd.DataFrame) -> list[str]:
    """Return a caution where builds read the same at unequal power or fan speed."""
    builds = rows[[p for p in PARTS[:5] if p in rows]].astype("string").fillna("")
    labels = builds.agg(" / ".join, axis=1).to_numpy()
    temperature = rows["temperature_c"].to_numpy(dtype=float)
    runs = rows["run"].to_numpy()
    flow_speed = rows[["power_w", "fan_rpm"]].to_numpy(dtype=float)
    order = np.argsort(temperature, kind="stable")
    pairs = []
    for a, b in pairwise(order):
        same = temperature[b] - temperature[a] <= _SAME_K and labels[a] != labels[b]
        apart = np.abs(flow_speed[a] - flow_speed[b]) / np.maximum(np.abs(flow_speed[a]), 1e-9)
        if same and np.nanmax(np.append(apart, 0.0)) > _DIFFERENT_SHARE:
            pairs.append(f"{runs[a]} and {runs[b]}")
    # Among many runs some neighbours agree by chance: n readings spread evenly over a range
    # leave (n - 1)² · same / range such pairs. Only clearly more than that is suspect.
    spread = float(np.ptp(temperature)) if len(temperature) else 0.0
    chance = (len(temperature) - 1) ** 2 * _SAME_K / spread if spread > _SAME_K else 0.0
    if len(pairs) <= chance + 2.0 * np.sqrt(chance):
        return []
    return [
        f"{sensor} reads the same to {_SAME_K:g} K in {', '.join(pairs[:5])} at unequal power or "
        "fan speed: was it held at a target by the firmware?"
    ]


def _follows_order(sensor: str, rows: pd.DataFrame) -> list[str]:
    """Return a caution where the rise of repeats follows the order of the runs."""
    climbs = climbs_with_order(rows)
    if not climbs:
        return []
    return [
        f"repeats follow their order in {sensor}: {', '.join(climbs)}; they are not exchangeable "
        "repeats"
    ]
