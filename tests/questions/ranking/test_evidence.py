"""Direct against indirect evidence of ranked products: the pair that disagrees is named."""

import numpy as np
import pandas as pd
import pytest
from plain_rows import card_rows

from thermcmp.inference.fitting import fit
from thermcmp.questions.laboratories.question import compare_labs
from thermcmp.questions.ranking.question import rank

#: Steps between the cards of a laboratory, of 13 laboratories and 13 cards: every pair meets at
#: exactly one (the projective plane of order 3).
STEPS = (0, 1, 3, 9)


def library(off_k=0.0, seed=4, scatter_k=0.0):
    """Four of 13 cards at each laboratory; Card 00 is `off_k` warmer at Lab 00 than elsewhere.

    At Lab 03 every other card is `scatter_k` warmer, the others as much cooler.
    """
    rng = np.random.default_rng(seed)
    rise_k = rng.normal(45.0, 3.0, 13)
    frames = []
    for place in range(13):
        offset_k, lab = rng.normal(0.0, 2.0), f"Lab {place:02d}"
        for number in ((place + step) % 13 for step in STEPS):
            own_k = rise_k[number] + offset_k + rng.normal(0.0, 0.5)
            own_k += off_k * (number == place == 0)
            own_k += scatter_k * (place == 3) * (-1.0) ** STEPS.index((number - place) % 13)
            card = f"Card {number:02d}"
            for mount in "ab":
                warm = 22.0 + own_k + rng.normal(0.0, 0.4) + rng.normal(0.0, 0.2, 2)
                frames.append(
                    card_rows(
                        card,
                        f"{card}-{lab}",
                        temperature_c=warm,
                        lab=lab,
                        assembly=f"{card}-{lab}-{mount}",
                    ).assign(run=[f"{lab} {card} {mount} {k}" for k in range(2)])
                )
    return pd.concat(frames, ignore_index=True)


def ranked(rows):
    return rank(fit(rows, draws=1000, seed=1, engine="conditional", expand="none"))


@pytest.fixture(scope="module")
def agreeing():
    return ranked(library())


@pytest.fixture(scope="module")
def disagreeing():
    return ranked(library(off_k=8.0))


def test_agreeing_evidence_is_not_named(agreeing):
    table = agreeing.evidence()
    assert len(table) == 13 * 12 // 2
    assert (table["p_any"] > 0.05).all()
    assert not any("disagrees" in caveat for caveat in agreeing.caveats)


def test_the_pair_that_disagrees_is_named(disagreeing):
    table = disagreeing.evidence()
    worst = table.iloc[0]
    assert "Card 00" in (worst["product"], worst["rival"])
    assert worst["p_any"] < 0.05
    assert worst["together"] == "Lab 00"
    side = 1.0 if worst["rival"] == "Card 00" else -1.0
    assert side * worst["differ_k"] == pytest.approx(8.0, abs=2.0 * worst["differ_error_k"])
    (sentence,) = [caveat for caveat in disagreeing.caveats if "disagrees" in caveat]
    assert worst["product"] in sentence
    assert worst["rival"] in sentence
    assert "Farthest off: Card 00 at Lab 00, " in sentence
    assert sentence in compare_labs(disagreeing.fits[0]).caveats


def test_direct_and_indirect_evidence_average_to_the_gap(agreeing):
    """As in any precision-weighted mean; the priors of products are wide beside the rows."""
    draws = agreeing.draws["temperature_c"]
    for _, row in agreeing.evidence().iterrows():
        weights = np.array([row["direct_error_k"], row["indirect_error_k"]]) ** -2.0
        mean = weights @ [row["direct_k"], row["indirect_k"]] / weights.sum()
        gap = draws.sel(product=row["rival"]) - draws.sel(product=row["product"])
        assert mean == pytest.approx(float(gap.mean()), abs=0.6 * float(gap.std()))


def test_one_place_has_no_indirect_evidence(peers):
    assert rank(peers.fit).evidence().empty


def test_the_card_that_is_off_is_named_whatever_it_does_to_the_spreads(disagreeing):
    (sentence,) = [c for c in disagreeing.caveats if " than all other runs suggest, where" in c]
    assert sentence.startswith("Card 00 at Lab 00 is ")
    assert " K warmer than" in sentence


def test_the_laboratory_whose_cards_scatter_is_named():
    ranking = ranked(library(scatter_k=5.0))
    (sentence,) = [c for c in ranking.caveats if "ranks the products unlike all others" in c]
    assert sentence.startswith("Lab 03 ")
    assert sentence in compare_labs(ranking.fits[0]).caveats


def test_no_card_or_laboratory_is_off_where_all_agree(agreeing):
    for words in ("than all other runs suggest", "unlike all others"):
        assert not any(words in caveat for caveat in agreeing.caveats)


def test_a_laboratory_that_published_rises_for_temperatures_is_named(agreeing):
    rows = library()
    there = rows["lab"].eq("Lab 05")
    rises = rows["temperature_c"].mask(there, rows["temperature_c"] - rows["ambient_c"])
    (words,) = [c for c in ranked(rows.assign(temperature_c=rises)).caveats if "Lab 05 reads" in c]
    assert "K cooler than the mean of all laboratories, more than like ones would" in words
    assert not any("than the mean of all laboratories" in c for c in agreeing.caveats)
