"""One small plug-in of each kind at its job, and what becomes of one that fails."""

import json
import types
from concurrent.futures import ProcessPoolExecutor
from itertools import count
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

import thermcmp as tc
from thermcmp import hooks
from thermcmp._cli.app import app
from thermcmp.errors import InputError, PluginError
from thermcmp.hooks import (
    FanControlKind,
    NamedPriors,
    PluginWarning,
    Question,
    RowCheck,
    RunCheck,
    Section,
    hookimpl,
)
from thermcmp.physics.airflow import PowerLaw
from thermcmp.questions.plugin_questions import ask_questions, typed_options
from thermcmp.results.plausibility.doubts import find_doubts
from thermcmp.tabular.column import Column, Kind
from thermcmp.telemetry.steady_state.checks import Check
from thermcmp.telemetry.steady_state.protocol import Verdict

DEMO = Path(__file__).parents[1] / "datasets" / "demo"


pytestmark = pytest.mark.usefixtures("fresh_registry")


def use(hook, *items, name="lab"):
    module = types.ModuleType(name)
    module.__version__ = "1.0"
    module.items = hookimpl(specname=f"thermcmp_{hook}")(lambda: list(items))
    hooks.use_plugin(module, name)


@pytest.fixture(scope="module")
def campaign():
    columns = json.loads((DEMO / "columns.json").read_text(encoding="utf-8"))
    return tc.read_results(DEMO / "campaign.csv", columns=columns)


@pytest.fixture(scope="module")
def study_rows():
    made = tc.simulate("revision study", seed=3, remounts=2).results
    return made[made["sensor"] == "memory"].reset_index(drop=True)


@pytest.fixture(scope="module")
def fitted(study_rows):
    return tc.fit(study_rows, draws=400, seed=1)


# --- results readers --------------------------------------------------------------


class Cards:
    """A reader of an invented format: a block of ``heading: cell`` lines per run."""

    name, suffixes, first_bytes = "cards", (".cards",), (b"cards 1\n",)

    def read(self, path):
        blocks = path.read_text(encoding="utf-8").removeprefix("cards 1\n").split("\n\n")
        return pd.DataFrame([dict(li.split(": ") for li in b.splitlines()) for b in blocks])


CARD = (
    "Run: {run}\nSensor: memory\nMem: {mem}\nBoard power (W): 200\nambient_c: 71,6 °F\n"
    "lab: North\nfan_rpm: 1800\ncooler_model: C1\nboard_model: B1\nfirmware: fw 1\nfan_mode: fixed"
)


def test_a_results_reader_gives_cells_that_pass_the_usual_checks(tmp_path):
    path = tmp_path / "runs.cards"
    path.write_text("cards 1\n" + "\n\n".join(CARD.format(run=r, mem=m) for r, m in
                    (("R1", "80,5 °C"), ("R2", "81,5 °C"))), encoding="utf-8")  # fmt: skip
    columns = {"Run": "run", "Sensor": "sensor", "Mem": "temperature_c"}
    columns["Board power (W)"] = "power_w"
    use("results_readers", Cards())
    rows = tc.read_results(path, columns, decimal=",")
    assert rows["temperature_c"].tolist() == [80.5, 81.5]
    assert rows["source_file"].tolist() == ["runs.cards"] * 2
    made = tc.fit(rows[rows["run"] != ""], draws=400, seed=1)
    assert made.versions["plug-in lab"] == "1.0"
    saved = made.save(tmp_path / "fit.nc")
    assert tc.load_fit(saved).versions["plug-in lab"] == "1.0"
    path.write_text("cards 1\n" + CARD.format(run="R1", mem="warm"), encoding="utf-8")
    with pytest.raises(InputError, match=r"runs.cards, row 1, column 'Mem', value 'warm'"):
        tc.read_results(path, columns, decimal=",")
    path.write_text("other\n")
    with pytest.raises(InputError):
        tc.read_results(path, columns)


