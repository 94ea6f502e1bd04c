"""Fix attribution: parts that add up, land in the right row and refuse to be invented."""

import dataclasses

import numpy as np
import pytest
from made_once import attribute_once

from thermcmp.errors import InputError, NotEstimableError
from thermcmp.inference.fitting import fit
from thermcmp.inference.noise_fit import fit_noise
from thermcmp.model.conditions import Build, Conditions
from thermcmp.prediction.builds import Scope, build_of
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.questions.attribution.hardware import hardware_parts
from thermcmp.questions.attribution.question import attribute
from thermcmp.questions.shapley import order_free
from thermcmp.simulation import RevisionStudy

OLD, NEW = "Alder r1 / fw 1", "Alder r2 / fw 2"
MAIN = ["hardware", "firmware: fan speed", "firmware: power", "firmware: direct"]
INSIDE = "of the hardware: "
#: Parts and what is added to them: differences of one table, so only rounding error.
EXACT = 1e-9


def parts_of(answer):
    return answer.draws["improvement_k"].to_pandas().T


def means(answer):
    return answer.table.set_index("part")["mean_k"]


@pytest.fixture(scope="module")
def fix(aliased):
    return attribute_once(aliased.fit, OLD, NEW)


@pytest.fixture(scope="module")
def hardware_only(fit_known, quiet_world):
    world = quiet_world(
        old_fan_rpm=1800.0, new_fan_rpm=1800.0, old_power_w=210.0, new_power_w=210.0
    )
    return fit_known(RevisionStudy(remounts=2, fan_speeds_rpm=(1400.0, 2200.0)), world)


@pytest.fixture(scope="module")
def firmware_only(fit_known, quiet_world):
    same = {
        "cooler_revision_k": 0.0,
        "board_revision_k": 0.0,
        "vendor_k": 0.0,
        "cooler_revision_airflow_k": 0.0,
    }
    world = quiet_world(same)
    return fit_known(RevisionStudy(remounts=2, fan_speeds_rpm=(1400.0, 2200.0)), world)


@pytest.mark.parametrize("scope", ["specimens", "product line"])
def test_order_free_parts_add_up_to_the_total_in_every_draw(aliased, scope):
    draws = parts_of(attribute_once(aliased.fit, OLD, NEW, scope=scope))
    assert len(draws) == 2000
    assert np.abs(draws[MAIN].sum(axis=1) - draws["total"]).max() < EXACT


def test_the_hardwares_own_parts_add_up_to_it_in_every_draw(fix):
    draws = parts_of(fix)
    inside = [name for name in draws if name.startswith(INSIDE)]
    assert inside == [INSIDE + name for name in ("cooler", "board", "memory vendor")]
    assert np.abs(draws[inside].sum(axis=1) - draws["hardware"]).max() < EXACT


def test_both_ways_round_the_corners_lead_to_the_total(fix):
    draws = parts_of(fix)
    early = draws["hardware, fan and power as before"] + draws["firmware, on the new hardware"]
    late = draws["firmware, on the old hardware"] + draws["hardware, fan and power as after"]
    assert np.abs(early - draws["total"]).max() < EXACT
    assert np.abs(late - draws["total"]).max() < EXACT
    gap = draws["hardware, fan and power as after"] - draws["hardware, fan and power as before"]
    assert np.abs(gap - draws["interaction"]).max() < EXACT


def test_swapping_before_and_after_flips_every_sign(aliased, fix):
    back = parts_of(attribute_once(aliased.fit, NEW, OLD))
    forth = parts_of(fix)
    for name in ["total", *MAIN, f"{INSIDE}cooler", f"{INSIDE}board"]:
        assert np.abs(forth[name] + back[name]).max() < EXACT


