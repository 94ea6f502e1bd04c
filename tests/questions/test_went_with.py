"""What went with one cooler of a pair is named beside their difference."""

from types import SimpleNamespace

import pandas as pd
import pytest

from thermcmp.questions.went_with import went_with_words

PAIR = ("Kite-1", "Kite-2")


def words(rows, *pairs):
    return went_with_words(SimpleNamespace(design=SimpleNamespace(rows=rows)), pairs or [PAIR])


def runs(coolers, sessions, **columns):
    table = pd.DataFrame({"cooler_model": coolers, "session": sessions, "lab": "Mill"})
    return table.assign(**{"power_w": 200.0, **columns})


def test_coolers_in_turns_have_nothing_beside_them():
    assert words(runs([*PAIR, *PAIR[::-1]], ["a", "a", "b", "b"])) == []


def test_the_order_of_rows_without_start_times_is_asked_about():
    (order,) = words(runs([*PAIR, *PAIR], ["a", "a", "b", "b"]))
    assert "Kite-2 after Kite-1. Fix: give started_at." in order


@pytest.mark.parametrize(("column", "noun"), [("session", "session"), ("lab", "laboratory")])
def test_coolers_that_no_chain_links_are_named(column, noun):
    apart = runs([*PAIR], ["a", "a"]).assign(**{column: ["a", "b"]})
    (named,) = words(apart)
    assert named.startswith(f"Coolers that share no {noun}, not even by way of others: Kite-1 and")
    # A third cooler that was run in both links them.
    third = apart.assign(cooler_model="Kite-3")
    assert words(pd.concat([apart, third])) == []


def test_sessions_that_were_not_stated_are_left_to_their_spread():
    assert words(runs([*PAIR], [None, None])) == []


def test_powers_that_lie_apart_are_named():
    rows = runs([*PAIR, *PAIR[::-1]], ["a", "a", "b", "b"])
    meter = rows["cooler_model"].map({"Kite-1": 200.0, "Kite-2": 270.0})
    (named,) = words(rows.assign(power_w=meter))
    assert "Kite-1 at 200 W, Kite-2 at 270 W" in named
    assert words(rows.assign(power_w=meter.clip(upper=220.0))) == []
