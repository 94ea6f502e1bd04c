"""What the rows cannot tell apart: against matrix ranks, and by following the cure."""

import re
import tracemalloc
from itertools import pairwise

import numpy as np
import pytest

from thermcmp.errors import ModelError
from thermcmp.model.identifiability import find_aliases
from thermcmp.model.terms import BUILT_IN

FACTORS = ("cooler_model", "board_model", "memory_vendor")


@pytest.fixture(scope="module")
def aliases_of(make_design):
    """Aliases of a design that holds the given combinations of the three factors."""

    kept = {}

    def of(combos):
        key = tuple(combos)
        if key not in kept:
            kept[key] = find(key)
        return kept[key]

    def find(combos):
        columns = {name: [c[k] for c in combos] for k, name in enumerate(FACTORS)}
        terms = [term for term in BUILT_IN if term.name in FACTORS]
        return find_aliases(make_design(terms=terms, **columns))

    return of


def estimable_by_rank(combos, factor, first, second):
    """A contrast is estimable when adding it to the design adds no rank (Searle 1971, 5.4)."""
    levels = [sorted({c[k] for c in combos}) for k in range(len(FACTORS))]
    columns = [(k, level) for k, found in enumerate(levels) for level in found]
    x = np.array([[1.0, *(float(c[k] == level) for k, level in columns)] for c in combos])
    k = FACTORS.index(factor)
    contrast = [0.0, *((c == (k, second)) * 1.0 - (c == (k, first)) * 1.0 for c in columns)]
    return np.linalg.matrix_rank(np.vstack([x, contrast])) == np.linalg.matrix_rank(x)


def test_parts_that_were_never_swapped_are_aliased_with_one_another(aliases_of):
    found = aliases_of([("A", "X", "Q"), ("B", "Y", "Q")])
    cooler = found.of("cooler_model", "A", "B")
    assert not cooler.estimable
    assert cooler.aliased_with == ("board_model",)
    assert found.of("board_model", "Y", "X").aliased_with == ("cooler_model",)
    assert cooler.sentence.startswith(
        "Cooler: B against A cannot be separated from board: they changed together."
    )
    assert "test cooler A on board Y" in cooler.cure
    assert len(found.sentences) == 2


def test_one_swap_tells_them_apart_and_is_what_it_rests_on(aliases_of):
    found = aliases_of([("A", "X", "Q"), ("B", "Y", "Q"), ("A", "Y", "Q")])
    cooler = found.of("cooler_model", "A", "B")
    assert cooler.estimable
    assert cooler.rests_on == "cooler A on board Y"
    assert "rests on one combination: cooler A on board Y" in cooler.sentence
    assert found.sentences == ()


def test_swapped_both_ways_rests_on_no_single_combination(aliases_of):
    found = aliases_of([("A", "X", "Q"), ("B", "Y", "Q"), ("A", "Y", "Q"), ("B", "X", "Q")])
    assert all(c.estimable and c.rests_on == "" and c.sentence == "" for c in found.contrasts)


def test_three_factors_changed_together_name_both_partners(aliases_of):
    found = aliases_of([("A", "X", "Q"), ("B", "Y", "S")])
    for factor in FACTORS:
        contrast = next(c for c in found.contrasts if c.factor == factor)
        assert set(contrast.aliased_with) == set(FACTORS) - {factor}
    # One swap of the cooler frees it; the other two still changed together.
    found = aliases_of([("A", "X", "Q"), ("B", "Y", "S"), ("B", "X", "Q")])
    assert found.of("cooler_model", "A", "B").estimable
    assert found.of("board_model", "X", "Y").aliased_with == ("memory_vendor",)
    assert found.of("memory_vendor", "Q", "S").aliased_with == ("board_model",)


def test_a_chain_of_swaps_reaches_from_end_to_end(aliases_of):
    chain = [("A", "X", "Q"), ("A", "Y", "Q"), ("B", "Y", "Q"), ("B", "Z", "Q"), ("C", "Z", "Q")]
    assert all(c.estimable for c in aliases_of(chain).contrasts)
    broken = aliases_of([c for c in chain if c != ("B", "Y", "Q")])
    assert not broken.of("cooler_model", "A", "C").estimable
    assert broken.of("cooler_model", "B", "C").estimable


