"""The margin to the limit, and what a newly bought card adds to it."""

from dataclasses import replace

import numpy as np
import pytest

from thermcmp.errors import InputError, NotEstimableError
from thermcmp.inference.fitting import fit
from thermcmp.model.conditions import Build, Conditions
from thermcmp.model.design import CONSTANT
from thermcmp.prediction.builds import Scope, build_of
from thermcmp.prediction.card import fresh_specimen
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.questions.limit_margin.question import margin


@pytest.fixture(scope="module")
def warm_card(bench, card_sweep):
    """One card of 0.37 K/W that stands at 95 °C on the open bench of 21 °C at 200 W."""
    names = {"assembly": "m1", "firmware": "fw 1"}
    runs = card_sweep(0.37, 0.25, exponent=0.7, speeds=(1800.0, 2400.0), powers=(200.0,), **names)
    stock = {"fan_mode": "stock", "fan_rpm": 1800.0, "power_w": 200.0, "firmware": "fw 1"}
    runs += [stock | {"temperature_c": 95.0 + e, "assembly": "m1"} for e in (-0.02, 0.0, 0.02)]
    return fit(bench(runs), draws=800, seed=2)


def test_the_open_bench_hides_what_a_warm_case_shows(warm_card):
    # Common practice, no source: memory limits lie at 100 to 105 °C; a case is some 14 K
    # warmer inside than an open bench of 21 °C. 95 °C there is 109 °C in the case.
    bench = margin(warm_card, "Heron / fw 1", limit_c=105.0, ambient_c=21.0, scope="specimens")
    case = margin(warm_card, "Heron / fw 1", limit_c=105.0, ambient_c=35.0, scope="specimens")
    mean = case.table.set_index("ambient_c")["mean_c"]
    assert mean[21.0] == pytest.approx(95.0, abs=0.1)
    assert mean[35.0] == pytest.approx(109.0, abs=0.1)
    assert bench.p_exceed == 0.0
    assert case.p_exceed == 1.0
    assert bench.margin_k == pytest.approx(10.0, abs=0.1)
    assert case.margin_k == pytest.approx(-4.0, abs=0.1)
    assert case.ambient_at_limit_c == pytest.approx(31.0, abs=0.1)
    assert "below" in bench.sentences[0]
    assert "above" in case.sentences[0]


@pytest.fixture(scope="module")
def alder(specimens):
    return margin(specimens.fit, "Alder r1 / fw 1", limit_c=105.0, ambient_c=38.0)


def test_the_chance_of_exceeding_rises_with_ambient(alder):
    table = alder.table
    assert list(table["ambient_c"]) == [21.0, 25.0, 30.0, 35.0, 38.0, 40.0, 45.0]
    assert table["p_exceed"].is_monotonic_increasing
    assert 0.0 < table["p_exceed"].iloc[-1] <= 1.0
    rises = table["mean_c"] - table["ambient_c"]
    assert rises.to_numpy() == pytest.approx(rises.iloc[0])


def test_the_ambient_at_the_limit_is_where_the_chance_is_even(specimens, alder):
    at_limit = alder.draws["ambient_at_limit_c"].to_numpy()
    assert alder.ambient_at_limit_c == pytest.approx(at_limit.mean())
    middle = float(np.median(at_limit))
    there = margin(specimens.fit, "Alder r1 / fw 1", limit_c=105.0, ambient_c=middle)
    # 2000 draws: half of them, but for the one at the median itself.
    assert there.p_exceed == pytest.approx(0.5, abs=0.001)
    at_mean = margin(
        specimens.fit, "Alder r1 / fw 1", limit_c=105.0, ambient_c=alder.ambient_at_limit_c
    )
    # Mean and median of a nearly symmetric spread: within a tenth of a standard deviation.
    assert at_mean.p_exceed == pytest.approx(0.5, abs=0.04)
    low, high = alder.ambient_at_limit_interval_c
    assert low < middle < high


def test_the_mean_is_the_firmwares_own_and_the_true_one(specimens):
    answer = margin(
        specimens.fit, "Alder r1 / fw 1", limit_c=105.0, ambient_c=21.0, scope="specimens"
    )
    setting = specimens.truth.firmware["fw 1"]
    truth = specimens.truth.rise_k(
        "memory", "Alder r1", fan_rpm=setting.fan_rpm, power_w=setting.power_w
    )
    rise = answer.draws["rise_k"]
    # 0.3 K for what the stock runs' fan speed and power strayed from the setting.
    assert float(rise.mean()) == pytest.approx(truth, abs=3.0 * float(rise.std()) + 0.3)


def test_a_newly_bought_card_is_less_sure_than_the_tested_ones(specimens, alder):
    tested = margin(specimens.fit, "Alder r1 / fw 1", limit_c=105.0, scope="specimens")
    assert alder.draws["rise_k"].std() > 1.5 * tested.draws["rise_k"].std()
    assert "newly bought card" in alder.title
    assert "cards tested" in tested.title


