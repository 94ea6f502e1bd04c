"""Student's t as a scale mixture of normals: the weight of each row.

A t of nu degrees of freedom and squared scale s² is a normal of variance s²/w with
w ~ Gamma(nu/2, rate nu/2). Given the row's residual e the weight is
Gamma((nu + 1)/2, rate (nu + e²/s²)/2), of mean (nu + 1)/(nu + e²/s²); that of an outlier is
near zero (K. L. Lange, R. J. A. Little & J. M. G. Taylor, J. Am. Stat. Assoc. 84 (1989) 881-896).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.inference.censoring import readings_of
from thermcmp.inference.checks.residuals import fitted_rise, mixed_scale
from thermcmp.model.observation import DEGREES, Residuals

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Least weight that is drawn; it bounds the variance of a row.
LEAST_WEIGHT: Final = 1e-12
#: Least tail probability of a reading beyond the limit; it keeps the draw finite.
LEAST_TAIL: Final = 1e-300


def mixed_rows(fit: Fit) -> BoolArray:
    """Return which rows have run-to-run scatter under Student's t, shape (n,)."""
    is_student = fit.design.residuals is Residuals.STUDENT
    return np.asarray((fit.design.run_scatter > 0) & is_student)


def drawn_weights(
    fit: Fit, chosen: IntArray, mean: Array, rng: np.random.Generator
) -> Array | None:
    """Return a draw of each row's weight given its reading and fitted mean, shape (B, n).

    For a reading at the limit or within a step, the exact value is drawn first, from the
    truncated Student's t.
    """
    from scipy.special import stdtr, stdtrit

    mixed = mixed_rows(fit)
    if not mixed.any():
        return None
    # A possible deviation of each reading in scales, up to its sign.
    design, readings = fit.design, readings_of(fit.design)
    degrees, scale = fit.draws(DEGREES)[chosen, None], np.sqrt(mixed_scale(fit, chosen))
    z = (design.rise_k - mean) / scale
    limit, step = readings.limit, readings.step
    if len(limit):
        beyond = stdtr(degrees, (mean[:, limit] - readings.bound[limit]) / scale[:, limit])
        share = rng.uniform(size=beyond.shape)
        z[:, limit] = stdtrit(degrees, np.maximum(share * beyond, LEAST_TAIL))
    if len(step):
        # By symmetry the deviation lies in the lower tail, which keeps its digits.
        middle, half = -np.abs(z[:, step]), 0.5 * design.step_k[step] / scale[:, step]
        low, high = stdtr(degrees, middle - half), stdtr(degrees, middle + half)
        share = low + rng.uniform(size=low.shape) * (high - low)
        z[:, step] = stdtrit(degrees, np.maximum(share, LEAST_TAIL))
    drawn = rng.gamma(np.broadcast_to(0.5 * (degrees + 1.0), z.shape)) / (0.5 * (degrees + z**2))
    return np.where(mixed, np.maximum(drawn, LEAST_WEIGHT), 1.0)


def new_weights(fit: Fit, chosen: IntArray, rng: np.random.Generator) -> Array | None:
    """Return weights of new readings, shape (B, n); as `drawn_weights`."""
    mixed = mixed_rows(fit)
    if not mixed.any():
        return None
    return fresh_weights(fit.draws(DEGREES)[chosen], mixed, rng)


def fresh_weights(degrees: Array, mixed: BoolArray, rng: np.random.Generator) -> Array:
    """Return weights from their prior, shape (B, n), at degrees of freedom of shape (B,)."""
    half = np.broadcast_to(0.5 * degrees[:, None], (len(degrees), len(mixed)))
    return np.where(mixed, np.maximum(rng.gamma(half) / half, LEAST_WEIGHT), 1.0)


def mean_weights(fit: Fit, draws: int) -> tuple[Array, Array]:
    """Return the mean weight and the mean residual [K] of each row, shape (n,)."""
    known, step = mixed_rows(fit) & ~fit.design.at_limit, readings_of(fit.design).step
    weight = off = np.zeros(len(known))
    rng = np.random.default_rng(0)
    chosen = fit.thinned(draws)
    for part, mean in fitted_rise(fit, chosen):
        rest = fit.design.rise_k - mean
        off = off + np.sum(rest, axis=0)
        if known.any():
            degrees = fit.draws(DEGREES)[part, None]
            z2 = rest**2 / mixed_scale(fit, part)
            expected = (degrees + 1.0) / (degrees + z2)
            drawn = drawn_weights(fit, part, mean, rng) if len(step) else None
            if drawn is not None:
                expected[:, step] = drawn[:, step]
            weight = weight + np.sum(expected, axis=0)
    return np.where(known, weight / len(chosen), 1.0), off / len(chosen)
