"""Networks of builds that runs compare, against estimability by matrix ranks."""

import numpy as np
import pytest

from thermcmp.model.links import networks, place_names
from thermcmp.model.terms import BUILT_IN


def weights_of(design, pairs):
    """Weights of all effects in the resistance of (cooler, board) pairs."""
    weights = np.zeros((len(pairs), design.effect_count))
    weights[:, 0] = 1.0
    for row, parts in enumerate(pairs):
        for name, level in zip(("cooler_model", "board_model"), parts, strict=True):
            place = design.term_position(name)
            if place is not None:
                column = design.offsets[place] + design.levels[place].index(level)
                weights[row, column] = 1.0
    return weights


def by_rank(runs, pairs):
    """Number the networks by ranks: a difference is estimable if it adds none to the runs'."""
    coolers, boards, labs = (sorted({run[k] for run in runs}) for k in range(3))

    def vector(cooler, board, lab=None):
        return np.concatenate([
            np.equal(coolers, cooler), np.equal(boards, board), [lab == name for name in labs]
        ]).astype(float)  # fmt: skip

    x = np.stack([vector(*run) for run in runs])
    rank, numbers, anchors = np.linalg.matrix_rank(x), [], []
    for pair in pairs:
        same = [
            k
            for k, anchor in enumerate(anchors)
            if np.linalg.matrix_rank(np.vstack([x, vector(*pair) - vector(*anchor)])) == rank
        ]
        if not same:
            anchors.append(pair)
        numbers.append(same[0] if same else len(anchors) - 1)
    return numbers


def found(make_design, runs, pairs, **more):
    coolers, boards, labs = (list(column) for column in zip(*runs, strict=True))
    # Two runs each, so that no term is left out for want of repeats.
    design = make_design(
        cooler_model=coolers * 2, board_model=boards * 2, lab=labs * 2,
        fan_rpm=np.linspace(1200.0, 2000.0, 2 * len(runs)), **more,
    )  # fmt: skip
    return list(networks(design, weights_of(design, pairs)))


@pytest.mark.parametrize(
    ("runs", "expected"),
    [
        # One card in both laboratories links all.
        ([("C1", "B1", "N"), ("C2", "B2", "N"), ("C1", "B1", "S"), ("C3", "B3", "S")], [0, 0, 0]),
        # None does.
        ([("C1", "B1", "N"), ("C2", "B2", "N"), ("C3", "B3", "S")], [0, 0, 1]),
        # A shared cooler alone does not: its boards differ.
        ([("C1", "B1", "N"), ("C2", "B2", "N"), ("C1", "B3", "S")], [0, 0, 1]),
    ],
)
def test_what_links_two_laboratories(make_design, runs, expected):
    pairs = list(dict.fromkeys(run[:2] for run in runs))
    assert found(make_design, runs, pairs) == expected


def test_shared_parts_link_without_a_shared_card(make_design):
    # North has C1 on B1 and B2 and C2 on B1; South has C2 on B2 only: parts add up.
    runs = [("C1", "B1", "N"), ("C1", "B2", "N"), ("C2", "B1", "N"), ("C2", "B2", "S")]
    assert found(make_design, runs, [run[:2] for run in runs]) == [0, 0, 0, 0]


def test_random_networks_agree_with_ranks(make_design):
    rng = np.random.default_rng(5)
    several = 0
    for _ in range(60):
        count = int(rng.integers(3, 9))
        runs = [
            (f"C{rng.integers(4)}", f"B{rng.integers(4)}", "NSEW"[rng.integers(4)])
            for _ in range(count)
        ]
        if len({run[2] for run in runs}) < 2:
            continue
        pairs = list(dict.fromkeys(run[:2] for run in runs))
        expected = by_rank(runs, pairs)
        several += max(expected) > 0
        assert found(make_design, runs, pairs) == expected
    assert several > 10


def test_benches_of_one_laboratory_may_be_apart(make_design):
    runs = [("C1", "B1", "N"), ("C2", "B2", "N")]
    pairs = [run[:2] for run in runs]
    assert found(make_design, runs, pairs) == [0, 0]
    assert found(make_design, runs, pairs, bench=["left", "right"] * 2) == [0, 1]


def test_without_terms_of_places_all_count_as_one(make_design):
    terms = [term for term in BUILT_IN if term.name not in ("lab", "bench")]
    design = make_design(
        terms, cooler_model=["C1", "C2"] * 2, board_model=["B1", "B2"] * 2, lab=["N", "S"] * 2
    )
    assert list(networks(design, weights_of(design, [("C1", "B1"), ("C2", "B2")]))) == [0, 0]
    assert place_names(design, [np.ones(4, bool)]) == [()]


def test_places_are_named(make_design):
    design = make_design(
        cooler_model=["C1", "C2", "C1", "C2"], lab=["N", "S", "N", "N"], fan_rpm=[1e3, 2e3] * 2
    )
    hit = design.rows["cooler_model"].eq("C2").to_numpy()
    assert place_names(design, [hit]) == [("N", "S")]
