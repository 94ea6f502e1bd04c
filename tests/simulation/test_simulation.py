"""Simulated campaigns follow their stated model, designs and sign conventions."""

import math
import pickle
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from thermcmp.errors import InputError
from thermcmp.model.conditions import Build
from thermcmp.results.validation import check_results
from thermcmp.simulation import (
    Peers,
    RevisionStudy,
    Scenario,
    SensorScenario,
    draw_truth,
    join_plans,
    measure,
    run_plan,
    simulate,
)
from thermcmp.simulation.attributing import order_free_shares

DESIGNS = [
    RevisionStudy(),
    RevisionStudy(vendors="crossed", specimens=3, remounts=6, sessions=2),
    RevisionStudy(combinations="shipped", stock="shipped", fan_speeds_rpm=(), equal_noise_dba=None),
    RevisionStudy(remounts=1, stock="none"),
    Peers(),
    Peers(products=20, specimens=3, labs=2, remounts=0, sessions=1),
]

# Every spread and step at 0: the results follow the model exactly.
EXACT = dict.fromkeys(
    (
        "ambient_sd_k", "fan_sd_rpm", "power_sd_w", "standard_error_k", "noise_sd_db",
        "temperature_step_k", "fan_step_rpm", "power_step_w", "noise_step_db",
    ),
    0.0,
)  # fmt: skip


def exact_scenario(**changes):
    usual = Scenario()
    sensors = {name: replace(sensor, run_sd_k=0.0) for name, sensor in usual.sensors.items()}
    return replace(usual, sensors=sensors, **EXACT, **changes)


@pytest.mark.parametrize("design", DESIGNS)
def test_results_pass_the_schema_unchanged(design):
    results = simulate(design, seed=3).results
    pd.testing.assert_frame_equal(check_results(results), results)


@pytest.mark.parametrize("design", ["revision study", "peers"])
def test_a_seed_fixes_the_campaign_and_another_seed_changes_it(design):
    first, again, other = (simulate(design, seed=seed) for seed in (7, 7, 8))
    pd.testing.assert_frame_equal(first.results, again.results)
    assert first.truth == again.truth
    assert not first.results["temperature_c"].equals(other.results["temperature_c"])
    assert first.truth.effects != other.truth.effects


def test_the_global_state_of_numpy_has_no_effect():
    np.random.seed(1)  # noqa: NPY002
    first = simulate(seed=7).results
    np.random.seed(2)  # noqa: NPY002
    pd.testing.assert_frame_equal(first, simulate(seed=7).results)


@pytest.mark.parametrize("design", ["revision study", "peers"])
@pytest.mark.parametrize("draw_effects", [False, True])
def test_without_spreads_the_rows_equal_the_formula(design, draw_effects):
    campaign = simulate(design, seed=5, scenario=exact_scenario(), draw_effects=draw_effects)
    truth = campaign.truth
    for row in campaign.results.itertuples():
        effects = truth.effects[row.sensor]
        r = (
            truth.baseline_k[row.sensor]
            + effects["cooler_model"][row.cooler_model]
            + effects["cooler"][row.cooler_id]
            + effects["board_model"][row.board_model]
            + effects["board"][row.board_id]
            + effects["memory_vendor"][row.memory_vendor]
            + effects["assembly_kind"][row.assembly_kind]
            + effects["assembly"][row.assembly]
            + effects["session"][row.session]
            + effects["lab"][row.lab]
        )
        s = (
            truth.baseline_airflow_k[row.sensor]
            + effects["cooler_model airflow"][row.cooler_model]
            + effects["cooler airflow"][row.cooler_id]
        )
        g = (row.fan_rpm / 1800.0) ** -truth.exponent
        expected = row.ambient_c + row.power_w / 200.0 * (r + s * (g - 1.0))
        assert row.temperature_c == pytest.approx(expected, abs=1e-9)


