"""Which corners of a fix were measured, and what an unbalanced library can tell."""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from fix_designs import DESIGNS, NEW, OLD, STUDY, all_corners, stock_runs_only
from made_once import attribute_once, fit_once

from thermcmp.errors import InputError, NotEstimableError
from thermcmp.model.conditions import Conditions
from thermcmp.questions.attribution.question import attribute
from thermcmp.simulation import Scenario, simulate

#: Part -> its name in the truth; the simulated firmwares do nothing directly.
MAIN = {
    "hardware": "hardware",
    "firmware: fan speed": "fan",
    "firmware: power": "power",
    "firmware: direct": "direct",
}
SEED, WORLD = 22, Scenario(bad_mount_probability=0.0)
REFERENCE = Conditions(power_w=200.0, fan_rpm=1800.0)
#: The new card has one speed only, so neither its convective part is in the runs nor what
#: its firmware does directly.
WITHHELD = {
    "stock runs, and one card at fixed speeds": {
        "hardware", "firmware: fan speed", "firmware: direct",
    },
}  # fmt: skip
#: As the answer states them.
NEAR_SPEED, NEAR_POWER = 0.03, 0.05


def fitted(rows):
    rows = rows.reset_index(drop=True)
    return fit_once(rows, "memory", reference=REFERENCE, draws=2000, seed=5)


@pytest.fixture(scope="module")
def campaign():
    return simulate(STUDY, seed=SEED, scenario=WORLD)


@pytest.fixture(scope="module", params=DESIGNS)
def library(request, campaign):
    """Name of the design, its fit and its answer."""
    model = fitted(DESIGNS[request.param](campaign.results))
    return request.param, model, attribute_once(model, OLD, NEW)


@pytest.fixture(scope="module")
def stock_only(campaign):
    return fitted(stock_runs_only(campaign.results))


def test_the_true_parts_are_found_in_each_library(campaign, library):
    design, _, answer = library
    truth = campaign.truth.attribution_k("memory", OLD, NEW)
    true_k = truth.order_free_k | {"direct": 0.0}
    table = answer.table.set_index("part")
    withheld = set()
    for part, name in MAIN.items():
        row = table.loc[part]
        if row["health"].startswith("withheld"):
            withheld.add(part)
            assert row["low_k"] < true_k[name] < row["high_k"], part
        else:
            assert abs(row["mean_k"] - true_k[name]) < 3.0 * row["sd_k"], part
    assert withheld == WITHHELD.get(design, set())
    assert abs(table.loc["total", "mean_k"] - truth.total_k) < 3.0 * table.loc["total", "sd_k"]


def test_parts_sum_to_the_total_in_every_draw(library):
    draws = library[2].draws["improvement_k"].to_pandas().T
    assert np.abs(draws[list(MAIN)].sum(axis=1) - draws["total"]).max() < 1e-9


def test_four_corners_with_their_true_temperatures(campaign, library):
    _, _, answer = library
    corners = answer.corners
    assert list(zip(corners["hardware"], corners["firmware"], strict=True)) == [
        ("old", "old"), ("old", "new"), ("new", "old"), ("new", "new"),
    ]  # fmt: skip
    for row in corners.itertuples():
        setting = campaign.truth.firmware["fw 1" if row.firmware == "old" else "fw 2"]
        rise = campaign.truth.rise_k(
            "memory",
            "Alder r1" if row.hardware == "old" else "Alder r2",
            fan_rpm=setting.fan_rpm,
            power_w=setting.power_w,
        )
        if row.basis.endswith("range only"):
            assert np.isnan(row.mean_c)
            assert row.low_c < 21.0 + rise < row.high_c
        else:
            sd = (row.high_c - row.low_c) / 3.29
            assert abs(row.mean_c - (21.0 + rise)) < 3.0 * sd
        assert row.fan_rpm == pytest.approx(setting.fan_rpm, rel=0.01)
        assert row.power_w == pytest.approx(setting.power_w, rel=0.02)
    # The new card was run at one speed only: at the old firmware's it has a range.
    one_card = library[0].startswith("stock runs")
    ranges = corners["basis"].str.endswith("range only").tolist()
    assert ranges == [False, False, one_card, False]
    first, last = corners.iloc[0], corners.iloc[3]
    total = answer.table.set_index("part").loc["total", "mean_k"]
    assert first["mean_c"] - last["mean_c"] == pytest.approx(total, abs=1e-9)
    assert first["mean_c"] == pytest.approx(answer.before_c, abs=1e-9)