def test_a_results_reader_that_fails_is_named(tmp_path):
    path = tmp_path / "runs.cards"
    path.write_text("cards 1\nno colon here")
    use("results_readers", Cards())
    with pytest.raises(PluginError, match=r"plug-in 'lab' \(1.0\): its results reader 'cards'"):
        tc.read_results(path)


# --- checks of runs and rows --------------------------------------------------------


def warm_intake(window, run):
    """Refuse a run whose intake air was warmer than this lab's protocol allows."""
    mean = window.mean("ambient_c")
    if mean > 20.0:
        words = f"intake is {mean:.1f} °C, above the lab's 20 °C"
        yield Check("intake", Verdict.REFUSED, words, mean, 20.0, "°C")


def reduced_run(folder):
    """Reduce one log of the demo campaign."""
    (folder / "R270.csv").write_bytes((DEMO / "logs" / "R270.csv").read_bytes())
    sheet = pd.read_csv(DEMO / "runs.csv")
    sheet = sheet[sheet["run"] == "R270"]
    columns = json.loads((DEMO / "logs.json").read_text(encoding="utf-8"))
    return tc.reduce_logs(folder, sheet, columns=columns, progress=False)


def test_a_run_check_refuses_a_run_by_its_reason(tmp_path):
    assert len(reduced_run(tmp_path).results) == 3
    use("run_checks", RunCheck("intake", warm_intake))
    reduced = reduced_run(tmp_path)
    assert len(reduced.results) == 0
    assert "above the lab's 20 °C" in reduced.refused["reason"].iloc[0]


@pytest.mark.parametrize(
    ("check", "words"),
    [
        (lambda window, run: 1 / 0, "ZeroDivisionError"),
        (lambda window, run: ["hot"], "type str"),
        (lambda window, run: "hot", "one text for a list"),
        (lambda window, run: [Check("x", "hot", "hot")], "not a valid Verdict"),
        (lambda window, run: [Check("x", Verdict.REFUSED, 3)], "must be texts"),
        (lambda window, run: [Check("x", Verdict.REFUSED, "hot", "71")], "must be numbers"),
        (lambda window, run: [Check("x", Verdict.REFUSED, "hot", sensor="mem")], "no sensor 'mem'"),
        (lambda window, run: (Check("x", Verdict.PASS, "on") for _ in count()), "more than 1000"),
        (lambda window, run: window["memory_c"].fill(0.0), "read-only"),
    ],
)
def test_a_run_check_that_fails_marks_the_run(tmp_path, check, words):
    use("run_checks", RunCheck("intake", check))
    rows = reduced_run(tmp_path).results
    assert len(rows) == 3
    assert set(rows["protocol_verdict"]) == {"corrected"}
    named = f"not checked: plug-in 'lab' .1.0.: its run check 'intake' .*{words}"
    assert rows["protocol_reason"].str.contains(named).all()


def test_a_worker_that_lacks_a_check_refuses_the_run(tmp_path):
    use("run_checks", RunCheck("intake", warm_intake))
    (tmp_path / "R270.csv").write_bytes((DEMO / "logs" / "R270.csv").read_bytes())
    columns = json.loads((DEMO / "logs.json").read_text(encoding="utf-8"))
    sheet = pd.read_csv(DEMO / "runs.csv").query("run == 'R270'")
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        reduced = tc.reduce_logs(tmp_path, sheet, columns=columns, progress=False, executor=pool)
    assert len(reduced.results) == 0
    assert "lacks these plug-ins: lab. Fix: install them" in reduced.refused["reason"].iloc[0]


def test_a_run_check_cannot_change_the_run(tmp_path):
    def renaming(window, run):
        run["cooler_model"] = "other"
        return []

    before = reduced_run(tmp_path).results
    use("run_checks", RunCheck("intake", renaming))
    pd.testing.assert_frame_equal(reduced_run(tmp_path).results, before)


