"""Do 90 % intervals hold the truth in about 90 % of simulated studies?

Run in full by hand with ``-m study`` (50 studies of each kind, some minutes);
THERMCMP_STUDY_SIZE sets another number. The campaigns come from the simulator, whose
formulas are written out apart from the model's. An assembly never goes bad here: a bad
one makes the spread of assemblies non-normal, which no 90 % statement of a normal model
covers.

Why these bounds: with 50 studies and true coverage 0.90 the share found is below 0.80
with a probability of 0.9 % (binomial), so less than that is a fault and no bad luck. The
priors are wider than the simulated spreads, so the intervals may hold the truth somewhat
more often than stated; above 0.98 they would be too wide to be of use. Smaller sizes get
the binomial's own 0.5 % point and no upper bound, since 20 in 20 happens one time in
eight at exactly 0.90.
"""

import os

import numpy as np
import pytest
from scipy.stats import binom

from thermcmp.inference.fitting import fit
from thermcmp.model.conditions import Conditions
from thermcmp.questions.attribution.question import attribute
from thermcmp.questions.separation.question import separate
from thermcmp.simulation import RevisionStudy, Scenario, simulate

pytestmark = pytest.mark.study

SIZE = int(os.environ.get("THERMCMP_STUDY_SIZE", "50"))
STATED, LOWEST, HIGHEST = 0.90, 0.80, 0.98
SCENARIO = Scenario(bad_mount_probability=0.0)
#: Seeds of their own for each kind of study.
FIRST_SEED = {"fixed truth": 1000, "drawn effects": 2000, "product line": 3000}


@pytest.fixture(scope="module", autouse=True)
def asked_for(request):
    """Some minutes are spent only where studies were asked for."""
    if not request.config.getoption("markexpr"):
        pytest.skip("a study: run it with -m study")


def holds(row, truth):
    return bool(row["low_k"] <= truth <= row["high_k"])


def cooler_row(answer):
    """The cooler's effect over the boards, as a record."""
    table = answer.table
    rows = table[table["factor"].eq("cooler_model") & table["partner"].eq("average")]
    (row,) = rows.to_dict("records")
    return row


def fitted(seed, **options):
    draw_effects = options.pop("draw_effects")
    study = RevisionStudy(vendors="aliased", remounts=3, **options)
    campaign = simulate(study, seed=seed, scenario=SCENARIO, draw_effects=draw_effects)
    reference = Conditions(power_w=SCENARIO.reference_power_w, fan_rpm=SCENARIO.reference_fan_rpm)
    return campaign.truth, fit(campaign.results, "memory", reference=reference, seed=seed)


def revision_outcomes(kind):
    """Whether the intervals of the cooler and of the hardware part hold, per study."""
    found = []
    for seed in range(FIRST_SEED[kind], FIRST_SEED[kind] + SIZE):
        truth, model = fitted(seed, draw_effects=kind == "drawn effects")
        cooler = cooler_row(separate(model, contrasts=["cooler_model"]))
        parts = attribute(model, "Alder r1 / fw 1", "Alder r2 / fw 2").table.set_index("part")
        fix = truth.attribution_k("memory", "Alder r1 / fw 1", "Alder r2 / fw 2")
        effect = truth.contrast_k("memory", "cooler_model", "Alder-C1", "Alder-C2")
        found.append(
            (
                holds(cooler, effect),
                holds(parts.loc["hardware"], fix.order_free_k["hardware"]),
                str(model.health) != "bad",
            )
        )
    return np.array(found)


def bounds():
    if SIZE >= 50:
        return LOWEST, HIGHEST
    return float(binom.ppf(0.005, SIZE, STATED)) / SIZE, 1.0


@pytest.fixture(scope="module", params=["fixed truth", "drawn effects"])
def outcomes(request):
    return request.param, revision_outcomes(request.param)


@pytest.mark.parametrize(("place", "what"), [(0, "cooler effect"), (1, "hardware part")])
def test_intervals_hold_the_truth_as_often_as_they_say(
    outcomes, place, what, record_property, capsys
):
    kind, held = outcomes
    share = float(held[:, place].mean())
    record_property("coverage", share)
    with capsys.disabled():
        print(f"\n{what}, {kind}: {share:.0%} of {SIZE} studies")
    low, high = bounds()
    assert low <= share <= high, f"{what}, {kind}"


def test_no_study_needs_a_fit_that_fails_its_health_check(outcomes):
    assert outcomes[1][:, 2].all()


def test_product_line_intervals_hold_the_line_at_least_as_often_as_they_say(
    record_property, capsys
):
    # Two specimens of each cooler: what they say of their line rests much on the prior of
    # the specimen spread (half-normal of 2 K, simulated 0.8 K), so only too narrow is a fault.
    held = []
    for seed in range(FIRST_SEED["product line"], FIRST_SEED["product line"] + SIZE):
        truth, model = fitted(seed, draw_effects=True, specimens=2)
        row = cooler_row(separate(model, "product line", contrasts=["cooler_model"]))
        effect = truth.contrast_k(
            "memory", "cooler_model", "Alder-C1", "Alder-C2", scope="product line"
        )
        held.append(holds(row, effect))
    share = float(np.mean(held))
    record_property("coverage", share)
    with capsys.disabled():
        print(f"\ncooler effect, product line: {share:.0%} of {SIZE} studies")
    assert share >= bounds()[0]