def test_the_true_parts_are_found(aliased, fix):
    truth = aliased.truth.attribution_k("memory", OLD, NEW)
    table = fix.table.set_index("part")
    # Three posterior standard deviations, and 0.15 K for what the stock runs' own fan
    # speed and power strayed from the firmware's settings.
    for name, value in (
        ("total", truth.total_k),
        ("hardware", truth.order_free_k["hardware"]),
        ("firmware: fan speed", truth.order_free_k["fan"]),
        ("firmware: power", truth.order_free_k["power"]),
        ("hardware, fan and power as before", truth.alone_k["hardware"]),
    ):
        assert table.loc[name, "mean_k"] == pytest.approx(
            value, abs=3.0 * table.loc[name, "sd_k"] + 0.15
        ), name


def test_pure_hardware_lands_in_the_hardware_row(hardware_only):
    answer = attribute(hardware_only.fit, OLD, NEW)
    truth = hardware_only.truth.attribution_k("memory", OLD, NEW)
    assert truth.total_k > 8.0
    # What pairings may hide leaves a little more than a tenth open.
    assert means(answer)["hardware"] == pytest.approx(truth.total_k, abs=0.2)
    for name in (*MAIN[1:], "firmware, on the old hardware", "interaction"):
        assert abs(means(answer)[name]) < 0.05, name


def test_pure_firmware_lands_in_the_firmware_rows(firmware_only):
    answer = attribute(firmware_only.fit, OLD, NEW)
    truth = firmware_only.truth.attribution_k("memory", OLD, NEW)
    assert truth.order_free_k["fan"] > 4.0
    assert truth.order_free_k["power"] > 1.0
    assert means(answer)["firmware: fan speed"] == pytest.approx(truth.order_free_k["fan"], abs=0.1)
    assert means(answer)["firmware: power"] == pytest.approx(truth.order_free_k["power"], abs=0.1)
    for name in ("hardware", "firmware: direct"):
        assert abs(means(answer)[name]) < 0.1, name


def test_the_same_build_twice_has_no_part(aliased):
    draws = parts_of(attribute(aliased.fit, OLD, OLD))
    assert np.abs(draws.drop(columns="hardware, at equal noise").to_numpy()).max() == 0.0


def test_three_factor_weights_of_the_hardwares_parts(aliased):
    # One part changed alone is the whole hardware part, so the closed-form weights must
    # give what the split over all six orders gives (Shapley 1953).
    builds = [
        FittedBuild(
            aliased.fit, Build(cooler_model=cooler, board_model="Alder-B1"), Scope.SPECIMENS
        )
        for cooler in ("Alder-C1", "Alder-C2")
    ]
    settings = [(1500.0, 230.0), (2300.0, 190.0)]
    found = hardware_parts(*builds, settings)
    assert list(found) == ["cooler"]

    def rise(corner):
        hardware, fan, power = corner
        return builds[hardware].rise(settings[fan][0], settings[power][1])

    assert np.abs(found["cooler"] - order_free(rise, 3)[0]).max() < EXACT


def test_a_missing_stock_run_is_refused_and_named(aliased):
    rows = aliased.fit.results
    without = rows[~(rows["fan_mode"].eq("stock") & rows["firmware"].eq("fw 2"))]
    model = fit(without.reset_index(drop=True), "memory", draws=400, seed=5)
    with pytest.raises(NotEstimableError, match="add a stock run") as caught:
        attribute(model, OLD, NEW)
    for word in ("fw 2", "Alder-C2", "Alder-B2", "fan_mode 'stock'"):
        assert word in str(caught.value)
    stated = attribute(
        model, OLD, NEW, settings={"after": Conditions(fan_rpm=2100.0, power_w=218.0)}
    )
    assert stated.settings[NEW].source == "stated"
    assert np.abs(parts_of(stated)[MAIN].sum(axis=1) - parts_of(stated)["total"]).max() < EXACT


def test_a_build_without_a_firmware_is_refused(aliased):
    fix = r"none is named.* Fix: name it, as in 'Alder r1 / fw 1', add"
    with pytest.raises(NotEstimableError, match=fix):
        attribute(aliased.fit, "Alder r1", NEW)


def test_unknown_names_are_refused_with_the_known_ones(aliased):
    with pytest.raises(InputError, match="Alder r1, Alder r2"):
        attribute(aliased.fit, "Alder r9 / fw 1", NEW)
    with pytest.raises(InputError, match="fw 1, fw 2"):
        attribute(aliased.fit, OLD, "Alder r2 / fw 9")
    with pytest.raises(InputError, match="product line"):
        attribute(aliased.fit, OLD, NEW, scope="everyone")


