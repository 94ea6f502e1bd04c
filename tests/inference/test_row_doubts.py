"""Columns that no term reads and assemblies that never differ are asked about."""

import re

import numpy as np
import pandas as pd
import pytest

import thermcmp as tc


@pytest.fixture(scope="module")
def rows():
    campaign = tc.simulate(seed=5, remounts=3).results
    return campaign[campaign["sensor"] == "memory"].reset_index(drop=True)


def findings(rows, **options):
    return tc.fit(rows, draws=400, seed=5, **options).findings


def test_a_column_that_went_with_the_cooler_is_named_until_a_term_reads_it(rows):
    newest = rows["cooler_model"].eq(rows["cooler_model"].max())
    stated = rows.assign(technician=newest.map({True: "Bo", False: "Ada"}))
    # Nobody noted who did the first assembly.
    stated.loc[stated["assembly"].eq(stated["assembly"].iloc[0]), "technician"] = None
    (words,) = (words for words in findings(stated) if "technician" in words)
    assert "technician went with the cooler model, and no term reads it" in words
    read = findings(stated, terms=[..., tc.Term("technician", "technician")])
    assert not any("no term reads it" in words for words in read)


def test_an_open_question_keeps_fit_and_answers_from_being_ok(rows):
    newest = rows["cooler_model"].eq(rows["cooler_model"].max())
    stated = rows.assign(technician=newest.map({True: "Bo", False: "Ada"}))
    for table, health in ((rows, "ok"), (stated, "caution")):
        model = tc.fit(table, draws=1200, seed=5)
        answer = tc.separate(model)
        assert (str(model.health), answer.health) == (health, health)
        known = answer.table["mean_k"].notna()
        assert answer.table.loc[known, "health"].str.startswith(health).all()
    assert model.diagnostics.sentences == (
        "Count of open questions about the rows is 1; required: none (caution).",
    )


def test_a_column_that_went_with_no_part_or_names_each_assembly_is_not_asked_about(rows):
    assemblies = rows["assembly"].astype(str)
    place = {name: number for number, name in enumerate(sorted(assemblies.unique()))}
    # Each takes every second assembly of a pair of parts; a serial number is one of its own.
    turns = assemblies.map(place).mod(2).map({0: "Ada", 1: "Bo"})
    usual = rows.assign(technician=turns, serial=assemblies.map(place).astype(str), note="usual")
    assert not any("no term reads" in words for words in findings(usual))


def test_a_number_that_moves_the_rise_and_differs_between_parts_is_named(rows):
    """A slope of -8 K per unit is planted."""
    place = rows.groupby(["cooler_model", "board_model"])["assembly"].transform(
        lambda names: names.map({name: number for number, name in enumerate(sorted(set(names)))})
    )
    newest = rows["cooler_model"].eq(rows["cooler_model"].max())
    # Over each other: no value says which cooler it was.
    coverage = 0.4 + 0.15 * place.astype(float) + 0.15 * newest.astype(float)
    hotter = rows["temperature_c"] - 8.0 * coverage * rows["power_w"] / rows["power_w"].mean()
    stated = rows.assign(pad_coverage=coverage, temperature_c=hotter)
    (words,) = (words for words in findings(stated) if "pad_coverage" in words)
    slope = float(re.search(r"moves the rise by −([\d.]+) K per unit", words)[1])
    assert 5.0 < slope < 11.0
    assert "of the cooler model's effect" in words
    term = tc.Term("pad coverage", values="pad_coverage", slope=tc.Normal(0, 40))
    assert not any("pad_coverage" in words for words in findings(stated, terms=[..., term]))
    # The same numbers without an influence, and one that is read anew in each run.
    for innocent in (
        rows.assign(pad_coverage=coverage),
        rows.assign(outcome=rows["temperature_c"]),
    ):
        assert not any("no term reads" in words for words in findings(innocent))


def test_assemblies_that_never_differ_are_asked_about(rows):
    """Remounts differ by some tenths of a kelvin at least (common practice, no source)."""
    assert not any("was the cooler taken off" in words for words in findings(rows))
    # One assembly of each product, run again on four days under new names.
    first = rows[rows["assembly"].isin(rows.groupby("product")["assembly"].first())]
    days = pd.concat([first.assign(day=f", day {day}") for day in range(4)], ignore_index=True)
    for column in ("run", "assembly"):
        days[column] = days[column].astype(str) + days["day"]
    days["temperature_c"] += np.random.default_rng(3).normal(0.0, 0.2, len(days))
    found = findings(days.drop(columns="day"))
    assert any("was the cooler taken off between them" in words for words in found)
