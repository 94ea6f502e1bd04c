"""Checks of the protocol, and values stated in the run sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from thermcmp.telemetry.steady_state.protocol import Verdict


@dataclass(frozen=True, slots=True)
class Check:
    """One check of the protocol."""

    name: str
    verdict: Verdict
    words: str  #: outcome in plain words
    figure: float = float("nan")  #: the figure that was judged; NaN where there is none
    limit: float = float("nan")  #: the limit it was judged against
    unit: str = ""  #: unit of both
    second: float = float("nan")  #: when the limit was broken [s]; NaN where it held
    sensor: str = ""  #: sensor concerned; empty for the whole run


def stated_value(run: Mapping[str, Any], name: str) -> float:
    """Return a number from the run sheet, NaN where there is none."""
    value = run.get(name)
    return float("nan") if value is None or pd.isna(value) else float(value)
