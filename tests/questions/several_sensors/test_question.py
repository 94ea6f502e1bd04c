"""One fix on several sensors: parts, reassembly penalty and assemblies that stand out."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from thermcmp.errors import InputError
from thermcmp.inference.fitting import fit
from thermcmp.inference.joint_fitting import fit_sensors
from thermcmp.model.conditions import Build, Conditions
from thermcmp.prediction.builds import build_of
from thermcmp.questions.attribution.question import attribute
from thermcmp.questions.phrases import WITHHELD, chance_words
from thermcmp.questions.several_sensors.question import attribute_sensors
from thermcmp.questions.several_sensors.rows import fix_rows
from thermcmp.questions.several_sensors.text import sensor_sentences
from thermcmp.reporting.document import report
from thermcmp.simulation import RevisionStudy, Scenario, simulate

OLD, NEW = "Alder r1 / fw 1", "Alder r2 / fw 2"
REFERENCE = Conditions(power_w=200.0, fan_rpm=1800.0)
BAD = "Alder-C2-1 on Alder-B2-1, bench 2"
NEW_TOTAL = "total, new parts remounted"
PARTS = ["hardware", "firmware: fan speed", "firmware: power", "firmware: direct"]


def fitted(results, sensor, draws=1000):
    return fit(results, sensor, reference=REFERENCE, expand="none", draws=draws, seed=5)


def sensor_part(answer, sensor, part):
    table = answer.table
    (row,) = table[table["sensor"].eq(sensor) & table["part"].eq(part)].to_dict("records")
    return row


def draws_of(answer, sensor, part):
    draws = answer.draws
    hit = (draws["sensor"] == sensor) & (draws["part"] == part)
    return draws["improvement_k"].to_numpy()[hit.to_numpy()][0]


@pytest.fixture(scope="module")
def campaign():
    """Hardware that helps the memory only, and a bench assembly that costs the junction 3 K."""
    usual = Scenario(bad_mount_probability=0.0)
    calm = {"assembly_sd_k": 0.3, "cooler_sd_k": 0.0, "board_sd_k": 0.0, "session_sd_k": 0.1}
    junction = replace(
        usual.sensors["junction"],
        bench_assembly_k=3.0,
        cooler_revision_k=0.0,
        board_revision_k=0.0,
        cooler_revision_airflow_k=0.0,
        **calm,
    )
    memory = replace(usual.sensors["memory"], bench_assembly_k=-0.6, **calm)
    world = replace(usual, sensors={"memory": memory, "junction": junction})
    study = RevisionStudy(remounts=3, fan_speeds_rpm=(1400.0, 2200.0), equal_noise_dba=None)
    made = simulate(study, seed=31, scenario=world)
    # One assembly of the new parts went wrong at the junction: 2.5 K at every run of it.
    results = made.results.copy()
    hit = results["assembly"].eq(BAD) & results["sensor"].eq("junction")
    assert hit.any()
    results.loc[hit, "temperature_c"] += 2.5
    return results, made.truth


@pytest.fixture(scope="module")
def fits(campaign):
    return [fitted(campaign[0], sensor) for sensor in ("memory", "junction")]


@pytest.fixture(scope="module")
def answer(fits):
    return attribute_sensors(fits, OLD, NEW)


def test_parts_are_those_of_the_single_attributions(fits, answer):
    for model in fits:
        alone = attribute(model, OLD, NEW).table.set_index("part")
        own = answer.table[
            answer.table["sensor"].eq(model.sensor) & answer.table["kind"].eq("fix")
        ].set_index("part")
        shown = ["total", *PARTS]
        assert own.index.tolist() == shown
        columns = ["mean_k", "sd_k", "low_k", "high_k", "noise_db", "health"]
        pd.testing.assert_frame_equal(own[columns], alone.loc[shown, columns], check_exact=True)


def test_parts_add_up_to_the_total_on_each_sensor_in_every_draw(answer):
    for sensor in ("memory", "junction"):
        gap = sum(draws_of(answer, sensor, part) for part in PARTS)
        assert np.abs(gap - draws_of(answer, sensor, "total")).max() < 1e-9


def test_the_penalty_of_the_bench_is_found_where_it_is(campaign, answer):
    # The simulator's bench assemblies: 3 K warmer at the junction, 0.6 K cooler at the
    # memory, at 200 W; shown at the new firmware's 218 W.
    truth = campaign[1]
    for sensor in ("memory", "junction"):
        kinds = truth.effects[sensor]["assembly_kind"]
        wanted = (kinds["factory"] - kinds["bench"]) * 218.0 / 200.0
        row = sensor_part(answer, sensor, "remount at the bench")
        assert row["mean_k"] == pytest.approx(wanted, abs=3.0 * row["sd_k"] + 0.1), sensor
    assert sensor_part(answer, "junction", "remount at the bench")["high_k"] < 0.0


def test_the_remount_of_the_new_parts_is_that_of_its_own_assemblies(campaign, answer):
    # By hand from the truth: mean of the three bench assemblies of the new pair, one of
    # which has 2.5 K more, against its factory assembly.
    truth, row = campaign[1], sensor_part(answer, "junction", "remount at the bench, new parts")
    own, kinds = truth.effects["junction"]["assembly"], truth.effects["junction"]["assembly_kind"]
    pair = "Alder-C2-1 on Alder-B2-1"
    bench = [own[f"{pair}, bench {k}"] for k in (1, 2, 3)]
    wanted = own[f"{pair}, factory"] - np.mean(bench) - 2.5 / 3.0 - kinds["bench"]
    assert row["mean_k"] == pytest.approx(wanted * 218.0 / 200.0, abs=3.0 * row["sd_k"] + 0.15)


def test_the_total_after_a_remount_is_the_sum_of_both(answer):
    for sensor in ("memory", "junction"):
        both = draws_of(answer, sensor, "total") + draws_of(
            answer, sensor, "remount at the bench, new parts"
        )
        assert np.abs(both - draws_of(answer, sensor, NEW_TOTAL)).max() < 1e-9


def test_the_fix_is_not_blamed_for_the_assembly(answer):
    first = answer.sentences[0]
    assert "memory improves by" in first
    assert "junction improves by" in first
    assert "not clearly by its hardware" in first
    (said,) = [s for s in answer.sentences if s.startswith("Reassembly penalty at the junction")]
    assert "bench assemblies as such" in said
    alike = [s for s in answer.sentences if "clearly worse on junction and not on memory" in s]
    assert len(alike) == 1


def test_a_fix_that_a_remount_hides_is_said_to_be_hidden(fits):
    # Firmware alike before and after: nothing but the assembly moves the junction.
    same = Conditions(fan_rpm=1800.0, power_w=200.0)
    answer = attribute_sensors(fits, OLD, NEW, same)
    assert "junction does not clearly improve" in answer.sentences[0]
    (said,) = [s for s in answer.sentences if s.startswith("Reassembly penalty at the junction")]
    assert "due to the assembly, not to the fix" in said
    assert sensor_part(answer, "junction", NEW_TOTAL)["high_k"] < 0.0


def test_the_bad_assembly_is_named_on_the_sensor_that_it_hurt(answer):
    (said,) = [s for s in answer.sentences if s.startswith(f"The assembly '{BAD}'")]
    assert "worse at the junction than its peers" in said
    assert "at the memory" in said
    row = sensor_part(answer, "junction", BAD)
    # Its peers are three other assemblies of the new pair: 2.5 K, and what they differ by; some of
    # it may be the bench's.
    assert row["mean_k"] == pytest.approx(-2.5 * 1.09, abs=1.3)
    assert row["kind"] == "assembly"


def test_nothing_stands_out_where_assemblies_are_alike(quiet_world):
    world = quiet_world()
    usual = Scenario().sensors["junction"]
    still = dict.fromkeys(("assembly_sd_k", "session_sd_k", "cooler_sd_k", "board_sd_k"), 0.0)
    world = replace(
        world, sensors={**world.sensors, "junction": replace(usual, **still, bench_assembly_k=0.0)}
    )
    made = simulate(RevisionStudy(remounts=2), seed=5, scenario=world)
    models = [fitted(made.results, sensor, draws=2000) for sensor in ("memory", "junction")]
    answer = attribute_sensors(models, OLD, NEW)
    assert not answer.table["kind"].eq("assembly").any()
    assert any("stands out from its peers" in s and s.startswith("No ") for s in answer.sentences)


def test_one_kind_of_assembly_gives_no_penalty_and_says_why(campaign):
    bench = campaign[0][campaign[0]["assembly_kind"].eq("bench")].reset_index(drop=True)
    answer = attribute_sensors([fitted(bench, "junction", draws=1000)], OLD, NEW)
    assert not answer.table["kind"].eq("remount").any()
    (said,) = [c for c in answer.caveats if c.startswith("No reassembly penalty for junction")]
    assert "one kind (bench)" in said


def test_a_build_stated_as_bench_mounted_has_no_second_penalty(fits):
    before, after = (
        Build(
            cooler_model=f"Alder-C{k}", board_model=f"Alder-B{k}", firmware=f"fw {k}",
            assembly_kind=kind,
        )
        for k, kind in ((1, "factory"), (2, "bench"))
    )  # fmt: skip
    answer = attribute_sensors(fits, before, after)
    assert NEW_TOTAL not in set(answer.table["part"])


def test_fits_of_other_lengths_are_thinned_to_the_shortest(campaign, fits):
    short = fitted(campaign[0], "junction", draws=800)
    answer = attribute_sensors({"m": fits[0], "j": short}, OLD, NEW)
    assert answer.draws.sizes["draw"] == 800


def test_sensors_are_told_apart_by_more_than_colour(answer):
    ax = answer.plot()
    labels = [text.get_text() for text in ax.get_legend().get_texts()]
    assert labels == ["memory", "junction"]
    keys = ax.get_legend().legend_handles
    assert len({(key.get_marker(), str(key.get_linestyle())) for key in keys}) == 2
    assert "memory" in str(answer)
    assert "<table" in answer._repr_html_()


def test_caveats_say_whose_they_are_and_that_sensors_are_apart(answer):
    assert any(c.startswith("Each sensor has a separate fit") for c in answer.caveats)
    assert len(answer.caveats) == len(set(answer.caveats))


@pytest.fixture(scope="module")
def together(campaign):
    return fit_sensors(campaign[0], ["memory", "junction"], reference=REFERENCE, draws=1000, seed=5)


def test_sensors_fitted_together_are_answered_draw_by_draw(together, answer):
    joint = attribute_sensors(together, OLD, NEW)
    assert joint.fitted_together
    assert not answer.fitted_together
    assert not any("separate fit" in c for c in joint.caveats)
    totals = [draws_of(joint, sensor, "total") for sensor in ("memory", "junction")]
    alone = attribute(together["junction"], OLD, NEW).draws["improvement_k"].sel(part="total")
    assert np.array_equal(totals[1], alone.to_numpy())
    (said,) = [s for s in joint.sentences if s.startswith("Fitted together")]
    both = float(np.mean((totals[0] > 0.0) & (totals[1] > 0.0)))
    assert chance_words(both, 1000) in said
    mean = together.correlation("assembly", "memory", "junction").mean()
    words = f"memory and junction {mean:.2f}".replace("-", "−")
    assert any(words in s for s in joint.sentences)


def test_of_withheld_parts_no_chance_is_stated(together):
    joint = attribute_sensors(together, OLD, NEW)
    withheld = ("hardware", "firmware: direct")
    rows = [
        replace(row, health=WITHHELD) if row.part in withheld else row
        for sensor, single in joint.answers.items()
        for row in fix_rows(single, sensor)
    ]
    fits = list(together.values())
    builds = (build_of(fits[0], OLD), build_of(fits[0], NEW))
    said = " ".join(sensor_sentences(fits, builds, rows, 0.9))
    assert "the fix cools each of memory and junction" in said
    assert "its hardware alone" not in said
    assert "by its hardware somewhere from" in said
    assert "the firmware directly" not in said
    assert "the firmware directly" in " ".join(joint.sentences)


def test_a_report_of_sensors_fitted_together(together, tmp_path):
    page = report(together, tmp_path / "page.html", fix=(OLD, NEW)).read_text(encoding="utf-8")
    assert "Fitted together: the probability" in page


def test_fits_of_other_campaigns_or_of_one_sensor_twice_are_refused(fits, campaign):
    other = campaign[0].assign(run=campaign[0]["run"] + " anew")
    with pytest.raises(InputError, match="no run in common"):
        attribute_sensors([fits[0], fitted(other, "junction", draws=1000)], OLD, NEW)
    with pytest.raises(InputError, match="several fits of this sensor"):
        attribute_sensors([fits[0], fits[0]], OLD, NEW)
    with pytest.raises(InputError, match="is a str, not a fit"):
        attribute_sensors(["memory"], OLD, NEW)
    with pytest.raises(InputError, match="no fit"):
        attribute_sensors([], OLD, NEW)


def assert_health_of_both(page):
    """Fits with the same findings share a line."""
    lines = re.findall(r"<strong>Health of the ([^<]*)</strong>", page)
    assert all(any(f"{sensor} fit" in line for line in lines) for sensor in ("memory", "junction"))


def test_a_report_of_several_fits_and_a_fix_has_the_section(fits, tmp_path):
    page = report(fits, tmp_path / "page.html", fix=(OLD, NEW)).read_text(encoding="utf-8")
    for shown in (
        "on several sensors: memory, junction",
        "Reassembly penalty at the junction",
    ):
        assert shown in page
    assert_health_of_both(page)
    with pytest.raises(InputError, match="a fix without a fit"):
        report(attribute(fits[0], OLD, NEW), tmp_path / "other.html", fix=(OLD, NEW))


def test_a_report_of_the_answer_shows_the_fits_that_it_knows(answer, tmp_path):
    page = report(answer, tmp_path / "page.html").read_text(encoding="utf-8")
    assert_health_of_both(page)
    assert "Health not shown" not in page