def counted(rows, cooler, setting):
    """Runs of a cooler near a setting, counted one by one; its stock runs are, all of them."""
    return sum(
        row.cooler_model == cooler
        and abs(row.fan_rpm / setting.flow_speed - 1.0) <= NEAR_SPEED
        and abs(row.power_w / setting.power_w - 1.0) <= NEAR_POWER
        for row in rows.itertuples()
    )


# Speeds that a loop moved while the reading stayed look like a card that throttles.
@pytest.mark.filterwarnings("ignore:.* stay between")
def test_stock_runs_that_scatter_are_still_their_own_corner(campaign):
    # A loop that answers the room: stock runs 10 % apart, with their mean between them.
    rows = campaign.results.query("sensor == 'memory'")
    stock = rows["fan_mode"].eq("stock") & rows["firmware"].eq("fw 1")
    own = stock & rows["cooler_model"].eq("Alder-C1")
    apart = np.where(np.arange(len(rows)) % 2, 1.1, 0.9)
    scattered = rows.assign(fan_rpm=np.where(own, rows["fan_rpm"] * apart, rows["fan_rpm"]))
    model = fitted(scattered)
    answer = attribute(model, OLD, NEW)
    runs = int(own.sum())
    assert answer.corners.iloc[0]["basis"] == f"measured in {runs} runs"
    # Stated, the same speed is not that of its stock runs any more.
    near = Conditions(fan_rpm=answer.settings[OLD].flow_speed + 60.0, power_w=225.0)
    moved = attribute(model, OLD, NEW, settings={"before": near}).corners.iloc[0]["basis"]
    assert moved == "predicted"


def test_measured_corners_are_told_from_predicted_ones(library):
    design, model, answer = library
    found = {}
    for row in answer.corners.itertuples():
        cooler = "Alder-C1" if row.hardware == "old" else "Alder-C2"
        runs = counted(
            model.results, cooler, answer.settings[OLD if row.firmware == "old" else NEW]
        )
        expected = f"measured in {runs} runs" if runs else "predicted"
        assert row.basis.startswith(expected)
        found[row.hardware, row.firmware] = bool(runs)
    missing = {
        "all corners measured": set(),
        "one corner missing": {("old", "new")},
        "stock runs, and one card at fixed speeds": {("old", "new"), ("new", "old")},
    }[design]
    assert {corner for corner, measured in found.items() if not measured} == missing
    (sentence,) = [one for one in answer.sentences if one.startswith("Corners")]
    assert f"{NEAR_SPEED:.0%} of fan speed" in sentence
    assert f"{NEAR_POWER:.0%} of power" in sentence
    said = sentence.partition("predicted by the model:")[2]
    for hardware, firmware in missing:
        assert f"{hardware} hardware under {firmware} firmware" in said
    assert bool(missing) == bool(said)


def test_what_rests_on_the_likeness_of_coolers_is_marked(library):
    design, _, answer = library
    table = answer.table.set_index("part")
    one_card = design.startswith("stock runs")
    assert table.loc["firmware: fan speed", "health"].startswith("withheld") == one_card
    assert table.loc["total", "health"] == "ok"
    ranges = [caveat for caveat in answer.caveats if "only their range is stated" in caveat]
    assert len(ranges) == one_card
    # The card of one speed is the one to run.
    assert all("Fix: run Alder-C2 on Alder-B2 at a fixed fan speed" in words for words in ranges)