def no_bench(rows):
    """Ask for the bench where a lab has several."""
    missing = rows["bench"].isna().sum()
    if missing:
        yield f"{missing} rows name no bench. Fix: fill in bench."


def test_a_row_check_asks_in_a_warning(campaign):
    rows = checked = campaign.assign(bench=pd.NA)
    before = find_doubts(checked)
    use("row_checks", RowCheck("bench", no_bench))
    assert find_doubts(checked) == [*before, f"{len(rows)} rows name no bench. Fix: fill in bench."]
    use("row_checks", RowCheck("bad", lambda rows: rows["nowhere"]), name="other")
    with pytest.warns(PluginWarning, match=r"'other' \(1.0\): its row check 'bad' .*KeyError"):
        assert find_doubts(checked)[-1].startswith(f"{len(rows)} rows name no bench")


def test_a_row_check_cannot_change_the_rows_of_another(campaign):
    def emptying(rows):
        rows["run"] = ""
        return []

    use(
        "row_checks", RowCheck("emptying", emptying), RowCheck("runs", lambda rows: rows["run"][:1])
    )
    assert find_doubts(campaign)[-1] == campaign["run"].iloc[0]


def test_a_row_check_that_returns_a_text_is_named(campaign):
    use("row_checks", RowCheck("bench", lambda rows: "one text"))
    with pytest.warns(PluginWarning, match=r"'lab' \(1.0\): its row check 'bench' .* one text"):
        find_doubts(campaign)


# --- fan controls -------------------------------------------------------------------


def ramp(lowest_rpm, highest_rpm, target_c, gain_rpm_per_k):
    """Return the curve of a controller that adds a speed per kelvin above its target."""
    span_k = (highest_rpm - lowest_rpm) / gain_rpm_per_k
    return tc.FanCurve((target_c, target_c + span_k), (lowest_rpm, highest_rpm))


GAIN = Column("gain_rpm_per_k", Kind.NUMBER, "speed per kelvin above the target")
RAMP = FanControlKind("ramp", ("lowest_rpm", "highest_rpm", "target_c", GAIN), ramp)
TABLE = {"firmware": ["fw 9"], "fan_control": ["ramp"], "lowest_rpm": [1000.0],
         "highest_rpm": [3000.0], "target_c": [60.0], "gain_rpm_per_k": [80.0]}  # fmt: skip


def test_a_fan_control_of_a_plugin_is_read_from_a_firmware_table():
    with pytest.raises(InputError, match="no such fan control"):
        tc.read_firmware(pd.DataFrame(TABLE).drop(columns="gain_rpm_per_k"))
    use("fan_controls", RAMP)
    firmware = tc.read_firmware(pd.DataFrame(TABLE))["fw 9"]
    # 2000 rpm at 80 rpm per K take 25 K.
    assert firmware.fan == tc.FanCurve((60.0, 85.0), (1000.0, 3000.0))
    with pytest.raises(InputError, match=r"column 'gain_rpm_per_k': .*'ramp' needs it"):
        tc.read_firmware(pd.DataFrame({**TABLE, "gain_rpm_per_k": [None]}))


def test_an_answer_names_the_plugin_of_its_fan_control(fitted, study_rows):
    use("fan_controls", RAMP)
    firmware = tc.read_firmware(pd.DataFrame({**TABLE, "control_sensor": ["memory"]}))
    product = study_rows["product"].iloc[0]
    under = {"limit_c": 110.0, "ambient_c": 22.0, "case_rise_k": 0.0, "power_w": 200.0}
    found = tc.margin(fitted, product, firmware=firmware["fw 9"], **under)
    assert found.source == "plug-in lab 1.0"
    assert tc.margin(fitted, product, fan_rpm=1800.0, **under).source == ""
    own = tc.read_firmware(
        pd.DataFrame({"firmware": ["fw 1"], "fan_control": ["fixed speed"], "fan_rpm": [1800.0]})
    )
    assert own["fw 1"].source == ""


