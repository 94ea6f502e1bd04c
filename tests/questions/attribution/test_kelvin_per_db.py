"""What the level of a fix costs and buys: decibels with intervals, kelvin per decibel."""

from dataclasses import replace

import numpy as np
import pytest
from made_once import attribute_once

from thermcmp.model.conditions import Conditions
from thermcmp.prediction import fitted_build
from thermcmp.questions.attribution.kelvin_per_db import is_clear
from thermcmp.questions.attribution.question import attribute
from thermcmp.questions.ranking.question import rank

OLD, NEW = "Alder r1 / fw 1", "Alder r2 / fw 2"
MAIN = ["hardware", "firmware: fan speed", "firmware: power", "firmware: direct"]
FAN = MAIN[1]


@pytest.fixture(scope="module")
def fix(aliased):
    return attribute_once(aliased.fit, OLD, NEW)


def price(answer):
    return answer.kelvin_per_db.set_index("part")


def test_changes_of_level_sum_in_every_draw(fix):
    draws = fix.draws["noise_db"].to_pandas().T
    assert np.abs(draws[MAIN].sum(axis=1) - draws["total"]).max() < 1e-9
    table = fix.table.set_index("part")
    for part in ("total", *MAIN):
        low, high = np.quantile(draws[part], [0.05, 0.95])
        assert table.loc[part, "noise_low_db"] == pytest.approx(low, abs=1e-12)
        assert table.loc[part, "noise_high_db"] == pytest.approx(high, abs=1e-12)
        assert table.loc[part, "noise_db"] == pytest.approx(draws[part].mean(), abs=1e-12)


def test_the_true_change_of_level_lies_in_its_interval(aliased, fix):
    truth = aliased.truth
    speed = {name: setting.flow_speed for name, setting in fix.settings.items()}

    def level(cooler, name):
        return truth.noise_level_dba(cooler, speed[name], f"{cooler}-1")

    whole = level("Alder-C2", NEW) - level("Alder-C1", OLD)
    row = fix.table.set_index("part").loc["total"]
    # The 90 % interval, half as wide again on each side: this is one sample.
    slack = (row["noise_high_db"] - row["noise_low_db"]) / 2.0
    assert row["noise_low_db"] - slack < whole < row["noise_high_db"] + slack
    assert 0.05 < slack < 0.5


def test_kelvin_per_decibel_is_the_ratio_draw_by_draw(fix):
    gain = fix.draws["improvement_k"].sel(part=FAN).to_numpy()
    louder = fix.draws["noise_db"].sel(part=FAN).to_numpy()
    row = price(fix).loc[FAN]
    assert row["mean_k_per_db"] == pytest.approx(np.mean(gain / louder), rel=1e-12)
    low, high = np.quantile(gain / louder, [0.05, 0.95])
    assert (row["low_k_per_db"], row["high_k_per_db"]) == pytest.approx((low, high), rel=1e-12)
    assert row["cost_db"] == pytest.approx(louder.mean(), rel=1e-12)
    assert row["health"] == "ok"


@pytest.mark.parametrize(
    ("hardware", "product", "build"), [("new", "Alder r2", NEW), ("old", "Alder r1", OLD)]
)
def test_a_hardware_sells_at_the_slope_of_the_true_laws(aliased, fix, hardware, product, build):
    # The simulator's laws, differentiated by a step of 1 rpm each way.
    truth, setting = aliased.truth, fix.settings[build]
    cooler = "Alder-C2" if hardware == "new" else "Alder-C1"
    (slow, quiet), (fast, loud) = (
        (
            truth.rise_k("memory", product, fan_rpm=rpm, power_w=setting.power_w),
            truth.noise_level_dba(cooler, rpm),
        )
        for rpm in (setting.flow_speed - 1.0, setting.flow_speed + 1.0)
    )
    row = price(fix).loc[f"{hardware} hardware, at its own fan speed"]
    expected = (slow - fast) / (loud - quiet)
    sd = (row["high_k_per_db"] - row["low_k_per_db"]) / 3.29
    assert abs(row["mean_k_per_db"] - expected) < 3.0 * sd
    assert sd < 0.1 * expected
    # What the fan speed's kelvins cost there.
    gain = fix.table.set_index("part").loc[FAN, "mean_k"]
    assert row["cost_db"] == pytest.approx(gain / row["mean_k_per_db"], rel=0.01)


def test_louder_fans_sell_less(fix):
    # A power law flattens: the same hardware faster gains less per decibel.
    table = price(fix)
    new, old = (table.loc[f"{age} hardware, at its own fan speed"] for age in ("new", "old"))
    assert new["mean_k_per_db"] < old["mean_k_per_db"]
    assert new["low_k_per_db"] < table.loc[FAN, "mean_k_per_db"] < old["high_k_per_db"]


