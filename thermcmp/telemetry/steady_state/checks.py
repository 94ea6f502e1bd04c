"""Checks of the protocol, and values stated in the run sheet."""

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
    words : str
        Outcome in plain words.
    figure : float
        The figure that was judged; NaN where there is none.
    limit : float
        The limit it was judged against.
    unit : str
        Unit of both.
    second : float
        When the limit was broken [s]; NaN where it held.
    sensor : str
        Sensor concerned; empty for the whole run.
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
    """Return a number from the run sheet, NaN where there is none."""
    value = run.get(name)
    return float("nan") if value is None or pd.isna(value) else float(value)
