"""Simulation-based calibration of the NUTS engine; see `calibration.py`.

In full 300 campaigns of each design, an hour on two cores::

    THERMCMP_STUDY_SIZE=300 python -m pytest -m study tests/studies/test_calibration_nuts.py

THERMCMP_STUDY_SIZE sets another number, THERMCMP_STUDY_SEED other campaigns. With
THERMCMP_STUDY_RESULTS, a folder, each study leaves its table there, from which
`docs/make_calibration.py` writes the result page.
"""

import os

import numpy as np
import pytest
from calibration import Ranks, products, swap, swap_at_one_speed

from thermcmp.inference.diagnostics import Health, check_sampler
from thermcmp.inference.nuts.engine import Sampler
from thermcmp.model.observation import Residuals, Steps

SIZE = int(os.environ.get("THERMCMP_STUDY_SIZE", "40"))
SEED = int(os.environ.get("THERMCMP_STUDY_SEED", "31"))
#: The large design takes as many seconds as the others take tenths.
LARGE_SIZE = max(5, SIZE // 10)
DRAWS, CHAINS = 250, 4

#: By name: design, options of its campaigns, number of quantities ranked, share of fits that
#: may be bad. A scatter far below the step leaves a posterior with hard edges, on which the
#: sampler's check turns bad by itself; such fits are ranked with the others.
STUDIES = {
    "swap of two coolers and two boards, three assemblies": (swap, {}, 14, 0.05),
    "the swap at one fan speed": (swap_at_one_speed, {}, 14, 0.05),
    "the swap with 30 % of readings at the limit": (swap, {"limited_share": 0.3}, 14, 0.05),
    "the swap read in steps of 1 K, as intervals": (
        lambda: swap(steps=Steps.INTERVAL, resolution_k=1.0),
        {"rounding_k": 1.0},
        14,
        0.2,
    ),
    "the swap with Student's t scatter": (
        lambda: swap(residuals=Residuals.STUDENT),
        {},
        15,
        0.05,
    ),
    "twenty products, three specimens each": (products, {}, 17, 0.05),
}


def ranked(name, size):
    make, options, expected, _ = STUDIES[name]
    ranks = Ranks(make(), seed=SEED)
    sampler = None
    for seed in range(size):
        campaign = ranks.campaign(**options)
        sampler = sampler or Sampler(campaign.design)
        found = sampler.sample(campaign.design, draws=DRAWS, chains=CHAINS, seed=seed)
        bad = any(check.status is Health.BAD for check in check_sampler(found.stats))
        ranks.add(campaign, found.scalars, found.effects, bad)
        ranks.save(f"nuts-{list(STUDIES).index(name)}", "NUTS", name)
    assert len(ranks.places) == expected
    return ranks


@pytest.mark.study
@pytest.mark.parametrize("name", STUDIES)
def test_true_values_rank_uniformly_among_the_draws(name):
    size = LARGE_SIZE if name.startswith("twenty") else SIZE
    ranks = ranked(name, size)
    ranks.check(most_bad=STUDIES[name][-1])
    assert np.all(np.isfinite(ranks.table()["p"]))
