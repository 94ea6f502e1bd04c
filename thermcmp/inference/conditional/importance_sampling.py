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

from thermcmp._types import Array
from thermcmp.inference.arviz_adapter import pareto_k
from thermcmp.inference.conditional.shared_spreads import SharedSpread
from thermcmp.inference.conditional.sinh_arcsinh import Warp, fit_warp
from thermcmp.model.priors import LOG_SQRT_2PI

DEGREES_OF_FREEDOM: Final = 20.0
#: Components placed after the first round.
COMPONENTS: Final = 2
#: Spread of the initial components; the rest of the total spread is their width.
SPREAD: Final = 0.5
#: Most rounds of adaptation before the final draws.
MOST_ROUNDS: Final = 6
#: Effective share of a round's draws at which the adaptation is sufficient.
WELL: Final = 0.35
#: Least effective share of the kept draws, and the largest Pareto k, …
ENOUGH: Final = 0.2
LARGEST_K: Final = 0.6
#: … else the adaptation continues for at most this many rounds of the kept size.
EXTRA_ROUNDS: Final = 3
#: Bounds of a component's standard deviations, in units of the priors'.
NARROWEST: Final = 1e-4
WIDEST: Final = 2.0
#: Steps of expectation-maximisation in each round.
EM_STEPS: Final = 4
#: Share of the draws kept for the prior component.
DEFENSIVE: Final = 0.05


@dataclass(frozen=True, slots=True)
class Mixture:
    """Mixture of C Student-t components in d dimensions, plus a standard normal."""

    weights: Array  #: sum to 1 - DEFENSIVE, shape (C,)
    means: Array  #: shape (C, d)
    factors: Array  #: lower Cholesky factors of the scale matrices, shape (C, d, d)
    #: Map from the target's coordinates to those of the components, except the prior's.
    warp: Warp

    def draw(self, count: int, rng: np.random.Generator) -> Array:
        """Return draws of shape (count, d), components in fixed proportions."""
        d = self.means.shape[1]
        shares = np.append(self.weights, DEFENSIVE)
        edges = np.round(np.cumsum(shares / shares.sum()) * count).astype(int)
        counts = np.diff(np.concatenate([[0], edges]))
        out = []
        for mean, factor, size in zip(self.means, self.factors, counts[:-1], strict=True):
            mixing = rng.chisquare(DEGREES_OF_FREEDOM, size) / DEGREES_OF_FREEDOM
            z = rng.standard_normal((size, d)) / np.sqrt(mixing)[:, None]
            out.append(self.warp.inverse(mean + z @ factor.T))
        out.append(rng.standard_normal((counts[-1], d)))
        return np.concatenate(out)

    def component_log_density(self, x: Array) -> Array:
        """Return the weighted log density of each component and of the prior, shape (C + 1, N)."""
        from scipy.linalg import solve_triangular
        from scipy.special import gammaln

        d, nu = x.shape[1], DEGREES_OF_FREEDOM
        constant = gammaln((nu + d) / 2) - gammaln(nu / 2) - 0.5 * d * np.log(nu * np.pi)
        y, slope = self.warp.forward(x)
        out = []
        for weight, mean, factor in zip(self.weights, self.means, self.factors, strict=True):
            z = solve_triangular(factor, (y - mean).T, lower=True)
            tail = 0.5 * (nu + d) * np.log1p(np.sum(z**2, axis=0) / nu)
            log_det = np.sum(np.log(np.diag(factor)))
            out.append(np.log(weight) + constant - log_det - tail + slope)
        out.append(np.log(DEFENSIVE) - d * LOG_SQRT_2PI - 0.5 * np.sum(x**2, axis=1))
        return np.stack(out)

    def log_density(self, x: Array) -> Array:
        """Return the log density, shape (N,)."""
        from scipy.special import logsumexp

        return np.asarray(logsumexp(self.component_log_density(x), axis=0))

    def refitted(self, x: Array, weights: Array) -> Mixture:
        """Return the mixture after one step of EM on weighted draws (N, d)."""
        from scipy.linalg import solve_triangular

        d, nu = x.shape[1], DEGREES_OF_FREEDOM
        logs = self.component_log_density(x)
        share = np.exp(logs - np.max(logs, axis=0))
        share /= np.sum(share, axis=0)
        y, _ = self.warp.forward(x)
        new_weights, new_means, new_factors = [], [], []
        for k, (mean, factor) in enumerate(zip(self.means, self.factors, strict=True)):
            z = solve_triangular(factor, (y - mean).T, lower=True)
            robust = (nu + d) / (nu + np.sum(z**2, axis=0))
            mass = weights * share[k]
            total = float(np.sum(mass))
            # Too few draws for d + 1 degrees of freedom: the component is noise.
            if total < 1e-4 or total**2 / np.sum(mass**2) < 2 * (d + 1):
                continue
            scaled = mass * robust
            centre = scaled @ y / np.sum(scaled)
            apart = y - centre
            scale = (scaled[:, None] * apart).T @ apart / total
            new_weights.append(total)
            new_means.append(centre)
            new_factors.append(safe_cholesky(scale))
        if not new_weights:
            return self
        kept = np.array(new_weights)
        return Mixture(
            (1.0 - DEFENSIVE) * kept / kept.sum(),
            np.stack(new_means),
            np.stack(new_factors),
            self.warp,
        )


