"""Runs that are taken out of every comparison."""

import pandas as pd
import pytest

import thermcmp as tc
from thermcmp.errors import InputError


@pytest.fixture
def lab(tmp_path):
    library = tc.Library(tmp_path / "lab")
    library.add(tc.simulate(seed=3, remounts=1).results)
    return library


def test_a_withdrawn_run_is_out_of_fits_and_stays_on_record(lab):
    before = lab.results()
    run = before["run"].iloc[0]
    count = int((before["run"] == run).sum())
    receipt = tc.withdraw(lab, run, "pad missing")
    assert (receipt.new, receipt.known) == (count, 0)
    rows = lab.results()
    assert len(rows) == len(before)
    taken = rows[rows["run"] == run]
    assert set(taken["protocol_verdict"]) == {"refused"}
    assert set(taken["protocol_reason"]) == {"withdrawn: pad missing"}
    fit = tc.fit(rows, "memory", seed=1, draws=400, expand="none")
    assert run not in set(fit.design.rows["run"])
    history = lab.history()
    assert set(history.loc[history["run"] == run, "in_effect"]) == {True, False}
    assert tc.withdraw(lab, [run], "pad missing").known == count
    # A correction takes it back, and what was imported before counts as held.
    lab.supersede(before[before["run"] == run], "pad was there")
    pd.testing.assert_frame_equal(lab.results(), before)


def test_a_run_of_several_labs_needs_its_lab(lab):
    rows = lab.results()
    run = rows["run"].iloc[0]
    other = rows[rows["run"] == run].assign(
        lab="east", board_id=None, cooler_id=None, assembly=None
    )
    lab.add(other)
    with pytest.raises(InputError, match=r"several labs have this run\. Fix: give lab= as one of"):
        tc.withdraw(lab, run, "pad missing")
    assert tc.withdraw(lab, run, "pad missing", lab="east").new == len(other)


@pytest.mark.parametrize(
    ("run", "reason", "words"), [("R9999", "pad", "no such run"), (None, " ", "no reason")]
)
def test_an_unknown_run_and_a_blank_reason_are_refused(lab, run, reason, words):
    held = lab.results()
    with pytest.raises(InputError, match=words):
        tc.withdraw(lab, run or held["run"].iloc[0], reason)
    pd.testing.assert_frame_equal(lab.results(), held)