def new_specimen_draws(model, *, flow_speed, power_w, seed):
    """How much warmer a fresh specimen is than its line's mean."""
    build = build_of(model, "Alder r1 / fw 1")
    line, fresh = (
        FittedBuild(model, build, Scope.PRODUCT_LINE, deviation=drawn).law(power_w)
        for drawn in (None, fresh_specimen(model, seed))
    )
    return fresh.temperature_c(flow_speed) - line.temperature_c(flow_speed)


def test_a_new_specimen_scatters_by_the_sum_of_the_squared_spreads(specimens):
    model = specimens.fit
    spread = {name: model.draws(f"{name} sd") for name in ("cooler", "board", "assembly")}
    flow = (2200.0 / 1800.0) ** -model.draws("airflow exponent") - 1.0
    at_reference = np.mean(sum(values**2 for values in spread.values()))
    faster = at_reference + np.mean((model.draws("cooler airflow sd") * flow) ** 2)
    for rpm, watts, expected in (
        (1800.0, 200.0, at_reference),
        (1800.0, 300.0, 1.5**2 * at_reference),
        (2200.0, 200.0, faster),
    ):
        # 40 seeds of 2000 draws: the variance is known to about 1 %, more for its heavy tail.
        found = np.mean(
            [
                np.mean(new_specimen_draws(model, flow_speed=rpm, power_w=watts, seed=seed) ** 2)
                for seed in range(40)
            ]
        )
        assert found == pytest.approx(expected, rel=0.03)


def test_a_new_specimen_is_no_better_or_worse_than_its_line(specimens):
    draws = np.stack(
        [
            new_specimen_draws(specimens.fit, flow_speed=1800.0, power_w=200.0, seed=seed)
            for seed in range(40)
        ]
    )
    assert abs(draws.mean()) < 4.0 * draws.std() / np.sqrt(draws.size)


def test_stated_fan_speed_and_power_take_the_place_of_the_firmwares(specimens, alder):
    name = "Alder r1 / fw 1"
    faster = margin(specimens.fit, name, limit_c=105.0, fan_rpm=2200, ambient_c=38.0)
    lighter = margin(specimens.fit, name, limit_c=105.0, fan_rpm=2200, power_w=150)
    assert faster.margin_k - alder.margin_k > 3.0
    assert "2200 rpm" in faster.sentences[0]
    assert "2200 rpm and 150 W" in lighter.sentences[0]
    # But for the part that stays, the rise goes with the power.
    constant = specimens.fit.draws(CONSTANT)
    light, full = (a.draws["rise_k"].to_numpy() - constant for a in (lighter, faster))
    power = float(faster.sentences[0].split(" rpm and ")[1].split(" W")[0])
    assert light.mean() / full.mean() == pytest.approx(150.0 / power, rel=0.01)
    build = Build(cooler_model="Alder-C1", board_model="Alder-B1", firmware="fw 1")
    at = Conditions(fan_rpm=2200.0, power_w=150.0)
    same = margin(specimens.fit, build, at, limit_c=105.0)
    assert same.table.equals(lighter.table)
    # Where no firmware is named, those that its parts were run under count alike.
    bare = margin(specimens.fit, replace(build, firmware=None), at, limit_c=105.0)
    direct = specimens.fit.posterior["firmware"].mean(("chain", "draw")).to_series()
    expected = 150.0 / specimens.fit.reference.power_w * (direct.mean() - direct["fw 1"])
    assert (bare.table["mean_c"] - same.table["mean_c"]).to_numpy() == pytest.approx(expected)


def test_a_power_that_was_never_run_is_as_sure_as_the_part_that_stays(warm_card):
    # All runs were at 200 W: how much of the rise stays at 150 W is the prior's, 15 ± 15 K.
    run, other = (
        margin(warm_card, "Heron / fw 1", limit_c=105.0, power_w=watts, scope="specimens")
        for watts in (200.0, 150.0)
    )
    assert float(run.draws["rise_k"].std()) < 0.1
    rise = other.draws["rise_k"]
    assert float(rise.std()) == pytest.approx(0.25 * 15.0, rel=0.1)
    assert float(rise.mean()) == pytest.approx(0.75 * 74.0 + 0.25 * 15.0, abs=0.6)


def test_without_a_firmware_or_a_setting_there_is_no_answer(specimens):
    build = Build(cooler_model="Alder-C1", board_model="Alder-B1")
    with pytest.raises(NotEstimableError, match="fan speed and power"):
        margin(specimens.fit, build, limit_c=105.0)


def test_noise_cannot_be_held(specimens):
    with pytest.raises(InputError, match="noise cannot be held"):
        margin(specimens.fit, "Alder r1 / fw 1", limit_c=105.0, noise_dba=40)


@pytest.mark.parametrize("limit_c", [-41.0, 201.0, float("nan")])
def test_a_limit_out_of_range_is_refused(specimens, limit_c):
    with pytest.raises(InputError, match="limit_c"):
        margin(specimens.fit, "Alder r1 / fw 1", limit_c=limit_c)


def test_what_the_answer_does_not_know_is_said(specimens, warm_card, alder):
    assert any("held while the air warms" in caveat for caveat in alder.caveats)
    assert not any("Only one specimen" in caveat for caveat in alder.caveats)
    lone = margin(warm_card, "Heron / fw 1", limit_c=105.0)
    assert any("Only one specimen of each part" in caveat for caveat in lone.caveats)
