"""Regulated runs: which of them inform the resistance, and why the others do not.

A control loop held the sensor at its target, so the temperature is not a result. The fan speed
or the power at which the cooler keeps that temperature is.
"""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import BoolArray

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.physics.airflow import AirflowLaw

FAN: Final = "fan"
POWER: Final = "power"


class Regulated(StrEnum):
    """How a fit treats regulated runs."""

    INFORM = "inform"  #: the actuator's value informs the resistance
    LEAVE_OUT = "leave out"  #: they are not used


def held_by(rows: pd.DataFrame, actuator: str) -> BoolArray:
    """Return which rows had the sensor held by this actuator alone, shape (n,)."""
    if "regulated_by" not in rows:
        return np.zeros(len(rows), bool)
    by = rows["regulated_by"].eq(actuator).fillna(False)
    return np.asarray(rows["regulated"].astype(bool) & by.astype(bool))


def uninformative(
    rows: pd.DataFrame, law: AirflowLaw, regulated: Regulated
) -> dict[str, pd.Series]:
    """Return masks of the regulated rows that a fit cannot use, shape (n,), by reason.

    A regulated row is informative if the loop moved one actuator only and that was measured.
    """
    import pandas as pd

    held = rows["regulated"].astype(bool)
    if regulated is Regulated.LEAVE_OUT:
        return {
            "a control loop held the sensor at its target, so the temperature is not a result": held
        }
    fan, power = (pd.Series(held_by(rows, by), index=rows.index) for by in (FAN, POWER))
    both = held & ~fan & ~power & rows["regulated_by"].notna()
    reasons = {
        "a control loop held the sensor, and what it moved is not known; state it in "
        "regulated_by (fan or power)": held & ~fan & ~power & ~both,
        "a control loop held the sensor by fan and power together, so neither is a result of "
        "the cooler alone": both,
        "a control loop held the sensor at its limit, where the reading may be clamped; set "
        "at_limit to no if the sensor reads correctly above it": held
        & rows["at_limit"].astype(bool),
        "a control loop held the sensor, whose reading is a floor or an interval": held
        & (rows["at_floor"].astype(bool) | rows["temperature_high_c"].notna()),
        "a summary of several regulated runs, whose stated error is that of the held "
        "temperature": held & (rows["n"] > 1).fillna(False).astype(bool),
    }
    if law.column != "fan_rpm":
        other = f"the {law.name} is driven by {law.column}"
        reasons[f"a control loop held the sensor by its fan, and {other}"] = fan
    return reasons


def informing_note(rows: pd.DataFrame) -> str:
    """Return how many regulated runs a fit uses, and how, as a note; "" if there are none."""
    counts = [
        f"{count} by the {quantity} that held the sensor"
        for actuator, quantity in ((FAN, "fan speed"), (POWER, "power"))
        if (count := int(held_by(rows, actuator).sum()))
    ]
    if not counts:
        return ""
    return (
        f"Regulated runs inform the resistance: {' and '.join(counts)}. Their temperatures are "
        "targets and are not compared."
    )
