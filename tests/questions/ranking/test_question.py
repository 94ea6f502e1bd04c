"""The ranking: groups, ranks, equal noise, and what it refuses."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from scipy.stats import studentized_range

from thermcmp.errors import EngineError, InputError, NotEstimableError
from thermcmp.inference.diagnostics import Check, Diagnostics, Health
from thermcmp.inference.fitting import fit
from thermcmp.inference.noise_fit import fit_noise
from thermcmp.model.conditions import Build, Conditions
from thermcmp.model.design import CONSTANT
from thermcmp.prediction.builds import Scope, build_of
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.questions.ranking.question import rank
from thermcmp.questions.ranking.ranked import group_products
from thermcmp.questions.ranking.tables import league_table
from thermcmp.simulation import Peers, simulate

REFERENCE = Conditions(power_w=200.0, fan_rpm=1800.0)


@pytest.fixture(scope="module")
def even(peers):
    return rank(peers.fit)


@pytest.fixture(scope="module")
def sick(peers):
    failed = Diagnostics((Check("a check", 9.0, "at most 1", Health.BAD),))
    return dataclasses.replace(peers.fit, diagnostics=failed)


def column(answer, name):
    return answer.table.set_index("product")[name]


def test_temperatures_are_the_true_ones(peers, even):
    assert list(even.table["mean_c"]) == sorted(even.table["mean_c"])
    for name, row in even.table.set_index("product").iterrows():
        truth = 21.0 + peers.truth.rise_k("memory", name, scope="product line")
        # A product line's interval: one specimen was tested of each.
        width = (row["high_c"] - row["low_c"]) / 2.0
        assert row["mean_c"] == pytest.approx(truth, abs=2.5 * width)
        assert width > 0.3


def test_a_slash_in_a_products_name_changes_nothing(peers, even):
    first, second, *_ = sorted(peers.fit.results["product"].unique())
    renamed = {first: f"{second} / fw 2"}
    rows = peers.fit.results.assign(product=peers.fit.results["product"].replace(renamed))
    design = dataclasses.replace(peers.fit.design, rows=rows)
    slashed = dataclasses.replace(peers.fit, design=design)
    expected = column(even, "mean_c").rename(index=renamed)
    assert column(rank(slashed), "mean_c").equals(expected)


def test_a_chain_of_small_gaps_does_not_run_together():
    # a and b, and b and c, lie 1.5 K apart with a scatter that leaves each pair in doubt;
    # a and c lie 3 K apart and are separated: c opens a group of its own.
    rng = np.random.default_rng(2)
    temperatures = np.array([70.0, 71.5, 73.0]) + 0.7 * rng.standard_normal((4000, 3))
    gaps = [
        np.mean(temperatures[:, second] - temperatures[:, first] > 1.0)
        for first, second in ((0, 1), (1, 2), (0, 2))
    ]
    assert gaps[0] < 0.9
    assert gaps[1] < 0.9
    assert gaps[2] > 0.9
    assert group_products(temperatures, 1.0) == [1, 1, 2]
    assert group_products(temperatures, -1.0) == [1, 2, 3]
    assert group_products(temperatures, 3.0) == [1, 1, 1]


def test_all_separations_hold_together():
    # Ten gaps of 1.5 K, each above 0 with 94 %: all of them hold together in 55 % only.
    rng = np.random.default_rng(4)
    temperatures = 1.5 * np.arange(11) + 0.7 * rng.standard_normal((20_000, 11))
    each = np.mean(np.diff(temperatures, axis=1) > 0.0, axis=0)
    assert np.all(each > 0.9)
    groups = group_products(temperatures, 0.0)
    assert 1 < max(groups) < 11
    anchors = [groups.index(group) for group in sorted(set(groups))]
    together = np.all(np.diff(temperatures[:, anchors], axis=1) > 0.0, axis=1)
    assert np.mean(together) >= 0.9


def test_a_group_is_as_sure_as_it_says():
    # The gap exceeds 1 K in 90 % of the draws, or in one draw less.
    sure = np.zeros((100, 2))
    sure[:90, 1] = 1.5
    assert group_products(sure, 1.0) == [1, 2]
    sure[89, 1] = 0.5
    assert group_products(sure, 1.0) == [1, 1]


def test_leaving_out_the_warmest_changes_nothing_for_the_others(peers, even):
    others = list(even.table["product"][:-1])
    fewer = rank(peers.fit, products=others)
    assert list(fewer.table["product"]) == others
    # But the groups: fewer products leave fewer separations that must hold together.
    for name in ("mean_c", "low_c", "high_c", "fan_rpm"):
        assert list(column(fewer, name)) == list(column(even, name)[others])


def test_the_chances_of_being_best_add_up(even):
    assert even.table["p_best"].sum() == pytest.approx(1.0, abs=1e-12)
    assert even.table["p_best"].idxmax() == 0


def test_ranks_are_those_of_the_draws(even):
    draws = even.draws["temperature_c"].to_numpy()
    places = draws.argsort(axis=0).argsort(axis=0) + 1
    assert even.table["rank_mean"].to_numpy() == pytest.approx(places.mean(axis=1))
    low, high = np.quantile(places, [0.05, 0.95], axis=1, method="nearest")
    assert list(even.table["rank_low"]) == list(low)
    assert list(even.table["rank_high"]) == list(high)
    assert even.table["rank_mean"].sum() == pytest.approx(1 + 2 + 3 + 4)


def test_equal_products_share_a_rank(peers):
    build = build_of(peers.fit, peers.fit.results["product"].dropna().iloc[0])
    twins = [dataclasses.replace(build, label=name) for name in ("first", "second")]
    answer = rank(peers.fit, products=twins)
    assert list(answer.table["rank_mean"]) == [1.5, 1.5]
    assert list(answer.table["p_best"]) == [1.0, 1.0]
    assert list(answer.table["group"]) == [1, 1]
    assert any("cannot be separated" in sentence for sentence in answer.sentences)


def test_the_order_of_products_does_not_matter(peers, even):
    turned = rank(peers.fit, products=list(even.table["product"])[::-1])
    assert turned.table.equals(even.table)


def test_the_order_of_rows_does_not_matter(peers, even):
    mixed = peers.fit.results.sample(frac=1.0, random_state=1).reset_index(drop=True)
    other = rank(fit(mixed, "memory", reference=REFERENCE, draws=2000, seed=5))
    width = column(even, "high_c") - column(even, "low_c")
    gap = (column(other, "mean_c") - column(even, "mean_c")).abs()
    # Draws of one posterior: means agree within a twentieth of the interval.
    assert (gap < 0.05 * width).all()


def test_conditions_as_words_and_as_an_object_agree(peers):
    words = rank(peers.fit, noise_dba=40, power_w=200, ambient_c=24.0)
    whole = rank(peers.fit, at=Conditions(noise_dba=40.0, power_w=200.0, ambient_c=24.0))
    mixed = rank(peers.fit, Conditions(noise_dba=40.0, power_w=150.0), power_w=200, ambient_c=24)
    assert words.table.equals(whole.table)
    assert words.table.equals(mixed.table)
    assert words.conditions == whole.conditions
    assert "40 dB(A) at 0.5 m, 200 W, 24 °C ambient" in words.title


def test_the_fits_own_reference_is_the_default(peers, even):
    stated = rank(peers.fit, fan_rpm=1800, power_w=200, ambient_c=21)
    assert stated.table.equals(even.table)
    assert set(even.table["fan_rpm"]) == {1800.0}


def test_ambient_shifts_and_power_scales(peers, even):
    warm = rank(peers.fit, ambient_c=31.0, power_w=100.0)
    rises = [(column(answer, "mean_c") - c) for answer, c in ((warm, 31.0), (even, 21.0))]
    assert list(rises[0].index) == list(rises[1].index)
    # Half the power leaves half the rise and half of the part that stays.
    constant = float(np.mean(peers.fit.draws(CONSTANT)))
    assert rises[0].to_numpy() == pytest.approx(0.5 * (rises[1].to_numpy() + constant))


def test_equal_noise_is_equal_noise_at_each_products_own_speed(peers):
    answer = rank(peers.fit, noise_dba=40.0)
    law = fit_noise(peers.fit.results, reference_rpm=1800.0, draws=2000, seed=5)
    assert answer.table["noise_dba"].to_numpy() == pytest.approx(40.0, abs=1e-9)
    assert answer.table["fan_rpm"].nunique() == len(answer.table)
    for name, row in answer.table.set_index("product").iterrows():
        build = build_of(peers.fit, name)
        cooler = build.cooler_model
        # The speed found has that level again, and it is the true law's speed.
        again = law.level_dba(cooler, row["fan_rpm"])
        assert float(np.median(again)) == pytest.approx(40.0, abs=0.02)
        (specimen,) = peers.truth.coolers[cooler]
        truth = peers.truth.speed_at_level_rpm(cooler, 40.0, specimen)
        # 0.15 dB per reading and some 50 dB per decade: 0.3 dB is 1.4 % of the speed.
        assert row["fan_rpm"] == pytest.approx(truth, rel=0.014)
        fitted = FittedBuild(peers.fit, build, Scope.PRODUCT_LINE)
        direct = 21.0 + fitted.rise(law.speed_rpm(cooler, 40.0), 200.0)
        assert row["mean_c"] == pytest.approx(float(np.mean(direct)), abs=1e-9)


def test_a_noise_out_of_reach_gives_no_number(peers):
    answer = rank(peers.fit, noise_dba=60.0)
    numbers = answer.table[["mean_c", "low_c", "high_c", "rank_mean", "p_best", "fan_rpm"]]
    assert numbers.isna().to_numpy().all()
    assert answer.table["group"].isna().all()
    assert answer.table["health"].str.startswith("not reached: 60 dB(A) would need about").all()
    assert answer.sentences == ("No product can be ranked at these conditions.",)
    assert any("Not ranked" in caveat for caveat in answer.caveats)


def test_a_product_without_noise_readings_is_named_and_comes_last(peers):
    rows = peers.fit.results
    mute = sorted(rows["product"].dropna().unique())[0]
    cooler = build_of(peers.fit, mute).cooler_model
    silent = rows.assign(noise_dba=rows["noise_dba"].mask(rows["cooler_model"].eq(cooler)))
    answer = rank(fit(silent, "memory", reference=REFERENCE, draws=400, seed=5), noise_dba=40.0)
    last = answer.table.iloc[-1]
    assert last["product"] == mute
    assert np.isnan(last["mean_c"])
    assert "no usable noise reading of this cooler" in last["health"]
    assert list(answer.table["mean_c"].isna()) == [False, False, False, True]
    assert answer.table["p_best"].sum() == pytest.approx(1.0)
    none = fit(rows.assign(noise_dba=np.nan), "memory", reference=REFERENCE, draws=400, seed=5)
    with pytest.raises(InputError, match="measure noise_dba"):
        rank(none, noise_dba=40.0)


def test_speeds_far_from_those_measured_are_marked(peers, even):
    assert not even.table["health"].str.contains("far from").any()
    answer = rank(peers.fit, fan_rpm=5000)
    assert answer.table["health"].str.contains("far from the fan speeds it was run at").all()


def test_bad_health_is_refused_unless_allowed_and_then_recorded(sick):
    with pytest.raises(EngineError, match="allow_bad_health=True") as caught:
        rank(sick)
    assert "A check is 9" in str(caught.value)
    answer = rank(sick, allow_bad_health=True)
    assert set(answer.table["health"]) == {"bad"}
    assert any("allow_bad_health=True" in caveat for caveat in answer.caveats)


def test_allowing_bad_health_is_not_recorded_for_a_healthy_fit(peers):
    answer = rank(peers.fit, allow_bad_health=True)
    assert not any("allow_bad_health=True" in caveat for caveat in answer.caveats)


def test_unknown_conditions_are_refused_by_name(peers):
    with pytest.raises(TypeError, match="noise_db"):
        rank(peers.fit, noise_db=40)
    with pytest.raises(InputError, match="both fan_rpm and noise_dba"):
        rank(peers.fit, noise_dba=40, fan_rpm=1800)


@pytest.mark.parametrize("matters_k", [-0.1, float("nan"), float("inf")])
def test_a_difference_that_matters_is_zero_or_more(peers, matters_k):
    with pytest.raises(InputError, match="zero or more"):
        rank(peers.fit, matters_k=matters_k)


def test_an_unknown_product_or_part_is_refused_by_name(peers):
    with pytest.raises(InputError, match="Juniper"):
        rank(peers.fit, products=["Juniper"])
    build = build_of(peers.fit, peers.fit.results["product"].dropna().iloc[0])
    strange = dataclasses.replace(build, cooler_model="Juniper-C1")
    with pytest.raises(NotEstimableError, match="Juniper-C1"):
        rank(peers.fit, products=[strange])


def test_rows_without_product_names_rank_their_parts(peers):
    rows = peers.fit.results.copy()
    rows["product"] = None
    answer = rank(fit(rows, "memory", reference=REFERENCE, draws=400, seed=5))
    pairs = rows[["cooler_model", "board_model"]].drop_duplicates()
    assert set(answer.table["product"]) == {
        Build(cooler_model=c, board_model=b).name for c, b in pairs.itertuples(index=False)
    }


def test_a_larger_difference_that_matters_never_makes_more_groups(peers):
    groups = [rank(peers.fit, matters_k=k).table["group"].max() for k in (0.0, 1.0, 3.0, 30.0)]
    assert groups == sorted(groups, reverse=True)
    assert groups[-1] == 1
    assert groups[0] > 1


def test_a_product_that_was_mounted_once_is_named():
    campaign = simulate(Peers(products=3, specimens=1, remounts=0), seed=5)
    kept = campaign.results["assembly_kind"].eq("factory")
    model = fit(campaign.results[kept], "memory", draws=400, seed=1)
    answer = rank(model)
    assert any(caveat.startswith("Mounted once only: ") for caveat in answer.caveats)
    assert "groups" in " ".join(answer.sentences) or len(set(answer.table["group"])) == 1


def test_the_league_has_every_pair_once(even):
    league = even.league()
    names = list(even.table["product"])
    pairs = [(a, b) for i, a in enumerate(names) for b in names[i + 1 :]]
    assert list(league[["product", "rival"]].itertuples(index=False, name=None)) == pairs
    draws = dict(zip(names, even.draws["temperature_c"].to_numpy(), strict=True))
    for _, row in league.iterrows():
        gap = draws[row["rival"]] - draws[row["product"]]
        assert row["mean_k"] == pytest.approx(gap.mean())
        assert [row["low_k"], row["high_k"]] == pytest.approx(np.quantile(gap, [0.05, 0.95]))
        assert row["p_cooler"] == np.mean(gap > 0.0)
        assert row["p_matters"] == np.mean(gap > even.matters_k)


def test_the_chance_to_beat_a_rival_is_the_mean_over_rivals(even):
    league = even.league()
    for name, row in even.table.set_index("product").iterrows():
        wins = league.loc[league["product"] == name, "p_cooler"].to_list()
        wins += list(1.0 - league.loc[league["rival"] == name, "p_cooler"])
        assert row["p_beats"] == pytest.approx(np.mean(wins))


def test_simultaneous_intervals_are_tukeys_and_hold_together(even):
    # Six equal and independent means: Tukey's factor, by the studentized range (scipy).
    draws = np.random.default_rng(8).standard_normal((6, 40_000))
    names = [f"p{k}" for k in range(6)]
    table = pd.DataFrame({"product": names, "network": 1})
    league = league_table(table, draws, 0.0, 0.9, simultaneous=True)
    tukey = studentized_range.ppf(0.9, 6, np.inf)
    # Standard deviation of a difference: the root of two. 40 000 draws: a hundredth.
    half = (league["high_k"] - league["low_k"]) / 2.0
    assert half.to_numpy() == pytest.approx(np.full(15, tukey), rel=0.02)
    apart, together = even.league(), even.league(simultaneous=True)
    gaps = (together["high_k"] - together["low_k"]) / (apart["high_k"] - apart["low_k"])
    assert (gaps > 1.1).all()
    values, inside = even.draws["temperature_c"], np.ones(even.draws.sizes["draw"], bool)
    for row in together.itertuples():
        gap = (values.sel(product=row.rival) - values.sel(product=row.product)).to_numpy()
        inside &= (row.low_k <= gap) & (gap <= row.high_k)
    assert np.mean(inside) == pytest.approx(0.9, abs=0.001)


@pytest.mark.parametrize(("count", "is_long"), [(5, False), (200, True)])
def test_a_long_figure_has_its_scale_at_both_ends(even, count, is_long):
    table = pd.concat([even.table] * 50, ignore_index=True).head(count)
    figure = dataclasses.replace(even, table=table).plot()
    assert len(figure.get_yticklabels()) == count
    assert figure.xaxis.get_tick_params()["labeltop"] is is_long
