"""What the studies of calibration share: designs, campaigns from the priors, ranks.

Parameters are drawn from the priors, data from the model at those parameters, and the
model is fitted to the data; then the rank of each true value among its posterior draws
is uniform (Talts, Betancourt, Simpson, Vehtari & Gelman, arXiv:1804.06788).

A study of an engine reads::

    ranks = Ranks(design, seed=20)
    for seed in range(size):
        campaign = ranks.campaign(rounding_k=0.0, limited_share=0.0)
        scalars, effects, bad = <the engine on campaign.design>
        ranks.add(campaign, scalars, effects, bad)
    ranks.check()
"""

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import pandas as pd
from scipy.stats import binom, kstest
from study_tables import keep

from thermcmp.model.design import (
    CONSTANT,
    EXPONENT,
    FIXED,
    RESIDUAL,
    Design,
    build_design,
)
from thermcmp.model.terms import BUILT_IN, Acts
from thermcmp.physics.airflow import airflow_law
from thermcmp.results.validation import check_results

SWAP_TERMS = ("cooler_model", "board_model", "assembly", "cooler_model airflow")
PRODUCT_TERMS = ("cooler_model", "cooler", "assembly", "cooler_model airflow")
#: Contrasts ranked per term: neighbours in level order, which the priors make exchangeable.
MOST_CONTRASTS = 2


def designed(rows, terms, resolution_k=np.nan, **options):
    """A design of rows given as (cooler model, cooler, board model, assembly, fan speed)."""
    names = ["cooler_model", "cooler_id", "board_model", "assembly", "fan_rpm"]
    frame = pd.DataFrame(rows, columns=names).assign(
        sensor="memory", lab="North", temperature_c=70.0, ambient_c=22.0, power_w=200.0
    )
    frame["resolution_k"] = resolution_k
    frame["run"] = [f"r{i}" for i in range(len(frame))]
    return build_design(
        check_results(frame),
        sensor=None,
        terms=[term for term in BUILT_IN if term.name in terms],
        law=airflow_law("power law"),
        **options,
    )


def swap(speeds=(1400.0, 2200.0), remounts=3, **options):
    """Two coolers on two boards, each pair mounted several times, at each fan speed."""
    rows = [
        (f"C{cooler}", f"C{cooler}-1", f"B{board}", f"C{cooler} B{board} mount {mount}", speed)
        for cooler, board, mount in product((1, 2), (1, 2), range(1, remounts + 1))
        for speed in speeds
    ]
    return designed(rows, SWAP_TERMS, **options)


def swap_at_one_speed(repeats=2, **options):
    """The swap at one fan speed, each assembly run `repeats` times: S is its prior's."""
    return swap(speeds=(1800.0,) * repeats, **options)


def products(count=20, specimens=3, speeds=(1400.0, 2200.0), **options):
    """A peer campaign: products of one cooler model each, several specimens of each."""
    rows = [
        (f"C{model:02}", f"C{model:02}-{one}", "B1", f"C{model:02}-{one} mount {mount}", speed)
        for model, one, mount in product(range(1, count + 1), range(1, specimens + 1), (1, 2))
        for speed in speeds
    ]
    return designed(rows, PRODUCT_TERMS, **options)


@dataclass(frozen=True)
class Campaign:
    """One simulated campaign: the design with its data, and the true values."""

    design: Design
    scalars: dict
    effects: np.ndarray


def quantities(design, scalars, effects):
    """Scalars to rank: every parameter, the fixed effects, contrasts within each factor.

    `scalars` maps parameter names to shape (S,), `effects` has shape (S, q).
    """
    found = dict(scalars)
    found |= {name: effects[:, column] for column, name in enumerate(FIXED)}
    for term, start, levels in zip(design.terms, design.offsets, design.levels, strict=True):
        for j in range(min(MOST_CONTRASTS, len(levels) - 1)):
            left, right = start + j, start + j + 1
            name = f"{term.name}: {levels[j + 1]} − {levels[j]}"
            found[name] = effects[:, right] - effects[:, left]
    return found


