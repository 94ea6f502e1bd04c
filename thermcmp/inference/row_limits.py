"""Rows that no fit can serve, refused in words before or where an engine fails on them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.errors import EngineError, ModelError
from thermcmp.model.factor_words import factor_words
from thermcmp.model.terms import Role

if TYPE_CHECKING:
    from thermcmp.model.design import Design

#: Most levels of a factor: every pair of them is examined, and held, for what was confounded.
MOST_LEVELS: Final = 1000
#: Largest rise that no card at load stays below [K] (common practice, no source).
NO_LOAD_K: Final = 0.1


def check_rows(design: Design) -> None:
    """Refuse rows without a rise, and factors of more levels than can be compared in pairs."""
    if np.max(design.rise_k) < NO_LOAD_K:
        raise ModelError(
            f"No reading of '{design.sensor}' is more than {NO_LOAD_K:g} K above the air: there is "
            "no rise to compare. Fix: check whether the columns of sensor and ambient are swapped, "
            "and whether the card was at load."
        )
    for term, levels in zip(design.terms, design.levels, strict=True):
        if term.role is Role.FACTOR and len(levels) > MOST_LEVELS:
            raise ModelError(
                f"{len(levels):,} levels of {factor_words(term.name)} are too many: at most "
                f"{MOST_LEVELS:,} can be held against each other in pairs. Fix: fit fewer "
                "products at a time, or give the specimens of a model one model name."
            )


@contextmanager
def explained(design: Design) -> Iterator[None]:
    """State an engine's failure in words about the rows, where they are why it failed."""
    try:
        yield
    except EngineError as error:
        rise_k = np.asarray(design.rise_k, dtype=float)
        if np.ptp(rise_k) > 0.0:
            raise
        raise EngineError(
            f"All {len(rise_k)} readings of '{design.sensor}' are {rise_k[0]:.4g} K above the air "
            "to the last digit: without scatter nothing says how sure an effect is. Fix: give the "
            "readings as they were measured; state resolution_k where the sensor reads in steps, "
            "at_limit where it was at its limit."
        ) from error