def test_settings_are_the_means_of_the_stock_runs(aliased, fix):
    rows = aliased.fit.results
    for name, cooler, board, firmware in (
        (OLD, "Alder-C1", "Alder-B1", "fw 1"),
        (NEW, "Alder-C2", "Alder-B2", "fw 2"),
    ):
        own = rows[
            rows["fan_mode"].eq("stock")
            & rows["cooler_model"].eq(cooler)
            & rows["board_model"].eq(board)
            & rows["firmware"].eq(firmware)
        ]
        assert len(own) > 1
        assert fix.settings[name].flow_speed == pytest.approx(own["fan_rpm"].mean())
        assert fix.settings[name].power_w == pytest.approx(own["power_w"].mean())
        assert fix.settings[name].elsewhere is False


def test_one_stated_value_leaves_the_other_measured(aliased, fix):
    answer = attribute(aliased.fit, OLD, NEW, settings={"before": Conditions(fan_rpm=1500.0)})
    assert answer.settings[OLD].flow_speed == 1500.0
    assert answer.settings[OLD].power_w == fix.settings[OLD].power_w
    assert means(answer)["firmware: fan speed"] > means(fix)["firmware: fan speed"] + 2.0


def test_a_firmware_seen_on_other_hardware_only_is_marked(aliased):
    rows = aliased.fit.results
    own = (
        rows["fan_mode"].eq("stock")
        & rows["firmware"].eq("fw 2")
        & rows["cooler_model"].eq("Alder-C2")
        & rows["board_model"].eq("Alder-B2")
    )
    model = fit(rows[~own].reset_index(drop=True), "memory", draws=400, seed=5)
    answer = attribute(model, OLD, NEW)
    assert answer.settings[NEW].elsewhere is True
    health = answer.table.set_index("part")["health"]
    assert "other hardware only" in health["firmware: fan speed"]
    assert "other hardware only" not in health["hardware"]
    assert any(NEW in caveat and "other hardware only" in caveat for caveat in answer.caveats)


def test_held_power_leaves_no_part_to_power(aliased):
    answer = attribute(aliased.fit, OLD, NEW, Conditions(power_w=200.0))
    draws = parts_of(answer)
    assert np.abs(draws["firmware: power"]).max() == 0.0
    assert {setting.power_w for setting in answer.settings.values()} == {200.0}
    assert np.abs(draws[MAIN].sum(axis=1) - draws["total"]).max() < EXACT


def test_held_fan_speed_and_power_leave_the_hardware_and_the_direct_effect(aliased):
    answer = attribute(aliased.fit, OLD, NEW, Conditions(power_w=200.0, fan_rpm=1800.0))
    draws = parts_of(answer)
    both = draws["hardware"] + draws["firmware: direct"]
    assert np.abs(both - draws["total"]).max() < EXACT
    assert np.abs(draws[MAIN[1:3]].to_numpy()).max() == 0.0
    # The simulated firmwares act by fan speed and power only.
    low, high = np.quantile(draws["firmware: direct"], [0.05, 0.95])
    assert low < 0.0 < high
    truth = sum(
        aliased.truth.rise_k("memory", product) * sign
        for product, sign in (("Alder r1", 1.0), ("Alder r2", -1.0))
    )
    assert draws["total"].mean() == pytest.approx(truth, abs=3.0 * draws["total"].std())


def test_held_noise_is_refused_with_what_answers_it(aliased):
    with pytest.raises(InputError, match="hardware, at equal noise"):
        attribute(aliased.fit, OLD, NEW, Conditions(noise_dba=40.0))


def test_the_ambient_places_the_temperatures_and_moves_no_part(aliased, fix):
    warm = attribute_once(aliased.fit, OLD, NEW, Conditions(ambient_c=35.0))
    assert warm.before_c == pytest.approx(fix.before_c + 14.0)
    assert warm.after_c == pytest.approx(warm.before_c - means(warm)["total"])
    assert np.abs(parts_of(warm)[MAIN] - parts_of(fix)[MAIN]).to_numpy().max() == 0.0


