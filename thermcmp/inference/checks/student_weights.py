"""Student's t as a scale mixture of normals: the weight of each row.

A t of nu degrees of freedom and squared scale s² is a normal of variance s²/w with
w ~ Gamma(nu/2, rate nu/2). Given the row's residual e the weight is
Gamma((nu + 1)/2, rate (nu + e²/s²)/2), of mean (nu + 1)/(nu + e²/s²); a stray run's is near
zero (K. L. Lange, R. J. A. Little & J. M. G. Taylor, J. Am. Stat. Assoc. 84 (1989) 881-896).
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

#: Least weight that is drawn; below it a variance of such a row is without bounds.
LEAST_WEIGHT: Final = 1e-12
#: Least tail from which a reading beyond the limit is drawn, against infinity.
LEAST_TAIL: Final = 1e-300


def mixed_rows(fit: Fit) -> BoolArray:
    """Rows with run-to-run scatter under Student's t, shape (n,)."""
    is_student = fit.design.residuals is Residuals.STUDENT
    return np.asarray((fit.design.run_scatter > 0) & is_student)


def drawn_weights(
    fit: Fit, chosen: IntArray, mean: Array, rng: np.random.Generator
) -> Array | None:
    """A draw of each row's weight given its reading, the parameters and the effects.

    For a reading at the limit or within a step, what it may have been is drawn first, from
    Student's t cut to where it can be.

    Shapes: chosen (B,), mean (B, n). Returns (B, n).
    """
    mixed = mixed_rows(fit)
    if not mixed.any():
        return None
    degrees = fit.draws(DEGREES)[chosen, None]
    z = _possible_deviation(fit, chosen, mean, rng)
    drawn = rng.gamma(np.broadcast_to(0.5 * (degrees + 1.0), z.shape)) / (0.5 * (degrees + z**2))
    return np.where(mixed, np.maximum(drawn, LEAST_WEIGHT), 1.0)


def new_weights(fit: Fit, chosen: IntArray, rng: np.random.Generator) -> Array | None:
    """Weights of rows that have not been read; as `drawn_weights`."""
    mixed = mixed_rows(fit)
    if not mixed.any():
        return None
    return fresh_weights(fit.draws(DEGREES)[chosen], mixed, rng)


def fresh_weights(degrees: Array, mixed: BoolArray, rng: np.random.Generator) -> Array:
    """Weights from their law alone, shape (B, n), at degrees of freedom of shape (B,)."""
    half = np.broadcast_to(0.5 * degrees[:, None], (len(degrees), len(mixed)))
    return np.where(mixed, np.maximum(rng.gamma(half) / half, LEAST_WEIGHT), 1.0)


def mean_weights(fit: Fit, draws: int) -> tuple[Array, Array]:
    """How much of a row each row counts for, and how far it is off.

    Returns weight (n,), off (n,).
    """
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


def _possible_deviation(fit: Fit, chosen: IntArray, mean: Array, rng: np.random.Generator) -> Array:
    """What each reading may have been less its mean, in scales, up to its sign; shape (B, n)."""
    from scipy.special import stdtr, stdtrit

    design, readings = fit.design, readings_of(fit.design)
    degrees, scale = fit.draws(DEGREES)[chosen, None], np.sqrt(mixed_scale(fit, chosen))
    z = (design.rise_k - mean) / scale
    limit, step = readings.limit, readings.step
    if len(limit):
        beyond = stdtr(degrees, (mean[:, limit] - readings.bound[limit]) / scale[:, limit])
        share = rng.uniform(size=beyond.shape)
        z[:, limit] = stdtrit(degrees, np.maximum(share * beyond, LEAST_TAIL))
    if len(step):
        # By symmetry the deviation lies in the lower tail, which is known to its last digit.
        middle, half = -np.abs(z[:, step]), 0.5 * design.step_k[step] / scale[:, step]
        low, high = stdtr(degrees, middle - half), stdtr(degrees, middle + half)
        share = low + rng.uniform(size=low.shape) * (high - low)
        z[:, step] = stdtrit(degrees, np.maximum(share, LEAST_TAIL))
    return z
