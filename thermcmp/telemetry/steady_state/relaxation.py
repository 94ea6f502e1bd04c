"""The end of a soak by one to three exponentials, averaged over the models.

A cooler's rise ends with its slowest parts: fins and base follow within minutes, a back
plate or the air around a card takes longer, and a case or a room longer still. A single
exponential takes such a slow part for noise and stops short, and a single slow part takes two
for one between them. So models with none, one and two are fitted and averaged by their
posterior probability, and a slow part that noise may hide widens the error.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np

from thermcmp._types import Array
from thermcmp.telemetry.steady_state.autocorrelation import effective_size
from thermcmp.telemetry.steady_state.first_order import FirstOrderRise

#: Prior time constants of slow parts [s], and the spread of their logarithm around these:
#: 250 to 1,000 s (common practice, no source).
SLOW_S: Final = (350.0, 700.0, 2_000.0)
SLOW_SPREAD: Final = 0.35
#: Shortest time constant of what is called a creep [s].
CREEP_S: Final = 1_400.0
#: A slow part carries about this share of the rise (common practice, no source).
SLOW_SHARE: Final = 0.1
#: Prior probability of a slow part, of each, of the first and the last together, which go one
#: way, of such a pair of which the last goes back, and of a creep.
_SLOW_ODDS: Final = 0.5
_EACH_ODDS: Final = (0.2, 0.2, 0.05)
_BOTH_ODDS: Final = 0.05
_BACK_ODDS: Final = 0.02
CREEP_ODDS: Final = _EACH_ODDS[-1] + _BOTH_ODDS + _BACK_ODDS
#: Prior probability of a creep where several runs show it.
KNOWN_ODDS: Final = 0.9
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
#: Models: without a slow part, with each, with the first and the slowest, the same with the
#: slowest back, and a straight line; those with the slowest, a creep.
_CREEPS: Final = (3, 4, 5)
_BOTH: Final = 4
_BACK: Final = 5
#: Probability of what is not looked for.
_NEVER: Final = 1e-300
#: A creep that goes back counts from this probability on: below, it would widen all errors.
_BACK_SHOWS: Final = 0.9
#: The end of a creep is mostly a guess: this share of what it lacks is error (a choice, from
#: simulated creeps of 1,500 to 4,000 s).
_GUESSED: Final = 0.7
#: Approaches sampled of each model, and degrees of freedom of their proposal.
_SAMPLES: Final = 48
_FREEDOM: Final = 5.0
#: Times from which a smooth approach is interpolated.
_FEW: Final = 49
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
    lacking_error_k: float  #: standard error of the mean rise still missing in the window [K]
    remaining_k: float  #: rise still missing at the last reading [K]
    #: Time constant of the faster part in the likeliest model, and of the slow part in the
    #: likeliest model with one [s].
    time_constant_s: float
    slow_s: float
    slow_odds: float  #: posterior probability of a slow part
    #: How much of the mean missing rise models with a slow part add, and that of creeps [K].
    slow_k: float
    creep_k: float
    #: Parameters of the averaged approaches, shape (approaches, 7), their probabilities, and the
    #: time of the first reading [s].
    theta: Array
    weights: Array
    start_s: float
    creep_odds: float = 0.0  #: posterior probability of a creep
    ramp_odds: float = 0.0  #: posterior probability of a straight line instead of an end

    def lacking_at(self, time_s: Array) -> Array:
        """Return the rise still missing at times [K], shape (n,); before the fit as it begins."""
        from scipy.interpolate import CubicSpline

        # Some hundred approaches at each of many readings are as smooth as at a few.
        x = np.maximum(time_s - self.start_s, 0.0)
        few = np.linspace(x[0], x[-1], _FEW) if len(x) > _FEW else x
        amplitudes = self.weights[:, None] * self.theta[:, 1::2]
        lacking = np.tensordot(amplitudes, _decays(self.theta, few), axes=2)
        return lacking if few is x else np.asarray(CubicSpline(few, lacking)(x))

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
    creep: float = CREEP_ODDS,
) -> Relaxation:
    """Fit the end of a soak, and continue it over the times of a window.

    `creep` is the prior probability of a creep.

    References
    ----------
    Averages over models by their probability: R. E. Kass and A. E. Raftery, J. Am. Stat. Assoc.
    90 (1995) 773-795. All but the time constants is linear and integrated exactly, these by
    importance sampling around their likeliest values: J. Geweke, Econometrica 57 (1989)
    1317-1339. The noise counts as often as its autocorrelation requires, at the size of the
    best fit's residuals.
    """
    x, start_s = time_s - time_s[0], float(time_s[0])
    prior = _prior(reach_k, start_s, time_constant_s)
    theta = prior[0].copy()
    theta[:, 0], theta[:, 1] = rise_k[-1], rise_k[-1] - rise_k[0]
    if start is not None:
        left_k = start.final_k - float(start.at(start_s))
        theta[:, :3] = start.final_k, left_k, np.log(start.time_constant_s)
    theta[:, 3::2] = 0.3 / np.sqrt(prior[1][:, 3::2])
    noise = max(float(np.mean(np.diff(rise_k) ** 2)) / 2.0, _LEAST_K**2)
    theta, left, inverse = _search(theta, prior, x, rise_k, noise, _NEAR)
    squares = np.einsum("ki,ki->k", left, left)
    best = left[int(np.argmin(squares))]
    freedom = max(len(x) - 4, 1) / len(x) * effective_size(best)
    noise = max(float(best @ best) / freedom, _LEAST_K**2)
    theta, left, inverse = _search(theta, prior, x, rise_k, noise, _SETTLED)
    laplace = np.asarray(np.linalg.inv(inverse), dtype=np.float64)
    samples, covariance, logs = _sampled(theta, laplace, prior, x, rise_k, noise)
    odds = np.array([1.0 - _SLOW_ODDS, *_EACH_ODDS, _BOTH_ODDS, _BACK_ODDS, _RAMP_ODDS])
    odds[list(_CREEPS)] *= creep / CREEP_ODDS
    odds[: _CREEPS[0]] *= (1.0 - creep) / (1.0 - CREEP_ODDS)
    logs += np.log(np.maximum(odds, _NEVER))[:, None]
    # A straight line has no end: it is reported, but not part of the averages.
    ramp_odds = float(_shares(logs)[-1].sum())
    weights = _shares(logs[:-1])
    each = weights.sum(axis=1)
    if each[_BACK] <= _BACK_SHOWS and creep < KNOWN_ODDS:
        logs[_BACK] = -np.inf
        weights = _shares(logs[:-1])
    creep_odds = float(each[list(_CREEPS)].sum())
    found = _averaged(samples[:-1], covariance[:-1], weights, window_s, start_s)
    return replace(found, creep_odds=creep_odds, ramp_odds=ramp_odds)


def _prior(reach_k: float, start_s: float, time_constant_s: float) -> tuple[Array, Array]:
    """Return prior means and precisions of the parameters, shapes (models, 7).

    Final rise, and of the faster part, a slow part and a creep what each lacks at the start and
    the logarithm of its time constant.
    """
    first, second, creep = SLOW_S
    slow = np.array([first, first, second, first, first, first, _RAMP_S])
    creeps = np.full(len(slow), creep)
    means, spreads = np.zeros((len(slow), 7)), np.full((len(slow), 7), np.inf)
    means[:, 2::2] = np.log(np.column_stack([np.full(len(slow), time_constant_s), slow, creeps]))
    spreads[:, 1], spreads[:, 2] = _FAST_SHARE * reach_k, _FAST_SPREAD
    # The rest of a slow part when the fit begins.
    rest = SLOW_SHARE * reach_k * np.exp(-start_s / np.array([slow, creeps]))
    spreads[:, 3::2], spreads[:, 4::2] = rest.T, SLOW_SPREAD
    spreads[[0, 3], 3], spreads[-1, 3] = _NONE_K, _RAMP_SHARE * reach_k
    spreads[[0, 1, 2, -1], 5] = _NONE_K
    return means, spreads**-2.0


def _search(
    theta: Array, prior: tuple[Array, Array], x: Array, y: Array, noise: float, settled: float
) -> tuple[Array, Array, Array]:
    """Return parameters, residuals and inverse covariances at the modes of all models."""
    means, precisions = prior
    diagonal = np.arange(theta.shape[1])
    for _ in range(_STEPS):
        left, slopes = _model(theta, x, y)
        inverse = np.matmul(slopes, slopes.transpose(0, 2, 1)) / noise
        inverse[:, diagonal, diagonal] += precisions
        pull = np.matmul(slopes, left[:, :, None])[:, :, 0] / noise - precisions * (theta - means)
        step = np.linalg.solve(inverse, pull[:, :, None])[:, :, 0]
        # A step too long for the curvature is shortened as a whole.
        longest = np.abs(step[:, 2::2]).max(axis=1, keepdims=True)
        theta = theta + step * np.minimum(1.0, _LONGEST_STEP / np.maximum(longest, 1e-12))
        if longest.max() < settled:
            break
    return theta, _model(theta, x, y)[0], inverse


def _sampled(
    modes: Array, laplace: Array, prior: tuple[Array, Array], x: Array, y: Array, noise: float
) -> tuple[Array, Array, Array]:
    """Return parameters, covariances and logarithms of probabilities of each model's approaches.

    Shapes (models, approaches, 7), (models, approaches, 4, 4) and (models, approaches). The
    covariances are those of the final rise and of what each part lacks at the start.
    """
    from scipy.special import log_ndtr

    means, precisions = prior
    steps = _proposal()
    spread = np.linalg.cholesky(laplace[:, 2::2, 2::2])
    places = modes[:, None, 2::2] + np.einsum("kij,sj->ksi", spread, steps)
    theta = np.empty((*places.shape[:2], modes.shape[1]))
    theta[..., 2::2] = places
    columns = np.ones((*places.shape[:2], 4, len(x)))
    columns[..., 1:, :] = -_decays(theta, x)
    inverse = columns @ columns.swapaxes(-1, -2) / noise
    linear = [0, 1, 3, 5]
    inverse[..., range(4), range(4)] += precisions[:, None, linear]
    covariance = np.asarray(np.linalg.inv(inverse))
    pull = columns @ (y - y[-1]) / noise
    found = np.einsum("ksij,ksj->ksi", covariance, pull)
    theta[..., linear] = found + np.array([y[-1], 0.0, 0.0, 0.0])
    away = np.sum(precisions[:, None, 2::2] * (places - means[:, None, 2::2]) ** 2, axis=-1)
    logs = np.sum(pull * found, axis=-1) - np.linalg.slogdet(inverse)[1] - away
    logs = (logs + np.sum(np.log(precisions[:, 1:]), axis=1)[:, None]) / 2.0
    # Over the density of the proposal, Student's distribution around the mode.
    far = 1.0 + np.sum(steps**2, axis=-1) / _FREEDOM
    logs += (_FREEDOM + 3.0) / 2.0 * np.log(far)
    logs += np.sum(np.log(np.diagonal(spread, axis1=1, axis2=2)), axis=1)[:, None]
    # Both slow parts go one way, or the creep goes back.
    both = [_BOTH, _BACK]
    sure = found[both, :, 2:] / np.sqrt(np.diagonal(covariance[both], axis1=2, axis2=3)[..., 2:])
    sure[1, :, 1] *= -1.0
    logs[both] += np.logaddexp(*(log_ndtr(way * sure).sum(axis=2) for way in (1.0, -1.0)))
    logs[both] += np.log(2.0)
    return theta, covariance, logs


@lru_cache(maxsize=1)
def _proposal() -> Array:
    """Return steps of three time constants from their mode, evenly spread, of Student's t."""
    from scipy.special import chdtri, ndtri
    from scipy.stats import qmc

    places = qmc.Halton(4, scramble=False).random(_SAMPLES + 1)[1:]
    stretch = np.sqrt(_FREEDOM / chdtri(_FREEDOM, places[:, 3:]))
    return np.asarray(ndtri(places[:, :3]) * stretch)


