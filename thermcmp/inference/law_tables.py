"""What a fit found of fan speed and power, and the set points that say so."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array, BoolArray
from thermcmp.model.design import CONSTANT, EXPONENT, FIXED
from thermcmp.model.terms import Acts, Role

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    from thermcmp.model.design import Design

    Draws = Callable[[str], Array]

#: Set points further apart than this share of their value count as different ones.
APART = 0.02


def airflow_table(design: Design, draws: Draws) -> pd.DataFrame:
    """Return the convective part and the exponent of each cooler model, a row each."""
    import pandas as pd

    models = design.rows["cooler_model"].astype(str).to_numpy()
    rows = []
    for model in np.unique(models):
        hit = models == model
        first = int(np.flatnonzero(hit)[0])
        convective = _at_row(design, draws, Acts.AIRFLOW, first)
        bend = _at_row(design, draws, Acts.EXPONENT, first)
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


def _at_row(design: Design, draws: Draws, acts: Acts, row: int) -> Array:
    """Sum of the fixed and the model's effects on one part, at a row's levels, shape (S,)."""
    total = np.zeros(len(draws(EXPONENT)))
    for name, fixed_acts in FIXED.items():
        if fixed_acts is acts:
            total = total + draws(name)
    for k, term in enumerate(design.terms):
        if term.acts is acts and term.role is Role.FACTOR:
            total = total + draws(term.name)[:, design.index[row, k]]
    return total


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