def test_a_builds_rise_is_that_of_a_run_without_random_effects():
    still = dict.fromkeys(
        ("cooler_sd_k", "board_sd_k", "assembly_sd_k", "session_sd_k", "cooler_airflow_sd_k"), 0.0
    )
    scenario = exact_scenario(bad_mount_probability=0.0)
    sensors = {name: replace(sensor, **still) for name, sensor in scenario.sensors.items()}
    campaign = simulate(seed=5, scenario=replace(scenario, sensors=sensors))
    for row in campaign.results.itertuples():
        build = Build(
            cooler_model=row.cooler_model,
            board_model=row.board_model,
            memory_vendor=row.memory_vendor,
            assembly_kind=row.assembly_kind,
        )
        for scope in ("specimens", "product line"):
            rise = campaign.truth.rise_k(
                row.sensor, build, fan_rpm=row.fan_rpm, power_w=row.power_w, scope=scope
            )
            assert row.temperature_c - row.ambient_c == pytest.approx(rise, abs=1e-9)


def test_more_fan_has_the_effect_seen_on_a_bench():
    # Common practice, no source: hardware held, 1730 -> 2200 rpm took a memory
    # sensor from 87.4 to 80 °C at 21 °C; 70-75 % convective at m = 0.7.
    sensor = SensorScenario(baseline_k=66.4, convective_share=0.72)
    scenario = Scenario(sensors={"memory": sensor}, reference_fan_rpm=1730.0)
    plan = run_plan(RevisionStudy(), seed=1)
    truth = draw_truth(plan, scenario, seed=1)
    at = {
        rpm: truth.rise_k("memory", "Alder r1", fan_rpm=rpm, scope="product line")
        for rpm in (1730, 2200)
    }
    assert at[1730] + 21.0 == pytest.approx(87.4, abs=1e-9)
    assert at[2200] + 21.0 == pytest.approx(80.0, abs=0.1)


def test_instruments_round_to_their_steps():
    results = simulate("peers", seed=2, scenario=Scenario(fan_step_rpm=10.0)).results
    for name, step in {
        "temperature_c": 0.1,
        "ambient_c": 0.1,
        "fan_rpm": 10.0,
        "power_w": 0.1,
        "noise_dba": 0.1,
        "noise_floor_dba": 0.1,
    }.items():
        steps = results[name] / step
        assert np.allclose(steps, np.round(steps), atol=1e-6), name
    assert (results["fan_rpm"] % 10 == 0).all()


def test_residuals_have_the_stated_spread():
    # Run 0.2 K and within-run 0.05 K; two roundings add 0.1/sqrt(12) each. The
    # relative error of an SD from n = 630 rows is 1/sqrt(2n) = 2.8 %: 4 of those.
    campaign = simulate("peers", seed=11)
    parts = []
    for sensor, rows in campaign.results.groupby("sensor"):
        rise = campaign.truth.run_rise_k(sensor, rows, rows["fan_rpm"], rows["power_w"])
        parts.append(rows["temperature_c"] - rows["ambient_c"] - rise)
    residual = pd.concat(parts)
    expected = math.sqrt(0.2**2 + 0.05**2 + 2 * 0.1**2 / 12)
    assert residual.std() == pytest.approx(expected, rel=4 / math.sqrt(2 * len(residual)))
    assert residual.mean() == pytest.approx(0.0, abs=4 * expected / math.sqrt(len(residual)))


def test_random_effects_have_the_stated_spreads():
    scenario = Scenario(bad_mount_probability=0.0)
    plan = run_plan(Peers(products=100, specimens=4, remounts=4, sessions=40), seed=1)
    truth = draw_truth(plan, scenario, seed=2)
    for sensor, scales in truth.scales_k.items():
        for term in ("cooler", "board", "assembly", "session", "cooler_model", "cooler airflow"):
            draws = np.array(list(truth.effects[sensor][term].values()))
            spread = np.sqrt(np.mean(draws**2))
            assert spread == pytest.approx(scales[term], rel=4 / math.sqrt(2 * len(draws))), term


