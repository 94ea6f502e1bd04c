"""Outliers among runs and assemblies, named in sentences."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.inference.checks.leave_out import LeaveOut, draws_for
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.outlier import LITTLE, Outlier, off_words, weight_words
from thermcmp.inference.checks.student_weights import mean_weights, mixed_rows

if TYPE_CHECKING:
    from thermcmp.inference.checks.leave_out import Deletions
    from thermcmp.inference.checks.omission_groups import Units
    from thermcmp.inference.posterior import Fit

#: Posterior draws behind them; `check_fit` takes more.
DRAWS: Final = 200
#: Probability that any run (or any assembly) is named in a campaign without outliers.
FALSE_ALARM: Final = 0.05


@dataclass(frozen=True, slots=True)
class Discounted:
    """A run that Student's t discounts."""

    name: str
    off_k: float  #: reading minus fit
    weight: float  #: how much of a run it counts for

    @property
    def sentence(self) -> str:
        """How the run counts, and where to look."""
        how = off_words(self.off_k)
        return f"Run {self.name} is {how} than fitted; look at its log. {weight_words(self.weight)}"


def discounted(fit: Fit, runs: Units, draws: int) -> tuple[Discounted, ...]:
    """Return the runs that count for little under Student's t."""
    if not mixed_rows(fit).any():
        return ()
    of_row, off_row = mean_weights(fit, draws)
    weight = np.bincount(runs.codes, of_row) / runs.sizes
    off = np.bincount(runs.codes, off_row) / runs.sizes
    return tuple(
        Discounted(runs.names[place], float(off[place]), float(weight[place]))
        for place in np.argsort(weight, kind="stable")
        if weight[place] < LITTLE
    )


def outlying(units: Units, deletions: Deletions, assemblies: Units) -> tuple[Outlier, ...]:
    """Return the units that the others do not explain, most extreme first.

    Each unit is compared with its prediction from all other rows. Of n units one is named if
    its two-sided probability is below `FALSE_ALARM` / n. For a plain sample of runs this is
    Grubbs' test (F. E. Grubbs, Technometrics 11 (1969) 1-21; ISO 5725-2), apart from priors.
    """
    from scipy.special import ndtri

    chance, off = deletions.tail(), deletions.off()
    hit = np.isfinite(chance)
    tested = int(hit.sum())
    hit[hit] = chance[hit] * tested < FALSE_ALARM
    of_size = assemblies.sizes[assemblies.codes]
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
    return tuple(sorted(named, key=lambda outlier: outlier.chance))


def outliers(fit: Fit) -> tuple[Outlier, ...]:
    """Return the runs and assemblies of a fit that the others do not explain."""
    return fit.once("outliers", _find_outliers)


def _find_outliers(fit: Fit) -> tuple[Outlier, ...]:
    runs, assemblies = units_of(fit, "run"), units_of(fit, "assembly")
    by_run, by_assembly = left_out_units(fit)
    little = {run.name: run.weight for run in discounts(fit)}
    runs_named = [
        replace(run, weight=little.get(run.name, 1.0)) for run in outlying(runs, by_run, assemblies)
    ]
    # Rows of discounted runs, where their assembly has others.
    is_little = np.array([name in little for name in runs.names])[runs.codes]
    others_left = np.bincount(assemblies.codes, ~is_little)[assemblies.codes] > 0
    aside = np.asarray(is_little & others_left)
    if aside.any():
        # A run that counts for little is no reason to blame its assembly.
        study = LeaveOut(fit, [assemblies.codes], draws=draws_for(fit, DRAWS), aside=aside)
        (by_assembly,) = study.each()
    alone = {run.name for run in runs_named if run.alone}
    # An assembly of one run is that run.
    single = {
        assemblies.names[assemblies.codes[row]]
        for row, name in enumerate(np.array(runs.names)[runs.codes])
        if name in alone
    }
    others = outlying(assemblies, by_assembly, assemblies)
    return (*runs_named, *(assembly for assembly in others if assembly.name not in single))


def left_out_units(fit: Fit) -> list[Deletions]:
    """Leave out each run, and each assembly, once for all answers of a fit."""
    kinds = ("run", "assembly")
    return fit.once(
        "left out",
        lambda fit: LeaveOut(
            fit, [units_of(fit, kind).codes for kind in kinds], draws=draws_for(fit, DRAWS)
        ).each(),
    )


def discounts(fit: Fit) -> tuple[Discounted, ...]:
    """Return the runs that count for little, by Student's t."""
    return fit.once("discounts", lambda fit: discounted(fit, units_of(fit, "run"), DRAWS))
