"""Bad diagnostics reach every answer: refused or recorded, and named in its caveats."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from thermcmp.errors import EngineError
from thermcmp.inference.diagnostics import Check, Diagnostics, Health
from thermcmp.inference.fitting import fit
from thermcmp.model.priors import HalfNormal
from thermcmp.questions.attribution.question import attribute
from thermcmp.questions.build_chain.question import chain
from thermcmp.questions.caveats import Linear, fit_caveats, outliers
from thermcmp.questions.limit_margin.question import margin
from thermcmp.questions.ranking.question import rank
from thermcmp.questions.separation.question import separate
from thermcmp.questions.several_sensors.question import attribute_sensors
from thermcmp.reporting.document import report

OLD, NEW = "Alder r1 / fw 1", "Alder r2 / fw 2"
QUESTIONS = {
    "separate": lambda model, **more: separate(model, **more),
    "attribute": lambda model, **more: attribute(model, OLD, NEW, **more),
    "attribute_sensors": lambda model, **more: attribute_sensors([model], OLD, NEW, **more),
    "chain": lambda model, **more: chain(model, ["Alder r1", "Alder r2"], **more),
    "rank": lambda model, **more: rank(model, **more),
    "margin": lambda model, **more: margin(model, OLD, limit_c=105.0, ambient_c=35.0, **more),
}


@cache
def graded(model, status):
    """The fit with a failed check; the same one each time, so that what it knows is kept."""
    check = Check("largest R-hat", 1.4, "at most 1.01", status)
    return replace(model, diagnostics=Diagnostics((check,)))


@pytest.fixture(params=QUESTIONS)
def ask(request):
    return QUESTIONS[request.param]


def test_bad_health_blocks_the_question(ask, aliased):
    with pytest.raises(EngineError, match=r"Largest R-hat is 1\.4; .* fit again .* allow_bad_h"):
        ask(graded(aliased.fit, Health.BAD))


def test_an_override_is_recorded_in_the_answer(ask, aliased, tmp_path):
    answer = ask(graded(aliased.fit, Health.BAD), allow_bad_health=True)
    text = " ".join(answer.caveats)
    assert "Fit health is 'bad'; answered because allow_bad_health=True." in text
    assert "Largest R-hat is 1.4" in text
    assert answer.health == "bad"
    # A report of the answer alone knows it too.
    with pytest.raises(EngineError, match="allow_bad_health"):
        report(answer, tmp_path / "page.html")


@pytest.mark.parametrize("question", ["separate", "attribute_sensors"])
def test_an_answer_alone_is_reported_on_the_users_word(question, aliased, tmp_path):
    answer = QUESTIONS[question](graded(aliased.fit, Health.BAD), allow_bad_health=True)
    page = report(answer, tmp_path / "page.html", allow_bad_health=True)
    assert "The health check failed." in page.read_text(encoding="utf-8")


def test_a_bad_fit_alone_is_reported_on_the_users_word(aliased, tmp_path):
    bad = graded(aliased.fit, Health.BAD)
    with pytest.raises(EngineError, match=r"^Not reported, .* allow_bad_health"):
        report(bad, tmp_path / "page.html")
    page = report(bad, tmp_path / "page.html", allow_bad_health=True).read_text(encoding="utf-8")
    assert "The health check failed." in page
    assert "answered because allow_bad_health=True" in page


def test_caution_is_a_caveat_and_no_refusal(ask, aliased):
    answer = ask(graded(aliased.fit, Health.CAUTION))
    assert any("health is 'caution': Largest R-hat" in caveat for caveat in answer.caveats)
    assert not any("allow_bad_health" in caveat for caveat in answer.caveats)


@pytest.fixture(scope="module")
def spoilt(aliased):
    """The same campaign with one run 4 K too hot."""
    rows = aliased.fit.results.copy()
    rows.loc[4, "temperature_c"] += 4.0
    return fit(rows, "memory", draws=2000, seed=5), str(rows.loc[4, "run"])


def test_an_outlier_is_named_in_every_answer(ask, spoilt, aliased):
    model, run = spoilt
    said = [caveat for caveat in ask(model).caveats if f"Run {run} is" in caveat]
    assert len(said) == 1
    assert "hotter than the other runs of its assembly explain; look at its log." in said[0]
    assert not any(f"Run {run} is" in caveat for caveat in ask(aliased.fit).caveats)


def test_outliers_are_looked_for_once_and_again_for_another_fit(spoilt, monkeypatch):
    model, run = spoilt
    # What has an effect of its own is none any more.
    assert run in {expansion.outlier.name for expansion in model.expansions}
    assert run not in {one.name for one in outliers(model)}
    plain = fit(model.design.measured_rows, "memory", expand="none", draws=2000, seed=5)
    first = outliers(plain)
    assert run in {one.name for one in first}
    assert outliers(plain) is first
    copy = replace(plain, seed=9)
    assert outliers(copy) is not first


def test_a_prior_that_decides_is_said_in_separation(bench):
    runs = [
        {
            "cooler_model": f"Heron-C{1 + hot}", "cooler_id": f"Heron-C{1 + hot}-1",
            "assembly": f"m{i}",
            "temperature_c": 70.0 + 4.0 * hot + 0.6 * (i > 1) + 0.2 * (-1) ** j,
        }
        for i, hot in enumerate([0, 1, 0, 1]) for j in range(4)
    ]  # fmt: skip
    rows = bench(runs)
    terms = ["cooler_model", "assembly"]
    loose = separate(fit(rows, terms=terms, draws=2000, seed=1), contrasts=["cooler_model"])
    priors = {"cooler_model sd": HalfNormal(0.4)}
    tight = fit(rows, terms=terms, priors=priors, draws=2000, seed=1)
    answer = separate(tight, contrasts=["cooler_model"])
    first = answer.table.iloc[0]
    assert first["prior_influence"] > 0.05 > loose.table["prior_influence"].iloc[0]
    said = [c for c in answer.caveats if "by the prior of 'cooler_model sd'" in c]
    assert len(said) == 1
    assert first["contrast"].replace(" − ", " minus ") in said[0]
    assert not any("by the prior of 'cooler_model sd'" in caveat for caveat in loose.caveats)


def test_attribution_states_its_prior_influence(aliased):
    table = attribute(aliased.fit, OLD, NEW).table
    assert np.isfinite(table["prior_influence"]).all()
    assert (table["prior_influence"] >= 0).all()


def test_a_sign_that_rests_on_one_assembly_is_said(bench):
    # Six assemblies of each cooler alike; one of the new cooler is 9 K off and makes the gap.
    level = {"Heron-C1": [0.0, 0.1, -0.1, 0.05], "Heron-C2": [0.1, 0.2, 0.15, -6.0]}
    runs = [
        {
            "cooler_model": cooler, "cooler_id": f"{cooler}-1", "assembly": f"{cooler} {i}",
            "temperature_c": 70.0 + off + 0.05 * (-1) ** j,
        }
        for cooler, offs in level.items() for i, off in enumerate(offs) for j in range(3)
    ]  # fmt: skip
    # A spread of assemblies held small makes the bad one count as the cooler's.
    model = fit(
        bench(runs), priors={"assembly sd": HalfNormal(0.2)}, expand="none", draws=2000, seed=1
    )
    answer = separate(model, contrasts=["cooler_model"])
    assert answer.table["high_k"].iloc[0] < 0.0
    said = [c for c in answer.caveats if "rests on one assembly: without 'Heron-C2 3'" in c]
    assert len(said) == 1
    # The other side of a limit is told by the same rule.
    weights = np.zeros((1, model.design.effect_count))
    weights[0, 0] = 1.0
    calm = fit_caveats(model, linear=Linear(("the rise",), weights, against=0.0))
    assert not any("rests on one assembly" in caveat for caveat in calm)
