"""Simulation-based calibration of the conditional engine.

THERMCMP_STUDY_SIZE sets the number of simulated campaigns; see `calibration.py`. With
THERMCMP_STUDY_RESULTS, a folder, each study leaves its table there, from which
`docs/make_calibration.py` writes the result page.
"""

import os

import pytest
from calibration import Ranks, products, swap, swap_at_one_speed

from thermcmp.inference.conditional.engine import run_conditional
from thermcmp.inference.conditional.problem import thermal_problem
from thermcmp.inference.diagnostics import Health, check_weights

SIZE = int(os.environ.get("THERMCMP_STUDY_SIZE", "40"))
DRAWS = 2000
DESIGNS = {
    "swap of two coolers and two boards, three assemblies": swap,
    "the swap at one fan speed": swap_at_one_speed,
    "twenty products, three specimens each": products,
}


@pytest.mark.study
@pytest.mark.parametrize("name", DESIGNS)
def test_true_values_rank_uniformly_among_the_draws(name):
    ranks = Ranks(DESIGNS[name](), seed=20)
    for seed in range(SIZE):
        campaign = ranks.campaign()
        problem, priors = thermal_problem(campaign.design)
        found = run_conditional(problem, priors, draws=DRAWS, seed=seed)
        weights = found.weighted
        checks = check_weights(weights.log_weights, weights.effective_size)
        scalars = {
            "airflow exponent": found.points.exponent[:, 0],
            "residual sd": found.points.residual[:, 0],
        }
        for place, spread in enumerate(problem.spreads[:-1]):
            scalars[spread] = found.points.spread[:, place]
        # A run of bad fits would be handed to the other engine, and is not what is tested here.
        ranks.add(campaign, scalars, found.effects, any(c.status is Health.BAD for c in checks))
    ranks.save(f"conditional-{list(DESIGNS).index(name)}", "conditional", name)
    ranks.check()