def test_table_lists_every_pair_and_the_combinations_seen(aliases_of):
    found = aliases_of([("A", "X", "Q"), ("B", "Y", "Q"), ("C", "Y", "S"), ("C", "Y", "S")])
    assert len(found.table) == 3 + 1 + 1
    assert list(found.table.columns) == [
        "factor",
        "contrast",
        "estimable",
        "aliased_with",
        "cure",
        "rests_on",
    ]
    assert found.table["contrast"].tolist()[:3] == ["B − A", "C − A", "C − B"]
    assert found.combinations["runs"].tolist() == [1, 1, 2]
    assert found.combinations["cooler_model"].tolist() == ["A", "B", "C"]
    assert found.of("cooler_model", "A", "Z") is None


def test_a_design_without_factors_has_nothing_to_tell(make_design):
    found = find_aliases(make_design(temperature_c=[70.0, 71.0]))
    assert found.contrasts == ()
    assert len(found.table) == 0


def random_designs(count):
    rng = np.random.default_rng(2024)
    for _ in range(count):
        size = rng.integers(3, 7)
        yield sorted(
            {
                (
                    "ABC"[rng.integers(3)],
                    "XYZ"[rng.integers(3)],
                    "QS"[rng.integers(2)],
                )
                for _ in range(size)
            }
        )


def follow(cure, combos):
    """The combination that a cure names; a factor with one level is not named by it."""
    words = zip(FACTORS, (r"cooler (\w)", r"board (\w)", r"memory from (\w)"), strict=True)
    hits = {name: re.search(pattern, cure) for name, pattern in words}
    named = {name: hit[1] for name, hit in hits.items() if hit}
    return tuple(named.get(name, combos[0][k]) for k, name in enumerate(FACTORS))


def test_random_designs_agree_with_matrix_ranks_and_every_cure_works(aliases_of):
    judged = {True: 0, False: 0}
    cured = 0
    for combos in random_designs(25):
        if len(combos) < 2:
            continue
        for contrast in aliases_of(combos).contrasts:
            told = estimable_by_rank(combos, contrast.factor, contrast.first, contrast.second)
            assert contrast.estimable == told, (combos, contrast)
            judged[told] += 1
            if contrast.cure:
                more = [*combos, follow(contrast.cure, combos)]
                assert more[-1] not in combos
                assert estimable_by_rank(more, contrast.factor, contrast.first, contrast.second)
                cured += 1
            if contrast.rests_on:
                fewer = [c for c in combos if c != follow(contrast.rests_on, combos)]
                assert len(fewer) == len(combos) - 1
                assert not estimable_by_rank(
                    fewer, contrast.factor, contrast.first, contrast.second
                )
    # The designs must show both outcomes, or the agreement would say little.
    assert min(judged.values()) > 25
    assert cured > 25


def test_without_its_partners_an_aliased_contrast_could_be_told(aliases_of):
    """The partners are the fewest factors that must be left out: leaving all out suffices."""
    seen = 0
    for combos in random_designs(25):
        if len(combos) < 2:
            continue
        for contrast in aliases_of(combos).contrasts:
            if contrast.estimable:
                continue
            merged = [
                tuple(
                    "-" if name in contrast.aliased_with else c[k] for k, name in enumerate(FACTORS)
                )
                for c in combos
            ]
            assert estimable_by_rank(merged, contrast.factor, contrast.first, contrast.second)
            seen += 1
    assert seen > 20


def test_order_of_rows_does_not_matter(aliases_of):
    combos = [("A", "X", "Q"), ("B", "Y", "S"), ("B", "X", "Q"), ("C", "Z", "S"), ("A", "X", "Q")]
    one = aliases_of(combos)
    for seed in range(5):
        order = np.random.default_rng(seed).permutation(len(combos))
        other = aliases_of([combos[i] for i in order])
        assert other.contrasts == one.contrasts
        assert other.combinations.equals(one.combinations)


def test_who_mounted_it_is_no_part_of_a_cure(make_design):
    """Only a maker can make a factory assembly, so a cure never asks for one."""
    found = find_aliases(
        make_design(
            cooler_model=["A", "B"],
            board_model=["X", "Y"],
            assembly_kind=["factory", "factory"],
            terms=[t for t in BUILT_IN if t.name in (*FACTORS, "assembly_kind")],
        )
    )
    assert all("assembly" not in c.cure and c.cure for c in found.contrasts)


