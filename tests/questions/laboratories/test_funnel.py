"""The funnel of laboratories' results, and products without each laboratory in turn."""

import numpy as np
import pandas as pd
import pytest
from plain_rows import card_rows, plain_rows

from thermcmp.errors import InputError, NotEstimableError
from thermcmp.inference.fitting import fit
from thermcmp.questions.laboratories.question import compare_labs
from thermcmp.reporting.document import report

CARDS = ("Heron", "Kite")
#: Standard errors of twelve laboratories, each of two published results [K].
ERRORS_K = np.linspace(0.3, 2.5, 12)


def literature(per_error=0.0, errors_k=ERRORS_K, seed=2, card=CARDS[1]):
    """Published results; one card is warmer by so much per kelvin of standard error."""
    rng = np.random.default_rng(seed)
    frames = []
    for place, error_k in enumerate(errors_k):
        offset_k = rng.normal(0.0, 1.0)
        for name in CARDS:
            warm = 62.0 + offset_k + 4.0 * (name == "Kite") + rng.normal(0.0, 0.4 * error_k)
            warm += per_error * error_k * (name == card)
            frames.append(
                plain_rows(
                    product=name, cooler_model=f"{name}-C", board_model=f"{name}-B",
                    lab=f"Lab {place:02d}", n=4, standard_error_k=error_k, temperature_c=warm,
                ).assign(run=f"{place} {name}")
            )  # fmt: skip
    return pd.concat(frames, ignore_index=True)


def compared(rows):
    return compare_labs(fit(rows, draws=1000, seed=1, engine="conditional", expand="none"))


@pytest.fixture(scope="module")
def even():
    return compared(literature())


@pytest.fixture(scope="module")
def slanted():
    return compared(literature(per_error=2.0))


def test_results_without_selection_are_called_symmetric(even):
    funnel = even.funnel()
    assert len(funnel.table) == 24
    assert funnel.p_symmetric > 0.1
    assert "do not clearly lie to one side" in funnel.sentences[0]
    assert funnel.sentences[0] in even.sentences
    assert not any("not proof of selective publication" in c for c in even.caveats)
    assert any("symmetry is no proof" in caveat for caveat in funnel.caveats)


def test_a_pair_that_slants_is_named_with_its_caution(slanted):
    funnel = slanted.funnel("Heron", "Kite")
    assert funnel.p_symmetric < 0.01
    assert funnel.slope > 0.0
    assert "The less sure a laboratory's result, the warmer it is" in funnel.sentences[0]
    assert "not proof of selective publication" in str(funnel)


def test_a_slant_of_all_results_reaches_the_comparison_itself():
    both = literature(2.0, card="Kite")
    other = both["product"].eq("Heron")
    both.loc[other, "temperature_c"] += 2.0 * both.loc[other, "standard_error_k"]
    answer = compared(both)
    assert answer.funnel().p_symmetric < 0.1
    assert any("not proof of selective publication" in caveat for caveat in answer.caveats)


def test_a_difference_is_each_laboratorys_own(even):
    rows = literature()
    table = even.funnel("Heron", "Kite").table.set_index("lab")
    published = rows.pivot_table("temperature_c", "lab", "product")
    own = (published["Kite"] - published["Heron"]).reindex(table.index)
    assert table["mean_k"].to_numpy() == pytest.approx(own.to_numpy(), abs=0.05)
    stated = rows.groupby("lab")["standard_error_k"].first().reindex(table.index) * np.sqrt(2.0)
    assert (table["error_k"] > stated).all()
    assert table["error_k"].is_monotonic_increasing


def test_contours_are_chances(even):
    """Half of the width is 1.645 standard errors, beyond which the chance is 10 %."""
    table = even.funnel("Heron", "Kite").table
    assert ((table["high_k"] - table["mean_k"]) / table["error_k"]).to_numpy() == pytest.approx(
        1.6449, abs=1e-4
    )
    assert ((table["low_k"] > 0.0) == ((table["p_as_far"] < 0.1) & (table["mean_k"] > 0))).all()