def test_drawn_effects_come_from_the_scales_and_stated_ones_do_not_move():
    plan = run_plan(seed=1)
    drawn = [draw_truth(plan, seed=k, draw_effects=True) for k in range(200)]
    stated = [draw_truth(plan, seed=k) for k in range(3)]
    pairs = {
        "cooler_model": ("Alder-C1", "Alder-C2", 4.0, -6.5),
        "board_model": ("Alder-B1", "Alder-B2", 1.5, -1.0),
        "memory_vendor": ("Quill", "Sable", 1.5, -1.5),
        "assembly_kind": ("factory", "bench", 0.5, 0.4),
        "cooler_model airflow": ("Alder-C1", "Alder-C2", 2.0, -3.5),
    }
    for term, (a, b, scale, size) in pairs.items():
        values = [t.contrast_k("memory", term, a, b, scope="product line") for t in drawn]
        # The SD of a difference of two draws; its relative error at n = 200 is 5 %.
        assert np.std(values) == pytest.approx(scale * math.sqrt(2), rel=0.2), term
        assert np.mean(values) == pytest.approx(0.0, abs=4 * scale * math.sqrt(2 / 200)), term
        for truth in stated:
            assert truth.contrast_k("memory", term, a, b, scope="product line") == size, term
    assert np.std([t.exponent for t in drawn]) == pytest.approx(0.1, rel=0.2)
    assert {t.exponent for t in stated} == {0.7}


def test_a_contrast_is_the_second_minus_the_first():
    truth = simulate(seed=4).truth
    gain = truth.contrast_k("memory", "cooler_model", "Alder-C1", "Alder-C2", scope="product line")
    back = truth.contrast_k("memory", "cooler_model", "Alder-C2", "Alder-C1", scope="product line")
    assert gain == -6.5  # the new cooler is the cooler one
    assert back == 6.5
    own = truth.effects["memory"]["cooler"]
    specimens = truth.contrast_k("memory", "cooler_model", "Alder-C1", "Alder-C2")
    assert specimens == pytest.approx(-6.5 + own["Alder-C2-1"] - own["Alder-C1-1"])


def test_an_improvement_is_before_minus_after():
    campaign = simulate(seed=4)
    truth, old, new = campaign.truth, campaign.plan.before, campaign.plan.after
    at = {
        "old": {"fan_rpm": 1730.0, "power_w": 225.0},
        "new": {"fan_rpm": 2100.0, "power_w": 218.0},
    }
    before = truth.rise_k("memory", old, **at["old"])
    after = truth.rise_k("memory", new, **at["new"])
    fix = truth.attribution_k("memory", old, new)
    assert fix.total_k == pytest.approx(before - after)
    assert fix.total_k > 0
    assert fix.alone_k["hardware"] == pytest.approx(
        before - truth.rise_k("memory", new, **at["old"])
    )
    faster = truth.rise_k("memory", old, fan_rpm=2100.0, power_w=225.0)
    assert fix.alone_k["fan"] == pytest.approx(before - faster)
    less = truth.rise_k("memory", old, fan_rpm=1730.0, power_w=218.0)
    assert fix.alone_k["power"] == pytest.approx(before - less)


@pytest.mark.parametrize("sensor", ["memory", "junction", "edge"])
@pytest.mark.parametrize("scope", ["specimens", "product line"])
def test_parts_sum_to_the_total_both_ways(sensor, scope):
    truth = simulate(seed=9, draw_effects=True).truth
    fix = truth.attribution_k(sensor, "Alder r1", "Alder r2", scope=scope)
    assert sum(fix.alone_k.values()) + fix.interaction_k == pytest.approx(fix.total_k, abs=1e-9)
    assert sum(fix.order_free_k.values()) == pytest.approx(fix.total_k, abs=1e-9)
    undone = truth.attribution_k(sensor, "Alder r2", "Alder r1", scope=scope)
    for part, share in fix.order_free_k.items():
        assert undone.order_free_k[part] == pytest.approx(-share, abs=1e-9)


def test_order_free_shares_of_published_games():
    # Glove game, two left gloves and one right: 1/6, 1/6, 2/3 (textbook example of
    # Shapley 1953; from memory).
    gloves = order_free_shares(
        lambda s: float("right" in s and len(s) > 1), ["left 1", "left 2", "right"]
    )
    assert gloves == pytest.approx({"left 1": 1 / 6, "left 2": 1 / 6, "right": 2 / 3})
    # Runway of costs 8, 11, 13: users of each stretch share it evenly (Littlechild
    # and Owen, Management Science 20 (1973) 370-372; the closed form, from memory).
    costs = {"short": 8.0, "middle": 11.0, "long": 13.0}
    runway = order_free_shares(lambda s: max((costs[p] for p in s), default=0.0), list(costs))
    assert runway == pytest.approx({"short": 8 / 3, "middle": 8 / 3 + 1.5, "long": 8 / 3 + 3.5})


