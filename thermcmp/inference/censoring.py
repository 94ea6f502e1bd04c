"""Rows of a design by kind of reading: exact, at the limit or the floor, or within a step."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.model.observation import Steps

if TYPE_CHECKING:
    from thermcmp.model.design import Design


def log_at_least(deviation: Array, sd: Array) -> Array:
    """Return the log probability that a normal is at least the reading, by reading less mean."""
    from scipy.special import log_ndtr

    return np.asarray(log_ndtr(-deviation / sd))


def log_within_step(deviation: Array, sd: Array, step: Array) -> Array:
    """Return the log probability that a normal is within half a step of the reading."""
    from scipy.special import log_ndtr

    middle, half = np.abs(deviation) / sd, 0.5 * step / sd
    # By symmetry the nearer edge is the upper one, and both tails are lower tails.
    near, far = log_ndtr(half - middle), log_ndtr(-half - middle)
    return np.asarray(near + np.log(-np.expm1(np.minimum(far - near, -1e-300))))


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Rows by kind of reading; each row is of one kind."""

    exact: IntArray  #: rows with an exact value
    limit: IntArray  #: rows at the limit or the floor
    side: Array  #: 1 at the limit, -1 at the floor, of the rows in `limit`
    step: IntArray  #: rows known within a step, or between two temperatures
    bound: Array  #: rise that enters; half a step beyond a bound with intervals, (n,) [K]
    variance: Array  #: known variance without that of intervals, shape (n,) [K²]


def readings_of(design: Design) -> Readings:
    """Return the rows of a design by kind of reading."""
    stepped = (design.step_k > 0) & ((design.steps is Steps.INTERVAL) | design.is_between)
    limit = design.at_limit
    return Readings(
        np.flatnonzero(~limit & ~stepped),
        np.flatnonzero(limit),
        design.side[limit],
        np.flatnonzero(~limit & stepped),
        design.rise_k - np.where(limit & stepped, 0.5 * design.step_k * design.side, 0.0),
        np.where(
            stepped,
            np.maximum(design.known_variance - design.step_k**2 / 12.0, 0.0),
            design.known_variance,
        ),
    )
