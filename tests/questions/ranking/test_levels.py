"""Products that differ in a factor or covariate of the user's own."""

import numpy as np
import pytest
from plain_rows import CARD, SPECIMENS, plain_rows

import thermcmp as tc
from thermcmp.inference.fitting import fit
from thermcmp.questions.ranking.question import rank

#: What full pads do, and a kelvin per unit of torque [K].
PADS_K, TORQUE_K = -6.0, -2.0


def shelf(*, third_pads="half"):
    """Three alike products; the second has full pads, and the first was run with both."""
    rng = np.random.default_rng(3)
    product = np.repeat([0, 0, 1, 2], 6)
    pads = np.repeat(["half", "full", "full", third_pads], 6)
    torque = np.tile([0.4, 0.5, 0.6], 8)
    rise = 50.0 + PADS_K * (pads == "full") + TORQUE_K * torque
    names = np.array(["Ash", "Elm", "Fir"])[product]
    parts = {f"{part}_model": np.char.add(names, f"-{part[0].upper()}") for part in PARTS}
    parts |= {f"{part}_id": np.char.add(parts[f"{part}_model"], "-1") for part in PARTS}
    rows = plain_rows(
        {**CARD, **SPECIMENS},
        **parts,
        product=names,
        assembly=np.char.add(names, np.tile(["m1", "m2"], 12)),
        temperature_c=22.0 + rise + 0.1 * rng.standard_normal(24),
    )
    return rows.assign(pads=pads, torque=torque)


PARTS = ("cooler", "board")
PADS = tc.Term("pads", "pads", scale=tc.Normal(0.0, 20.0))
TORQUE = tc.Term("torque", values="torque", slope=tc.Normal(0.0, 10.0))


def fitted(rows, *terms):
    chosen = ["cooler_model", *terms]
    return fit(rows, terms=chosen, draws=800, seed=2, expand="none")


@pytest.fixture(scope="module")
def padded():
    return fitted(shelf(), PADS, TORQUE)


def means(answer):
    return answer.table.set_index("product")["mean_c"]


def caveat(answer):
    return [words for words in answer.caveats if "differ in pads" in words]


def test_products_at_levels_of_their_own_differ_by_them_and_it_is_said(padded):
    answer = rank(padded)
    assert means(answer)["Fir"] - means(answer)["Elm"] == pytest.approx(-PADS_K, abs=0.8)
    (words,) = caveat(answer)
    assert "Elm: full; " not in words
    assert "Elm: full" in words
    assert "Ash: full and half" in words
    assert "levels={'pads': " in words


def test_at_one_level_they_are_alike_and_nothing_is_said(padded):
    answer = rank(padded, levels={"pads": "full"})
    found = means(answer)
    assert np.ptp(found.to_numpy()) < 0.8
    assert caveat(answer) == []
    assert found["Fir"] - means(rank(padded))["Fir"] == pytest.approx(PADS_K, abs=0.8)


def test_a_builds_own_level_goes_before(padded):
    elm, fir = (
        tc.Build(cooler_model=f"{name}-C", board_model=f"{name}-B", label=name, levels=levels)
        for name, levels in (("Elm", {}), ("Fir", {"pads": "half"}))
    )
    answer = rank(padded, products=[fir, elm], levels={"pads": "full"})
    assert means(answer)["Fir"] - means(answer)["Elm"] == pytest.approx(-PADS_K, abs=0.8)
    assert "Fir: half" in caveat(answer)[0]


def test_the_level_of_a_covariate_is_stated(padded):
    assert "Ranked at torque 0.5, its mean over the runs." in rank(padded).sentences
    tight = rank(padded, levels={"torque": 0.6})
    assert "Ranked at torque 0.6." in tight.sentences
    moved = means(tight) - means(rank(padded))
    assert moved.to_numpy() == pytest.approx(0.1 * TORQUE_K, abs=0.1)


def test_a_column_that_no_term_reads_is_named():
    rows = shelf()
    rows = rows[~(rows["product"].eq("Ash") & rows["pads"].eq("full"))].reset_index(drop=True)
    (words,) = caveat(rank(fitted(rows)))
    assert "which no term of the fit reads" in words
    # A name of each product's own is not a cause beside it.
    numbered = rows.assign(pads=rows["product"].map({"Ash": "s1", "Elm": "s2", "Fir": "s3"}))
    assert caveat(rank(fitted(numbered))) == []
    # One level for all is none.
    assert caveat(rank(fitted(rows.assign(pads="half")))) == []


def test_an_unknown_level_is_refused_by_name(padded):
    with pytest.raises(tc.NotEstimableError, match="no run with pads 'none'"):
        rank(padded, levels={"pads": "none"})
    with pytest.raises(tc.InputError, match="no term of the fit reads this column"):
        rank(padded, levels={"paste": "grey"})
