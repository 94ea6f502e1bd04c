"""A crossed campaign of lecture ratings with 73,421 rows and 4,128 effects.

InstEval (R's lme4): variances and criterion by lme4 (bobyqa), the criterion of maximum
likelihood also published by MixedModels.jl (237721.76877450).
"""

import os

import numpy as np
import pytest
from restricted import profile_log_likelihood, restricted_mode

from thermcmp.inference.conditional.engine import run_conditional
from thermcmp.inference.conditional.marginal_likelihood import Kernel, Points
from thermcmp.inference.diagnostics import Health, check_weights
from thermcmp.model.priors import HalfNormal

SIZE = int(os.environ.get("THERMCMP_STUDY_SIZE", "40"))

#: Variances of students, lecturers, departments and the residual by restricted likelihood.
VARIANCES = (0.10599789, 0.26522114, 0.00691209, 1.38650038)


@pytest.fixture(scope="module")
def ratings(outside, components):
    data = outside.r_data("lme4", "InstEval")
    fixed = np.stack([np.ones(len(data)), data["service"].astype(int)], axis=1)
    groups = [data["s"], data["d"], data["dept"]]
    return components(data["y"].astype(float), fixed, groups)


@pytest.mark.study
def test_estimates_of_a_large_crossed_campaign(ratings):
    problem = ratings
    mode = restricted_mode(problem)
    variances = np.append(mode.spread[0], mode.residual[0]) ** 2
    assert variances[[0, 1, 3]] == pytest.approx(np.take(VARIANCES, [0, 1, 3]), rel=1e-5)
    assert variances[2] == pytest.approx(VARIANCES[2], rel=1e-3)
    kernel = Kernel(problem)
    assert -2.0 * kernel.log_likelihood(mode)[0] == pytest.approx(237733.834128, abs=1e-2)
    # The criterion of maximum likelihood, evaluated at lme4's own estimates.
    likely = (0.10597278, 0.26520443, 0.00616784, 1.38648855)
    point = Points.of_one_set(np.zeros(1), np.sqrt([likely[:3]]), np.sqrt(likely[3:]))
    crit = -2.0 * profile_log_likelihood(kernel, point)[0]
    assert crit == pytest.approx(237721.768774, abs=1e-2)


@pytest.mark.study
@pytest.mark.skipif(SIZE < 40, reason="minutes long: in the full form of the studies only")
def test_posterior_of_a_large_crossed_campaign(ratings):
    found = run_conditional(ratings, [HalfNormal(1.0)] * 4, draws=1600, seed=1)
    weights = found.weighted
    checks = check_weights(weights.log_weights, weights.effective_size)
    assert all(check.status is not Health.BAD for check in checks)
    # Wide priors: the posterior of a well-determined variance sits on the estimate.
    spread = found.points.spread[:, :2] ** 2
    assert np.abs(spread.mean(axis=0) - VARIANCES[:2]) == pytest.approx(
        [0.0, 0.0], abs=0.5 * float(np.max(spread.std(axis=0)))
    )
