"""Noise rows of a campaign, corrected for background and distance, ready for a fit.

    L = a + b · g(N) + e

with a and b per cooler model, a per cooler specimen and session. By the fan sound law
g = lg(N / N_ref); 50 to 60 dB per tenfold speed is common practice, no source. A laboratory
that states no microphone distance adds an unknown of its own to all levels that it read.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.model.priors import HalfNormal, Normal, Prior
from thermcmp.model.rows import level_keys
from thermcmp.physics.acoustics import (
    BackgroundStatus,
    background_corrected_dba,
    level_at_distance_dba,
)
from thermcmp.physics.noise_law import FAN_SOUND_LAW, NoiseLaw
from thermcmp.tabular.names import counted

if TYPE_CHECKING:
    import pandas as pd

LEVEL: Final = "noise level"
SLOPE: Final = "noise slope"
#: Name of the group that holds the specimens of a cooler model.
SPECIMEN: Final = "cooler noise"

#: (name, columns, whether it acts on the slope, prior of its spread).
GROUPS: Final[tuple[tuple[str, tuple[str, ...], bool, HalfNormal], ...]] = (
    ("cooler_model noise", ("cooler_model",), False, HalfNormal(5.0)),
    ("cooler_model noise slope", ("cooler_model",), True, HalfNormal(5.0)),
    (SPECIMEN, ("cooler_model", "cooler_id"), False, HalfNormal(1.0)),
    ("session noise", ("lab", "session"), False, HalfNormal(0.5)),
)
FIXED: Final[tuple[tuple[str, Prior], ...]] = (
    (LEVEL, Normal(38.0, 15.0)),
    (SLOPE, Normal(55.0, 8.0)),
)
RESIDUAL_PRIOR: Final = HalfNormal(0.5)
#: Microphone distance that is not stated [m], and the factor either way within which it lies
#: with 90 % (common practice, no source).
UNSTATED_M: Final = 0.5
_FACTOR: Final = 2.0
#: The same as a level: 20 dB per tenfold distance, 1.645 standard deviations to the ends.
UNSTATED_PRIOR: Final = Normal(0.0, 20.0 * float(np.log10(_FACTOR)) / 1.645)


# Without slots: a cached property keeps its value in the instance.
@dataclass(frozen=True, eq=False)
class NoiseDesign:
    """Arrays of the noise fit over n runs."""

    rows: pd.DataFrame
    level_dba: Array  #: background-corrected, at `distance_m`, shape (n,)
    decades: Array  #: the noise law g of the fan speeds, shape (n,)
    law: NoiseLaw
    reference_rpm: float
    distance_m: float
    levels: tuple[tuple[str, ...], ...]  #: level names of each group
    index: IntArray  #: level of each row in each group, shape (n, groups)
    #: Which rows a laboratory read at a distance that it does not state, shape (n, laboratories).
    unstated: BoolArray
    notes: tuple[str, ...]

    @cached_property
    def rows_of(self) -> dict[str, IntArray]:
        """Places of each cooler model's rows."""
        groups = self.rows.groupby(self.rows["cooler_model"].astype(str)).indices
        return {str(model): np.asarray(places) for model, places in groups.items()}

    def speed_range_rpm(self, cooler_model: str) -> tuple[float, float] | None:
        """Return the lowest and highest fan speed [rpm] at which the model's noise was measured."""
        if cooler_model not in self.rows_of:
            return None
        speeds = self.rows["fan_rpm"].to_numpy(float)[self.rows_of[cooler_model]]
        return float(speeds.min()), float(speeds.max())


def build_noise_design(
    results: pd.DataFrame, *, reference_rpm: float, distance_m: float, law: NoiseLaw = FAN_SOUND_LAW
) -> NoiseDesign | None:
    """Return the design of the noise fit, or None without a usable noise reading."""
    import pandas as pd

    rows = results.drop_duplicates(["lab", "run"])
    rows = rows[rows["noise_dba"].notna() & (rows["fan_rpm"] > 0)].reset_index(drop=True)
    notes: list[str] = []
    measured = rows["noise_dba"].to_numpy(float)
    floor = rows["noise_floor_dba"].to_numpy(float)
    corrected, status = background_corrected_dba(measured, floor)
    unknown = np.isnan(floor)
    level = np.where(unknown, measured, corrected)
    known = [BackgroundStatus.NONE_NEEDED, BackgroundStatus.CORRECTED]
    usable = unknown | np.isin(np.asarray(status, dtype=object), known)
    if unknown.any():
        notes.append(
            f"{counted(int(unknown.sum()), 'noise reading')} without a background level: counted "
            "as measured."
        )
    if not usable.all():
        notes.append(
            f"{counted(int((~usable).sum()), 'noise reading')} less than 6 dB above the "
            "background: left out (ISO 3744)."
        )
    rows, level = rows.loc[usable].reset_index(drop=True), level[usable]
    if rows.empty:
        return None
    distance = rows["mic_distance_m"].to_numpy(float)
    unstated, labs = np.isnan(distance), level_keys(rows, ("lab",))
    sources = np.unique(labs[unstated])
    if len(sources):
        notes.append(
            f"{counted(int(unstated.sum()), 'noise reading')} without a microphone distance: "
            f"{UNSTATED_M:g} m is taken, {UNSTATED_M / _FACTOR:g} to {UNSTATED_M * _FACTOR:g} m "
            f"with 90%, one for each laboratory ({len(sources)}); "
            f"levels are less sure by {UNSTATED_PRIOR.sd:.1f} dB. Fix: state mic_distance_m."
        )
    distance = np.where(unstated, UNSTATED_M, distance)
    if np.any(np.abs(distance / distance_m - 1.0) > 0.02):
        notes.append(
            "Levels measured at other distances were converted by the free-field law, which "
            "overstates the change close to the card."
        )
    codes, levels = [], []
    for _, columns, _, _ in GROUPS:
        code, names = pd.factorize(level_keys(rows, columns), sort=True)
        codes.append(code.astype(np.intp))
        levels.append(tuple(str(name) for name in names))
    return NoiseDesign(
        rows=rows,
        level_dba=np.asarray(level_at_distance_dba(level, distance, distance_m)),
        decades=law.decades(rows["fan_rpm"].to_numpy(float), reference_rpm),
        law=law,
        reference_rpm=reference_rpm,
        distance_m=distance_m,
        levels=tuple(levels),
        index=np.stack(codes, axis=1),
        unstated=unstated[:, None] & (labs.to_numpy()[:, None] == sources),
        notes=tuple(notes),
    )
