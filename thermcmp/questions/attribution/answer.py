"""The answer of an attribution."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from thermcmp.questions.answer import Answer

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.model.conditions import Build, Conditions
    from thermcmp.prediction.stock_settings import Setting


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Attribution(Answer):
    """How much of an improvement is hardware, fan speed and power.

    Attributes
    ----------
    builds : tuple of Build
        The old and the new build.
    conditions : Conditions
        The air, and what was held.
    before_c, after_c : float
        Mean temperatures of the two builds, each under its own firmware [°C].
    settings : mapping of str to Setting
        Fan speed and power of the two builds, by build name, and where they come from.
    corners : pandas.DataFrame
        Old and new hardware under old and new firmware: mean_c, low_c, high_c [°C], fan
        speed, power_w, noise_dba, basis (measured or predicted) and fan_status.
    changes : pandas.DataFrame
        What changed, after minus before: quantity, unit, before, after, change, low, high.
    kelvin_per_db : pandas.DataFrame
        Improvement per decibel of the change of fan speed and of each hardware; empty
        where no level is known.
    main_parts : tuple of str
        Names of the parts that add up to the total.
    scope : str
        For whom it speaks: "specimens" or "product line".
    """

    builds: tuple[Build, Build]
    conditions: Conditions
    before_c: float
    after_c: float
    settings: Mapping[str, Setting]
    corners: pd.DataFrame
    changes: pd.DataFrame
    kelvin_per_db: pd.DataFrame
    main_parts: tuple[str, ...]
    scope: str
