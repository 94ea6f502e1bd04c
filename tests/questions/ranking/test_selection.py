"""What a choice of cards would do to a ranking, against other ways to the same numbers."""

import numpy as np
import pandas as pd
import pytest
from plain_rows import card_rows

from thermcmp.inference.fitting import fit
from thermcmp.questions.ranking.question import rank
from thermcmp.questions.ranking.selection import card_spread_k, cards_of, expected_coolest

RISES_K = (44.0, 46.0, 53.0, 53.4, 60.0, 66.0)


def rows(cards=3, spread_k=1.5, seed=1, shift_k=0.0, only=None):
    """Cards of six products; those of the first are shifted, and `only` of one product is kept."""
    rng = np.random.default_rng(seed)
    frames = []
    for number, rise_k in enumerate(RISES_K):
        for card in range(cards):
            own_k = rise_k + rng.normal(0.0, spread_k) + shift_k * (number == 0)
            warm = 22.0 + own_k + rng.normal(0.0, 0.2, 3)
            if number == only and card > 0:
                continue
            name, place = f"Card {number}", f"{number}-{card}"
            frames.append(
                card_rows(name, place, temperature_c=warm).assign(
                    run=[f"{place} {k}" for k in range(3)]
                )
            )
    return pd.concat(frames, ignore_index=True)


def ranked(table):
    return rank(fit(table, draws=1000, seed=1, engine="conditional", expand="none"))


@pytest.fixture(scope="module")
def answer():
    return ranked(rows())


# H. L. Harter, Biometrika 48 (1961) 151-165, expected largest of n normals (from memory).
@pytest.mark.parametrize(
    ("cards", "expected"), [(1, 0.0), (2, 0.56419), (5, 1.16296), (10, 1.53875)]
)
def test_the_coolest_of_some_cards(cards, expected):
    assert expected_coolest()[cards - 1] == pytest.approx(expected, abs=5e-6)


# The same table: 0.84628 for 3, 1.02938 for 4, 1.94767 for 24 and 1.96531 for 25.
def test_the_fewest_cards_that_explain_a_bias():
    assert cards_of(np.array([0.0, 1.0, 1.96, 99.0]), 1.0).tolist() == [1.0, 4.0, 25.0, np.inf]


def test_a_row_per_neighbouring_pair(answer):
    table = answer.selection()
    names = answer.table["product"]
    assert table["product"].tolist() == names[:-1].tolist()
    assert table["rival"].tolist() == names[1:].tolist()
    gaps = np.diff(answer.table["mean_c"])
    assert table["overturned_k"].to_numpy() == pytest.approx(gaps, abs=1e-9)
    assert (table["doubtful_k"] <= table["overturned_k"]).all()
    assert (table["doubtful_k"] >= 0.0).all()


def test_the_bias_overturns_the_order(answer):
    first = answer.selection().iloc[0]
    assert first["product"] == "Card 0"
    shifted = ranked(rows(shift_k=1.3 * first["overturned_k"]))
    assert shifted.table["product"].iloc[0] == first["rival"]


def test_the_narrowest_separation_is_named(answer):
    (caveat,) = [c for c in answer.caveats if c.startswith("No interval allows for how cards")]
    firsts = answer.table.groupby("group").first()
    gaps = firsts["mean_c"].diff()
    rival = gaps.idxmin()
    assert f"{firsts.loc[rival - 1, 'product']} and {firsts.loc[rival, 'product']}" in caveat


def half_width(ranking):
    row = ranking.table.set_index("product").loc["Card 2"]
    return (row["high_c"] - row["low_c"]) / 2.0


def test_what_a_second_card_brings_is_what_it_brings_on_average():
    ratios = []
    for seed in range(1, 7):
        lone, fuller = (
            ranked(rows(cards=cards, only=only, seed=seed)) for cards, only in ((3, 2), (2, None))
        )
        (caveat,) = [c for c in lone.caveats if c.startswith("Mounted once only: Card 2,")]
        then, now = (
            float(caveat.partition(lead)[2].partition(" K")[0].lstrip("±"))
            for lead in ("would bring about ", "in place of ")
        )
        assert now == pytest.approx(half_width(lone), rel=0.06)
        # Refitted with one more card of another draw; its own spread is estimated anew.
        spreads = [card_spread_k(answer.fits[0]) for answer in (lone, fuller)]
        ratios.append(then / (half_width(fuller) * spreads[0] / spreads[1]))
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.2)
