"""Runs and mountings that the others do not explain, named in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from thermcmp.inference.deletion import Deletions
    from thermcmp.inference.units import Units

#: Chance that a campaign in which nothing strays gets any run (or any mounting) named.
FALSE_ALARM: Final = 0.05


@dataclass(frozen=True, slots=True)
class Outlier:
    """A run or mounting that strays.

    Attributes
    ----------
    kind, name : str
        "run" or "assembly", and its name.
    off_k : float
        What was read less what the others say, mean over its rows [K].
    off_sds : float
        The same in standard deviations, from `chance`.
    chance : float
        Two-sided chance of a deviation at least as large, if it were like the others.
    tested : int
        How many units were tested; named below `FALSE_ALARM` / tested (Bonferroni).
    alone : bool
        Whether the run is the only one of its mounting.
    """

    kind: str
    name: str
    off_k: float
    off_sds: float
    chance: float
    tested: int
    alone: bool = False

    @property
    def sentence(self) -> str:
        """The finding, and where to look."""
        how = f"{abs(self.off_k):.1f} K {'hotter' if self.off_k > 0 else 'cooler'}"
        if self.kind == "run":
            others = "the other runs" if self.alone else "the other runs of its mounting"
            return f"Run {self.name} is {how} than {others} explain; look at its log."
        return (
            f"Mounting '{self.name}' is {how} than mountings of such parts otherwise differ; look "
            "at its contact and pads before you trust it."
        )


def outlying(units: Units, found: Deletions, mountings: Units) -> tuple[Outlier, ...]:
    """Units that the others do not explain.

    Each unit is held against its prediction from all other rows. With n units the largest
    of n is asked for its chance, so a unit is named where its two-sided chance is below
    `FALSE_ALARM` / n. For a plain sample of runs this is Grubbs' test (F. E. Grubbs,
    Technometrics 11 (1969) 1-21; ISO 5725-2), apart from the priors.

    Parameters
    ----------
    units : Units
        Runs, or other units.
    found : Deletions
        Each of them left out.
    mountings : Units
        The mountings, to say whether a run is the only one of its own.

    Returns
    -------
    tuple of Outlier
        The furthest off first.
    """
    from scipy.special import ndtri

    chance, off = found.tail(), found.off()
    hit = np.isfinite(chance)
    tested = int(hit.sum())
    hit[hit] = chance[hit] * tested < FALSE_ALARM
    of_size = mountings.sizes[mountings.codes]
    first = np.unique(units.codes, return_index=True)[1]
    named = [
        Outlier(
            units.kind,
            units.names[place],
            float(off[place]),
            float(-ndtri(max(chance[place], 1e-300) / 2.0)),
            float(chance[place]),
            tested,
            alone=bool(of_size[first[place]] == 1),
        )
        for place in np.flatnonzero(hit)
    ]
    return tuple(sorted(named, key=lambda one: one.chance))
