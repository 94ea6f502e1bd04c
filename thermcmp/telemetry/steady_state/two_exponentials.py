"""The end of a soak by one or two exponentials, averaged over the models.

A cooler's rise ends with its slowest parts: fins and base follow within minutes, a back
plate or the air around a card takes longer. A single exponential takes such a slow part for
noise and stops short. So models with and without a slow part are fitted and averaged by
their posterior probability, and a slow part that noise may hide widens the error.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from thermcmp._types import Array
from thermcmp.telemetry.steady_state.autocorrelation import effective_size
from thermcmp.telemetry.steady_state.first_order import FirstOrderRise

#: Prior time constants of slow parts [s], and the spread of their logarithm around these:
#: 250 to 1,000 s (common practice, no source).
SLOW_S: Final = (350.0, 700.0, 2_000.0)
SLOW_SPREAD: Final = 0.35
#: A slow part carries about this share of the rise (common practice, no source).
SLOW_SHARE: Final = 0.1
#: Prior probability of a slow part, and of each.
_SLOW_ODDS: Final = 0.5
_EACH_ODDS: Final = (0.2, 0.2, 0.1)
#: A rise in a straight line shows no end: time constant of such a part [s], largest share of
#: the rise, and prior probability.
_RAMP_S: Final = 5_000.0
_RAMP_SHARE: Final = 0.5
_RAMP_ODDS: Final = 0.05
#: Prior share of the rise that the faster part still lacks when the fit begins, and prior
#: spread of the logarithm of its time constant around that of earlier readings.
_FAST_SHARE: Final = 0.2
_FAST_SPREAD: Final = 1.0
#: Prior standard deviation of an absent slow part [K].
_NONE_K: Final = 1e-6
#: Least noise of an averaged reading [K].
_LEAST_K: Final = 1e-4
_STEPS: Final = 12
#: Largest change of a logarithm in one step, and the change that ends the search.
_LONGEST_STEP: Final = 0.5
_SETTLED: Final = 1e-4
#: The change that ends the first search, for the noise.
_NEAR: Final = 0.02


@dataclass(frozen=True, slots=True)
class Relaxation:
    """The fitted end of a soak."""

    #: Final rise and its standard error [K].
    final_k: float
    final_error_k: float
    lacking_k: Array  #: rise still missing at each reading of the window [K], shape (n,)
    lacking_error_k: float  #: standard error of the mean of that [K]
    remaining_k: float  #: rise still missing at the last reading [K]
    #: Time constant of the faster part in the likeliest model, and of the slow part in the
    #: likeliest model with one [s].
    time_constant_s: float
    slow_s: float
    #: Posterior probability of a slow part, and of a rise in a straight line instead.
    slow_odds: float
    ramp_odds: float
    #: How much of the mean missing rise models with a slow part add [K].
    slow_k: float
    #: Parameters and probabilities of the averaged models, and the time of the first reading [s].
    theta: Array
    weights: Array
    start_s: float

    def lacking_at(self, time_s: Array) -> Array:
        """Return the rise still missing at any time [K], shape (n,)."""
        left = _model(self.theta, time_s - self.start_s, np.zeros_like(time_s))[0]
        return np.asarray(self.weights @ (left + self.theta[:, :1]))

    @property
    def approach(self) -> str:
        """The approach in words, with its time constants [s]."""
        if self.slow_odds <= _SLOW_ODDS:
            return f"a first-order rise with a time constant of {self.time_constant_s:.0f} s"
        return f"a rise with time constants of {self.time_constant_s:.0f} and {self.slow_s:.0f} s"


def fit_relaxation(
    time_s: Array,
    rise_k: Array,
    window_s: Array,
    time_constant_s: float,
    reach_k: float,
    start: FirstOrderRise | None = None,
    *,
    creep: bool = True,
) -> Relaxation:
    """Fit the end of a soak, and continue it over the times of a window.

    `creep` is whether the slowest part may be in it.

    References
    ----------
    Laplace's approximation to the probability of a model, and averages over models:
    R. E. Kass and A. E. Raftery, J. Am. Stat. Assoc. 90 (1995) 773-795. The noise counts
    as often as its autocorrelation requires, at the size of the best fit's residuals.
    """
    x, start_s = time_s - time_s[0], float(time_s[0])
    prior = _prior(reach_k, start_s, time_constant_s)
    theta = prior[0].copy()
    theta[:, 0], theta[:, 1] = rise_k[-1], rise_k[-1] - rise_k[0]
    if start is not None:
        left_k = start.final_k - float(start.at(start_s))
        theta[:, :3] = start.final_k, left_k, np.log(start.time_constant_s)
    theta[1:, 3] = 0.3 / np.sqrt(prior[1][1:, 3])
    noise = max(float(np.mean(np.diff(rise_k) ** 2)) / 2.0, _LEAST_K**2)
    theta, left, inverse = _search(theta, prior, x, rise_k, noise, _NEAR)
    squares = np.einsum("ki,ki->k", left, left)
    best = left[int(np.argmin(squares))]
    freedom = max(len(x) - 4, 1) / len(x) * effective_size(best)
    noise = max(float(best @ best) / freedom, _LEAST_K**2)
    theta, left, inverse = _search(theta, prior, x, rise_k, noise, _SETTLED)
    covariance = np.asarray(np.linalg.inv(inverse), dtype=np.float64)
    means, precisions = prior
    misfit = np.einsum("ki,ki->k", left, left) / noise
    away = np.sum(precisions * (theta - means) ** 2, axis=1)
    # The final rise has the same flat prior in all models.
    spreads = np.sum(np.log(precisions[:, 1:]), axis=1) - np.linalg.slogdet(inverse)[1]
    odds = np.log([1.0 - _SLOW_ODDS, *_EACH_ODDS, _RAMP_ODDS])
    logs = np.asarray((spreads - misfit - away) / 2.0 + odds)
    if not creep:
        logs[-2] = -np.inf
    # A straight line has no end: it is reported, but not part of the averages.
    ends, ramp_odds = _shares(logs[:-1]), float(_shares(logs)[-1])
    return _averaged(theta[:-1], covariance[:-1], ends, window_s, start_s, ramp_odds)


def _prior(reach_k: float, start_s: float, time_constant_s: float) -> tuple[Array, Array]:
    """Return prior means and precisions of the parameters, shapes (models, 5).

    Final rise, what the faster part lacks at the start and the logarithm of its time
    constant, and the same two for the slow part.
    """
    slow = np.array([SLOW_S[0], *SLOW_S, _RAMP_S])
    models = len(slow)
    means, spreads = np.zeros((models, 5)), np.full((models, 5), np.inf)
    means[:, 2], means[:, 4] = np.log(time_constant_s), np.log(slow)
    spreads[:, 1], spreads[:, 2] = _FAST_SHARE * reach_k, _FAST_SPREAD
    # The rest of the slow part when the fit begins.
    spreads[:, 3] = SLOW_SHARE * reach_k * np.exp(-start_s / slow)
    spreads[0, 3], spreads[-1, 3] = _NONE_K, _RAMP_SHARE * reach_k
    spreads[:, 4] = SLOW_SPREAD
    return means, spreads**-2.0


def _search(
    theta: Array, prior: tuple[Array, Array], x: Array, y: Array, noise: float, settled: float
) -> tuple[Array, Array, Array]:
    """Return parameters, residuals and inverse covariances at the modes of all models."""
    means, precisions = prior
    diagonal = np.arange(5)
    for _ in range(_STEPS):
        left, slopes = _model(theta, x, y)
        inverse = np.matmul(slopes, slopes.transpose(0, 2, 1)) / noise
        inverse[:, diagonal, diagonal] += precisions
        pull = np.matmul(slopes, left[:, :, None])[:, :, 0] / noise - precisions * (theta - means)
        step = np.linalg.solve(inverse, pull[:, :, None])[:, :, 0]
        # A step too long for the curvature is shortened as a whole.
        longest = np.abs(step[:, [2, 4]]).max(axis=1, keepdims=True)
        theta = theta + step * np.minimum(1.0, _LONGEST_STEP / np.maximum(longest, 1e-12))
        if longest.max() < settled:
            break
    return theta, _model(theta, x, y)[0], inverse


def _model(theta: Array, x: Array, y: Array) -> tuple[Array, Array]:
    """Return residuals, shape (models, m), and slopes, shape (models, 5, m)."""
    fast, slow = x / np.exp(theta[:, 2:3]), x / np.exp(theta[:, 4:5])
    slopes = np.empty((len(theta), 5, len(x)))
    slopes[:, 0] = 1.0
    slopes[:, 1], slopes[:, 3] = -np.exp(-fast), -np.exp(-slow)
    slopes[:, 2] = theta[:, 1:2] * slopes[:, 1] * fast
    slopes[:, 4] = theta[:, 3:4] * slopes[:, 3] * slow
    fitted = theta[:, :1] + theta[:, 1:2] * slopes[:, 1] + theta[:, 3:4] * slopes[:, 3]
    return y - fitted, slopes


def _shares(logs: Array) -> Array:
    """Return normalised probabilities of their logarithms."""
    shares = np.exp(logs - logs.max())
    return np.asarray(shares / shares.sum())


def _averaged(
    theta: Array,
    covariance: Array,
    weights: Array,
    window_s: Array,
    start_s: float,
    ramp_odds: float,
) -> Relaxation:
    """Return the end of the soak, averaged over the models."""
    none = np.zeros_like(window_s)
    left, slopes = _model(theta, window_s - start_s, none)
    lacking = left + theta[:, :1]
    slopes = -slopes.mean(axis=2)
    slopes[:, 0] = 0.0
    means = lacking.mean(axis=1)
    mean = float(weights @ means)
    variances = np.einsum("ki,kij,kj->k", slopes, covariance, slopes)
    final = float(weights @ theta[:, 0])
    finals = covariance[:, 0, 0] + (theta[:, 0] - final) ** 2
    return Relaxation(
        final_k=final,
        final_error_k=float(np.sqrt(weights @ finals)),
        lacking_k=weights @ lacking,
        lacking_error_k=float(np.sqrt(weights @ (variances + (means - mean) ** 2))),
        remaining_k=float(weights @ lacking[:, -1]),
        time_constant_s=float(np.exp(theta[int(np.argmax(weights)), 2])),
        slow_s=float(np.exp(theta[1 + int(np.argmax(weights[1:])), 4])),
        slow_odds=float(1.0 - weights[0]),
        ramp_odds=ramp_odds,
        slow_k=float(mean - means[0]),
        theta=theta,
        weights=weights,
        start_s=start_s,
    )