def test_a_fan_control_that_fails_is_named():
    use("fan_controls", FanControlKind("ramp", RAMP.columns, lambda *values: 2000.0))
    with pytest.raises(PluginError, match=r"'lab' \(1.0\): its fan control 'ramp' .*type float"):
        tc.read_firmware(pd.DataFrame(TABLE))
    with pytest.raises(PluginError, match=r"'higest_rpm': no column .* mean 'highest_rpm'"):
        use("fan_controls", FanControlKind("x", ("higest_rpm",), ramp), name="other")
    with pytest.raises(PluginError, match=r"'make': takes other arguments. Fix: take 1"):
        use("fan_controls", FanControlKind("x", ("fan_rpm",), ramp), name="other")
    with pytest.raises(PluginError, match="'fan_rpm': a column that firmware tables have"):
        use("fan_controls", FanControlKind("x", (Column("fan_rpm", Kind.TEXT, ""),), str), name="o")


# --- sets of priors -----------------------------------------------------------------


def test_a_named_set_of_priors_replaces_those_that_a_fit_has(study_rows):
    tight = {"residual sd": tc.HalfNormal(0.2), "assembly sd": tc.HalfNormal(0.5),
             "lab sd": tc.HalfNormal(0.1)}  # fmt: skip
    use("prior_sets", NamedPriors("own bench", tight))
    made = tc.fit(study_rows, priors="own bench", draws=400, seed=1)
    assert made.versions["plug-in lab"] == "1.0"
    assert made.priors["residual sd"] == tc.HalfNormal(0.2)
    assert made.priors["assembly sd"] == tc.HalfNormal(0.5)
    assert "lab sd" not in made.priors
    with pytest.raises(InputError, match="did you mean 'own bench'"):
        tc.fit(study_rows, priors="own bnech", draws=400)


def test_a_slip_in_a_named_set_of_priors_is_not_passed_over(study_rows):
    slip = NamedPriors("own bench", {"residal sd": tc.HalfNormal(0.2), "lab sd": tc.HalfNormal(1)})
    use("prior_sets", slip, NamedPriors("others", {"shim sd": tc.HalfNormal(0.2)}))
    with pytest.raises(
        InputError, match=r"(?s)'lab' .*'residal sd': no such .* mean 'residual sd'"
    ):
        tc.fit(study_rows, priors="own bench", draws=400)
    with pytest.raises(InputError, match="none of its priors is of this fit"):
        tc.fit(study_rows, priors="others", draws=400)


@pytest.mark.parametrize(
    ("priors", "words"),
    [
        ({"residual sd": 0.2}, "not a prior"),
        ([], "type list"),
        ({3: tc.Normal(0, 1)}, "3: "),
        ({}, "no priors"),
    ],
)
def test_a_set_of_what_are_no_priors_is_refused(priors, words):
    with pytest.raises(PluginError, match=words):
        use("prior_sets", NamedPriors("own bench", priors))


# --- saved fits --------------------------------------------------------------------------


def test_a_saved_fit_names_the_plugin_that_its_law_is_of(study_rows, tmp_path):
    law = PowerLaw(name="duct", exponent_prior_mean=0.8)
    use("airflow_laws", law)
    path = tc.fit(study_rows, airflow="duct", draws=400, seed=1).save(tmp_path / "fit.nc")
    assert tc.load_fit(path).versions["plug-in lab"] == "1.0"
    hooks.forget_plugin("lab")
    with pytest.raises(
        tc.ThermcmpError, match=r"its law 'duct' is not loaded; .* plug-in lab 1\.0"
    ):
        tc.load_fit(path)
    newer = types.ModuleType("lab")
    newer.__version__ = "2.0"
    newer.items = hookimpl(specname="thermcmp_airflow_laws")(lambda: [law])
    hooks.use_plugin(newer, "lab")
    with pytest.warns(tc.ThermcmpWarning, match=r"fitted by plug-in lab 1\.0, read by 2\.0"):
        tc.load_fit(path)


