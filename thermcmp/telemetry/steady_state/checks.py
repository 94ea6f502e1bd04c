"""A check of the protocol, and what the run sheet states for one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from thermcmp.telemetry.steady_state.protocol import Verdict


@dataclass(frozen=True, slots=True)
class Check:
    """One check of the protocol.

    Attributes
    ----------
    name : str
        What was checked.
    verdict : Verdict
        Its outcome.
    words : str
        What was found, in plain words.
    figure : float
        The figure that was judged; NaN where there is none.
    limit : float
        What it was judged against.
    unit : str
        Unit of both.
    second : float
        When it broke [s]; NaN where it held.
    sensor : str
        Sensor it is about; empty for the whole run.
    """

    name: str
    verdict: Verdict
    words: str
    figure: float = float("nan")
    limit: float = float("nan")
    unit: str = ""
    second: float = float("nan")
    sensor: str = ""


def stated_value(run: Mapping[str, Any], name: str) -> float:
    """Return a number of the run sheet, NaN where it has none."""
    value = run.get(name)
    return float("nan") if value is None or pd.isna(value) else float(value)