def test_what_an_answer_rests_on_agrees_with_matrix_ranks(aliases_of):
    """Without the combination named, and only without such a one, the rank test fails."""
    resting = 0
    for combos in random_designs(40):
        for one in (c for c in aliases_of(combos).contrasts if c.estimable):
            pair = one.factor, one.first, one.second
            place = FACTORS.index(one.factor)
            spoiled = []
            for left_out in combos:
                fewer = [c for c in combos if c != left_out]
                if {one.first, one.second} <= {c[place] for c in fewer}:
                    spoiled += [] if estimable_by_rank(fewer, *pair) else [left_out]
            named = follow(one.rests_on, combos) if one.rests_on else None
            assert (named in spoiled) if spoiled else named is None
            resting += bool(spoiled)
    assert resting > 10


def test_every_part_of_one_change_is_compared_in_one_direction(make_design):
    """New minus old for all, also where the alphabet has the old one last."""
    columns = {
        "product": ["Wren r9", "Wren r10", None],
        "cooler_model": ["C-old", "C-new", "C-new"],
        "board_model": ["B1", "B2", "B2"],
        "memory_vendor": ["Sable", "Quill", "Quill"],
    }
    terms = [t for t in BUILT_IN if t.name in FACTORS]
    for rows in ([0, 1, 2], [2, 1, 0]):
        mixed = {name: [cells[row] for row in rows] for name, cells in columns.items()}
        found = find_aliases(make_design(terms=terms, **mixed))
        assert [(c.first, c.second) for c in found.contrasts] == [
            ("C-old", "C-new"), ("B1", "B2"), ("Sable", "Quill"),
        ]  # fmt: skip


def test_a_library_of_many_products_and_a_long_chain_of_swaps(aliases_of):
    """Sixty products that were never swapped, then a chain that links all but the last."""
    names = [f"P{i:02}" for i in range(60)]
    apart = [(name, name, "Q") for name in names]
    found = aliases_of(apart)
    assert len(found.contrasts) == 2 * 60 * 59 // 2
    assert not any(c.estimable for c in found.contrasts)
    assert found.of("cooler_model", "P03", "P57").cure == "test cooler P03 on board P57"
    chain = [(one, other, "Q") for one, other in pairwise(names[:-1])]
    linked = aliases_of(apart + chain)
    told = {c.estimable for c in linked.contrasts if "P59" not in (c.first, c.second)}
    assert told == {True}
    last = linked.of("cooler_model", "P00", "P59")
    assert last.aliased_with == ("board_model",)


def test_two_hundred_coolers_each_with_parts_of_its_own_cost_what_is_asked(make_design):
    """Each changed with two other parts: 40,000 unseen combinations beside each one seen."""
    columns = {name: [f"{name[0]}{i:03}" for i in range(200)] for name in FACTORS}
    found = find_aliases(make_design(terms=[t for t in BUILT_IN if t.name in FACTORS], **columns))
    assert "contrasts" not in vars(found)
    tracemalloc.start()
    contrast = found.of("cooler_model", "c003", "c150")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert contrast.aliased_with == ("board_model", "memory_vendor")
    # Same board and vendor, the other cooler: the nearest swap.
    assert contrast.cure == "test cooler c003 on board b150 with memory from m150"
    assert peak < 60e6
    assert found.of("cooler_model", "c003", "b003") is None
    assert found.of("cooler_model", "c003", "c003") is None


def test_ten_thousand_levels_with_one_row_each(make_design):
    """One factor needs no algebra; several, or a list of all pairs, are refused by name."""
    levels = [f"C{i:05}" for i in range(10_000)]
    terms = [t for t in BUILT_IN if t.name in FACTORS]
    alone = find_aliases(make_design(terms=terms, cooler_model=levels))
    assert alone.of("cooler_model", "C00000", "C09999").estimable
    with pytest.raises(ModelError, match="49,995,000 pairs"):
        _ = alone.contrasts
    assert alone.sentences == (alone.too_many,)
    boards = [f"B{i:05}" for i in range(10_000)]
    paired = find_aliases(make_design(terms=terms, cooler_model=levels, board_model=boards))
    with pytest.raises(ModelError, match=r"20,000 levels of cooler and board"):
        paired.of("cooler_model", "C00000", "C09999")
