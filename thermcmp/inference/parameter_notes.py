"""What the data say of each spread and parameter: zero allowed, mostly prior, or found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.model.priors import HalfNormal

if TYPE_CHECKING:
    from thermcmp.model.priors import Prior

#: Spread that counts as none [K] (common practice, no source).
SMALL_K: Final = 0.1
#: Likelihood at zero, relative to its largest, from which zero is allowed: exp(-½ χ²(1, 95 %)).
ALLOWED: Final = 0.147
#: Share of the prior's variance that the data must take away, or it is "mostly prior".
MOSTLY: Final = 0.5
#: Largest prior probability of a bin in which the likelihood is looked up.
_WIDEST: Final = 0.04


@dataclass(frozen=True, slots=True)
class ParameterNote:
    """What the data say of one parameter.

    Attributes
    ----------
    name : str
        The parameter.
    is_spread : bool
        Whether it is a standard deviation.
    shrinkage : float
        One less the ratio of posterior to prior variance: 0 where the data say nothing.
    below : float
        Probability that a spread is below the stated size; NaN for other parameters.
    allows_zero : bool
        Whether the data allow a spread of zero: the likelihood there is above
        exp(-½ χ²(1, 95 %)) = 0.147 of its largest.
    """

    name: str
    is_spread: bool
    shrinkage: float
    below: float
    allows_zero: bool

    @property
    def words(self) -> str:
        """Short words for a table; "" where there is nothing to note."""
        found = ["boundary: the data allow zero"] if self.allows_zero else []
        found += ["mostly prior"] if self.shrinkage < MOSTLY else []
        return "; ".join(found)


def parameter_note(
    name: str, draws: Array, prior: Prior, small_k: float = SMALL_K
) -> ParameterNote:
    """What the data say of one parameter.

    Shapes: draws (S,).
    """
    shrinkage = 1.0 - float(np.var(draws)) / prior.standard_deviation**2
    if not isinstance(prior, HalfNormal):
        return ParameterNote(name, False, shrinkage, float("nan"), False)
    below = float(np.mean(draws < small_k))
    return ParameterNote(name, True, shrinkage, below, zero_likelihood(draws, prior) >= ALLOWED)


def zero_likelihood(draws: Array, prior: Prior) -> float:
    """Likelihood of a spread near zero, relative to its largest.

    The posterior is the prior times the marginal likelihood, so in bins of equal prior
    probability the share of the draws is the likelihood, but for a factor.

    Shapes: draws (S,).
    """
    from scipy.special import ndtr

    place = np.minimum(ndtr(prior.to_standard(draws)), 1.0 - 1e-12)
    # Bins as narrow as the draws near zero ask for, or a small spread would count as none.
    near = float(ndtr(prior.to_standard(np.quantile(draws, [0.05]) / 2.0))[0])
    width = float(np.clip(near, 1e-5, _WIDEST))
    share = np.bincount((place / width).astype(int))
    return float(share[0] / np.max(share))
