"""What the data contribute to a parameter: whether it is mostly prior, or a spread may be zero."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.model.priors import SpreadPrior

if TYPE_CHECKING:
    from thermcmp.model.priors import Prior

#: Spread that counts as zero [K] (common practice, no source).
SMALL_K: Final = 0.1
#: Likelihood at zero, relative to its maximum, from which zero is allowed: exp(-½ χ²(1, 95 %)).
ALLOWED: Final = 0.147
#: "Mostly prior": the data took away less than this share of the prior's variance. Of a
#: contrast that share is its data share, of a parameter its shrinkage.
MOSTLY_PRIOR: Final = 0.5
#: Largest prior probability of a bin in which the likelihood is evaluated.
_WIDEST: Final = 0.04


@dataclass(frozen=True, slots=True)
class ParameterNote:
    """What the data contribute to one parameter."""

    name: str
    is_spread: bool
    shrinkage: float  #: one minus the ratio of posterior to prior variance
    below: float  #: probability that a spread is below `small_k`; NaN for other parameters
    allows_zero: bool  #: whether the likelihood of a zero spread is above `ALLOWED`

    @property
    def words(self) -> str:
        """Short note for a table; "" if there is nothing to note."""
        notes = ["boundary: the data allow zero"] if self.allows_zero else []
        notes += ["mostly prior"] if self.shrinkage < MOSTLY_PRIOR else []
        return "; ".join(notes)


def shrinkage_of(draws: Array, prior: Prior) -> float:
    """Return the share of the prior's variance that the data took away, from draws (S,)."""
    return 1.0 - float(np.var(draws)) / prior.standard_deviation**2


def parameter_note(
    name: str, draws: Array, prior: Prior, small_k: float = SMALL_K
) -> ParameterNote:
    """Return what the data contribute to one parameter, from draws (S,)."""
    shrinkage = shrinkage_of(draws, prior)
    if not isinstance(prior, SpreadPrior):
        return ParameterNote(name, False, shrinkage, float("nan"), False)
    below = float(np.mean(draws < small_k))
    return ParameterNote(name, True, shrinkage, below, zero_likelihood(draws, prior) >= ALLOWED)


def zero_likelihood(draws: Array, prior: Prior) -> float:
    """Return the likelihood of a spread near zero, relative to its maximum, from draws (S,).

    The posterior is the prior times the marginal likelihood, so in bins of equal prior
    probability the share of the draws is proportional to the likelihood.
    """
    from scipy.special import ndtr

    place = np.minimum(ndtr(prior.to_standard(draws)), 1.0 - 1e-12)
    # Bins as narrow as the draws near zero require, or a small spread would count as zero.
    near = float(ndtr(prior.to_standard(np.quantile(draws, [0.05]) / 2.0))[0])
    width = float(np.clip(near, 1e-5, _WIDEST))
    share = np.bincount((place / width).astype(int))
    return float(share[0] / np.max(share))
