"""Outliers among runs and assemblies, named in sentences."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.checks.leave_out import LeaveOut, draws_for
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.outlier import LITTLE, Outlier, off_words, weight_words
from thermcmp.inference.checks.refits import fit_without
from thermcmp.inference.checks.residuals import fitted_rise, row_variance
from thermcmp.inference.checks.student_weights import mean_weights, mixed_rows

if TYPE_CHECKING:
    from thermcmp.inference.checks.leave_out import Deletions
    from thermcmp.inference.checks.omission_groups import Units
    from thermcmp.inference.posterior import Fit

#: Posterior draws behind them; `check_fit` takes more.
DRAWS: Final = 200
#: Most units of a kind that are judged by a fit without them, the chance below which that is
#: worth it, and the most rows of such a fit.
MOST_REFITS: Final = 2
REFIT_DRAWS: Final = 1000
WORTH_A_REFIT: Final = 0.3
MOST_REFITTED_ROWS: Final = 1000
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


def outlying(
    fit: Fit, units: Units, deletions: Deletions, assemblies: Units
) -> tuple[Outlier, ...]:
    """Return the units that the others do not explain, most extreme first.

    Each unit is compared with its prediction from all other rows. Of n units one is named if
    its two-sided probability is below `FALSE_ALARM` / n. For a plain sample of runs this is
    Grubbs' test (F. E. Grubbs, Technometrics 11 (1969) 1-21; ISO 5725-2), apart from priors.
    """
    from scipy.special import ndtri

    chance, off = deletions.tail(), deletions.off()
    tested = int(np.isfinite(chance).sum())
    for place in _unsure(fit, deletions, chance, tested):
        chance[place], off[place] = _refitted(fit, units, place)
    hit = np.isfinite(chance)
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


def _unsure(fit: Fit, deletions: Deletions, chance: Array, tested: int) -> list[int]:
    """Return the most extreme units whose weights cannot be trusted, which err to their side."""
    if not tested or fit.engine != "conditional" or len(fit.design.rows) > MOST_REFITTED_ROWS:
        return []
    order = np.argsort(chance, kind="stable")[:MOST_REFITS]
    return [
        int(place)
        for place in order
        if not deletions.trusted[place] and FALSE_ALARM / tested <= chance[place] < WORTH_A_REFIT
    ]


def _refitted(fit: Fit, units: Units, place: int) -> tuple[float, float]:
    """Return the chance of a unit's deviation by a fit without it, and the deviation [K]."""
    from scipy.special import ndtr

    hit = units.codes == place
    without = replace(fit, posterior=fit_without(fit, hit, draws=REFIT_DRAWS).posterior)
    every = np.arange(without.draw_count)
    # The effect of an assembly that the fit has not seen is drawn from its spread.
    mean = np.concatenate([rise[:, hit].mean(axis=1) for _, rise in fitted_rise(without)])
    sd = np.sqrt(row_variance(without, every)[:, hit].mean(axis=1) / hit.sum())
    off = fit.design.rise_k[hit].mean() - mean
    below = float(np.mean(ndtr(off / sd)))
    return 2.0 * min(below, 1.0 - below), float(off.mean())


def outliers(fit: Fit) -> tuple[Outlier, ...]:
    """Return the runs and assemblies of a fit that the others do not explain."""
    return fit.once("outliers", _find_outliers)


def _find_outliers(fit: Fit) -> tuple[Outlier, ...]:
    runs, assemblies = units_of(fit, "run"), units_of(fit, "assembly")
    by_run, by_assembly = left_out_units(fit)
    little = {run.name: run.weight for run in discounts(fit)}
    runs_named = [
        replace(run, weight=little.get(run.name, 1.0))
        for run in outlying(fit, runs, by_run, assemblies)
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
    others = outlying(fit, assemblies, by_assembly, assemblies)
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
