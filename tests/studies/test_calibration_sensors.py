"""Simulation-based calibration of two sensors fitted together; see `calibration.py`."""

import os
from dataclasses import replace

import numpy as np
import pytest
from calibration import Campaign, Ranks, swap

from thermcmp.inference.conditional.joint_problem import joint_problem
from thermcmp.inference.conditional.joint_sampling import run_joint
from thermcmp.inference.diagnostics import Health, check_weights
from thermcmp.model.design import EXPONENT, RESIDUAL

SIZE = int(os.environ.get("THERMCMP_STUDY_SIZE", "40"))
DRAWS = 2000
SHAPE = 2.0


def tied(first, second, correlation):
    """The second sensor's campaign with assembly effects correlated to the first's."""
    design = second.design
    place = design.term_position("assembly")
    start, size = design.offsets[place], len(design.levels[place])
    mine = slice(start, start + size)
    spread = [one.scalars["assembly sd"] for one in (first, second)]
    own = second.effects[mine]
    both = correlation * first.effects[mine] / spread[0] * spread[1]
    new = both + np.sqrt(1.0 - correlation**2) * own
    effects = second.effects.copy()
    effects[mine] = new
    rise = design.rise_k + design.power_ratio * (new - own)[design.index[:, place]]
    return Campaign(replace(design, rise_k=rise), second.scalars, effects)


@pytest.mark.study
def test_two_sensors_and_their_correlation_rank_uniformly():
    design = swap()
    ranks = [Ranks(replace(design, sensor=name), seed) for name, seed in (("a", 41), ("b", 42))]
    rng, places = np.random.default_rng(43), []
    for seed in range(SIZE):
        first, second = (one.campaign() for one in ranks)
        true = 2.0 * rng.beta(SHAPE, SHAPE) - 1.0
        campaigns = [first, tied(first, second, true)]
        joint = joint_problem([one.design for one in campaigns], ("assembly",), SHAPE)
        run = run_joint(joint, [one.design for one in campaigns], draws=DRAWS, seed=seed)
        found = run.draws
        checks = check_weights(found.weighted.log_weights, run.effective_size)
        bad = any(check.status is Health.BAD for check in checks)
        for place, (one, campaign) in enumerate(zip(ranks, campaigns, strict=True)):
            spreads = found.points.spread[:, joint.spreads[place]]
            scalars = {term.spread: spreads[:, k] for k, term in enumerate(design.terms)}
            scalars[EXPONENT] = found.points.exponent[:, place]
            scalars[RESIDUAL] = found.points.residual[:, place]
            one.add(campaign, scalars, found.effects[:, joint.effects[place]], bad)
        below = np.sum(found.points.partial[:, 0] < true) + rng.random()
        places.append(below / (DRAWS + 1))
    ranks[0].places["correlation of the assemblies at the two sensors"] = places
    for one in ranks:
        name = f"the swap, two sensors fitted together: sensor {one.design.sensor}"
        one.save(f"sensors-{one.design.sensor}", "conditional", name)
        one.check()
