"""The rows of a design by the way in which their reading is known, for everything that asks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.model.observation import Steps

if TYPE_CHECKING:
    from thermcmp.model.design import Design


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Rows by the way in which their reading is known.

    Attributes
    ----------
    exact, limit, step : ndarray of int
        Rows with an exact value, at the limit, within a step; each row is in one of them.
    bound : ndarray, shape (n,)
        The value that enters [K]: at the limit and with intervals, half a step below it.
    variance : ndarray, shape (n,)
        Known variance less what the interval takes over [K²].
    """

    exact: IntArray
    limit: IntArray
    step: IntArray
    bound: Array
    variance: Array


def readings_of(design: Design) -> Readings:
    """Sort the rows of a design by the way in which their reading is known."""
    stepped = (design.step_k > 0) & (design.steps is Steps.INTERVAL)
    limit = design.at_limit
    return Readings(
        np.flatnonzero(~limit & ~stepped),
        np.flatnonzero(limit),
        np.flatnonzero(~limit & stepped),
        design.rise_k - np.where(limit & stepped, 0.5 * design.step_k, 0.0),
        np.where(
            stepped,
            np.maximum(design.known_variance - design.step_k**2 / 12.0, 0.0),
            design.known_variance,
        ),
    )
