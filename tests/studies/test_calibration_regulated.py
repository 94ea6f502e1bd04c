"""Simulation-based calibration with regulated runs: loops that hold a target, or cannot.

A loop that meets the end of its fan speeds or its power limit gives an ordinary run, so which
rows are regulated differs between campaigns. THERMCMP_STUDY_SIZE sets their number;
THERMCMP_STUDY_RESULTS as in `test_calibration.py`.
"""

import os
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from calibration import Campaign, Ranks, designed

from thermcmp.inference.conditional.regulated_sampling import run_with_regulated
from thermcmp.inference.diagnostics import Health
from thermcmp.inference.regulated_likelihood import is_informed
from thermcmp.model.design import FIXED
from thermcmp.model.priors import HalfNormal, Normal

SIZE = int(os.environ.get("THERMCMP_STUDY_SIZE", "40"))
DRAWS = 2000
NAME = "two coolers, two assemblies each, loops that hold a rise by fan or power"
TARGET_K = 52.0
TERMS = ("cooler_model", "assembly", "cooler_model airflow")
#: What is tried in each assembly: the loop and, where it does not move it, the fan speed.
TRIED = (("fan", 1800.0), ("fan", 1800.0), ("fan", 1800.0), ("power", 1600.0), ("", 2200.0))
FAN_RPM = (600.0, 4500.0)
MOST_POWER = 1.3
#: Cards that such a loop is built for: what air can buy is well above zero.
PRIORS = {
    "baseline": Normal(52.0, 3.0),
    "airflow baseline": Normal(28.0, 5.0),
    "constant part": Normal(10.0, 5.0),
    "cooler_model sd": HalfNormal(3.0),
    "cooler_model airflow sd": HalfNormal(3.0),
}


def mounted():
    """Two coolers, two assemblies of each, everything tried in each."""
    rows = [
        (f"C{cooler}", f"C{cooler}-1", "B1", f"C{cooler} mount {mount}", speed)
        for cooler, mount in product((1, 2), (1, 2))
        for _, speed in TRIED
    ]
    return designed(rows, TERMS, priors=PRIORS)


class HeldRanks(Ranks):
    """Ranks over campaigns in which loops hold a rise."""

    def held(self):
        """One campaign from the priors."""
        design = self.design
        scalars, effects, r, s = self.truth()
        m, own = scalars["airflow exponent"], self._scatter(scalars)
        u = effects[[*FIXED].index("constant part")]
        loop = np.array([by for by, _ in TRIED] * (len(r) // len(TRIED)), dtype=object)
        speed, power = design.flow_speed.copy(), design.power_ratio.copy()
        wanted = 1.0 + ((TARGET_K - own - (1.0 - power) * u) / power - r) / s
        with np.errstate(invalid="ignore", divide="ignore"):
            sought = np.where(
                wanted > 0, design.reference.flow_speed * np.abs(wanted) ** (-1.0 / m), np.inf
            )
        by_fan = loop == "fan"
        speed[by_fan] = np.clip(sought, *FAN_RPM)[by_fan]
        unit = r + s * ((speed / design.reference.flow_speed) ** -m - 1.0)
        by_power = loop == "power"
        power[by_power] = np.minimum((TARGET_K - own - u) / (unit - u), MOST_POWER)[by_power]
        met = np.where(by_fan, speed == sought, by_power & (power < MOST_POWER))
        rise = np.where(met, TARGET_K, power * unit + (1.0 - power) * u + own)
        rows = design.rows.assign(
            regulated=met, regulated_by=np.where(met, loop, None).astype(object)
        )
        drawn = replace(design, rows=rows, rise_k=rise, flow_speed=speed, power_ratio=power)
        return Campaign(drawn, scalars, effects), float(met.mean())


@pytest.mark.study
def test_true_values_rank_uniformly_with_regulated_runs():
    ranks, shares = HeldRanks(mounted(), seed=77), []
    for seed in range(SIZE):
        campaign, share = ranks.held()
        shares.append(share)
        assert is_informed(campaign.design)
        found, checks = run_with_regulated(campaign.design, draws=DRAWS, seed=seed)
        points = found.points
        scalars = {"airflow exponent": points.exponent[:, 0], "residual sd": points.residual[:, 0]}
        for place, term in enumerate(campaign.design.terms):
            scalars[term.spread] = points.spread[:, place]
        # A run of bad fits would be handed to the other engine, and is not what is tested here.
        bad = any(check.status is Health.BAD for check in checks)
        ranks.add(campaign, scalars, found.effects, bad)
    print(f"\n{np.mean(shares):.0%} of the runs were regulated")
    assert np.mean(shares) > 0.6
    ranks.save("conditional-regulated", "conditional", NAME)
    ranks.check()
