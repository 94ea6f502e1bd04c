"""Rows left out under Student's t: the weights of the deleted rows are integrated out.

Every draw holds the parameters p and a weight per row (see `student_weights`), given which the
model is normal. A deleted group's weights w_a depend on its readings and must be integrated
out: without the group the target is

    p(p, w_others | y_others) ∝ p(p, w_others | y) / ∫ p(y_a | others, w_a) p(w_a) dw_a

For one row the integral is a sum over log w. For several, w_a keeps its draw and the target
is extended by a density q(w_a) that does not depend on the draw, here the weights' conditional
at each row's mean squared residual; the weight of the draw is

    q(w_a) / (p(w_a) p(y_a | others, w_a))

whose mean over w_a given the rest is the reciprocal integral (the reciprocal importance
estimate of A. E. Gelfand & D. K. Dey, J. R. Stat. Soc. B 56 (1994) 501-514), and bounded in
w_a, as q falls off no slower than the posterior. The prediction of the others for the group is a
mixture over new weights: drawn, or summed for a single row.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.inference.checks.student_weights import LEAST_WEIGHT, fresh_weights
from thermcmp.model.priors import LOG_SQRT_2PI

#: Nodes in log w over which a row's weight is summed (a smooth integrand, equally spaced:
#: errors far below those of the draws), and the probabilities beyond either end.
NODES: Final = 96
LOW_END: Final = 1e-40
HIGH_END: Final = 1e-12
#: New weights per draw for the probabilities of a group of several rows.
FRESH: Final = 24


@dataclass(frozen=True, slots=True, eq=False)
class Mixture:
    """The weights of a fit's rows at T draws."""

    weights: Array  #: drawn weights, 1 for normal rows, shape (T, n)
    scale: Array  #: squared scale that the weight divides [K²], shape (T, n)
    beside: Array  #: variance added to it [K²], shape (n,)
    degrees: Array  #: degrees of freedom, shape (T,)
    square: Array  #: mean squared residual of each row over the draws [K²], shape (n,)
    mixed: BoolArray  #: rows that have a weight, shape (n,)
    counted: BoolArray  #: rows by which their group is judged, shape (n,)
    seed: int  #: seed of new weights

    def without_own_weights(
        self, codes: IntArray, has_pseudo: BoolArray, score: Array, rest: Array, rest_sd: Array
    ) -> tuple[Array, Array, Array, Array]:
        """Integrate the deleted rows' weights out of results given them, all of shape (T, G).

        Returns log density, scale, and the probabilities of a lower and a higher reading.
        """
        from scipy.sparse import csr_array

        place, sizes = (np.arange(len(codes)), codes), np.bincount(codes, self.counted)
        member = csr_array((np.ones(len(codes)), place))
        # Mean over a group's readings, so variances add up with the square of their number.
        of_mean = csr_array((self.counted / sizes[codes] ** 2, place))
        deleted = np.asarray((self.scale / self.weights + self.beside) @ of_mean)
        shared = np.maximum(rest_sd**2 - deleted, 0.0)
        single = (np.bincount(codes) == 1) & ~has_pseudo & (np.bincount(codes, self.mixed) > 0)
        half, degrees = 0.5 * self.degrees[:, None], self.degrees[:, None]
        rate = 0.5 * (degrees + self.square / self.scale)
        log_prior = _log_gamma(self.weights, half, half)
        log_extension = _log_gamma(self.weights, 0.5 * (degrees + 1.0), rate)
        score = score + np.where(self.mixed, log_prior - log_extension, 0.0) @ member
        below, above = np.empty_like(rest), np.empty_like(rest)
        if single.any():
            row = np.flatnonzero(single[codes])
            row = row[np.argsort(codes[row])]
            score[:, single], below[:, single], above[:, single] = self._summed(
                row, shared[:, single], rest[:, single]
            )
        if not single.all():
            several = ~single
            below[:, several], above[:, several] = self._drawn(
                of_mean[:, np.flatnonzero(several)], shared[:, several], rest[:, several]
            )
        scale = np.sqrt(shared + np.asarray((self.scale + self.beside) @ of_mean))
        return score, scale, below, above

    def _summed(self, row: IntArray, shared: Array, rest: Array) -> tuple[Array, Array, Array]:
        """Return log density and probabilities of single rows, summed over their weight."""
        from scipy.special import gammainccinv, gammaincinv, ndtr

        half = 0.5 * self.degrees
        low = np.log(np.maximum(gammaincinv(half, LOW_END) / half, LEAST_WEIGHT**2))
        high = np.log(gammainccinv(half, HIGH_END) / half)
        places = low + np.linspace(0.0, 1.0, NODES)[:, None] * (high - low)
        # Density of log w, normalised over the nodes.
        log_share = half * (places - np.exp(places))
        log_share -= np.logaddexp.reduce(log_share, axis=0)
        score = np.full(rest.shape, -np.inf)
        below, above = np.zeros_like(rest), np.zeros_like(rest)
        for place, share in zip(np.exp(places), log_share, strict=True):
            variance = shared + self.scale[:, row] / place[:, None] + self.beside[row]
            z = rest / np.sqrt(variance)
            density = share[:, None] - LOG_SQRT_2PI - 0.5 * (np.log(variance) + z**2)
            score = np.logaddexp(score, density)
            below += np.exp(share)[:, None] * ndtr(z)
            above += np.exp(share)[:, None] * ndtr(-z)
        return score, below, above

    def _drawn(self, of_mean: Any, shared: Array, rest: Array) -> tuple[Array, Array]:
        """Return the probabilities of groups of several rows, over new weights."""
        from scipy.special import ndtr

        rng = np.random.default_rng(self.seed)
        below, above = np.zeros_like(rest), np.zeros_like(rest)
        for _ in range(FRESH):
            new = fresh_weights(self.degrees, self.mixed, rng)
            variance = shared + np.asarray((self.scale / new + self.beside) @ of_mean)
            z = rest / np.sqrt(variance)
            below += ndtr(z) / FRESH
            above += ndtr(-z) / FRESH
        return below, above


def _log_gamma(x: Array, shape: Array, rate: Array) -> Array:
    """Return the log density of a gamma variable."""
    from scipy.special import gammaln

    return np.asarray(shape * np.log(rate) - gammaln(shape) + (shape - 1.0) * np.log(x) - rate * x)
