"""Worked examples and facts of the trade, sent through the whole model and back."""

import numpy as np
import pytest
from two_speeds import convective_share, effective_exponent

from thermcmp.inference.fitting import fit
from thermcmp.model.conditions import Build, Conditions
from thermcmp.model.priors import Normal
from thermcmp.prediction.builds import Scope, build_of
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.questions.phrases import chance_words
from thermcmp.questions.ranking.question import rank
from thermcmp.questions.separation.question import separate

#: Series-resistance worked examples of open lecture notes: junction to case, then case to
#: ambient (interface and heatsink); power, ambient, and the temperatures they print. The
#: second prints 76 and 88 °C, rounded from 75.7 and 87.9.
CHAINS = {
    "Wren": {"power_w": 5.0, "junction": 12.0, "case": 9.0, "junction_c": 85.0, "case_c": 70.0},
    "Teal": {
        "power_w": 3.9,
        "junction": 16.125,
        "case": 13.0,
        "junction_c": 87.8875,
        "case_c": 75.7,
    },
}


@pytest.fixture(scope="module", params=["junction", "case"])
def chains(request, bench, card_sweep):
    """Both examples as one noiseless campaign of one sensor; airflow moves 5 K/W of each."""
    runs = []
    for seed, (name, chain) in enumerate(CHAINS.items()):
        runs += card_sweep(
            chain[request.param],
            5.0,
            exponent=0.5,
            speeds=(1800.0, 1300.0, 2400.0),
            powers=(3.0, 6.0),
            seed=seed,
            product=name,
            cooler_model=f"{name}-C1",
            cooler_id=f"{name}-C1-1",
            assembly=f"{name}-m1",
            sensor=request.param,
        )
    reference = Conditions(power_w=5.0, fan_rpm=1800.0)
    # One assembly each: left in, the spread of assemblies would take its share of the gap.
    terms = ["cooler_model", "cooler_model airflow"]
    return request.param, fit(bench(runs), terms=terms, reference=reference, draws=800, seed=3)


@pytest.mark.parametrize("name", CHAINS)
def test_a_chain_of_series_resistances_is_predicted_back(chains, name):
    sensor, model = chains
    chain = CHAINS[name]
    # Neither power was run: 3 and 6 W were. A dozen runs of 0.02 K leave about 0.01 K.
    answer = rank(model, fan_rpm=1800, power_w=chain["power_w"], ambient_c=25.0, scope="specimens")
    mean = answer.table.set_index("product")["mean_c"][name]
    assert mean == pytest.approx(chain[f"{sensor}_c"], abs=0.1)


@pytest.mark.parametrize("name", CHAINS)
def test_the_thermal_resistance_is_rise_over_power(chains, name):
    # JESD51-2A, JESD51-12: theta(X, ambient) = (T_X - T_ambient) / power. The rise is
    # proportional to the power, so theta is one number at any power.
    sensor, model = chains
    build = build_of(model, name)
    for watts in (3.9, 5.0):
        rise = FittedBuild(model, build, Scope.SPECIMENS).rise(1800.0, watts)
        assert float(np.mean(rise)) / watts == pytest.approx(CHAINS[name][sensor], abs=0.02)


def test_more_fan_at_held_hardware(bench):
    # Common practice, no source: 1730 to 2200 rpm took held hardware from 87.4 to 80 °C
    # in air of 21 °C. That is an effective exponent of the whole rise of 0.49; with the
    # exponent 0.7 of the convective part, airflow bought 70 to 75 % of the rise.
    share = convective_share(66.4, 59.0, 1730.0, 2200.0, exponent=0.7)
    assert 0.70 < float(share) < 0.75
    runs = [
        {"fan_rpm": rpm, "ambient_c": 21.0, "temperature_c": celsius + strayed}
        for rpm, celsius in ((1730.0, 87.4), (2200.0, 80.0))
        for strayed in (-0.02, 0.0, 0.02)
    ]
    model = fit(
        bench(runs),
        priors={"airflow exponent": Normal(0.7, 0.001)},
        reference=Conditions(power_w=200.0, fan_rpm=1730.0),
        draws=800,
        seed=4,
    )
    shares = model.draws("airflow baseline") / model.draws("baseline")
    assert 0.70 < np.quantile(shares, 0.05) < np.quantile(shares, 0.95) < 0.75
    assert float(np.mean(shares)) == pytest.approx(float(share), abs=0.01)
    build = Build(cooler_model="Heron-C1", board_model="Heron-B1")
    slow, fast = (
        float(np.mean(FittedBuild(model, build, Scope.SPECIMENS).rise(rpm, 200.0)))
        for rpm in (1730.0, 2200.0)
    )
    assert (slow, fast) == pytest.approx((66.4, 59.0), abs=0.1)
    assert float(effective_exponent(slow, fast, 1730.0, 2200.0)) == pytest.approx(0.49, abs=0.01)


def remounted(bench, offsets):
    """One card mounted anew for each offset [K], two runs at each of two speeds."""
    rng = np.random.default_rng(8)
    runs = [
        {
            "assembly": f"m{place}",
            "fan_rpm": rpm,
            "temperature_c": celsius + offset + 0.1 * rng.standard_normal(),
        }
        for place, offset in enumerate(offsets)
        for rpm, celsius in ((1730.0, 87.4), (2200.0, 80.0))
        for _ in range(2)
    ]
    return fit(bench(runs), expand="none", draws=800, seed=6)


def spread_of_assemblies(model):
    answer = separate(model)
    (row,) = answer.table[answer.table["factor"].eq("assembly")].to_dict("records")
    (sentence,) = [s for s in answer.sentences if "reassembly" in s]
    chance = float(np.mean(model.draws("assembly sd") < 0.4))
    assert f"{chance_words(chance, 800)} probability that it is below 0.4 K" in sentence
    return row, chance


def test_four_tenths_between_assemblies_is_noise_and_seven_kelvin_is_not(bench):
    # Common practice, no source: two assemblies 0.4 K apart differ by noise, 7 K do not.
    close = (0.0, 0.4, 0.1, 0.3, 0.2, 0.35, 0.05, 0.25)
    row, chance = spread_of_assemblies(remounted(bench, close))
    assert chance > 0.9
    assert row["high_k"] < 0.4
    spoilt = remounted(bench, (*close[:4], 7.0, *close[5:]))
    row, chance = spread_of_assemblies(spoilt)
    assert chance == 0.0
    assert row["low_k"] > 1.0
    effects = spoilt.posterior["assembly"].mean(("chain", "draw")).to_series()
    bad = effects.drop(effects.idxmax())
    assert "m4" in effects.idxmax()
    assert effects.max() - bad.mean() == pytest.approx(6.8, abs=0.3)
    assert bad.max() - bad.min() < 0.6
