"""Which answers hang on the model: signs that turn, are lost, or hold."""

import numpy as np
import pytest
from scipy.stats import norm

from thermcmp.questions.model_claims import DEPENDS, HOLDS, OPEN, Claim

FIT, OTHER = "as fitted", "without pairing"


def claim(fitted, other):
    return Claim("cooler: C2 minus C1", {FIT: fitted, OTHER: other})


@pytest.mark.parametrize(
    ("fitted", "other", "verdict", "named"),
    [
        ((-2.0, -3.0, -1.0), (-1.5, -2.4, -0.6), HOLDS, ""),
        # The sure sign turns, on either side.
        ((-2.0, -3.0, -1.0), (0.1, -1.0, 1.2), DEPENDS, OTHER),
        ((0.1, -1.0, 1.2), (-2.0, -3.0, -1.0), DEPENDS, OTHER),
        # It is lost: the other gives it a chance of 79 %.
        ((-2.0, -3.0, -1.0), (-0.5, -1.5, 0.5), DEPENDS, OTHER),
        # Hardly less sure than before: 94 %.
        ((-1.1, -2.1, -0.1), (-0.95, -1.95, 0.05), HOLDS, ""),
        # No claim was made.
        ((-0.5, -1.5, 0.5), (-1.5, -2.5, -0.5), OPEN, ""),
        ((-0.5, -1.5, 0.5), (0.2, -0.8, 1.2), OPEN, ""),
        # A spread is positive whatever its tail.
        ((0.4, 0.02, 1.4), (0.4, 0.01, 1.6), HOLDS, ""),
    ],
)
def test_verdict(fitted, other, verdict, named):
    made = claim(fitted, other)
    assert made.verdict(0.9) == verdict
    assert made.turned_by(0.9) == named


def test_the_limit_of_a_lost_sign_is_a_chance_of_ninety_per_cent():
    half = norm.ppf(0.95)
    for chance, verdict in ((0.91, HOLDS), (0.89, DEPENDS)):
        mean = norm.ppf(chance)
        made = claim((-2.0, -3.0, -1.0), (-mean, -mean - half, -mean + half))
        assert made.verdict(0.9) == verdict


def test_the_farthest_model_is_named_with_its_move():
    made = claim((-2.0, -3.0, -1.0), (-1.5, -2.4, -0.6))
    assert made.farthest == (OTHER, pytest.approx(0.5))
    # A withheld row has no mean and moves nothing.
    assert claim((-2.0, -3.0, -1.0), (np.nan, -2.4, -0.6)).farthest == (FIT, 0.0)
