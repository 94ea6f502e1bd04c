"""The sessions of a bench: an odd one, a creep, and a reference card that changed."""

import numpy as np
import pandas as pd
import pytest
from plain_rows import plain_rows

from thermcmp.errors import InputError, NotEstimableError
from thermcmp.inference.fitting import fit
from thermcmp.questions.sessions.question import bench_history

CARDS = {"Kite": 40.0, "Heron": 46.0, "Swift": 43.0}
MONTHS = 9


def campaign(session_k, reference_k=(), cards=CARDS, **columns):
    """Each card twice in each session, a month apart; the first card is the reference."""
    rng = np.random.default_rng(4)
    frames = []
    for session, added in enumerate(session_k):
        for number, (card, rise_k) in enumerate(cards.items()):
            moved = reference_k[session] if len(reference_k) and number == 0 else 0.0
            shown = 22.0 + rise_k + added + moved + rng.normal(0.0, 0.15, 2)
            frames.append(
                plain_rows(
                    temperature_c=np.round(shown, 2),
                    product=card,
                    cooler_model=f"{card}-C",
                    board_model=f"{card}-B",
                    cooler_id=f"{card}-C-1",
                    board_id=f"{card}-B-1",
                    assembly=f"{card} mount",
                    session=f"s{session}",
                    bench="A",
                    started_at=pd.Timestamp("2026-01-05", tz="UTC")
                    + pd.Timedelta(30 * session, "D"),
                ).assign(run=[f"{session} {card} {k}" for k in range(2)])
            )
    rows = pd.concat(frames, ignore_index=True)
    return fit(rows.assign(**columns), draws=1000, seed=1, expand="none")


@pytest.fixture(scope="module")
def steady():
    added = np.random.default_rng(2).normal(0.0, 0.4, MONTHS)
    return added, campaign(added)


def test_offsets_are_those_that_were_added(steady):
    added, model = steady
    table = bench_history(model).table
    assert list(table["session"]) == [f"s{k}" for k in range(MONTHS)]
    assert table["started"].is_monotonic_increasing
    assert table["own_k"].to_numpy() == pytest.approx(added - added.mean(), abs=0.25)
    assert (table["own_error_k"] < 0.2).all()
    assert "No session stands out." in bench_history(model).sentences


def test_an_odd_session_is_named():
    added = np.random.default_rng(2).normal(0.0, 0.3, MONTHS)
    added[5] += 3.0
    answer = bench_history(campaign(added))
    assert any("Session s5 stands out" in sentence for sentence in answer.sentences)
    assert answer.table.set_index("session")["p_odd"].drop("s5").min() > 0.05


def test_a_creep_is_told_with_its_size():
    added = np.linspace(0.0, 2.0, MONTHS) + np.random.default_rng(2).normal(0.0, 0.1, MONTHS)
    answer = bench_history(campaign(added))
    slope, error = answer.creep_k
    # Two kelvins in 240 days.
    assert slope == pytest.approx(2.0 / (240.0 / 365.25), abs=3.0 * error)
    assert any("creeps by +" in sentence for sentence in answer.sentences)


def test_a_reference_card_that_changed(steady):
    added, model = steady
    kept = bench_history(model, reference="Kite")
    assert "has kept its distance" in kept.sentences[-1]
    moved = np.zeros(MONTHS)
    moved[6:] = 2.0
    changed = bench_history(campaign(added, moved), reference="Kite")
    assert "Kite has moved against the other cards" in changed.sentences[-1]
    jump = (
        changed.table["reference_k"].iloc[6:].mean() - changed.table["reference_k"].iloc[:6].mean()
    )
    assert jump == pytest.approx(2.0, abs=0.4)


def test_a_reference_card_alone_says_nothing_of_itself():
    model = campaign(np.linspace(0.0, 1.0, 5), cards={"Kite": 40.0})
    answer = bench_history(model, reference="Kite")
    assert "is not known" in answer.sentences[-1]
    assert answer.table["reference_k"].isna().all()


def test_sessions_without_starts_have_no_creep():
    answer = bench_history(campaign(np.linspace(0.0, 2.0, 6), started_at=None))
    assert np.isnan(answer.creep_k).all()
    assert not any("creeps" in sentence for sentence in answer.sentences)


def test_what_is_refused(steady):
    _, model = steady
    with pytest.raises(InputError, match="Which bench"):
        bench_history(model, bench="B")
    with pytest.raises(InputError, match="Unknown product"):
        bench_history(model, reference="Owl")
    with pytest.raises(NotEstimableError, match="one session"):
        bench_history(campaign([0.0]))


def test_figure_is_in_the_order_of_time(steady):
    axes = bench_history(steady[1]).plot()
    assert [label.get_text() for label in axes.get_yticklabels()] == [
        f"s{k}" for k in range(MONTHS)
    ]