# --- questions ------------------------------------------------------------------------


def gap(fit, first: str, second: str = "Alder-C2", scale: float = 1.0):
    """Compare two cooler models."""
    levels = fit.posterior["cooler_model level"].to_numpy().tolist()
    draws = fit.draws("cooler_model")
    k = scale * (draws[:, levels.index(second)] - draws[:, levels.index(first)])
    return tc.make_answer("gap", "Gap", {f"{second} - {first}": k}, fits=[fit])


def test_a_question_is_asked_by_name_with_options(fitted):
    use("questions", Question("gap", gap, in_report=False))
    answer = tc.ask(fitted, "gap", first="Alder-C1")
    own = fitted.draws("cooler_model")
    assert answer.table["mean_k"].iloc[0] == pytest.approx((own[:, 1] - own[:, 0]).mean())
    low, high = np.quantile(answer.draws["Alder-C2 - Alder-C1"], [0.05, 0.95])
    assert answer.table[["low_k", "high_k"]].iloc[0].tolist() == pytest.approx([low, high])
    twice = tc.ask(fitted, "gap", first="Alder-C1", scale=2)
    assert twice.table["mean_k"].iloc[0] == pytest.approx(2.0 * answer.table["mean_k"].iloc[0])
    assert [text.get_text() for text in answer.plot().get_yticklabels()] == ["Alder-C2 - Alder-C1"]
    assert "Alder-C2 - Alder-C1" in str(answer)
    assert ask_questions(fitted) == ()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({}, r"'first': missing"),
        ({"first": "Alder-C1", "secnd": "x"}, "did you mean 'second'"),
        ({"first": 3}, r"'first', value '3': not a word"),
        ({"first": "Alder-C1", "scale": "2"}, "not a number"),
        ({"first": "Alder-C1", "scale": True}, "not a number"),
    ],
)
def test_a_wrong_option_is_named(fitted, options, words):
    use("questions", Question("gap", gap, in_report=False))
    with pytest.raises(InputError, match=words):
        tc.ask(fitted, "gap", **options)


def test_the_own_questions_are_asked_by_name_too(fitted):
    by_name = tc.ask(fitted, "separate").table
    pd.testing.assert_frame_equal(by_name, tc.separate(fitted).table)
    with pytest.raises(InputError, match="'limit_c': missing"):
        tc.ask(fitted, "margin", build="Alder r1 / fw 1")
    with pytest.raises(InputError, match="did you mean 'rank'"):
        tc.ask(fitted, "ranks")
    with pytest.raises(InputError, match="give the fit first"):
        tc.ask("rank", fitted)


def test_a_question_that_fails_is_named_and_faults_of_the_asker_pass(fitted):
    use("questions", Question("gap", gap, in_report=False))
    with pytest.raises(PluginError, match=r"'lab' \(1.0\): its question 'gap' .*ValueError"):
        tc.ask(fitted, "gap", first="none of them")


def test_a_question_is_asked_from_the_command_line(fitted, tmp_path):
    use("questions", Question("gap", gap, in_report=False))
    saved = str(fitted.save(tmp_path / "fit.nc"))
    asked = ["ask", "gap", "--fit", saved, "first=Alder-C1"]
    done = CliRunner().invoke(app, [*asked, "scale=2"])
    assert done.exit_code == 0, done.output
    twice = tc.ask(fitted, "gap", first="Alder-C1", scale=2.0).table["mean_k"].iloc[0]
    assert f"{twice:+.1f}".replace("-", "\N{MINUS SIGN}") in done.output or f"{twice:.1f}" in (
        done.output
    )
    wrong = CliRunner().invoke(app, [*asked, "scale=two"])
    assert isinstance(wrong.exception, InputError)
    assert "not a number" in str(wrong.exception)


def flagged(fit: "Unseen", flag: bool = False, ratio: "float | None" = None):  # noqa: F821
    """Answer what it was given."""
    return tc.make_answer("flagged", "F", {"a": [float(flag), ratio or 0.0]}, fits=())


