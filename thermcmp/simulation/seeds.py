"""One way from a seed to a generator."""

from __future__ import annotations

import numpy as np

from thermcmp.errors import Fault, InputError


def generator(seed: int | np.random.Generator) -> np.random.Generator:
    """Make a generator from a seed; a generator is passed through."""
    if isinstance(seed, np.random.Generator):
        return seed
    if isinstance(seed, bool) or not isinstance(seed, (int, np.integer)) or seed < 0:
        fault = Fault(
            "is no seed", "give a whole number of at least 0", column="seed", value=str(seed)
        )
        raise InputError("Random draws need a seed:", [fault])
    return np.random.default_rng(int(seed))
