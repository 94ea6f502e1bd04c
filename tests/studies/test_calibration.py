"""Simulation-based calibration of the conditional engine.

THERMCMP_STUDY_SIZE sets the number of simulated campaigns; see `calibration.py`.
"""

import os

import pytest
from calibration import Ranks, swap

from thermcmp.inference.conditional import run_conditional
from thermcmp.inference.health import Health, check_weights
from thermcmp.inference.problem import thermal_problem

SIZE = int(os.environ.get("THERMCMP_STUDY_SIZE", "40"))
DRAWS = 1000


@pytest.mark.study
def test_true_values_rank_uniformly_among_the_draws():
    ranks = Ranks(swap(), seed=20)
    for seed in range(SIZE):
        campaign = ranks.campaign()
        problem, priors = thermal_problem(campaign.design)
        found = run_conditional(problem, priors, draws=DRAWS, seed=seed)
        weights = found.weighted
        checks = check_weights(weights.log_weights, weights.effective_size)
        scalars = {"airflow exponent": found.points.exponent, "residual sd": found.points.residual}
        for place, name in enumerate(problem.spreads[:-1]):
            scalars[name] = found.points.spread[:, place]
        # A run of bad fits would be handed to the other engine, and is not what is tested here.
        ranks.add(campaign, scalars, found.effects, any(c.status is Health.BAD for c in checks))
    assert len(ranks.places) == 13
    ranks.check()
