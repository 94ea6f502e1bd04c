"""The table of a prediction and the draws behind it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array
from thermcmp.prediction.card import CardState
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.questions.phrases import summary

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr


@dataclass(frozen=True, slots=True, eq=False)
class PredictedState:
    """A build's state at the conditions, n draws."""

    fitted: FittedBuild
    state: CardState
    #: Sound level [dB(A)], shape (n,); NaN where it is not known.
    noise_dba: Array
    #: Why there is no temperature; "" where there is one.
    problem: str
    remarks: tuple[str, ...]
    #: Why the level is not known, or what limits it.
    noise_remark: str

    def settled(self, values: Array) -> Array:
        """Return the values of the draws that have a steady state."""
        return values[self.state.settled]

    @property
    def quantities(self) -> dict[str, tuple[str, str, Array]]:
        """Name of the draws, unit and draws of each quantity."""
        law = self.fitted.fit.design.law
        speed = "fan speed" if law.column == "fan_rpm" else law.column.replace("_", " ")
        return {
            "temperature": ("temperature_c", "°C", self.state.temperature_c),
            speed: (law.column, law.unit, self.state.fan_rpm),
            "noise": ("noise_dba", "dB(A)", self.noise_dba),
            "power": ("power_w", "W", self.state.power_w),
        }


def prediction_table(predicted: PredictedState, prob: float) -> pd.DataFrame:
    """Return a row per quantity."""
    import pandas as pd

    rows = []
    for name, (_, unit, draws) in predicted.quantities.items():
        values = predicted.settled(draws)
        numbers: tuple[float, ...] = (np.nan,) * 4
        if len(values) and np.isfinite(values).all():
            numbers = summary(values, prob)
        remarks = predicted.remarks
        if name == "noise" and predicted.noise_remark not in ("", *remarks):
            remarks = (*remarks, predicted.noise_remark)
        health = "; ".join([str(predicted.fitted.fit.health), *remarks])
        if np.isnan(numbers[0]):
            health = f"not estimable: {predicted.problem or remarks[-1]}"
        rows.append((name, unit, *numbers, health))
    return pd.DataFrame(rows, columns=["quantity", "unit", "mean", "sd", "low", "high", "health"])


def prediction_draws(predicted: PredictedState) -> xr.Dataset:
    """Return the draws by quantity, shape (n,) each."""
    import xarray as xr

    return xr.Dataset(
        {column: ("draw", draws) for column, _, draws in predicted.quantities.values()}
    )
