"""One study each of worlds that the model does not share: right, or a range and a missing run."""

import numpy as np
import pytest
from fix_worlds import NEW, OLD, OWN, WORLDS, study
from made_once import attribute_once, fit_once

import thermcmp as tc


def ask(letter, seed=7001, **options):
    (name,) = (name for name in WORLDS if name.startswith(f"{letter}:"))
    drawn = study(WORLDS[name], seed)
    fit = fit_once(drawn.rows, "memory", seed=seed)
    return drawn, fit, lambda: attribute_once(fit, OLD, NEW, **options)


@pytest.mark.parametrize("letter", ["a", "b1"])
def test_stock_runs_alone_are_refused_with_total_and_missing_run(letter):
    _, _, answer = ask(letter)
    with pytest.raises(tc.NotEstimableError) as refusal:
        answer()
    words = str(refusal.value)
    assert "improves on" in words
    assert "not separable. Fix: run" in words
    assert "at a fixed fan speed of about" in words


@pytest.mark.parametrize("letter", ["b3", "b4"])
def test_stock_fans_on_a_curve_count_at_their_mean_beside_fixed_speeds(letter):
    drawn, fit, answer = ask(letter)
    stock = drawn.rows["fan_mode"].eq("stock").to_numpy()
    speeds = fit.design.flow_speed[stock]
    # The curves moved them; the fit has one speed per card and power.
    assert drawn.rows.loc[stock, "fan_rpm"].nunique() > 10
    assert len(np.unique(speeds)) <= 4
    assert any(
        f"{stock.sum()} runs taken at the mean fan speed" in note for note in fit.design.notes
    )
    fan = answer().table.set_index("part").loc["firmware: fan speed"]
    assert fan["low_k"] < drawn.true_k["fan speed"] < fan["high_k"]
    assert fan["high_k"] - fan["low_k"] < 1.5


def test_stock_runs_alone_are_split_where_the_prior_is_allowed():
    _, _, answer = ask("a", allow_prior=True)
    table = answer().table.set_index("part")
    assert np.isfinite(table.loc["firmware: fan speed", "mean_k"])
    assert "mostly the prior's" in table.loc["firmware: fan speed", "health"]


@pytest.mark.parametrize("letter", ["own", "c1", "d", "e"])
def test_no_part_is_a_number_of_the_prior_s(letter):
    table = ask(letter)[2]().table
    stated = table[table["mean_k"].notna() & table["part"].ne("total")]
    assert not (stated["data_share"].lt(0.5) & stated["sd_k"].gt(0.1)).any()
    assert table["mean_k"].isna().any()
    assert not table["health"].str.contains("mostly the prior's").any()


def test_a_cooler_run_at_one_speed_gets_a_range_and_its_run():
    drawn, _, answer = ask("d")
    found = answer()
    row = found.table.set_index("part").loc["firmware: fan speed"]
    assert np.isnan(row["mean_k"])
    assert row["low_k"] < drawn.true_k["fan speed"] < row["high_k"]
    assert row["health"].startswith("withheld")
    assert any("only their range is stated" in c and "Fix: run" in c for c in found.caveats)
    assert not any("share of the improvement" in s for s in found.sentences)
    assert any("fan speed somewhere from" in s for s in found.sentences)
    # A corner that was never run follows from what is withheld: a range as well.
    corners = found.corners.set_index(["hardware", "firmware"])
    own = corners.loc[[("old", "old"), ("new", "new")]]
    assert own["mean_c"].notna().all()
    assert own["basis"].str.startswith("measured in").all()
    unseen = corners.loc[("new", "old")]
    assert np.isnan(unseen["mean_c"])
    assert unseen["basis"].endswith("range only")
    assert unseen["low_c"] < unseen["high_c"]


def test_memory_heat_of_its_own_leaves_hardware_and_fan_right_and_power_open():
    drawn, fit, answer = ask("c2")
    found = answer()
    table = found.table.set_index("part")
    for part, name in {"hardware": "hardware", "fan speed": "firmware: fan speed"}.items():
        assert table.loc[name, "low_k"] < drawn.true_k[part] < table.loc[name, "high_k"]
    power = table.loc["firmware: power"]
    assert np.isnan(power["mean_k"])
    assert power["low_k"] < drawn.true_k["power"] < power["high_k"]
    # Both powers were run at one speed, but each under its own firmware.
    assert "never varied at one fan speed" in fit.power.loc[0, "note"]
    assert any("rpm under one firmware" in c for c in found.caveats)