def test_a_level_out_of_reach_has_no_range_either(library):
    _, model, _ = library
    loud = Conditions(fan_rpm=4200.0, power_w=225.0)
    answer = attribute(model, OLD, NEW, settings={"before": loud})
    row = answer.table.set_index("part").loc["hardware, at equal noise"]
    assert row[["mean_k", "low_k", "high_k"]].isna().all()
    assert row["health"].startswith("not estimable")


def test_less_measured_is_less_sure(campaign):
    widths = []
    for design in DESIGNS.values():
        answer = attribute_once(fitted(design(campaign.results)), OLD, NEW)
        row = answer.table.set_index("part").loc["firmware: fan speed"]
        widths.append(row["high_k"] - row["low_k"])
    assert widths[0] < widths[1] < widths[2]


def test_stock_runs_alone_are_refused_and_the_missing_run_is_named(stock_only):
    with pytest.raises(NotEstimableError, match="fan_mode 'fixed'") as caught:
        attribute(stock_only, OLD, NEW)
    words = str(caught.value)
    # Either card at the other firmware's fan speed.
    asked = ("Alder-C2 on Alder-B2", "17") if "Alder-C2 on" in words else ("Alder-C1 on", "20")
    assert all(word in words for word in asked)
    assert "allow_prior=True" in words


def runs_named(words):
    """The same cards, at the fixed fan speed and power that the words ask one of them for."""
    ((cooler, speed, power),) = re.findall(
        r"run (\S+) on \S+ at a fixed fan speed of about (\d+) rpm and (\d+) W", words
    )
    study = replace(STUDY, fan_speeds_rpm=(float(speed),), power_w=float(power))
    rows = simulate(study, seed=SEED, scenario=WORLD).results
    asked = rows[rows["cooler_model"].eq(cooler) & rows["fan_mode"].eq("fixed")]
    return asked.assign(run=f"{cooler} " + asked["run"])


def test_the_runs_that_were_named_make_the_answer_possible(campaign, stock_only):
    with pytest.raises(NotEstimableError) as caught:
        attribute(stock_only, OLD, NEW)
    truth = campaign.truth.attribution_k("memory", OLD, NEW).order_free_k["fan"]
    rows = pd.concat([stock_runs_only(campaign.results), runs_named(str(caught.value))])
    answer = attribute(fitted(rows), OLD, NEW)
    first = answer.table.set_index("part").loc["firmware: fan speed"]
    # One card's convective part is known now: a range, and the other card's run.
    assert first["health"].startswith("withheld")
    assert first["low_k"] < truth < first["high_k"]
    (caveat,) = [words for words in answer.caveats if "only their range is stated" in words]
    rows = pd.concat([rows, runs_named(caveat)])
    second = attribute(fitted(rows), OLD, NEW).table.set_index("part").loc["firmware: fan speed"]
    assert second["health"] == "ok"
    assert abs(second["mean_k"] - truth) < 3.0 * second["sd_k"]
    assert second["high_k"] - second["low_k"] < 0.5 * (first["high_k"] - first["low_k"])


def test_another_cooler_at_several_speeds_serves_and_is_marked(campaign):
    # The old card's fixed speeds, called another card's: coolers are taken to be alike.
    rows = campaign.results
    swept = rows[rows["cooler_model"].eq("Alder-C1") & rows["fan_mode"].eq("fixed")]
    other = swept.assign(
        product="Heron",
        cooler_model="Heron-C1",
        cooler_id="Heron-C1-1",
        board_model="Heron-B1",
        board_id="Heron-B1-1",
        assembly="Heron " + swept["assembly"],
        run="h" + swept["run"],
    )
    answer = attribute(fitted(pd.concat([stock_runs_only(rows), other])), OLD, NEW)
    row = answer.table.set_index("part").loc["firmware: fan speed"]
    truth = campaign.truth.attribution_k("memory", OLD, NEW).order_free_k["fan"]
    assert row["health"].startswith("withheld")
    assert row["low_k"] < truth < row["high_k"]
    (caveat,) = [words for words in answer.caveats if "only their range is stated" in words]
    assert all(f"run {cooler}" in caveat for cooler in ("Alder-C1", "Alder-C2"))


