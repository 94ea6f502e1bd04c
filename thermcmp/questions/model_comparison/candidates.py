"""The models that are compared: their fits and how well each predicts an assembly."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.inference.alternatives import alternatives, refitted
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.predictive_density import (
    GroupDensity,
    group_density,
    predict_alike,
    stacking_weights,
)
from thermcmp.inference.diagnostics import Health

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermcmp.inference.posterior import Fit

#: Name of the fit that was asked about.
AS_FITTED: Final = "as fitted"


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
    def weights(self) -> Sequence[float]:
        """Weight of each model in the mixture that predicts best."""
        return stacking_weights(np.stack([model.density.each for model in self.each])).tolist()


def fit_candidates(fit: Fit, *, with_student: bool, budget_s: float) -> Candidates:
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
    return Candidates(tuple(each), len(units.names), tuple(late), tuple(bad))