def test_builds_of_the_library_and_names_mean_the_same():
    truth = simulate(seed=4).truth
    build = Build(cooler_model="Alder-C1", board_model="Alder-B1", firmware="fw 1")
    named = truth.attribution_k("edge", "Alder r1 / fw 1", "Alder r2 / fw 2")
    after = Build(cooler_model="Alder-C2", board_model="Alder-B2", firmware="fw 2")
    assert truth.attribution_k("edge", build, after) == named
    only_firmware = truth.attribution_k("edge", "Alder r1 / fw 1", "Alder r1 / fw 2")
    assert only_firmware.alone_k["hardware"] == 0.0
    assert only_firmware.total_k > 0.0


def test_vendors_count_evenly_where_a_board_has_both():
    truth = simulate(seed=4, vendors="crossed").truth
    one, other, both = (
        truth.rise_k(
            "memory", Build(cooler_model="Alder-C1", board_model="Alder-B1", memory_vendor=vendor)
        )
        for vendor in ("Quill", "Sable", None)
    )
    assert other - one == pytest.approx(-1.5)
    assert both == pytest.approx((one + other) / 2)


def test_noise_follows_its_law_over_the_background():
    campaign = simulate("peers", seed=6, scenario=exact_scenario())
    truth = campaign.truth
    for row in campaign.results[campaign.results["sensor"] == "edge"].itertuples():
        # Background correction K1 of ISO 3744:2010, 8.2.3, takes the reading back
        # to the card alone.
        k1 = -10 * math.log10(1 - 10 ** (-0.1 * (row.noise_dba - row.noise_floor_dba)))
        card = truth.noise_level_dba(row.cooler_model, row.fan_rpm, row.cooler_id)
        assert row.noise_dba - k1 == pytest.approx(card, abs=1e-9)
        if row.fan_mode == "equal noise":
            assert row.noise_dba == pytest.approx(40.0, abs=1e-9)
    speed = truth.speed_at_level_rpm("Birch-C", 40.0, "Birch-C-1")
    assert truth.noise_level_dba("Birch-C", speed, "Birch-C-1") == pytest.approx(40.0)
    law = truth.noise["Birch-C"]
    assert truth.noise_level_dba("Birch-C", 18_000.0) == pytest.approx(law.level_dba + law.slope_db)


def test_a_reading_at_the_limit_is_held_and_flagged():
    sensors = {"memory": SensorScenario(limit_c=80.0)}
    free = simulate(seed=4, scenario=Scenario(sensors={"memory": SensorScenario()})).results
    held = simulate(seed=4, scenario=Scenario(sensors=sensors)).results
    hot = free["temperature_c"] > 80.05
    assert hot.any()
    assert not hot.all()
    assert (held.loc[hot, "temperature_c"] == 80.0).all()
    assert held.loc[hot, "at_limit"].all()
    assert not held.loc[free["temperature_c"] < 79.95, "at_limit"].any()


def test_bad_assemblies_are_bench_ones_at_the_stated_rate():
    plan = run_plan(Peers(products=100, remounts=4), seed=1)
    truth = draw_truth(plan, Scenario(bad_mount_probability=0.25), seed=3)
    # 400 bench assemblies: 100 expected, standard deviation 8.7.
    assert len(truth.bad_assemblies) == pytest.approx(100, abs=35)
    assert all("bench" in name for name in truth.bad_assemblies)
    effects = truth.effects["junction"]["assembly"]
    good = [v for k, v in effects.items() if k not in truth.bad_assemblies]
    bad = [effects[name] for name in truth.bad_assemblies]
    assert np.mean(bad) - np.mean(good) == pytest.approx(5.0, abs=0.5)


# --- designs -----------------------------------------------------------------