def test_few_results_and_errors_alike_are_said():
    few = compared(literature(errors_k=ERRORS_K[:4])).funnel()
    assert np.isnan(few.p_symmetric)
    assert "it takes 10 results" in few.sentences[0]
    alike = compared(literature(errors_k=np.full(12, 1.0))).funnel()
    assert np.isnan(alike.p_symmetric)
    assert "too alike" in alike.sentences[0]


def test_what_has_no_funnel_is_refused(even):
    with pytest.raises(InputError, match="give two, or none"):
        even.funnel("Kite")
    with pytest.raises(InputError, match="use one of: Heron, Kite"):
        even.funnel("Kite", "Swift")
    rows = literature(errors_k=ERRORS_K[:6])
    apart = rows[rows["product"].eq("Kite") == rows["lab"].isin(["Lab 00", "Lab 01"])]
    with pytest.raises(NotEstimableError, match="No laboratory ran both Heron and Kite"):
        compared(apart).funnel("Heron", "Kite")
    alone = rows.assign(cooler_model=rows["lab"], board_model=rows["lab"], product=rows["lab"])
    answer = compared(alone[alone.index % 2 == 0])
    with pytest.raises(NotEstimableError, match="No product was run at two laboratories"):
        answer.funnel()
    assert answer.left_out is None
    assert (answer.table["moves"] == "").all()


@pytest.mark.parametrize("pair", [(), ("Heron", "Kite")])
def test_the_figure_has_contours_and_an_inverted_axis(slanted, pair):
    axes = slanted.funnel(*pair).plot()
    low, high = axes.get_ylim()
    assert low > high == 0.0
    words = [text.get_text().replace("\n", " ") for text in axes.texts]
    assert {"1%", "5%", "10%"} <= set(words)
    assert any("Egger's regression" in text for text in words)


def test_without_each_laboratory_is_a_table_and_a_figure(slanted, tmp_path):
    left = slanted.left_out
    assert list(left.table["effect"]) == ["Heron", "Kite"]
    assert len(left.units) == 12
    moved = slanted.table.set_index("lab")["moves_k"]
    worst = left.table.set_index("effect").loc["Kite"]
    lab = worst["without"]
    assert abs(moved[lab]) == pytest.approx(abs(worst["change_k"]), abs=1e-9)
    again = fit(
        literature(2.0)[lambda rows: rows["lab"] != lab],
        draws=1000, seed=1, engine="conditional", expand="none",
    )  # fmt: skip
    gap = compare_labs(again).left_out.table.set_index("effect").loc["Kite", "mean_k"]
    assert worst["without_mean_k"] == pytest.approx(gap, abs=0.15)
    axes = left.plot()
    assert [label.get_text() for label in axes.get_yticklabels()] == list(left.table["effect"])
    page = report([slanted, left, slanted.funnel()], tmp_path / "page.html")
    text = page.read_text(encoding="utf-8")
    assert "Left-out laboratories" in text
    assert "Funnel" in text


def test_a_laboratory_that_cannot_be_left_out_moves_nothing():
    """A product's own laboratory is not asked what it does without it."""
    frames = [
        card_rows(card, f"{card}-{lab}-{k}", lab=lab, temperature_c=60.0 + k)
        for card, lab in (
            ("Heron", "A"),
            ("Heron", "B"),
            ("Kite", "A"),
            ("Kite", "B"),
            ("Swift", "A"),
        )
        for k in range(2)
    ]
    rows = pd.concat(frames, ignore_index=True)
    rows["run"] = [f"r{k}" for k in range(len(rows))]
    answer = compared(rows)
    assert set(answer.left_out.table["effect"]) == {"Heron", "Kite"}
    assert set(answer.table["moves"]) <= {"Heron", "Kite"}
