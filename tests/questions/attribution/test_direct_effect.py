"""What a firmware does beyond fan speed and power, as a part of its own."""

import numpy as np
import pytest
from made_once import attribute_once, fit_once

from thermcmp.errors import NotEstimableError
from thermcmp.inference.storage import load_fit
from thermcmp.model.conditions import Build, Conditions
from thermcmp.model.terms import BUILT_IN, Role
from thermcmp.prediction.builds import build_of
from thermcmp.questions.attribution.question import attribute
from thermcmp.questions.ranking.question import rank
from thermcmp.questions.separation.question import separate
from thermcmp.simulation import RevisionStudy, simulate

OLD, NEW = "Alder r1 / fw 1", "Alder r2 / fw 2"
MAIN = ["hardware", "firmware: fan speed", "firmware: power", "firmware: direct"]
REFERENCE = Conditions(power_w=200.0, fan_rpm=1800.0)
#: Every term but the firmware's own.
WITHOUT = [term.name for term in BUILT_IN if term.role is not Role.ALLOWANCE]


def fitted(rows, terms=None, **options):
    options = {"draws": 2000, "seed": 5} | options
    return fit_once(rows, "memory", reference=REFERENCE, terms=terms, **options)


@pytest.fixture(scope="module")
def campaign(quiet_world):
    """Both cards under both firmwares, and at fixed speeds under the one they ship with."""
    study = RevisionStudy(remounts=2, combinations="shipped", fan_speeds_rpm=(1400.0, 2200.0))
    return simulate(study, seed=11, scenario=quiet_world())


def with_direct(rows, kelvins):
    """Rows in which the new firmware warms by so much at 200 W, in proportion to power."""
    warmer = np.where(rows["firmware"].eq("fw 2"), kelvins * rows["power_w"] / 200.0, 0.0)
    return rows.assign(temperature_c=rows["temperature_c"] + warmer)


@pytest.fixture(scope="module", params=[-2.0, 0.0, 3.0])
def study(request, campaign):
    rows = with_direct(campaign.results, request.param)
    return request.param, attribute_once(fitted(rows), OLD, NEW)


def test_the_term_is_on_unless_left_out(campaign):
    usual, without = fitted(campaign.results), fitted(campaign.results, WITHOUT)
    names = {term.name for term in without.design.terms}
    assert "firmware" not in names
    assert {term.name for term in usual.design.terms} == names | {"firmware"}
    assert [term.name for term in BUILT_IN if term.role is Role.ALLOWANCE] == ["firmware"]
    assert [term.name for term in BUILT_IN if not term.by_default] == ["cooler and vendor"]
    answer = attribute_once(without, OLD, NEW)
    assert "firmware: direct" not in set(answer.table["part"])
    assert answer.main_parts == tuple(MAIN[:3])
    draws = answer.draws["improvement_k"].to_pandas().T
    assert np.abs(draws[MAIN[:3]].sum(axis=1) - draws["total"]).max() < 1e-9
    assert attribute_once(usual, OLD, NEW).main_parts == tuple(MAIN)


def test_a_fit_of_one_firmware_has_no_direct_part(campaign):
    rows = campaign.results.query("firmware == 'fw 1'").reset_index(drop=True)
    model = fitted(rows)
    assert "firmware" not in {term.name for term in model.design.terms}
    answer = attribute(model, OLD, "Alder r2 / fw 1")
    assert answer.main_parts == tuple(MAIN[:3])


def test_a_known_direct_effect_is_found_and_the_others_stay(campaign, study):
    kelvins, answer = study
    truth = campaign.truth.attribution_k("memory", OLD, NEW)
    table = answer.table.set_index("part")
    # An improvement is before minus after, at the mean of both powers (221.5 W).
    expected = -kelvins * (225.0 + 218.0) / 2.0 / 200.0
    assert table.loc["firmware: direct", "mean_k"] == pytest.approx(expected, abs=0.15)
    assert table.loc["hardware", "mean_k"] == pytest.approx(
        truth.order_free_k["hardware"], abs=0.15
    )
    # The direct effect is in the rise that power multiplies: 7 W of it at half weight.
    more = kelvins * 7.0 / 200.0 / 2.0
    assert table.loc["firmware: power", "mean_k"] == pytest.approx(
        truth.order_free_k["power"] + more, abs=0.15
    )
    assert table.loc["total", "mean_k"] == pytest.approx(
        truth.total_k - kelvins * 218.0 / 200.0, abs=0.15
    )


def test_four_parts_sum_to_the_total_in_every_draw(study):
    draws = study[1].draws["improvement_k"].to_pandas().T
    assert np.abs(draws[MAIN].sum(axis=1) - draws["total"]).max() < 1e-9
    inside = [name for name in draws if name.startswith("of the hardware: ")]
    assert np.abs(draws[inside].sum(axis=1) - draws["hardware"]).max() < 1e-9
    early = draws["hardware, fan and power as before"] + draws["firmware, on the new hardware"]
    assert np.abs(early - draws["total"]).max() < 1e-9


