"""Checks of the protocol, and values stated in the run sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from numbers import Real
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

    def __post_init__(self) -> None:
        """Refuse other types where a check is made: a plug-in's would fail far from it."""
        object.__setattr__(self, "verdict", Verdict(self.verdict))
        texts = (self.name, self.words, self.unit, self.sensor)
        if not all(isinstance(text, str) for text in texts):
            raise TypeError("name, words, unit and sensor of a Check must be texts")
        if not all(isinstance(number, Real) for number in (self.figure, self.limit, self.second)):
            raise TypeError("figure, limit and second of a Check must be numbers")


def stated_value(run: Mapping[str, Any], name: str) -> float:
    """Return a number from the run sheet, NaN where there is none."""
    value = run.get(name)
    return float("nan") if value is None or pd.isna(value) else float(value)