def test_the_prior_may_split_where_that_is_asked_for(campaign, stock_only):
    answer = attribute(stock_only, OLD, NEW, allow_prior=True)
    assert any("allow_prior=True" in caveat for caveat in answer.caveats)
    table = answer.table.set_index("part")
    for part in ("hardware", "firmware: fan speed"):
        assert table.loc[part, "data_share"] < 0.1
        assert table.loc[part, "health"].endswith("mostly the prior's")
    # Only the total was measured, and it is as well known as ever.
    assert table.loc["total", "data_share"] > 0.9
    truth = campaign.truth.attribution_k("memory", OLD, NEW).total_k
    assert abs(table.loc["total", "mean_k"] - truth) < 3.0 * table.loc["total", "sd_k"]
    assert table.loc["firmware: fan speed", "sd_k"] > 2.0 * table.loc["total", "sd_k"] / 3.0


def test_a_small_difference_of_speed_is_answered_on_the_prior(stock_only):
    near = Conditions(fan_rpm=2080.0, power_w=220.0)
    answer = attribute(stock_only, OLD, NEW, settings={"before": near})
    assert not any("allow_prior" in caveat for caveat in answer.caveats)


def test_what_counts_is_the_size_that_matters(stock_only):
    assert attribute(stock_only, OLD, NEW, matters_k=20.0).table["mean_k"].notna().any()
    with pytest.raises(InputError, match="matters_k"):
        attribute(stock_only, OLD, NEW, matters_k=0.0)


def test_stock_runs_that_were_never_repeated_say_so(campaign):
    rows = all_corners(campaign.results)
    once = ~rows.duplicated(["cooler_model", "firmware", "sensor", "fan_mode"])
    model = fitted(rows[once | ~rows["fan_mode"].eq("stock")])
    answer = attribute(model, OLD, NEW)
    assert any("No stock run was repeated" in caveat for caveat in answer.caveats)
    assert {setting.power_error_w for setting in answer.settings.values()} == {0.0}


def test_the_scatter_of_stock_runs_is_pooled_over_firmwares(campaign):
    model = fitted(campaign.results)
    stock = model.results[model.results["fan_mode"].eq("stock")]
    groups = stock.groupby(["cooler_model", "board_model", "firmware"])["power_w"]
    pooled = np.sqrt(sum(len(g) * g.var(ddof=0) for _, g in groups) / (len(stock) - groups.ngroups))
    setting = attribute_once(model, OLD, NEW).settings[OLD]
    own = groups.get_group(("Alder-C1", "Alder-B1", "fw 1"))
    assert setting.power_error_w == pytest.approx(pooled / np.sqrt(len(own)), rel=1e-9)
    assert setting.degrees == len(stock) - groups.ngroups
    # Student's t of that many degrees: variance n / (n - 2).
    _, watts = setting.draws(SimpleNamespace(draw_count=200_000, seed=3))
    expected = setting.power_error_w * np.sqrt(setting.degrees / (setting.degrees - 2))
    assert np.std(watts) == pytest.approx(expected, rel=0.02)


def test_the_corners_stand_in_the_report(library, tmp_path):
    from thermcmp.reporting.document import report

    _, model, answer = library
    page = report(answer, tmp_path / "page.html", fit=model).read_text(encoding="utf-8")
    for caption, table in answer.further_tables.items():
        # What changed stands in the table of corners.
        assert (caption in page) == (table is not answer.changes)
        assert len(table)
    for basis in answer.corners["basis"]:
        assert basis in page
    assert all(basis in str(answer) for basis in answer.corners["basis"])