def test_the_noise_that_came_with_each_part(aliased, fix):
    truth, noise = aliased.truth, fix.table.set_index("part")["noise_db"]

    def level(cooler, name):
        specimen = f"{cooler}-1"
        return truth.noise_level_dba(cooler, fix.settings[name].flow_speed, specimen)

    whole = level("Alder-C2", NEW) - level("Alder-C1", OLD)
    # Sixteen readings or more of 0.15 dB behind each cooler's law.
    assert noise["total"] == pytest.approx(whole, abs=0.3)
    assert noise["firmware, on the old hardware"] == pytest.approx(
        level("Alder-C1", NEW) - level("Alder-C1", OLD), abs=0.3
    )
    assert noise[MAIN[0]] + noise[MAIN[1]] == pytest.approx(noise["total"], abs=EXACT)
    assert list(noise[MAIN[2:]]) == [0.0, 0.0]
    assert noise["hardware, at equal noise"] == 0.0


def test_hardware_at_equal_noise(aliased, fix):
    truth = aliased.truth
    setting = fix.settings[OLD]
    loud = truth.noise_level_dba("Alder-C1", setting.flow_speed, "Alder-C1-1")
    speed = truth.speed_at_level_rpm("Alder-C2", loud, "Alder-C2-1")
    old, new = (
        truth.rise_k("memory", product, fan_rpm=rpm, power_w=setting.power_w)
        for product, rpm in (("Alder r1", setting.flow_speed), ("Alder r2", speed))
    )
    row = fix.table.set_index("part").loc["hardware, at equal noise"]
    assert row["mean_k"] == pytest.approx(old - new, abs=3.0 * row["sd_k"])
    # What equal noise adds to equal fan speed: the parts' own doubt cancels, and 0.15 dB of
    # a cooler's level is 0.7 % of its speed, 0.2 K.
    at_equal_speed = truth.rise_k(
        "memory", "Alder r2", fan_rpm=setting.flow_speed, power_w=setting.power_w
    )
    gained = (
        means(fix)["hardware, at equal noise"] - means(fix)["hardware, fan and power as before"]
    )
    assert at_equal_speed - new > 0.5
    assert gained == pytest.approx(at_equal_speed - new, abs=0.4)
    assert any(sentence.startswith("At equal noise") for sentence in fix.sentences)


def test_a_level_out_of_reach_is_not_estimated(aliased):
    # Twice the speed is about 16 dB louder: far above what the new cooler was run at.
    loud = Conditions(fan_rpm=4200.0, power_w=225.0)
    answer = attribute(aliased.fit, OLD, NEW, settings={"before": loud})
    row = answer.table.set_index("part").loc["hardware, at equal noise"]
    assert np.isnan(row["mean_k"])
    assert row["health"].startswith("not estimable")
    assert not any(sentence.startswith("At equal noise") for sentence in answer.sentences)


def test_without_noise_readings_there_is_no_row_at_equal_noise(aliased):
    silent = aliased.fit.results.assign(noise_dba=np.nan)
    model = fit(silent, "memory", draws=400, seed=5)
    with pytest.raises(NotEstimableError, match="usable noise reading"):
        fit_noise(model.results, reference_rpm=1800.0)
    answer = attribute(model, OLD, NEW)
    assert "hardware, at equal noise" not in set(answer.table["part"])
    assert answer.table["noise_db"].isna().all()


def test_a_fit_of_few_draws_still_has_its_row_at_equal_noise(aliased):
    model = fit(aliased.fit.results, "memory", draws=400, seed=5)
    draws = parts_of(attribute(model, OLD, NEW))
    assert draws["hardware, at equal noise"].notna().sum() == 400


