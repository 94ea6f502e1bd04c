"""Models of the same rows: which predicts assemblies, and what it does to the contrasts."""

from dataclasses import replace

import numpy as np
import pytest
from swap_campaign import swap_campaign

import thermcmp as tc
from thermcmp.inference.comparison.candidates import (
    _MADE,
    AS_FITTED,
    Candidate,
    Candidates,
    _none_made,
    compared,
    fit_candidates,
    is_cheap,
)
from thermcmp.inference.comparison.predictive_density import GroupDensity
from thermcmp.inference.fitting import fit
from thermcmp.questions.caveats import NOT_COMPARED
from thermcmp.questions.model_claims import moved_weights
from thermcmp.questions.model_comparison.question import compare_models
from thermcmp.questions.separation.question import separate

#: Effect of the cooler, and what it differs by on the second board [K].
COOLER_K, PAIRING_K = -3.0, 4.0


@pytest.fixture(scope="module")
def paired():
    rows = swap_campaign(cooler_k=COOLER_K, pairing_k=PAIRING_K, assemblies=2, assembly_k=0.2)
    model = fit(rows, draws=2000, seed=2, expand="none")
    return compare_models(model, lambda other: separate(other, contrasts="cooler_model"))


@pytest.fixture(scope="module")
def odd():
    return compare_models(fit(swap_campaign(odd_k=6.0, seed=3), draws=1200, seed=2))


def row(answer, model):
    return answer.table.set_index("model").loc[model]


def test_a_pairing_that_is_there_predicts_better(paired):
    without = row(paired, "without pairing")
    assert without["predicts"] == "clearly worse"
    assert without["weight"] < 0.05
    assert paired.table["weight"].sum() == pytest.approx(1.0)
    assert paired.best == AS_FITTED
    assert row(paired, AS_FITTED)["elpd_difference"] == 0.0
    assert any("predicts assemblies best" in sentence for sentence in paired.sentences)


def test_a_clearly_worse_model_turns_no_claim(paired):
    # Without pairing the second board's contrast would be the average, of the other sign.
    answers = paired.answers.set_index("answer")
    on_second = answers.loc["cooler: Heron-C2 minus Heron-C1 on Heron-B2"]
    assert on_second["low_k"] < COOLER_K + PAIRING_K + 0.5
    assert on_second["least_mean_k"] > 0.0
    average = paired.models["without pairing"]
    weights = np.zeros((1, average.design.effect_count))
    first = average.design.offsets[average.design.term_position("cooler_model")]
    weights[0, first : first + 2] = -1.0, 1.0
    assert average.combined(weights).mean() == pytest.approx(-1.0, abs=0.7)


def test_a_further_question_is_asked_of_every_model(paired):
    asked = paired.answers[paired.answers["answer"].str.startswith("separation: cooler_model")]
    plain = paired.answers[paired.answers["answer"].str.startswith("cooler: ")]
    # The same contrasts by another way, on both boards and on average.
    assert asked["mean_k"].to_list() == pytest.approx(plain["mean_k"].to_list(), abs=1e-9)
    assert len(asked) == 3


def test_freeing_an_outlier_predicts_better_and_is_said_to_be_favoured(odd):
    assert row(odd, "plain model")["elpd_difference"] < -4.0
    assert any("m1 is freed (chance" in sentence for sentence in odd.sentences)
    assert any("favours the models that free it" in caveat for caveat in odd.caveats)
    assert odd.models["plain model"].expansions == ()
    spread = {
        name: odd.models[name].draws("assembly sd").mean() for name in (AS_FITTED, "plain model")
    }
    assert spread["plain model"] > 2.0 * spread[AS_FITTED]


def test_a_claim_that_a_model_of_equal_standing_turns_is_called_model_dependent():
    rows = swap_campaign(cooler_k=-0.9, pairing_k=1.2, assemblies=2, seed=4)
    answer = compare_models(fit(rows, draws=1200, seed=2, expand="none"))
    dependent = answer.answers[answer.answers["verdict"].eq("model-dependent")]
    assert len(dependent) > 0
    for line in dependent.itertuples():
        assert row(answer, line.model_dependent)["predicts"] != "clearly worse"
        assert any(
            sentence.startswith("Model-dependent") and line.answer in sentence
            for sentence in answer.sentences
        )
    # They are shown first.
    (shown,) = answer.further_tables.values()
    assert shown["verdict"].iloc[0] == "model-dependent"


def test_every_later_answer_names_what_hangs_on_the_model():
    model = fit(
        swap_campaign(cooler_k=-0.9, pairing_k=1.2, assemblies=2, seed=4), draws=1200, seed=2
    )
    (before,) = [c for c in separate(model).caveats if c == NOT_COMPARED]
    assert "Fix: compare the models" in before
    answers = compare_models(model).answers
    dependent = answers.loc[answers["verdict"].eq("model-dependent"), "answer"]
    assert len(dependent) > 0
    caveats = separate(model).caveats
    assert NOT_COMPARED not in caveats
    said = [caveat for caveat in caveats if caveat.startswith("Model-dependent")]
    assert [name for name in dependent if any(f" {name} is " in caveat for caveat in said)]
    # It is not asked twice, but where more is wanted.
    known = compared(model)
    assert fit_candidates(model, with_student=False, budget_s=60.0) is known