def test_the_test_in_words(study):
    kelvins, answer = study
    (sentence,) = [one for one in answer.sentences if one.startswith("Beyond fan speed")]
    draws = answer.draws["improvement_k"].sel(part="firmware: direct").to_numpy()
    low, high = np.quantile(draws, [0.05, 0.95])
    verdict = "contains zero" if low <= 0.0 <= high else "does not contain zero"
    assert f"the interval {verdict};" in sentence
    assert f"({low:z.2f} to {high:z.2f})".replace("-", "\N{MINUS SIGN}") in sentence
    if kelvins == 0.0:
        # In a world of 0.02 K nothing of 0.2 K can hide.
        assert max(abs(low), abs(high)) < 0.2
        assert "above 99.9% probability that it is below 1 K either way" in sentence
    else:
        assert verdict == "does not contain zero"
        assert "below 0.1% probability that it is below 1 K" in sentence


def test_an_effect_in_the_noise_is_not_claimed(fit_known):
    # Ordinary scatter of runs and assemblies, and no direct effect.
    simulated = fit_known(RevisionStudy(remounts=2, combinations="shipped")).campaign
    answer = attribute(fitted(simulated.results), OLD, NEW)
    row = answer.table.set_index("part").loc["firmware: direct"]
    assert row["low_k"] < 0.0 < row["high_k"]
    assert any("the interval contains zero" in sentence for sentence in answer.sentences)


def test_the_direct_part_is_no_part_of_the_hardware_at_equal_noise(campaign):
    still, warm = (
        attribute_once(fitted(with_direct(campaign.results, k)), OLD, NEW).table.set_index("part")
        for k in (0.0, 3.0)
    )
    row = "hardware, at equal noise"
    assert warm.loc[row, "mean_k"] == pytest.approx(still.loc[row, "mean_k"], abs=0.2)


def test_corners_count_runs_of_their_own_firmware_only(campaign):
    answer = attribute_once(fitted(campaign.results), OLD, NEW)
    rows = answer.corners.set_index(["hardware", "firmware"])["basis"]
    stock = campaign.results.query("sensor == 'memory' and fan_mode == 'stock'")
    for (hardware, firmware), basis in rows.items():
        cooler = "Alder-C1" if hardware == "old" else "Alder-C2"
        name = "fw 1" if firmware == "old" else "fw 2"
        runs = int((stock["cooler_model"].eq(cooler) & stock["firmware"].eq(name)).sum())
        assert basis == f"measured in {runs} runs"


def test_firmware_that_changed_with_the_hardware_everywhere_is_an_alias(campaign):
    rows = campaign.results
    shipped = rows["firmware"].eq(
        rows["cooler_model"].map({"Alder-C1": "fw 1", "Alder-C2": "fw 2"})
    )
    model = fitted(rows[shipped].reset_index(drop=True))
    answer = attribute(model, OLD, NEW)
    health = answer.table.set_index("part")["health"]
    assert health["hardware"] == "ok; allows for a direct firmware effect"
    assert health["firmware: direct"].startswith("withheld")
    assert health["total"] == "ok"
    direct = answer.table.set_index("part").loc["firmware: direct"]
    assert direct[["mean_k", "sd_k"]].isna().all()
    assert direct["low_k"] < 0.0 < direct["high_k"]
    (caveat,) = [one for one in answer.caveats if "Firmware and hardware changed together" in one]
    # The hardware's interval is one of 90 %, the range of the withheld part one of 99 %.
    within = answer.draws["improvement_k"].sel(part="firmware: direct")
    allowance = float(np.subtract(*np.quantile(within, [0.95, 0.05]))) / 2.0
    assert f"interval allows {allowance:.1f} K for it either way" in caveat
    assert "Firmware: fw 2 against fw 1 cannot be separated from cooler" in caveat
    assert not any(one.startswith("Beyond fan speed") for one in answer.sentences)
    # Stated as a number all the same where the prior is allowed to split.
    allowed = attribute(model, OLD, NEW, allow_prior=True).table.set_index("part")
    assert np.isfinite(allowed.loc["firmware: direct", "mean_k"])
    assert allowed.loc["firmware: direct", "health"].startswith("not separable")
    draws = answer.draws["improvement_k"].to_pandas().T
    truth = campaign.truth.attribution_k("memory", OLD, NEW)
    # Their sum is measured, each of them is not.
    both = draws["hardware"] + draws["firmware: direct"]
    assert both.mean() == pytest.approx(truth.order_free_k["hardware"], abs=0.3)
    assert draws["firmware: direct"].std() > 3.0 * both.std()
    assert draws["hardware"].std() > 3.0 * both.std()


def test_other_questions_take_the_term_too(campaign):
    model = fitted(with_direct(campaign.results, 3.0))
    rows = separate(model).table.set_index("factor")
    assert rows.loc["firmware", "mean_k"] == pytest.approx(3.0, abs=0.15)
    assert rank(model).table["mean_c"].notna().all()
    build = build_of(model, OLD)
    other = Build(cooler_model=build.cooler_model, board_model=build.board_model, firmware="fw 9")
    with pytest.raises(NotEstimableError, match="firmware 'fw 9'"):
        attribute(model, other, NEW, settings={"before": Conditions(fan_rpm=1700.0, power_w=220.0)})


def test_a_saved_fit_keeps_the_term_and_the_answer(campaign, tmp_path):
    model = fitted(campaign.results)
    back = load_fit(model.save(tmp_path / "fit.nc"))
    assert back.design.terms == model.design.terms
    one, other = (attribute(each, OLD, NEW).draws for each in (model, back))
    assert one.equals(other)


def test_terms_may_be_named_once_or_twice(campaign):
    twice = fitted(campaign.results, [..., "firmware", "firmware", ...])
    assert [term.name for term in twice.design.terms].count("firmware") == 1
