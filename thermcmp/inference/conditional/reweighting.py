"""Draws of an approximate problem, resampled towards the exact one.

The weights are smoothed and checked by their Pareto k (Vehtari, Simpson, Gelman, Yao & Gabry,
JMLR 25 (2024) 72).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.arviz_adapter import smoothed_weights
from thermcmp.inference.conditional.engine import ConditionalDraws, systematic
from thermcmp.inference.diagnostics import Check, Health, check_weights


def resampled(
    sample: ConditionalDraws, log_weights: Array, rng: np.random.Generator, what: str
) -> tuple[ConditionalDraws, tuple[Check, ...]]:
    """Return draws resampled by log weights, (S,), and the weights' checks, named with `what`."""
    weights, _ = smoothed_weights(log_weights)
    if not np.all(np.isfinite(weights)):
        none = Check(f"share of the draws {what}", 0.0, "above 0", Health.BAD)
        return sample, (none,)
    order = rng.permutation(systematic(weights, len(weights), rng))
    kept = ConditionalDraws(sample.points.part(order), sample.effects[order], sample.weighted)
    checks = check_weights(log_weights, float(1.0 / np.sum(weights**2)))
    return kept, tuple(replace(check, name=f"{check.name} {what}") for check in checks)
