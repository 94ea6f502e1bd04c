"""Adaptive importance sampling with a mixture of Student-t components.

The mixture is refitted to its own weighted draws for a few rounds (population
Monte Carlo; Cappé, Douc, Guillin, Marin & Robert, Statistics and Computing 18
(2008) 447-459). One fixed component, the prior itself, keeps the weights bounded
wherever the likelihood is bounded.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from thermcmp.model.priors import LOG_SQRT_2PI, Array

DEGREES_OF_FREEDOM: Final = 7.0
#: Share of the draws kept for the prior component.
DEFENSIVE: Final = 0.1


@dataclass(frozen=True, slots=True)
class Mixture:
    """Mixture of C Student-t components in d dimensions, plus a standard normal.

    Attributes
    ----------
    weights : ndarray, shape (C,)
        Component weights, summing to 1 - DEFENSIVE.
    means : ndarray, shape (C, d)
        Locations.
    factors : ndarray, shape (C, d, d)
        Lower Cholesky factors of the scale matrices.
    """

    weights: Array
    means: Array
    factors: Array

    def draw(self, count: int, rng: np.random.Generator) -> Array:
        """`count` draws, shape (count, d); components in fixed proportions."""
        d = self.means.shape[1]
        shares = np.append(self.weights, DEFENSIVE)
        edges = np.round(np.cumsum(shares / shares.sum()) * count).astype(int)
        counts = np.diff(np.concatenate([[0], edges]))
        out = []
        for mean, factor, size in zip(self.means, self.factors, counts[:-1], strict=True):
            mixing = rng.chisquare(DEGREES_OF_FREEDOM, size) / DEGREES_OF_FREEDOM
            z = rng.standard_normal((size, d)) / np.sqrt(mixing)[:, None]
            out.append(mean + z @ factor.T)
        out.append(rng.standard_normal((counts[-1], d)))
        return np.concatenate(out)

    def component_log_density(self, x: Array) -> Array:
        """Weighted log density of each component and of the prior, shape (C + 1, N)."""
        from scipy.linalg import solve_triangular
        from scipy.special import gammaln

        d, nu = x.shape[1], DEGREES_OF_FREEDOM
        constant = gammaln((nu + d) / 2) - gammaln(nu / 2) - 0.5 * d * np.log(nu * np.pi)
        out = []
        for weight, mean, factor in zip(self.weights, self.means, self.factors, strict=True):
            z = solve_triangular(factor, (x - mean).T, lower=True)
            tail = 0.5 * (nu + d) * np.log1p(np.sum(z**2, axis=0) / nu)
            log_det = np.sum(np.log(np.diag(factor)))
            out.append(np.log(weight) + constant - log_det - tail)
        out.append(np.log(DEFENSIVE) - d * LOG_SQRT_2PI - 0.5 * np.sum(x**2, axis=1))
        return np.stack(out)

    def log_density(self, x: Array) -> Array:
        """Log density, shape (N,)."""
        from scipy.special import logsumexp

        return np.asarray(logsumexp(self.component_log_density(x), axis=0))

    def refitted(self, x: Array, weights: Array) -> Mixture:
        """One step of weighted EM towards the target of the weights.

        Parameters
        ----------
        x : ndarray, shape (N, d)
            Draws.
        weights : ndarray, shape (N,)
            Their normalised importance weights.

        Returns
        -------
        Mixture
            The refitted mixture; components that lost their mass are dropped.
        """
        from scipy.linalg import solve_triangular

        d, nu = x.shape[1], DEGREES_OF_FREEDOM
        logs = self.component_log_density(x)
        share = np.exp(logs - np.max(logs, axis=0))
        share /= np.sum(share, axis=0)
        new_weights, new_means, new_factors = [], [], []
        for k, (mean, factor) in enumerate(zip(self.means, self.factors, strict=True)):
            z = solve_triangular(factor, (x - mean).T, lower=True)
            robust = (nu + d) / (nu + np.sum(z**2, axis=0))
            mass = weights * share[k]
            total = float(np.sum(mass))
            # Too few draws for d + 1 degrees of freedom: the component is noise.
            if total < 1e-3 or total**2 / np.sum(mass**2) < 2 * (d + 1):
                continue
            scaled = mass * robust
            centre = scaled @ x / np.sum(scaled)
            apart = x - centre
            scale = (scaled[:, None] * apart).T @ apart / total
            new_weights.append(total)
            new_means.append(centre)
            new_factors.append(safe_cholesky(scale))
        if not new_weights:
            return self
        kept = np.array(new_weights)
        return Mixture(
            (1.0 - DEFENSIVE) * kept / kept.sum(), np.stack(new_means), np.stack(new_factors)
        )


@dataclass(frozen=True, slots=True)
class Weighted:
    """Weighted draws of the target.

    Attributes
    ----------
    x : ndarray, shape (N, d)
        Draws.
    log_weights : ndarray, shape (N,)
        Log importance weights, not normalised.
    """

    x: Array
    log_weights: Array

    @property
    def weights(self) -> Array:
        """Normalised weights, shape (N,)."""
        w = np.exp(self.log_weights - np.max(self.log_weights))
        return np.asarray(w / np.sum(w))

    @property
    def effective_size(self) -> float:
        """Kish's effective sample size 1 / sum w²."""
        return float(1.0 / np.sum(self.weights**2))


def safe_cholesky(scale: Array) -> Array:
    """Cholesky factor of a covariance, its standard deviations kept in [0.02, 2]."""
    values, vectors = np.linalg.eigh((scale + scale.T) / 2.0)
    values = np.clip(values, 0.02**2, 4.0)
    return np.linalg.cholesky((vectors * values) @ vectors.T)


def sample(
    log_target: Callable[[Array], Array],
    start: Mixture,
    *,
    adapt: tuple[int, ...],
    count: int,
    rng: np.random.Generator,
) -> Weighted:
    """Adapt the mixture, then draw from it.

    Parameters
    ----------
    log_target : callable
        Log density of the target, not normalised, from (N, d) to (N,).
    start : Mixture
        First proposal.
    adapt : tuple of int
        Draws in each adaptation round.
    count : int
        Draws kept.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    Weighted
        Draws from the last mixture only, with their weights.
    """
    mixture = start
    for size in adapt:
        drawn = _weighted(log_target, mixture, size, rng)
        # Flattened weights at the start, so that no single draw rules the refit.
        power = min(1.0, drawn.effective_size / (0.1 * size))
        tempered = Weighted(drawn.x, drawn.log_weights * max(power, 0.2))
        for _ in range(3):
            mixture = mixture.refitted(drawn.x, tempered.weights)
    return _weighted(log_target, mixture, count, rng)


def _weighted(
    log_target: Callable[[Array], Array], mixture: Mixture, size: int, rng: np.random.Generator
) -> Weighted:
    x = mixture.draw(size, rng)
    logs = log_target(x) - mixture.log_density(x)
    return Weighted(x, np.where(np.isnan(logs), -np.inf, logs))
