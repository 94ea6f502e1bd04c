"""Random generators from seeds."""

from __future__ import annotations

import numpy as np

from thermcmp.errors import Fault, InputError


def generator(seed: int | np.random.Generator) -> np.random.Generator:
    """Return a generator for a seed; a generator is returned as it is."""
    if isinstance(seed, np.random.Generator):
        return seed
    if isinstance(seed, bool) or not isinstance(seed, (int, np.integer)) or seed < 0:
        fault = Fault("not a seed", "give an integer of at least 0", column="seed", value=str(seed))
        raise InputError("Random draws need a seed:", [fault])
    return np.random.default_rng(int(seed))