def test_shares_that_follow_the_priors_say_so(fix, crossed):
    health = fix.table.set_index("part")["health"]
    assert health["of the hardware: board"].startswith("not separable")
    assert health["of the hardware: memory vendor"].startswith("not separable")
    assert health["of the hardware: cooler"] == health["hardware"]
    assert any("board, memory vendor are not separable" in caveat for caveat in fix.caveats)
    clear = attribute(crossed.fit, OLD, NEW)
    assert not clear.table["health"].str.startswith("not separable").any()
    assert not any("not separable" in caveat for caveat in clear.caveats)


def test_shares_of_a_total_that_may_be_nothing_are_not_stated(firmware_only, fix):
    build = build_of(firmware_only.fit, OLD)
    other = dataclasses.replace(build, cooler_model="Alder-C2")
    held = Conditions(fan_rpm=1800.0, power_w=200.0)
    words = " ".join(attribute(firmware_only.fit, build, other, held).sentences)
    assert "too uncertain to state shares" in words
    assert "share of the improvement is about" in " ".join(fix.sentences)


def test_stock_runs_that_scatter_widen_the_firmware_part(aliased):
    """The mean speed of a few stock runs is known no better than its standard error."""
    answer = attribute_once(aliased.fit, OLD, NEW)
    old = answer.settings[answer.title.removeprefix("From ").split(" to ")[0]]
    assert old.flow_speed_error > 0.0
    held = attribute(
        aliased.fit,
        OLD,
        NEW,
        settings={"before": Conditions(fan_rpm=old.flow_speed, power_w=old.power_w)},
    )
    spread = {
        name: one.table.set_index("part").loc["firmware: fan speed", "sd_k"]
        for name, one in (("measured", answer), ("stated", held))
    }
    assert spread["measured"] > spread["stated"]


def test_parts_of_a_study_with_fixed_speeds_come_from_the_data(aliased):
    shares = attribute_once(aliased.fit, OLD, NEW).table.set_index("part")["data_share"]
    assert shares["total"] > 0.9
    assert shares["hardware"] > 0.9
    assert shares["firmware: fan speed"] > 0.9


def test_a_fix_that_makes_it_warmer_is_told_as_warmer(aliased):
    """Old and new swapped: the same numbers, and no "runs -15 K cooler"."""
    there, back = (attribute_once(aliased.fit, *builds) for builds in ((OLD, NEW), (NEW, OLD)))
    first, split, share = back.sentences[:3]
    mean, low, high = (f"{back.table.loc[0, name]:.1f}" for name in ("mean_k", "low_k", "high_k"))
    assert mean.startswith("-")
    said = f"runs {mean[1:]} K ({high.removeprefix('-')} to {low[1:]}) warmer than {NEW}"
    assert said in first
    assert "cooler" not in first
    assert "cooler" in there.sentences[0]
    assert split.startswith("As improvements, averaged over every order of the changes: hardware −")
    assert share.startswith("The hardware's share of the difference is about")
    louder, quieter = (" ".join(answer.sentences) for answer in (there, back))
    assert "louder than the old one" in louder
    assert "quieter than the old one" in quieter


@pytest.mark.parametrize(
    ("share", "better", "said"),
    [
        (0.6, True, "of the improvement is about 60%."),
        (1.08, True, "about 108%: the other parts together worked against it."),
        (-0.2, False, "of the difference is about −20%: it worked against the other parts."),
    ],
)
def test_a_share_beyond_the_whole_says_why(share, better, said):
    from thermcmp.questions.attribution.text import share_words

    assert share_words(share, better=better).endswith(said)


def test_conditions_are_spelled_out_or_bundled(aliased, fix):
    words = attribute(aliased.fit, OLD, NEW, ambient_c=35.0)
    whole = attribute_once(aliased.fit, OLD, NEW, Conditions(ambient_c=35.0))
    assert words.before_c == whole.before_c == pytest.approx(fix.before_c + 14.0)
    with pytest.raises(InputError, match="noise cannot be held"):
        attribute(aliased.fit, OLD, NEW, noise_dba=40.0)


def test_settings_name_a_side(aliased):
    with pytest.raises(InputError, match="use 'before' and 'after'"):
        attribute(aliased.fit, OLD, NEW, settings={OLD: Conditions(fan_rpm=1500.0)})
