"""Other models of a fit's rows: their fits, and how well each predicts an assembly."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.inference.censoring import readings_of
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.comparison.alternatives import alternatives, refitted
from thermcmp.inference.comparison.predictive_density import (
    GroupDensity,
    group_density,
    predict_alike,
    stacking_weights,
)
from thermcmp.inference.diagnostics import Health

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermcmp.inference.posterior import Fit

#: Fewest assemblies by which models are compared.
FEWEST: Final = 4
#: Most rows times assemblies of a fit whose comparison is cheap: a few times as long as the fit.
CHEAP_CELLS: Final = 3000
#: Name of the fit that was asked about.
AS_FITTED: Final = "as fitted"
#: Name under which a fit keeps its comparisons.
_MADE: Final = "comparisons with other models"


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """One model: its fit and how well it predicts each assembly."""

    name: str
    difference: str  #: what it has that the fit has not, in words
    fit: Fit
    density: GroupDensity


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """The models that were compared, the fit itself first."""

    each: tuple[Candidate, ...]
    assemblies: int
    late: tuple[str, ...]  #: models for which no time was left
    bad: tuple[str, ...]  #: models whose fit is in bad health
    with_student: bool

    @property
    def best(self) -> Candidate:
        """The model that predicts best; the fit itself among equals."""
        return max(self.each, key=lambda model: model.density.total)

    @property
    def alike(self) -> tuple[Candidate, ...]:
        """The models that predict about as well as the best, the fit itself first if among them."""
        return tuple(
            model
            for model in self.each
            if predict_alike(*model.density.difference(self.best.density))
        )

    @property
    def models(self) -> dict[str, Fit]:
        """The fit, and those of the models that predict about as well as the best."""
        return {AS_FITTED: self.each[0].fit} | {model.name: model.fit for model in self.alike}

    @property
    def weights(self) -> Sequence[float]:
        """Weight of each model in the mixture that predicts best."""
        return stacking_weights(np.stack([model.density.each for model in self.each])).tolist()


def compared(fit: Fit) -> Candidates | None:
    """Return the latest comparison of the fit with other models; None if none was made."""
    made = fit.once(_MADE, _none_made)
    return made[-1] if made else None


def is_cheap(fit: Fit) -> bool:
    """Whether a report may compare the fit with other models unasked."""
    design, count = fit.design, len(units_of(fit, "assembly").names)
    is_exact = len(readings_of(design).exact) == len(design.rows)
    is_screened = fit.findings is not None and fit.health is Health.OK
    is_small = count >= FEWEST and count * len(design.rows) <= CHEAP_CELLS
    return is_screened and is_exact and is_small


def fit_candidates(fit: Fit, *, with_student: bool, budget_s: float) -> Candidates:
    """Hold a fit against other models while the time lasts; every later answer of it knows."""
    known = compared(fit)
    if known is None or known.late or (with_student and not known.with_student):
        known = _compare(fit, with_student, budget_s)
        fit.once(_MADE, _none_made).append(known)
    return known


def _none_made(_: Fit) -> list[Candidates]:
    return []


def _compare(fit: Fit, with_student: bool, budget_s: float) -> Candidates:
    """Fit the other models while the time lasts, and leave each assembly out of each."""
    began, units = time.monotonic(), units_of(fit, "assembly")
    each = [Candidate(AS_FITTED, "", fit, group_density(fit, units.codes))]
    late, bad = [], []
    for other in alternatives(fit, with_student=with_student):
        if time.monotonic() - began > budget_s:
            late.append(other.name)
            continue
        model = refitted(fit, other)
        if model.health is Health.BAD:
            bad.append(other.name)
            continue
        density = group_density(model, units.codes)
        each.append(Candidate(other.name, other.difference, model, density))
    return Candidates(tuple(each), len(units.names), tuple(late), tuple(bad), with_student)