def assert_assemblies_are_possible(runs):
    """A teardown ends a factory assembly; a bench assembly is one stretch of runs."""
    bench = runs[runs["assembly_kind"] == "bench"].sort_values(["lab", "started_at"], kind="stable")
    stretches = (bench["assembly"] != bench["assembly"].shift()).sum()
    assert stretches == bench["assembly"].nunique()
    for part in ("cooler_id", "board_id"):
        for _, rows in runs.groupby(part):
            factory = rows.loc[rows["assembly_kind"] == "factory", "started_at"]
            torn_down = rows.loc[rows["assembly_kind"] == "bench", "started_at"]
            if len(factory) and len(torn_down):
                assert factory.max() < torn_down.min()


def assemblies(plan):
    return plan.runs.drop_duplicates("assembly")


def test_revision_study_is_a_swap_with_remounts():
    plan = run_plan("revision study", seed=1, remounts=4)
    bench = assemblies(plan).query("assembly_kind == 'bench'")
    assert bench.groupby(["cooler_model", "board_model"]).size().to_dict() == {
        (f"Alder-C{c}", f"Alder-B{b}"): 4 for c in (1, 2) for b in (1, 2)
    }
    factory = assemblies(plan).query("assembly_kind == 'factory'")
    assert sorted(factory["product"]) == ["Alder r1", "Alder r2"]
    swapped = plan.runs["cooler_model"].str[-1] != plan.runs["board_model"].str[-1]
    assert plan.runs.loc[swapped, "product"].isna().all()
    # Old and new firmware in stock runs on every assembly.
    stock = plan.runs.query("fan_mode == 'stock'")
    assert (stock.groupby("assembly")["firmware"].agg(set) == {"fw 1", "fw 2"}).all()
    assert set(stock["assembly"]) == set(plan.runs["assembly"])


def test_vendors_are_aliased_with_boards_or_crossed():
    aliased = run_plan(seed=1).runs
    assert aliased.groupby("board_model")["memory_vendor"].agg(set).to_dict() == {
        "Alder-B1": {"Quill"},
        "Alder-B2": {"Sable"},
    }
    crossed = run_plan(seed=1, vendors="crossed").runs
    assert (crossed.groupby("board_model")["memory_vendor"].agg(set) == {"Quill", "Sable"}).all()


def test_all_pairs_of_specimens_meet():
    plan = run_plan(seed=1, specimens=2, remounts=4, combinations="shipped")
    bench = plan.runs.query("assembly_kind == 'bench' and product == 'Alder r1'")
    assert len(bench[["cooler_id", "board_id"]].drop_duplicates()) == 4


def test_only_stock_runs_of_each_firmware_on_its_hardware():
    plan = run_plan(DESIGNS[2], seed=1)
    assert set(plan.runs["fan_mode"]) == {"stock"}
    assert set(zip(plan.runs["product"], plan.runs["firmware"], strict=True)) == {
        ("Alder r1", "fw 1"), ("Alder r2", "fw 2"),
    }  # fmt: skip


def test_peers_have_the_stated_products_specimens_and_sessions():
    runs = run_plan("peers", seed=1).runs
    assert runs["product"].nunique() == 8
    assert runs["session"].nunique() == 3
    assert runs["bench"].nunique() == 2
    assert runs["memory_vendor"].nunique() == 2
    per_product = runs.groupby("product")["cooler_id"].nunique()
    assert per_product.min() == 1
    assert per_product.max() == 4
    assert set(runs["assembly_kind"]) == {"factory", "bench"}
    assert set(runs["fan_mode"]) == {"fixed", "stock", "equal noise"}
    assert (runs.groupby("product")["session"].nunique() == 3).all()


@pytest.mark.parametrize("design", DESIGNS)
def test_assemblies_follow_one_another_as_on_a_bench(design):
    runs = run_plan(design, seed=2).runs
    assert_assemblies_are_possible(runs)
    in_time = runs.sort_values(["lab", "started_at"], kind="stable")
    assert in_time.groupby("lab")["run"].apply(lambda s: s.is_monotonic_increasing).all()