def test_two_powers_at_one_speed_settle_the_power_part():
    drawn, fit, answer = ask("g")
    power = answer().table.set_index("part").loc["firmware: power"]
    assert power["low_k"] < drawn.true_k["power"] < power["high_k"]
    assert np.isfinite(power["mean_k"])
    assert fit.power.loc[0, "note"] == ""


def test_a_direct_firmware_effect_is_found_where_firmware_and_hardware_were_crossed():
    drawn, _, answer = ask("f1")
    table = answer().table.set_index("part")
    direct = table.loc["firmware: direct"]
    assert direct["low_k"] < drawn.true_k["direct"] < direct["high_k"]
    assert direct["low_k"] > 0.0


def test_a_direct_firmware_effect_is_allowed_for_where_they_were_not():
    drawn, fit, answer = ask("f2")
    found = answer()
    table = found.table.set_index("part")
    assert np.isnan(table.loc["firmware: direct", "mean_k"])
    hardware = table.loc["hardware"]
    assert hardware["low_k"] < drawn.true_k["hardware"] < hardware["high_k"]
    assert np.isfinite(hardware["mean_k"])
    assert hardware["health"].endswith("allows for a direct firmware effect")
    assert any("beyond fan speed and power" in c and "allows" in c for c in found.caveats)
    words = "Firmware changed together with cooler"
    assert any(words in caveat for caveat in tc.separate(fit).caveats)
    crossed = ask("f1")[1]
    assert not any(words in caveat for caveat in tc.separate(crossed).caveats)


def attributed(rows, errors):
    fit = fit_once(rows, "memory", seed=7004, errors=errors)
    return attribute_once(fit, OLD, NEW).table.set_index("part")


def test_instruments_that_differ_between_benches_are_allowed_for():
    drawn = study(OWN, 7004)
    is_new = drawn.rows["board_model"].eq("Heron-B2").to_numpy()
    side = np.where(is_new, 1.0, -1.0)
    rows = drawn.rows.assign(
        bench=np.where(is_new, "bench 2", "bench 1"),
        session=drawn.rows["session"] + np.where(is_new, " there", " here"),
        power_w=drawn.rows["power_w"] * (1.0 - 0.03 * side),
        ambient_c=drawn.rows["ambient_c"] + 0.6 * side,
    )
    truth = drawn.true_k["hardware"]
    # Unstated, what the benches differ by is all that allows for it.
    unstated = attributed(rows, None).loc["hardware"]
    assert unstated["low_k"] < truth < unstated["high_k"]
    stated = attributed(rows, tc.MeasurementError(power_gain=0.03, ambient_offset_k=0.6))
    assert stated.loc["hardware", "low_k"] < truth < stated.loc["hardware", "high_k"]
    # Powers of two wattmeters: what changed between the builds is open too.
    power = stated.loc["firmware: power"]
    assert power["low_k"] < 1.0 < 9.0 < power["high_k"]


def test_a_gain_of_one_bench_leaves_what_was_measured_as_it_is():
    rows = study(OWN, 7004).rows
    plain = attributed(rows, None)
    gains = attributed(rows, tc.MeasurementError(power_gain=0.05, fan_speed_gain=0.03))
    for part in ("total", "hardware"):
        assert gains.loc[part, "mean_k"] == pytest.approx(plain.loc[part, "mean_k"], abs=0.15)
        assert gains.loc[part, "sd_k"] == pytest.approx(plain.loc[part, "sd_k"], rel=0.15)


@pytest.mark.parametrize(
    ("column", "part", "factor", "missing"),
    [
        ("fan_rpm", "cooler_model", 2.0, "at a fixed fan speed of about"),
        ("power_w", "board_model", 1.5, " W and at "),
    ],
    ids=["tachometer", "power meter"],
)
def test_no_part_is_split_by_a_law_far_from_every_run(column, part, factor, missing):
    """A counter of twice the pulses, or one card's power at the wall: no run near the other's."""
    rows = study(OWN, 7001).rows
    mine = rows[part].eq(sorted(rows[part].unique())[1])
    rows[column] = rows[column].mask(mine, factor * rows[column])
    answer = attribute_once(fit_once(rows, "memory", seed=1), OLD, NEW)
    table = answer.table.set_index("part")
    withheld = table.index[table["health"].str.startswith("withheld")]
    of_it = {"fan_rpm": "firmware: fan speed", "power_w": "firmware: power"}[column]
    assert {"hardware", of_it, "interaction", "firmware, on the old hardware"} <= set(withheld)
    assert table.loc[withheld, "mean_k"].isna().all()
    assert np.isfinite(table.loc["total", "mean_k"])
    assert any("only their range is stated: hardware" in c and missing in c for c in answer.caveats)
