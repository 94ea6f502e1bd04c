"""The pairing of cooler and board: both engines find the same, also for a pair never assembled."""

from itertools import product

import numpy as np
import pytest

from thermcmp.inference.fitting import fit
from thermcmp.questions.separation.question import separate

#: What the second cooler differs by on the second board, and noise of a reading [K].
PAIRING_K, NOISE_K = 4.0, 0.3


def swaps(make_rows):
    rng = np.random.default_rng(4)
    cooler, board, _ = (np.ravel(each) for each in np.mgrid[:2, :2, :4])
    rise = 50.0 + 5.0 * cooler - 3.0 * board + PAIRING_K * cooler * board
    coolers, boards = (
        np.char.add(first, (numbers + 1).astype(str))
        for first, numbers in (("Heron-C", cooler), ("Heron-B", board))
    )
    return make_rows(
        temperature_c=22.0 + rise + NOISE_K * rng.standard_normal(16),
        cooler_model=coolers,
        cooler_id=np.char.add(coolers, "-1"),
        board_model=boards,
        board_id=np.char.add(boards, "-1"),
        assembly=np.char.add(coolers, boards),
    )


def interaction(model):
    """What the coolers' contrast differs by between the boards, shape (S,)."""
    level = dict(zip(model.design.levels[-1], model.draws("pairing").T, strict=True))
    pair = {(c, b): level[f"Heron-C{c} · Heron-B{b}"] for c in (1, 2) for b in (1, 2)}
    return pair[2, 2] - pair[1, 2] - pair[2, 1] + pair[1, 1]


@pytest.mark.study
def test_both_engines_find_the_pairing(make_rows):
    rows, terms = swaps(make_rows), ["cooler_model", "board_model", "pairing"]
    by = {
        engine: fit(rows, engine=engine, terms=terms, draws=draws, seed=2, expand="none")
        for engine, draws in (("conditional", 4000), ("nuts", 1000))
    }
    mean, sd = ({e: f(interaction(m)) for e, m in by.items()} for f in (np.mean, np.std))
    # Four pairs of four readings know it to the scatter of one reading.
    scatter = np.sqrt(np.mean(by["conditional"].draws("residual sd") ** 2))
    assert sd["conditional"] == pytest.approx(scatter, rel=0.15)
    assert abs(mean["conditional"] - PAIRING_K) < 3.0 * sd["conditional"]
    assert abs(mean["nuts"] - mean["conditional"]) < 0.25 * sd["conditional"]
    assert sd["nuts"] == pytest.approx(sd["conditional"], rel=0.25)
    spreads = [np.median(model.draws("pairing sd")) for model in by.values()]
    assert spreads[1] == pytest.approx(spreads[0], rel=0.25)


def test_a_pair_never_assembled_has_an_effect_of_the_spread_alone(make_rows):
    rows = swaps(make_rows)
    rows = rows[rows["assembly"] != "Heron-C2Heron-B2"].reset_index(drop=True)
    model = fit(rows, terms=["cooler_model", "board_model", "pairing"], draws=4000, seed=2)
    assert model.design.levels[-1][-1] == "Heron-C2 · Heron-B2"
    open_pair, spread = model.draws("pairing")[:, -1], model.draws("pairing sd")
    # Standard normal in units of the spread: four standard errors of 4000 draws.
    z = open_pair / spread
    assert z.mean() == pytest.approx(0.0, abs=4.0 / np.sqrt(4000))
    assert z.std() == pytest.approx(1.0, abs=4.0 / np.sqrt(8000))


def test_a_cooler_that_does_not_fit_one_vendor_s_memory(make_rows):
    """Eight boards of two vendors under both coolers; pads of the new one miss one vendor's."""
    rng, rows = np.random.default_rng(5), []
    for cooler, board, vendor, copy in product((1, 2), (1, 2), ("Nord", "Sued"), (1, 2)):
        level = 60.0 - 3.0 * (cooler == 2) + 4.0 * (cooler == 2 and vendor == "Nord")
        level += 1.5 * (board == 2) + rng.normal(0.0, 0.4)
        for _ in range(2):
            rows.append((cooler, board, vendor, copy, level + rng.normal(0.0, 0.2)))
    cooler, board, vendor, copy, rise = zip(*rows, strict=True)
    parts = list(zip(cooler, board, vendor, copy, strict=True))
    table = make_rows(
        cooler_model=[f"Fir-C{c}" for c in cooler],
        cooler_id=[f"Fir-C{c}-1" for c in cooler],
        board_model=[f"Fir-B{b}" for b in board],
        board_id=[f"{b}-{v}-{k}" for _, b, v, k in parts],
        memory_vendor=list(vendor),
        assembly=[f"{c}-{b}-{v}-{k}" for c, b, v, k in parts],
        temperature_c=21.0 + np.array(rise),
        ambient_c=21.0,
    )
    model = fit(table, terms=[..., "cooler and vendor"], draws=1000, seed=1)
    answer = separate(model, contrasts=[("Fir-C1", "Fir-C2")])
    found = answer.table[answer.table["contrast"].eq("Fir-C2 − Fir-C1")].set_index("partner")
    for partner, true_k in (("Nord", 1.0), ("Sued", -3.0), ("average", -1.0), ("Fir-B1", -1.0)):
        row = found.loc[partner]
        assert row["low_k"] < true_k < row["high_k"], partner
        assert row["high_k"] - row["low_k"] < 2.0, partner
    assert any("depends on its partner" in s and "Nord and Sued" in s for s in answer.sentences)