def test_joined_plans_share_sessions_and_refuse_common_parts():
    # Both number their runs alike, so that an order by number would mix assemblies.
    study, others = run_plan(seed=1), run_plan("peers", seed=1, products=3, remounts=4)
    joined = join_plans(study, others)
    assert len(joined.runs) == len(study.runs) + len(others.runs)
    assert joined.runs["run"].is_unique
    assert joined.runs["started_at"].is_monotonic_increasing
    assert_assemblies_are_possible(joined.runs)
    assert set(joined.runs["session"]) == set(study.runs["session"])
    truth = draw_truth(joined, seed=1)
    check_results(measure(joined, truth, seed=1))
    assert joined.before == study.before
    with pytest.raises(InputError, match="occurs in both plans"):
        join_plans(study, study)


def test_a_campaign_can_be_sent_to_another_process():
    campaign = simulate(seed=1)
    again = pickle.loads(pickle.dumps(campaign))
    assert again.truth == campaign.truth
    pd.testing.assert_frame_equal(again.results, campaign.results)


def test_simulation_needs_no_statistics_package():
    code = (
        "import sys, thermcmp.simulation as s; s.simulate(seed=1);"
        "heavy = {'scipy', 'pymc', 'arviz', 'matplotlib', 'pandera'};"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: simulate("peer", seed=1), "no such design"),
        (lambda: simulate(seed=-1), "not a seed"),
        (lambda: simulate(seed=1.5), "not a seed"),
        (lambda: simulate(seed=1, remount=2), "did you mean 'remounts'"),
        (lambda: simulate(seed=1, remounts=0), "at least 1"),
        (lambda: simulate(seed=1, remounts=True), "not a count"),
        (lambda: simulate(seed=1, vendors="mixed"), "aliased, crossed"),
        (lambda: simulate(seed=1, fan_speeds_rpm=(0.0,)), "out of range"),
        (lambda: simulate(seed=1, fan_speeds_rpm=(float("nan"),)), "out of range"),
        (lambda: simulate(seed=1, fan_speeds_rpm=(), equal_noise_dba=None, stock="none"), "no run"),
        (lambda: simulate("peers", seed=1, specimens=(1, 0)), "specimens"),
        (lambda: simulate("peers", seed=1, specimens=()), "specimens"),
        (lambda: simulate("peers", seed=1, vendors=()), "no vendor"),
        (lambda: Scenario(exponent=0.0), "above 0"),
        (lambda: Scenario(noise_sd_db=-0.1), "0 or more"),
        (lambda: Scenario(ambient_c=float("inf")), "finite"),
        (lambda: Scenario(bad_mount_probability=1.1), "0 to 1"),
        (lambda: Scenario(sensors={}), "at least one sensor"),
        (lambda: SensorScenario(run_sd_k=-1.0), "0 or more"),
        (lambda: SensorScenario(convective_share=1.5), "0 to 1"),
        (lambda: simulate(seed=1).truth.rise_k("hot", "Alder r1"), "no such sensor"),
        (lambda: simulate(seed=1).truth.rise_k("memory", "Alder r9"), "no such product"),
        (lambda: simulate(seed=1).truth.rise_k("memory", "Alder r1", fan_rpm=0.0), "above 0"),
        (lambda: simulate(seed=1).truth.noise_level_dba("Alder-C1", -1.0), "above 0"),
        (lambda: simulate(seed=1).truth.contrast_k("memory", "pads", "a", "b"), "no such term"),
        (lambda: simulate(seed=1).truth.contrast_k("memory", "lab", "a", "b"), "no such level"),
        (lambda: simulate(seed=1).truth.rise_k("memory", "Alder r1", scope="all"), "product line"),
        (lambda: simulate(seed=1).truth.attribution_k("memory", "Alder r1 / fw 9", "Alder r2"),
         "no such firmware"),
    ],
)  # fmt: skip
def test_bad_arguments_are_named_with_their_fix(call, words):
    with pytest.raises(InputError, match=words):
        call()


def test_all_faults_are_named_at_once():
    with pytest.raises(InputError) as caught:
        RevisionStudy(remounts=0, stock="some", power_w=-5.0)
    assert {fault.column for fault in caught.value.faults} >= {"remounts", "stock", "power_w"}