def _decays(theta: Array, x: Array) -> Array:
    """Return what is left of each part, shape (..., 3, m)."""
    return np.asarray(np.exp(-x / np.exp(theta[..., 2::2, None])))


def _model(theta: Array, x: Array, y: Array) -> tuple[Array, Array]:
    """Return residuals, shape (models, m), and slopes, shape (models, 7, m)."""
    slopes = np.empty((*theta.shape, len(x)))
    slopes[:, 0] = 1.0
    slopes[:, 1::2] = -_decays(theta, x)
    slopes[:, 2::2] = theta[:, 1::2, None] * slopes[:, 1::2] * x / np.exp(theta[:, 2::2, None])
    fitted = theta[:, :1] + np.einsum("kp,kpm->km", theta[:, 1::2], slopes[:, 1::2])
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
) -> Relaxation:
    """Return the end of the soak, averaged over the models and their approaches."""
    few = window_s[:: max(len(window_s) // _FEW, 1)] - start_s
    decays = _decays(theta, few).mean(axis=-1)
    parts = theta[..., 1::2] * decays
    means = parts.sum(axis=-1)
    mean, final = float(np.sum(weights * means)), float(np.sum(weights * theta[..., 0]))
    guessed = (_GUESSED * parts[..., 2]) ** 2
    variances = np.einsum("ksi,ksij,ksj->ks", decays, covariance[..., 1:, 1:], decays) + guessed
    finals = covariance[..., 0, 0] + guessed
    each = weights.sum(axis=1)
    inside = weights / np.maximum(each, 1e-300)[:, None]
    constants_s = np.exp(np.einsum("ks,ksi->ki", inside, theta[..., 2::2]))
    slow = 1 + int(np.argmax(each[1:]))
    slower = 1 + int(np.argmax(np.abs(inside[slow] @ parts[slow, :, 1:])))
    lasting = theta[..., 1::2] * _decays(theta, window_s[-1:] - start_s)[..., 0]
    return Relaxation(
        final_k=final,
        final_error_k=float(np.sqrt(np.sum(weights * (finals + (theta[..., 0] - final) ** 2)))),
        lacking_error_k=float(np.sqrt(np.sum(weights * (variances + (means - mean) ** 2)))),
        remaining_k=float(np.sum(weights * lasting.sum(axis=-1))),
        time_constant_s=float(constants_s[int(np.argmax(each)), 0]),
        slow_s=float(constants_s[slow, slower]),
        slow_odds=float(1.0 - each[0]),
        slow_k=mean - float(inside[0] @ means[0]),
        creep_k=float(np.sum(weights * parts[..., 2])),
        theta=theta.reshape(-1, theta.shape[-1]),
        weights=weights.ravel(),
        start_s=start_s,
    )
