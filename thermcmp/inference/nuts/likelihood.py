"""Log likelihoods of readings as PyTensor graphs, stable in both tails, as are their gradients."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from thermcmp.model.priors import LOG_SQRT_2PI

#: Above this many standard deviations the tail's own form is used.
TAIL: Final = 1.0
#: Below this sensitivity [K] the logarithm of a regulated run continues as its tangent, so that
#: a chain that gets there is pushed back.
LEAST_K: Final = 1e-3


def normal(deviation: Any, variance: Any) -> Any:
    """Return the log density of normal rows, shape (n,)."""
    import pytensor.tensor as pt

    return -LOG_SQRT_2PI - 0.5 * (pt.log(variance) + deviation**2 / variance)


def student(deviation: Any, variance: Any, degrees: Any) -> Any:
    """Return the log density of Student's t of squared scale `variance`, shape (n,)."""
    import pytensor.tensor as pt

    half = 0.5 * degrees
    constant = pt.gammaln(half + 0.5) - pt.gammaln(half) - 0.5 * pt.log(np.pi * degrees)
    core = pt.log1p(deviation**2 / (degrees * variance))
    return constant - 0.5 * pt.log(variance) - (half + 0.5) * core


def at_least(deviation: Any, variance: Any) -> Any:
    """Return the log probability that a normal is at least the reading, shape (n,)."""
    import pytensor.tensor as pt

    return _log_survival(deviation / pt.sqrt(variance))


def within_step(deviation: Any, variance: Any, step: Any) -> Any:
    """Return the log probability that a normal is within half a step of the reading, (n,)."""
    import pytensor.tensor as pt

    sd = pt.sqrt(variance)
    # By symmetry the nearer edge is the lower one, and both tails are upper tails.
    middle, half = pt.abs(deviation) / sd, 0.5 * step / sd
    near, far = _log_survival(middle - half), _log_survival(middle + half)
    return near + pt.log(-pt.expm1(far - near))


def held(sensitivity: Any) -> Any:
    """Return the log Jacobian of regulated rows up to a constant, shape (n,)."""
    import pytensor.tensor as pt

    near = pt.maximum(sensitivity, LEAST_K)
    return pt.log(near) + (pt.minimum(sensitivity, LEAST_K) - LEAST_K) / LEAST_K


def _log_survival(z: Any) -> Any:
    """Return the log upper tail of the standard normal; each branch gets arguments in its range."""
    import pytensor.tensor as pt

    low, high = pt.minimum(z, TAIL), pt.maximum(z, TAIL)
    body = pt.log1p(-0.5 * pt.erfc(-low / np.sqrt(2.0)))
    tail = pt.log(0.5 * pt.erfcx(high / np.sqrt(2.0))) - 0.5 * high**2
    return pt.switch(z < TAIL, body, tail)
