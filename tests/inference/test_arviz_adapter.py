"""The adapter means the same under both generations of ArviZ."""

import numpy as np
import pytest

from thermcmp.inference.arviz_adapter import pareto_k


@pytest.mark.parametrize("shape", [0.25, 0.5, 0.9])
def test_pareto_k_finds_the_shape_of_pareto_weights(shape):
    # exp(k · Exp(1)) is exactly Pareto with shape k; the estimate of one sample of 4,000
    # scatters by less than 0.1, and the wrong sign would give a negative k.
    logs = shape * np.random.default_rng(7).exponential(size=4_000)
    assert pareto_k(logs) == pytest.approx(shape, abs=0.15)


def test_weights_that_are_all_alike_are_harmless():
    logs = 1e-3 * np.random.default_rng(8).standard_normal(4_000)
    assert pareto_k(logs) < 0.2
