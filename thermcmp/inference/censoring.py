"""Rows of a design by kind of reading: exact, at the limit, or within a step."""

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
    """Rows by kind of reading; each row is of one kind."""

    exact: IntArray  #: rows with an exact value
    limit: IntArray  #: rows at the limit
    step: IntArray  #: rows known within a step
    bound: Array  #: rise that enters; half a step lower at the limit with intervals, (n,) [K]
    variance: Array  #: known variance without that of intervals, shape (n,) [K²]


def readings_of(design: Design) -> Readings:
    """Return the rows of a design by kind of reading."""
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