class Ranks:
    """Ranks of true values among the draws, over many campaigns of one design."""

    def __init__(self, design, seed):
        self.design = design
        self.rng = np.random.default_rng(seed)
        self.places = {}
        self.bad = 0
        self.campaigns = 0

    def campaign(self, *, rounding_k=0.0, limited_share=0.0):
        """One campaign from the priors.

        Readings are rounded to `rounding_k`; the hottest `limited_share` of them stand at
        the limit, which is the hottest reading that is still exact. (Censoring at an order
        statistic has the likelihood of censoring at a fixed limit; Lawless, Statistical
        Models and Methods for Lifetime Data, 2nd ed. 2003, section 2.2.1, from memory.)
        """
        design = self.design
        scalars, effects, still, flow = self.truth()
        factor = design.law.factor(
            design.flow_speed, design.reference.flow_speed, scalars[EXPONENT]
        )
        rise = design.power_ratio * (still + flow * (factor - 1.0)) + self._scatter(scalars)
        rise += (1.0 - design.power_ratio) * effects[[*FIXED].index(CONSTANT)]
        if rounding_k:
            rise = rounding_k * np.round(rise / rounding_k)
        limited = np.zeros(len(rise), bool)
        if limited_share:
            exact = len(rise) - round(limited_share * len(rise))
            limit = np.sort(rise)[exact - 1]
            limited = rise > limit
            rise = np.minimum(rise, limit)
        drawn = replace(design, rise_k=rise, at_limit=limited)
        return Campaign(drawn, scalars, effects)

    def truth(self):
        """Parameters and effects from the priors, and each row's r and s [K]."""
        design, rng = self.design, self.rng
        scalars = {
            name: float(prior.from_standard(rng.standard_normal(1))[0])
            for name, prior in design.priors.items()
        }
        effects = np.empty(design.effect_count)
        effects[: len(FIXED)] = [scalars.pop(name) for name in FIXED]
        still, flow = np.full(len(design.rows), effects[0]), np.full(len(design.rows), effects[1])
        for place, (term, start) in enumerate(zip(design.terms, design.offsets, strict=True)):
            size = len(design.levels[place])
            drawn = scalars[term.spread] * rng.standard_normal(size)
            effects[start : start + size] = drawn
            part = flow if term.acts is Acts.AIRFLOW else still
            part += drawn[design.index[:, place]]
        return scalars, effects, still, flow

    def _scatter(self, scalars):
        """Run-to-run scatter: normal, or Student's where the model has degrees of freedom."""
        n = len(self.design.rows)
        scatter = self.rng.standard_normal(n)
        if "degrees of freedom" in scalars:
            nu = scalars["degrees of freedom"]
            scatter /= np.sqrt(self.rng.chisquare(nu, n) / nu)
        return scalars[RESIDUAL] * scatter

    def add(self, campaign, scalars, effects, bad):
        """Take the draws of one fit, shape (S,) each and (S, q), and whether its health is bad."""
        truth = quantities(
            self.design,
            {name: np.array([value]) for name, value in campaign.scalars.items()},
            campaign.effects[None, :],
        )
        drawn = quantities(self.design, scalars, effects)
        if set(drawn) != set(truth):
            raise ValueError(f"not the same quantities: {sorted(set(drawn) ^ set(truth))}")
        for name, draws in drawn.items():
            # One of S + 1 places, spread evenly within it so that the law is continuous.
            place = np.sum(draws < truth[name][0]) + self.rng.random()
            self.places.setdefault(name, []).append(place / (len(draws) + 1))
        self.bad += bool(bad)
        self.campaigns += 1

    def table(self):
        """Per quantity: p value of uniform ranks, share that the 90 % intervals hold."""
        rows = [
            (
                name,
                kstest(places, "uniform").pvalue,
                float(np.mean(np.abs(np.array(places) - 0.5) < 0.45)),
            )
            for name, places in self.places.items()
        ]
        return pd.DataFrame(rows, columns=["quantity", "p", "held_90"])

    def save(self, file, engine, design):
        """Leave the table as `file`.csv in the folder THERMCMP_STUDY_RESULTS, where it is set."""
        whole = self.table().assign(
            engine=engine, design=design, campaigns=self.campaigns, bad=self.bad
        )
        keep(whole, file)

    def check(self, most_bad=0.05):
        """Fail where ranks leave the band, 99 % for all quantities of the design together."""
        table = self.table()
        print(f"\n{self.campaigns} campaigns, {self.bad} bad fits")
        print(table.sort_values("p").to_string(index=False, float_format=lambda v: f"{v:.3f}"))
        # One fit in 200 of a share that holds in truth leaves this bound by chance.
        assert self.bad <= binom.ppf(0.995, self.campaigns, most_bad)
        # The band of Kolmogorov and Smirnov, shared out among the quantities (Bonferroni).
        assert table["p"].min() > 0.01 / len(table)
