"""What a fit found of fan speed and power, and the set points that say so."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array, BoolArray
from thermcmp.model.design import CONSTANT, EXPONENT, FIXED
from thermcmp.model.terms import Acts

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    from thermcmp.model.design import Design

    Draws = Callable[[str], Array]

#: Set points further apart than this share of their value count as different ones.
APART = 0.02


def airflow_table(design: Design, draws: Draws, effects: Array) -> pd.DataFrame:
    """Return the convective part and the exponent of each cooler model, a row each."""
    import pandas as pd

    models = design.rows["cooler_model"].astype(str).to_numpy()
    rows = []
    for model in np.unique(models):
        hit = models == model
        first = int(np.flatnonzero(hit)[0])
        convective, bend = (
            effects[:, design.part_columns(acts, factors_only=True)[0][first]].sum(axis=1)
            for acts in (Acts.AIRFLOW, Acts.EXPONENT)
        )
        exponent = draws(EXPONENT) + bend / np.maximum(convective, 1e-6)
        speeds = _set_points(design.flow_speed[hit])
        note = "" if len(speeds) > 1 else "one set point: from other coolers and the prior"
        rows.append(
            (model, *_summary(convective), *_summary(exponent), _listed(speeds), hit.sum(), note)
        )
    unit = design.law.column
    columns = ["cooler_model", "convective_k", "convective_low_k", "convective_high_k"]
    columns += ["exponent", "exponent_low", "exponent_high", f"set_{unit}", "runs", "note"]
    return pd.DataFrame(rows, columns=columns)


def power_table(design: Design, draws: Draws) -> pd.DataFrame:
    """Return the part of the sensor's rise that does not follow board power, in one row."""
    import pandas as pd

    constant, whole = draws(CONSTANT), draws(next(iter(FIXED)))
    share = constant / np.maximum(whole, 1e-6)
    powers = _set_points(design.power_ratio * design.reference.power_w)
    alone = _varied_alone(design)
    note = (
        ""
        if alone.any()
        else "power was never varied at one fan speed of one hardware: the constant part is known "
        "by its prior and the model of the fan only"
    )
    columns = ["sensor", "constant_k", "constant_low_k", "constant_high_k"]
    columns += ["share_of_rise", "share_low", "share_high", "set_power_w", "runs", "note"]
    row = (design.sensor, *_summary(constant), *_summary(share), _listed(powers), alone.sum(), note)
    return pd.DataFrame([row], columns=columns)


@dataclass(frozen=True, slots=True, eq=False)
class LawCurve:
    """A fitted rise along fan speed or power, and the runs brought to the same parts [K]."""

    name: str
    at: Array  #: fan speed or power, shape (m,)
    mean: Array
    low: Array
    high: Array
    run_at: Array  #: of each run, shape (r,)
    run_k: Array


def airflow_curves(design: Design, draws: Draws, effects: Array, fitted_k: Array) -> list[LawCurve]:
    """Return the rise of each cooler along fan speed, at reference power and its runs' parts.

    `effects`, shape (S, q), and `fitted_k`, the runs' fitted rises of shape (S, n), are of the
    draws that `draws` gives.
    """
    models = design.rows["cooler_model"].astype(str).to_numpy()
    curves = []
    for model in np.unique(models):
        hit = np.flatnonzero(models == model)
        convective, bend = (
            effects[:, design.part_columns(acts, factors_only=True)[0][hit[0]]].sum(
                1, keepdims=True
            )
            for acts in (Acts.AIRFLOW, Acts.EXPONENT)
        )
        ratio = design.power_ratio[hit]
        constant = (1.0 - ratio) * draws(CONSTANT)[:, None]

        def rise(at: Array, convective: Array = convective, bend: Array = bend) -> Array:
            flow = design.airflow(at, draws(EXPONENT)[:, None])
            return np.asarray(convective * flow + bend * design.bend(at))

        fitted = (fitted_k[:, hit] - constant) / ratio
        measured = (design.rise_k[hit] - constant.mean(axis=0)) / ratio
        curves.append(_curve(model, rise, design.flow_speed[hit], fitted, measured))
    return curves


def power_curve(design: Design, draws: Draws, fitted_k: Array) -> LawCurve:
    """Return the rise along board power, at the mean fan speed and parts of the runs."""
    constant = draws(CONSTANT)[:, None]
    power = design.power_ratio * design.reference.power_w
    follows = ((fitted_k - (1.0 - design.power_ratio) * constant) / design.power_ratio).mean(
        axis=1, keepdims=True
    )

    def rise(at: Array) -> Array:
        ratio = at / design.reference.power_w
        return np.asarray(ratio * follows + (1.0 - ratio) * constant)

    moved = rise(power).mean(axis=0) - fitted_k.mean(axis=0)
    return _curve(design.sensor, rise, power, rise(power), design.rise_k + moved)


def _curve(
    name: str, rise: Callable[[Array], Array], run_at: Array, fitted: Array, measured: Array
) -> LawCurve:
    """Return a curve over the range of the runs, level with their mean, and the runs about it."""
    at = np.linspace(0.97 * run_at.min(), 1.03 * run_at.max(), 60)
    there = rise(run_at)
    level = (fitted - there).mean(axis=1, keepdims=True)
    curve = rise(at) + level
    low, high = np.quantile(curve, [0.05, 0.95], axis=0)
    run_k = (there + level).mean(axis=0) + measured - fitted.mean(axis=0)
    return LawCurve(name, at, curve.mean(axis=0), low, high, run_at, run_k)


def _varied_alone(design: Design) -> BoolArray:
    """Rows of a hardware and set fan speed that was run at more than one power, shape (n,).

    Under one firmware, where the fit allows it an effect of its own: else both changed together.
    """
    import pandas as pd

    allows = any(term.columns == ("firmware",) for term in design.terms)
    table = pd.DataFrame(
        {
            "cooler": design.rows["cooler_model"].to_numpy(),
            "board": design.rows["board_model"].to_numpy(),
            "firmware": design.rows["firmware"].to_numpy() if allows else "",
            "speed": np.round(np.log(design.flow_speed) / APART),
            "power": design.power_ratio,
        }
    )
    hardware_at_speed = ["cooler", "board", "firmware", "speed"]
    groups = table.groupby(hardware_at_speed, dropna=False)["power"]
    spread = groups.transform("max") / groups.transform("min") - 1.0
    return np.asarray(spread > APART, bool)


def _set_points(values: Array) -> list[float]:
    """Distinct values, those nearer than `APART` to the one before left out."""
    points: list[float] = []
    for value in np.unique(values):
        if not points or value > points[-1] * (1.0 + APART):
            points.append(float(value))
    return points


def _listed(points: list[float]) -> str:
    shown = ", ".join(f"{point:.0f}" for point in points[:6])
    return shown + (f" … {points[-1]:.0f}" if len(points) > 6 else "")


def _summary(draws: Array) -> tuple[float, float, float]:
    low, high = np.quantile(draws, [0.05, 0.95])
    return float(draws.mean()), float(low), float(high)
