"""Contrasts that rest on a spread which the rows cannot estimate, and those that do not."""

import numpy as np

from thermcmp.inference.checks.assumed_spread import assumed_spreads, is_assumed, rests_sentence
from thermcmp.inference.fitting import fit
from thermcmp.model.terms import BUILT_IN

ASSEMBLY = next(term for term in BUILT_IN if term.name == "assembly")


def reassembled(make_rows, times):
    """Two coolers on one board, each assembled some times and read four times at each."""
    rng = np.random.default_rng(5)
    cooler, number, _ = (np.ravel(each) for each in np.mgrid[:2, :times, :4])
    level = 0.5 * rng.standard_normal((2, times))[cooler, number]
    names = np.char.add("Heron-C", (cooler + 1).astype(str))
    rows = make_rows(
        temperature_c=70.0 + 5.0 * cooler + level + 0.2 * rng.standard_normal(len(cooler)),
        cooler_model=names,
        cooler_id=np.char.add(names, "-1"),
        assembly=np.char.add(names, np.char.add(" m", number.astype(str))),
    )
    return fit(rows, terms=["cooler_model", "assembly"], expand="none", draws=1200, seed=1)


def between_coolers(model):
    weights = np.zeros((1, model.design.effect_count))
    first = model.design.offsets[model.design.term_position("cooler_model")]
    weights[0, first : first + 2] = [-1.0, 1.0]
    return weights


def test_one_assembly_of_each_leaves_the_spread_to_its_prior(make_rows):
    model = reassembled(make_rows, 1)
    assert is_assumed(model, ASSEMBLY)
    assert assumed_spreads(model, between_coolers(model)) == [("assembly",)]
    said = rests_sentence(model, ("assembly",))
    assert "the assumed spread of assemblies" in said
    assert "take each apart and assemble it again at least twice" in said


def test_many_assemblies_measure_it(make_rows):
    model = reassembled(make_rows, 8)
    assert not is_assumed(model, ASSEMBLY)
    assert assumed_spreads(model, between_coolers(model)) == [()]