def test_an_order_and_a_part_of_a_fix_hang_on_the_model_too():
    rows = swap_campaign(cooler_k=-5.0, seed=5).assign(firmware="fw 1")
    rows["product"] = rows["cooler_model"] + " on " + rows["board_model"]
    model = fit(rows, draws=1200, seed=2)
    first, second = "Heron-C1 on Heron-B1", "Heron-C2 on Heron-B1"
    assert NOT_COMPARED in tc.rank(model, scope="specimens").caveats
    # Another model of equal standing in which the cooler's effect has the other sign.
    turned = replace(model, posterior=model.posterior.copy(deep=True))
    for name in ("cooler_model", "cooler", "pairing", "assembly"):
        turned.posterior[name] = -turned.posterior[name]
    density = GroupDensity(np.zeros(12), np.array([], int))
    both = (Candidate(AS_FITTED, "", model, density), Candidate("turned", "", turned, density))
    model.once(_MADE, _none_made).append(Candidates(both, 12, (), (), with_student=False))
    ranked = " ".join(tc.rank(model, scope="specimens").caveats)
    assert f"Model-dependent: {first} against {second} is" in ranked
    assert "under 'turned', which predicts about as well" in ranked
    fixed = tc.attribute(
        model,
        tc.Build(cooler_model="Heron-C1", board_model="Heron-B1", firmware="fw 1"),
        tc.Build(cooler_model="Heron-C2", board_model="Heron-B1", firmware="fw 1"),
        settings=dict.fromkeys(("before", "after"), tc.Conditions(fan_rpm=1800, power_w=200)),
        allow_prior=True,
    )
    assert any(c.startswith("Model-dependent: total is") for c in fixed.caveats)


def test_a_small_screened_fit_is_cheap_to_compare(paired):
    assert not is_cheap(paired.models[AS_FITTED])  # expand="none"
    small = replace(paired.models[AS_FITTED], findings=())
    assert is_cheap(small)
    limit = np.arange(len(small.results)) < 2
    assert not is_cheap(replace(small, design=replace(small.design, at_limit=limit)))


def test_the_text_and_the_figure_name_every_model(paired):
    text = str(paired)
    axes = paired.plot()
    names = " ".join(label.get_text() for label in axes.get_yticklabels()).replace("\n", " ")
    for model in paired.table["model"]:
        assert model in text
        assert model in names
    assert "The budget is 60 s" in text


def test_no_time_leaves_the_other_models_out_by_name():
    rows = swap_campaign(assemblies=2)
    answer = compare_models(fit(rows, draws=400, seed=2, expand="none"), budget_s=1e-9)
    assert answer.table["model"].to_list() == [AS_FITTED]
    assert any("No time was left for: without pairing" in caveat for caveat in answer.caveats)


def test_an_effect_that_the_other_model_lacks_is_zero_there(paired):
    design, other = (paired.models[name].design for name in (AS_FITTED, "without pairing"))
    weights = np.arange(1.0, 1.0 + design.effect_count)[None, :]
    moved = moved_weights(design, other, weights)
    first = design.offsets[design.term_position("pairing")]
    kept = np.delete(weights, np.s_[first : first + 4], axis=1)
    assert moved.shape == (1, other.effect_count)
    assert np.array_equal(np.sort(moved), np.sort(kept))
    same = moved_weights(other, design, moved)
    assert np.array_equal(same[0, first : first + 4], np.zeros(4))
    assert same.sum() == moved.sum()


def test_what_cannot_be_compared_is_refused_with_the_way_out(paired):
    model = paired.models[AS_FITTED]
    with pytest.raises(tc.InputError, match="means in kelvin"):
        compare_models(
            model, lambda fit: replace(separate(fit), table=separate(fit).table[["factor"]])
        )
    with pytest.raises(tc.InputError, match="budget_s"):
        compare_models(model, budget_s=0.0)
    limit = np.arange(len(model.results)) < 2
    clamped = replace(model, design=replace(model.design, at_limit=limit))
    with pytest.raises(tc.EngineError, match="2 readings at the limit"):
        compare_models(clamped)
    with pytest.raises(tc.EngineError, match="together with edge"):
        compare_models(replace(model, fitted_with=("edge",)))
    rows = model.results.assign(assembly=model.results["cooler_model"])
    few = replace(model, design=replace(model.design, rows=rows))
    with pytest.raises(tc.NotEstimableError, match="Only 2 assemblies"):
        compare_models(few)
