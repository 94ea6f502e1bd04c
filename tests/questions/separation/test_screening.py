"""Many contrasts: a first look at all, and the same checks of those that matter."""

import numpy as np
import pandas as pd
import pytest

from thermcmp.inference.fitting import fit
from thermcmp.questions.separation import question
from thermcmp.questions.separation.question import separate
from thermcmp.questions.separation.screening import UNCHECKED
from thermcmp.reporting.document import report

NUMBERS = ["mean_k", "sd_k", "low_k", "high_k"]


@pytest.fixture(scope="module")
def crossed_fit():
    """Nine coolers on three boards, each on two of them, and two specimens that stand alone."""
    rng = np.random.default_rng(5)
    rows = []
    for cooler in range(9):
        for board in {cooler % 3, (cooler + 1) % 3}:
            for assembly in range(2):
                shift = rng.normal(0.0, 0.3)
                for fan_rpm in (1400.0, 2000.0):
                    rise = 60.0 + 2.0 * cooler + 3.0 * board + shift - 0.01 * (fan_rpm - 1700.0)
                    rows.append(
                        {
                            "run": f"r{len(rows)}", "sensor": "memory",
                            "cooler_model": f"Heron-C{cooler}", "cooler_id": f"c{cooler}",
                            "board_model": f"Heron-B{board}", "board_id": f"b{board}",
                            "assembly": f"a{cooler} {board} {assembly}", "session": f"s{assembly}",
                            "memory_vendor": ["Quill", "Quill", "Osmer"][board],
                            "temperature_c": 22.0 + rise + rng.normal(0.0, 0.2),
                            "ambient_c": 22.0, "fan_rpm": fan_rpm, "power_w": 200.0,
                        }
                    )  # fmt: skip
    return fit(pd.DataFrame(rows), seed=2, draws=1000)


def test_what_is_only_looked_at_has_the_numbers_that_a_check_would_state(crossed_fit, monkeypatch):
    whole = separate(crossed_fit).table
    monkeypatch.setattr(question, "MOST_CHECKED", 10)
    answer = separate(crossed_fit)
    keys = ["factor", "contrast", "partner"]
    both = answer.table.merge(whole, on=keys, suffixes=("", "_whole"))
    looked_at = both[both["health"].eq(UNCHECKED)]
    assert len(looked_at) > 20
    for name in NUMBERS:
        # Sums in another order.
        np.testing.assert_allclose(looked_at[name], looked_at[f"{name}_whole"], rtol=1e-9)
    assert looked_at[["data_share", "prior_influence"]].isna().all(axis=None)
    every = set(map(tuple, whole[["factor", "contrast"]].to_numpy()))
    missing = every - set(map(tuple, answer.table[["factor", "contrast"]].to_numpy()))
    # Joint effects are those of the contrasts that were checked.
    assert {factor for factor, _ in missing} <= {"board_model + memory_vendor"}
    assert not answer.table.duplicated(keys).any()
    withheld = both[both["aliased_with"].ne("") & both["health_whole"].str.startswith("withheld")]
    assert len(withheld) and withheld["mean_k"].isna().all()
    assert any("were checked that most likely matter" in words for words in answer.caveats)


def test_a_report_states_what_was_checked(crossed_fit, monkeypatch, tmp_path):
    monkeypatch.setattr(question, "MOST_CHECKED", 10)
    answer = separate(crossed_fit)
    assert len(answer.table) > answer.draws.sizes["contrast"]
    page = report(answer, tmp_path / "page.html").read_text(encoding="utf-8")
    assert "Heron-C8" in page


def test_the_dozen_that_matter_are_checked_as_if_they_had_been_asked_for(crossed_fit, monkeypatch):
    monkeypatch.setattr(question, "MOST_CHECKED", 10)
    answer = separate(crossed_fit)
    checked = answer.table.iloc[: answer.draws.sizes["contrast"]]
    assert not checked["health"].eq(UNCHECKED).any()
    assert set(answer.shown_rows) <= set(range(len(checked)))
    # The outermost of nine coolers, 2 K apart each, are among them.
    assert "Heron-C8 − Heron-C0" in set(checked["contrast"])
    rest = answer.table[answer.table["health"].eq(UNCHECKED)]
    assert checked["mean_k"].abs().max() >= rest["mean_k"].abs().max()
    pair = ("Heron-C3", "Heron-C4")
    one = separate(crossed_fit, contrasts=[pair])
    assert not one.table["health"].eq(UNCHECKED).any()
    assert one.table["data_share"].notna().any()
