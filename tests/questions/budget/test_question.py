"""The error budget of a gap and of a temperature, and what it refuses."""

import numpy as np
import pytest

from thermcmp.errors import InputError, NotEstimableError
from thermcmp.questions.budget.question import error_budget
from thermcmp.questions.ranking.question import rank


@pytest.fixture(scope="module")
def pair(peers):
    return sorted(peers.fit.results["product"].dropna().unique())[:2]


@pytest.fixture(scope="module")
def gap(peers, pair):
    return error_budget(peers.fit, pair[0], pair[1])


def test_the_parts_add_up(gap):
    assert gap.table["share"].sum() == pytest.approx(1.0, abs=0.01)
    assert np.hypot.reduce(gap.table["standard_error_k"]) == pytest.approx(gap.combined_k, rel=0.01)
    assert gap.table["share"].is_monotonic_decreasing
    assert gap.expanded_k == pytest.approx(gap.coverage_factor * gap.combined_k)
    assert float(gap.draws["gap_k"].std()) == pytest.approx(gap.combined_k, rel=0.2)


def test_the_gap_is_that_of_the_ranking(peers, pair, gap):
    league = rank(peers.fit, products=pair).league().iloc[0]
    side = 1.0 if league["product"] == pair[1] else -1.0
    assert float(gap.draws["gap_k"].mean()) == pytest.approx(side * league["mean_k"], abs=1e-9)


def test_what_both_sides_share_cancels(peers, pair):
    alone = error_budget(peers.fit, pair[0]).table.set_index("source")["standard_error_k"]
    both = error_budget(peers.fit, *pair).table.set_index("source")["standard_error_k"]
    level = "level of all runs"
    assert both.get(level, 0.0) <= alone.get(level, 0.0) + 1e-9


def test_tested_cards_leave_new_ones_out(peers, pair):
    line = error_budget(peers.fit, pair[0])
    specimens = error_budget(peers.fit, pair[0], scope="specimens")
    assert specimens.combined_k < line.combined_k


def test_equal_noise_adds_its_fan_speeds(peers, pair):
    answer = error_budget(peers.fit, pair[0], noise_dba=38.0)
    assert "fan speed at equal noise" in set(answer.table["source"])


def test_the_cure_of_the_largest_source_is_said(gap):
    first = gap.table.iloc[0]
    assert first["source"] in gap.sentences[1]
    assert not first["cure"] or first["cure"] in gap.sentences[1]


def test_figure_has_a_bar_per_source(gap):
    axes = gap.plot()
    assert len(axes.patches) == (gap.table["share"] >= 0.01).sum()


def test_a_gap_needs_two_builds(peers, pair):
    with pytest.raises(InputError, match="same build"):
        error_budget(peers.fit, pair[0], pair[0])
    with pytest.raises(NotEstimableError, match="hold another level"):
        error_budget(peers.fit, pair[0], noise_dba=80.0)
