"""Laboratories: offsets, the odd one, a further laboratory, and what is refused."""

import numpy as np
import pandas as pd
import pytest
from plain_rows import card_rows

from thermcmp.errors import InputError, NotEstimableError
from thermcmp.inference.fitting import fit
from thermcmp.questions.build_prediction.question import predict
from thermcmp.questions.laboratories.question import compare_labs
from thermcmp.questions.limit_margin.question import margin
from thermcmp.questions.ranking.question import rank

#: What each laboratory adds [K]; the fifth is odd.
OFFSETS = {"Ash": 0.5, "Birch": -0.6, "Cedar": 0.4, "Dogwood": -0.3, "Elm": 9.0}
CARDS = {"Kite": 40.0, "Heron": 46.0, "Swift": 43.0}


def library(offsets=OFFSETS, shared=True):
    """Every card at every laboratory, or each card at its own."""
    rng = np.random.default_rng(8)
    frames = []
    for place, (lab, offset_k) in enumerate(offsets.items()):
        for number, (card, rise_k) in enumerate(CARDS.items()):
            if not shared and place % len(CARDS) != number:
                continue
            speeds = np.array([1400.0, 1800.0, 1800.0])
            rise = 0.6 * rise_k + 0.4 * rise_k * (1800.0 / speeds) ** 0.7 + offset_k
            frames.append(
                card_rows(
                    card,
                    f"{card}-{lab}",
                    temperature_c=np.round(22.0 + rise + rng.normal(0, 0.2, 3), 2),
                    fan_rpm=speeds,
                    lab=lab,
                ).assign(run=[f"{lab} {card} {k}" for k in range(3)])
            )
    return pd.concat(frames, ignore_index=True)


@pytest.fixture(scope="module")
def labs():
    return fit(library(), draws=2000, seed=1)


@pytest.fixture(scope="module")
def answer(labs):
    return compare_labs(labs)


def test_offsets_are_those_that_were_added(answer):
    table = answer.table.set_index("lab")
    mean = np.mean(list(OFFSETS.values()))
    for lab, offset_k in OFFSETS.items():
        assert table.loc[lab, "own_k"] == pytest.approx(offset_k - mean, abs=0.35)
        assert table.loc[lab, "low_k"] < offset_k - mean < table.loc[lab, "high_k"]
    assert table["mean_k"].sum() == pytest.approx(0.0, abs=1e-9)


def test_the_odd_laboratory_is_named(answer):
    table = answer.table.set_index("lab")
    assert table.loc["Elm", "p_odd"] < 0.01
    assert (table.drop("Elm")["p_odd"] > 0.5).all()
    assert "Elm" in answer.sentences[1]
    assert "more than laboratories otherwise differ" in answer.sentences[1]


def test_the_scatter_is_between_laboratories(answer):
    assert answer.i_squared > 0.95
    assert answer.degrees == 4
    low, high = answer.new_lab_k
    assert low < -4.0
    assert high > 4.0


def test_leaving_a_laboratory_out_moves_little_where_all_ran_all(answer):
    assert (answer.table["moves_k"].abs() < 0.5).all()
    assert set(answer.table["moves"]) <= set(CARDS)


def test_a_further_laboratory_reads_more_widely(labs):
    line = predict(labs, "Kite", fan_rpm=1800, power_w=200)
    further = predict(labs, "Kite", fan_rpm=1800, power_w=200, scope="new laboratory")
    wide, wider = (p.table.set_index("quantity").loc["temperature"] for p in (line, further))
    assert wider["high"] - wider["low"] > 1.5 * (wide["high"] - wide["low"])
    assert wider["mean"] == pytest.approx(wide["mean"], abs=1.0)
    assert "further laboratory" in str(further)


@pytest.mark.parametrize("question", [rank, lambda f, **k: margin(f, "Kite", limit_c=100, **k)])
def test_only_a_prediction_is_a_reading(labs, question):
    with pytest.raises(InputError, match="new laboratory"):
        question(labs, scope="new laboratory")


def test_one_laboratory_says_nothing_of_others(labs):
    one = fit(library({"Ash": 0.0}), draws=500, seed=1, expand="none")
    for ask in (compare_labs, lambda f: predict(f, "Kite", scope="new laboratory")):
        with pytest.raises(NotEstimableError, match="one laboratory"):
            ask(one)
    without = fit(library(), terms=["cooler_model"], draws=500, seed=1, expand="none")
    with pytest.raises(NotEstimableError, match="term 'lab'"):
        compare_labs(without, allow_bad_health=True)


def test_cards_of_unlinked_laboratories_are_ranked_apart():
    apart = fit(library({"Ash": 0.0, "Birch": 0.5, "Cedar": 1.0}, shared=False), draws=500, seed=1)
    compared = compare_labs(apart)
    said = [caveat for caveat in compared.caveats if "they share no card" in caveat]
    assert len(said) == 2
    assert "how far they read apart was not measured" in said[0]
    answer = rank(apart)
    assert list(answer.table["network"]) == [1, 2, 3]
    assert len(set(answer.table["group"])) == 3
    assert answer.league().empty
    assert "form 3 networks" in answer.sentences[0]
    assert sum("run one of these cards" in caveat for caveat in answer.caveats) == 2


def test_a_shared_card_links_its_laboratories(labs):
    answer = rank(labs)
    assert set(answer.table["network"]) == {1}
    assert not any("ranked apart" in caveat for caveat in answer.caveats)


def test_laboratories_that_share_cards_are_not_called_unlinked(answer):
    assert not any("they share no card" in caveat for caveat in answer.caveats)


def test_figure_shows_the_band(answer):
    axes = answer.plot()
    names = [label.get_text() for label in axes.get_yticklabels()]
    assert names == list(answer.table["lab"])
    assert any("Band" in text.get_text() for text in axes.texts)
