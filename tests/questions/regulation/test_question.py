"""Regulated runs told in rpm, dB(A) and W: what a field case says, and what cannot be said."""

import numpy as np
import pandas as pd
import pytest
from closed_loops import REFERENCE_RPM, Bench, Card
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from thermcmp.errors import NotEstimableError
from thermcmp.inference.fitting import fit
from thermcmp.model.conditions import Conditions
from thermcmp.questions.attribution.question import attribute
from thermcmp.questions.classical_tests import classical_check
from thermcmp.questions.regulation.question import any_regulated, regulated_runs
from thermcmp.questions.separation.question import separate
from thermcmp.reporting.default_answers import default_questions
from thermcmp.results.validation import check_results

OLD, NEW = Card("Alder-C1", 55.0, 30.0), Card("Alder-C2", 49.0, 30.0)
PAIR = "Alder r2 / fw 1 − Alder r1 / fw 1"


def told(frame, seed=5):
    """Names, assemblies and levels beside simulated runs."""
    rng = np.random.default_rng(seed)
    old = frame["cooler_model"].eq(OLD.name)
    within = frame.groupby("cooler_model").cumcount() % 3
    level = 38.0 + 55.0 * np.log10(frame["fan_rpm"] / REFERENCE_RPM)
    return frame.assign(
        product=np.where(old, "Alder r1", "Alder r2"),
        firmware="fw 1",
        fan_mode="stock",
        assembly=frame["cooler_model"] + " mount " + (within + 1).astype(str),
        noise_dba=level + 0.2 * rng.standard_normal(len(frame)),
        noise_floor_dba=20.0,
        mic_distance_m=0.5,
    )


@pytest.fixture(scope="module")
def silence():
    """The new cooler is 6 K better; both read 75 °C, since the firmware slowed the new fan.

    Common practice, no source: stock firmware that holds a target gives a better cooler
    back as a slower fan, and a reviewer who compares temperatures finds no difference.
    """
    rng, bench = np.random.default_rng(5), Bench(scatter_k=0.4, power_w=(198.0, 202.0))
    rows = [row for card in (OLD, NEW) for row in bench.by_fan(card, 75.0, 9, rng)]
    return told(bench.frame(rows))


@pytest.fixture(scope="module")
def answer(silence):
    return regulated_runs(silence)


def row_of(answer, build, quantity):
    table = answer.table
    return table[table["build"].eq(build) & table["quantity"].eq(quantity)].iloc[0]


def test_the_firmware_turned_all_of_the_improvement_into_lower_noise(silence, answer):
    assert np.ptp(silence.groupby("product")["temperature_c"].mean()) < 0.05
    said = answer.sentences[0]
    assert said.startswith("Alder r2 / fw 1 held the memory at 75.0 °C with ")
    assert "rpm less fan speed" in said and "dB(A) less noise" in said
    assert said.endswith("it turned all of Alder r2 / fw 1's improvement into lower noise.")
    assert not answer.table["unit"].isin(["K", "°C"]).any()
    speed, noise = (row_of(answer, PAIR, what) for what in ("fan speed", "noise"))
    # 6 K of 30 K at m = 0.65, from 55 to 49 K of rise at the reference: g up by a fifth.
    assert speed["high"] < -300.0 and noise["high"] < -4.0
    assert speed["held_c"] == pytest.approx(0.0, abs=0.05)


def test_intervals_are_welchs_over_assemblies(silence, answer):
    means = silence.groupby(["product", "assembly"])["fan_rpm"].mean()
    old, new = means["Alder r1"].to_numpy(), means["Alder r2"].to_numpy()
    # statsmodels has Welch's interval on its own.
    both = CompareMeans(DescrStatsW(new), DescrStatsW(old))
    low, high = both.tconfint_diff(alpha=0.1, usevar="unequal")
    found = row_of(answer, PAIR, "fan speed")
    assert (found["low"], found["high"]) == pytest.approx((low, high), rel=1e-9)
    assert found["assemblies"] == 6
    low, high = DescrStatsW(old).tconfint_mean(alpha=0.1)
    found = row_of(answer, "Alder r1 / fw 1", "fan speed")
    assert (found["low"], found["high"]) == pytest.approx((low, high), rel=1e-9)
    runs = silence.loc[silence["product"].eq("Alder r1"), "fan_rpm"]
    assert found["sd"] == pytest.approx(runs.std())


def test_one_assembly_each_speaks_of_runs_and_says_so(silence):
    one = silence[silence["assembly"].str.endswith("1")]
    found = row_of(regulated_runs(one), PAIR, "fan speed")
    assert found["health"] == "one assembly: remounting is not in the interval"
    assert found["high"] < 0.0
    single = one.groupby("product").head(1)
    found = row_of(regulated_runs(single), PAIR, "fan speed")
    assert found["health"] == "one run: no interval"
    assert np.isnan(found["low"])
    assert "(no interval: one run: no interval)" in regulated_runs(single).sentences[0]


def test_builds_held_otherwise_are_not_called_alike(silence):
    harder = silence.assign(
        power_w=np.where(silence["product"].eq("Alder r2"), 190.0, silence["power_w"])
    )
    found = regulated_runs(harder)
    assert "power differs by 10 W" in row_of(found, PAIR, "fan speed")["health"]
    assert "were not held alike" in found.sentences[0]
    assert "lower noise" not in found.sentences[0]
    mixed = silence.assign(regulated_by=np.where(silence["product"].eq("Alder r2"), "power", "fan"))
    assert "nothing is concluded" in regulated_runs(mixed).sentences[0]
    unknown = silence.assign(regulated_by=None)
    assert "nothing is concluded" in regulated_runs(unknown).sentences[0]