@dataclass(frozen=True, slots=True)
class Weighted:
    """Weighted draws of the target."""

    x: Array  #: shape (N, d)
    log_weights: Array  #: not normalised, shape (N,)

    @property
    def weights(self) -> Array:
        """Normalised weights, shape (N,)."""
        w = np.exp(self.log_weights - np.max(self.log_weights))
        return np.asarray(w / np.sum(w))

    def tempered(self, least: float) -> Array:
        """Return normalised weights, flattened until their effective size is at least `least`."""
        power = 1.0
        while power > 0.05:
            w = np.exp(power * (self.log_weights - np.max(self.log_weights)))
            w /= np.sum(w)
            if 1.0 / np.sum(w**2) >= least:
                return np.asarray(w)
            power *= 0.7
        return np.asarray(w)

    @property
    def effective_size(self) -> float:
        """Kish's effective sample size 1 / sum w²."""
        return float(1.0 / np.sum(self.weights**2))

    @property
    def is_adapted(self) -> bool:
        """Whether the proposal needs no further adaptation."""
        return self.effective_size >= WELL * len(self.x)

    @property
    def can_be_kept(self) -> bool:
        """Whether effective size and Pareto k are sufficient for the final draws."""
        enough = self.effective_size >= ENOUGH * len(self.x)
        return enough and pareto_k(self.log_weights) < LARGEST_K


def safe_cholesky(scale: Array) -> Array:
    """Return the Cholesky factor of a covariance, its axes kept within NARROWEST and WIDEST."""
    values, vectors = np.linalg.eigh((scale + scale.T) / 2.0)
    values = np.clip(values, NARROWEST**2, WIDEST**2)
    return np.linalg.cholesky((vectors * values) @ vectors.T)


@dataclass(frozen=True, slots=True)
class Effort:
    """Evaluations of the target to spend."""

    rounds: int  #: least rounds of adaptation
    size: int  #: draws in each
    count: int  #: final draws


def sample(
    log_target: Callable[[Array], Array],
    start: Mixture,
    effort: Effort,
    rng: np.random.Generator,
    shared: tuple[SharedSpread, ...] = (),
) -> Weighted:
    """Adapt the mixture to the target, then draw from it.

    Every round's draws are weighted against the mixture of all proposals so far
    (Cornuet, Marin, Mira & Robert, Scandinavian Journal of Statistics 39 (2012)
    798-812), so the adaptation uses every evaluation. In the first rounds the components are
    placed again over the weighted draws, so that a curved or bimodal target is covered.
    """
    from scipy.special import logsumexp

    past: list[tuple[int, Mixture]] = []
    x, target = np.zeros((0, start.means.shape[1])), np.zeros(0)
    mixture, is_adapted = start, False
    # Small rounds until adapted, then the final size, repeated if its weights are poor.
    while True:
        is_final = len(past) >= MOST_ROUNDS or (len(past) >= effort.rounds and is_adapted)
        size = effort.count if is_final else effort.size
        past.append((size, mixture))
        fresh = mixture.draw(size, rng)
        value = log_target(fresh)
        last = Weighted(fresh, _cleaned(value - mixture.log_density(fresh)))
        is_adapted = last.is_adapted
        if is_final and (last.can_be_kept or len(past) > MOST_ROUNDS + EXTRA_ROUNDS):
            return last
        x, target = np.concatenate([x, fresh]), np.concatenate([target, value])
        shares = [np.log(n / len(x)) + proposal.log_density(x) for n, proposal in past]
        pooled = Weighted(x, _cleaned(target - logsumexp(shares, axis=0)))
        weights = pooled.tempered(0.05 * len(x))
        if len(past) < effort.rounds or not is_adapted:
            mixture = placed_mixture(x, weights, rng, shared)
        for _ in range(EM_STEPS):
            mixture = mixture.refitted(x, weights)


def placed_mixture(
    x: Array, weights: Array, rng: np.random.Generator, shared: tuple[SharedSpread, ...] = ()
) -> Mixture:
    """Return a mixture centred on some of the weighted draws (N, d), warped to near normality."""
    warp = fit_warp(x, weights, shared)
    y, _ = warp.forward(x)
    mean = weights @ y
    scale = (weights[:, None] * (y - mean)).T @ (y - mean)
    centres = y[rng.choice(len(y), COMPONENTS, p=weights)]
    # A draw that outweighs all others reveals what the proposal missed, such as a second mode;
    # its neighbours show the width (Raftery & Bao, Biometrics 66 (2010) 1162-1173).
    heaviest = y[np.argmax(weights)]
    apart = y - heaviest
    distance = np.einsum("ni,ij,nj->n", apart, np.linalg.pinv(scale), apart)
    near = np.argsort(distance)[: max(2 * y.shape[1], len(y) // 20)]
    share = 0.5 * weights[near] / np.sum(weights[near]) + 0.5 / len(near)
    local = (share[:, None] * apart[near]).T @ apart[near]
    wide = safe_cholesky((1 - SPREAD**2) * scale)
    return Mixture(
        (1.0 - DEFENSIVE) * np.append(np.full(COMPONENTS, 0.9 / COMPONENTS), 0.1),
        np.vstack([mean + SPREAD * (centres - mean), heaviest]),
        np.concatenate([np.repeat(wide[None], COMPONENTS, axis=0), safe_cholesky(local)[None]]),
        warp,
    )


def _cleaned(log_weights: Array) -> Array:
    """Return log weights with undefined ones set to -inf."""
    return np.where(np.isnan(log_weights), -np.inf, log_weights)