@pytest.mark.parametrize("apart", [0.0, 1.0])
def test_no_ratio_where_the_level_hardly_changed(aliased, apart):
    # Stock speeds known within some rpm, and 1 rpm or none between their means.
    own = attribute_once(aliased.fit, OLD, NEW).settings[OLD]
    same = Conditions(fan_rpm=own.flow_speed + apart, power_w=218.0)
    answer = attribute(aliased.fit, OLD, NEW, settings={"after": same})
    row = price(answer).loc[FAN]
    assert np.isnan(row["mean_k_per_db"])
    assert row["health"].startswith("no ratio")
    (sentence,) = [one for one in answer.sentences if "too little for a ratio" in one]
    assert "the new hardware gives" in sentence
    assert "nan" not in " ".join(answer.sentences)


def test_a_clear_change_is_four_standard_deviations_from_zero():
    rng = np.random.default_rng(2)
    noise = rng.standard_normal(4000)
    noise = (noise - noise.mean()) / noise.std()
    assert is_clear(noise + 4.01)
    assert is_clear(noise - 4.01)
    assert not is_clear(noise + 3.99)
    assert not is_clear(np.zeros(10))


def test_without_noise_there_is_no_price(aliased, fit_known):
    silent = replace(aliased.fit, design=replace(
        aliased.fit.design, rows=aliased.fit.results.assign(noise_dba=np.nan)
    ))  # fmt: skip
    answer = attribute(silent, OLD, NEW)
    assert answer.kelvin_per_db.empty
    assert answer.corners["noise_dba"].isna().all()
    assert "sound level" not in set(answer.changes["quantity"])
    assert "noise_db" not in answer.draws
    assert not any("dB" in sentence for sentence in answer.sentences)


def test_a_level_far_outside_the_measured_speeds_is_not_told(aliased):
    loud = Conditions(fan_rpm=4200.0, power_w=225.0)
    answer = attribute(aliased.fit, OLD, NEW, settings={"before": loud})
    assert answer.table["noise_db"].isna().all()
    corner = answer.corners.iloc[0]
    assert np.isnan(corner["noise_dba"])
    assert corner["basis"] == "predicted beyond the measured fan speeds"
    assert any("far from those that its hardware was run at" in c for c in answer.caveats)


def test_a_level_that_is_known_at_the_ends_only(aliased):
    # The old cooler's noise was measured slow only: up to 1.25 times that speed it is told.
    rows = aliased.fit.results
    fast = rows["cooler_model"].eq("Alder-C1") & rows["fan_rpm"].gt(1450.0)
    quiet = rows.assign(noise_dba=rows["noise_dba"].mask(fast))
    partly = replace(aliased.fit, design=replace(aliased.fit.design, rows=quiet))
    answer = attribute(partly, OLD, NEW)
    levels = answer.corners["noise_dba"].isna().tolist()
    assert levels == [False, True, False, False]
    table = answer.table.set_index("part")
    assert np.isfinite(table.loc["total", "noise_db"])
    assert np.isnan(table.loc[FAN, "noise_db"])
    assert price(answer).loc[FAN, "health"] == "no ratio: its level was not measured there"
    assert "nan" not in " ".join(answer.sentences)
    assert any("the new hardware gives" in sentence for sentence in answer.sentences)


def test_the_noise_law_is_fitted_once_per_fit_and_distance(aliased, monkeypatch):
    made, fit_noise = [], fitted_build.fit_noise

    def counting(*args, **options):
        made.append(options["mic_distance_m"])
        return fit_noise(*args, **options)

    monkeypatch.setattr(fitted_build, "fit_noise", counting)
    fresh = replace(aliased.fit)
    first = attribute(fresh, OLD, NEW)
    again = attribute(fresh, OLD, NEW)
    rank(fresh, noise_dba=40.0)
    assert made == [0.5]
    assert first.table.equals(again.table)
    rank(fresh, noise_dba=40.0, mic_distance_m=1.0)
    assert made == [0.5, 1.0]


def test_what_changed_is_after_minus_before(aliased, fix):
    changes = fix.changes.set_index("quantity")
    old, new = fix.settings[OLD], fix.settings[NEW]
    assert changes.loc["fan speed", "change"] == pytest.approx(
        new.flow_speed - old.flow_speed, abs=1.0
    )
    assert changes.loc["power", "change"] == pytest.approx(new.power_w - old.power_w, abs=0.2)
    table = fix.table.set_index("part")
    assert changes.loc["temperature", "change"] == pytest.approx(-table.loc["total", "mean_k"])
    assert changes.loc["sound level", "change"] == pytest.approx(table.loc["total", "noise_db"])
    assert (changes["low"] < changes["change"]).all()
    assert (changes["change"] < changes["high"]).all()