def test_a_power_limit_gives_an_improvement_back_as_power():
    rng, bench = np.random.default_rng(6), Bench(scatter_k=0.4)
    speeds = np.full(6, 1800.0)
    rows = [row for card in (OLD, NEW) for row in bench.by_power(card, 72.0, speeds, rng)]
    found = regulated_runs(told(bench.frame(rows)))
    assert found.table["quantity"][found.table["build"].eq(PAIR)].tolist() == ["power"]
    assert row_of(found, PAIR, "power")["low"] > 10.0
    assert "W more power" in found.sentences[0]
    assert "Alder r2 / fw 1's improvement into higher power" in found.sentences[0]


def test_levels_that_drown_in_the_background_are_left_out(silence):
    loud = silence.assign(noise_floor_dba=silence["noise_dba"] - 3.0)
    found = regulated_runs(loud)
    assert "dB(A)" not in found.sentences[0]
    quiet = silence.assign(
        noise_floor_dba=np.where(silence.index == 0, silence["noise_dba"] - 3.0, 20.0)
    )
    assert any("left out (ISO 3744)" in caveat for caveat in regulated_runs(quiet).caveats)


def test_many_builds_are_compared_with_the_first(silence):
    # Some thousandths apart, or they would be asked about as copies.
    many = pd.concat(
        [
            silence.assign(
                firmware=f"fw {k}",
                run=silence["run"] + f"-{k}",
                ambient_c=silence["ambient_c"] + 0.003 * k,
            )
            for k in range(3)
        ]
    )
    found = regulated_runs(many)
    pairs = found.table["build"][found.table["build"].str.contains(" − ")].unique()
    assert len(pairs) == 5
    assert all(pair.endswith("− Alder r1 / fw 0") for pair in pairs)
    assert any("compared with the first only" in caveat for caveat in found.caveats)


def test_targets_are_told_apart(silence):
    warmer = silence.assign(temperature_c=silence["temperature_c"] + 4.0, run=silence["run"] + "w")
    found = regulated_runs(pd.concat([silence, warmer], ignore_index=True))
    pairs = found.table["build"][found.table["build"].str.contains(" − ")].unique().tolist()
    assert pairs == [f"Alder r2 / fw 1 at {c} °C − Alder r1 / fw 1 at {c} °C" for c in (75, 79)]
    assert row_of(found, pairs[0], "fan speed")["runs"] == 18
    alone = row_of(regulated_runs(silence), PAIR, "fan speed")
    assert row_of(found, pairs[0], "fan speed")["low"] == pytest.approx(alone["low"])


def test_without_regulated_runs_there_is_nothing_to_tell(silence):
    with pytest.raises(NotEstimableError, match="set regulated to yes"):
        regulated_runs(silence.assign(regulated=False, regulated_by=None))


def test_refused_runs_are_not_told(silence):
    refused = silence.assign(protocol_verdict="refused")
    assert any_regulated(check_results(silence))
    assert not any_regulated(check_results(refused))
    with pytest.raises(NotEstimableError):
        regulated_runs(refused)


def test_the_figure_shows_what_was_moved(answer):
    axes = answer.plot()
    assert axes.get_xlabel() == "Fan speed [rpm]"
    assert len(axes.get_yticklabels()) == 2


def test_the_classical_check_leaves_them_out_and_says_so(silence):
    rng, bench = np.random.default_rng(7), Bench(scatter_k=0.4)
    rows = [row for card in (OLD, NEW) for row in bench.free(card, (1700.0, 1800.0, 1900.0), rng)]
    fixed = told(bench.frame(rows)).assign(fan_mode="fixed")
    fixed["run"] = "f" + fixed["run"]
    fixed["assembly"] = "fixed " + fixed["assembly"]
    alone = classical_check(fixed)
    both = classical_check(pd.concat([silence, fixed], ignore_index=True))
    pd.testing.assert_frame_equal(both.table, alone.table)
    assert any("18 runs left out: a control loop held" in caveat for caveat in both.caveats)


@pytest.fixture(scope="module")
def model(silence):
    return fit(
        silence,
        terms=["cooler_model", "cooler_model airflow", "assembly"],
        reference=Conditions(power_w=200.0, fan_rpm=1800.0),
        draws=2000,
        seed=1,
    )


def test_a_fit_tells_them_and_finds_the_hardware(model):
    answers = default_questions(model)
    kinds = ["separation", "ranking", "regulated runs", "model comparison"]
    assert [one.kind for one in answers] == kinds
    assert answers[2].fits == (model,)
    found = separate(model).table.iloc[0]
    assert found["low_k"] < NEW.rise_k - OLD.rise_k < found["high_k"]
    assert found["high_k"] < -3.0


def test_a_fix_whose_stock_temperature_stood_still_is_attributed(model):
    found = attribute(model, before="Alder r1 / fw 1", after="Alder r2 / fw 1").table
    part = found.set_index("part")
    # Stock against stock nothing moved; the hardware's gain went into a slower fan.
    assert part.loc["total", "low_k"] < 0.0 < part.loc["total", "high_k"]
    assert part.loc["hardware", "low_k"] > 3.0
    assert part.loc["firmware: fan speed", "high_k"] < -3.0
    assert part.loc["total", "noise_db"] < -4.0
