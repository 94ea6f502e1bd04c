"""Regulated runs: which of them inform the resistance, and why the others do not.

In a regulated run a control loop held the sensor, so its temperature compares nothing. What
the loop moved for it does: the fan speed or the power at which this cooler keeps that
temperature.
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
    """What is made of regulated runs."""

    INFORM = "inform"  #: what the loop moved informs the resistance
    LEAVE_OUT = "leave out"  #: they are not used


def held_by(rows: pd.DataFrame, actuator: str) -> BoolArray:
    """Rows in which a control loop held the sensor by moving this alone.

    Shapes: rows (n, columns). Returns (n,).
    """
    if "regulated_by" not in rows:
        return np.zeros(len(rows), bool)
    by = rows["regulated_by"].eq(actuator).fillna(False)
    return np.asarray(rows["regulated"].astype(bool) & by.astype(bool))


def uninformative(
    rows: pd.DataFrame, law: AirflowLaw, regulated: Regulated
) -> dict[str, pd.Series]:
    """Regulated rows that a fit cannot use, by the reason.

    A regulated row informs where the loop moved one thing only and that was measured.

    Shapes: rows (n, columns). Returns (n,).
    """
    import pandas as pd

    held = rows["regulated"].astype(bool)
    if regulated is Regulated.LEAVE_OUT:
        return {
            "a control loop held the sensor at its target, so the temperature is no result": held
        }
    fan, power = (pd.Series(held_by(rows, by), index=rows.index) for by in (FAN, POWER))
    both = held & ~fan & ~power & rows["regulated_by"].notna()
    found = {
        "a control loop held the sensor, and what it moved is not known; state it in "
        "regulated_by (fan or power)": held & ~fan & ~power & ~both,
        "a control loop held the sensor by fan and power together, so neither is a result of "
        "the cooler alone": both,
        "a control loop held the sensor at its limit, where the reading may be clamped; set "
        "at_limit to no if it is known to read on": held & rows["at_limit"].astype(bool),
        "a summary of several regulated runs, whose stated error is that of the temperature that "
        "was held": held & (rows["n"] > 1).fillna(False).astype(bool),
    }
    if law.column != "fan_rpm":
        other = f"the {law.name} is driven by {law.column}"
        found[f"a control loop held the sensor by its fan, and {other}"] = fan
    return found


def informing_note(rows: pd.DataFrame) -> str:
    """Describe how many regulated runs a fit uses, and how; "" where there are none."""
    counts = {by: int(held_by(rows, by).sum()) for by in (FAN, POWER)}
    told = [
        f"{count} by the {what} that held the sensor"
        for count, what in ((counts[FAN], "fan speed"), (counts[POWER], "power"))
        if count
    ]
    if not told:
        return ""
    return (
        f"Regulated runs inform the resistance: {' and '.join(told)}. Their temperatures are "
        "targets and are not compared."
    )