def test_texts_become_the_types_of_the_options():
    use("questions", Question("flagged", flagged))
    assert typed_options("flagged", {"flag": "yes", "ratio": "2.5", "other": "3"}) == {
        "flag": True, "ratio": 2.5, "other": "3",
    }  # fmt: skip
    with pytest.raises(InputError, match=r"'ratio', value 'x': not a number. Fix"):
        tc.ask(None, "flagged", ratio="x")


def test_a_question_cannot_change_the_fit(fitted, tmp_path):
    def doubling(fit):
        fit.posterior["cooler_model"] = 2.0 * fit.posterior["cooler_model"]

    before = fitted.posterior["cooler_model"].values
    use("questions", Question("gap", doubling))
    with pytest.raises(PluginError, match=r"'lab' \(1.0\): .*changed the fit"):
        tc.ask(fitted, "gap")
    assert fitted.posterior["cooler_model"].values is before
    use("report_sections", Section("gap", lambda fit, answers: doubling(fit) or ""), name="other")
    with pytest.warns(PluginWarning, match="'lab'"):
        page = tc.report(fitted, tmp_path / "page.html").read_text(encoding="utf-8")
    assert page.count("changed the fit") == 1
    assert fitted.posterior["cooler_model"].values is before


def test_a_question_cannot_change_the_rows_of_a_fit(fitted):
    def cooling(fit):
        fit.design.rows.loc[:, "temperature_c"] = 20.0
        return tc.separate(fit)

    before = fitted.design.rows.copy()
    use("questions", Question("cooling", cooling))
    with pytest.raises(PluginError, match=r"'lab' \(1.0\): .*changed the fit.* \(rows of "):
        tc.ask(fitted, "cooling")
    pd.testing.assert_frame_equal(fitted.design.rows, before)


def test_a_section_cannot_change_an_answer(fitted, tmp_path):
    def zeroing(fit, answers):
        answers[0].table["mean_k"] = 0.0
        return "<p>done</p>"

    answer = tc.separate(fitted)
    before = answer.table.copy()
    use("report_sections", Section("zero", zeroing))
    assert "<p>done</p>" in tc.report(answer, tmp_path / "page.html").read_text(encoding="utf-8")
    pd.testing.assert_frame_equal(answer.table, before)


def test_the_report_names_the_plug_ins_that_answered(fitted, tmp_path):
    use("questions", Question("gap", lambda fit: gap(fit, "Alder-C1")))
    use("report_sections", Section("Notes", lambda fit, answers: "<p>note</p>"), name="notes")
    page = tc.report(fitted, tmp_path / "page.html").read_text(encoding="utf-8")
    assert "plug-in lab 1.0, plug-in notes 1.0." in page
    assert tc.ask(fitted, "gap").source == "plug-in lab 1.0"
    assert tc.ask(fitted, "separate").source == ""


def test_an_answer_is_part_of_a_report(fitted, tmp_path):
    use("questions", Question("gap", lambda fit: gap(fit, "Alder-C1")))
    page = tc.report(fitted, tmp_path / "page.html").read_text(encoding="utf-8")
    assert "Alder-C2 - Alder-C1" in page


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"draws": {"a": [1.0, 2.0], "b": [1.0]}}, "not arrays of one length"),
        ({"draws": {}}, "not arrays of one length"),
        ({"draws": {"a": 3.0}}, "not arrays of one length"),
        ({"draws": {"a": [1.0, np.nan]}}, "'a': not a finite number"),
        ({"prob": 90.0}, "not between 0 and 1"),
        ({"sentences": "One text."}, "one text"),
    ],
)
def test_an_answer_of_wrong_parts_is_refused(changes, words):
    parts = {"draws": {"a": [1.0, 2.0]}, **changes}
    with pytest.raises(InputError, match=words):
        tc.make_answer("x", "X", **parts)
