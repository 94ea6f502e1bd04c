"""Factors and combinations in plain words."""

import pytest

from thermcmp.model.factor_words import (
    combination_words,
    effect_words,
    factor_words,
    listed_factors,
)


def test_a_factor_is_named_without_its_column():
    assert factor_words("cooler_model") == "cooler"
    assert factor_words("board_model + memory_vendor") == "board + memory vendor"
    assert effect_words("cooler_model: a_model − b_1") == "cooler: a_model − b_1"
    assert listed_factors(["board_model", "memory_vendor"]) == "board and memory vendor"


@pytest.mark.parametrize(
    ("levels", "words"),
    [
        (
            {"memory_vendor": "Quill", "cooler_model": "C1", "board_model": "B2"},
            "cooler C1 on board B2 with memory from Quill",
        ),
        ({"board_model": "B2", "assembly_kind": "bench"}, "board B2 in a bench assembly"),
        ({"memory_vendor": "Quill"}, "memory from Quill"),
        ({"cooler_model": "C1", "coolant_mix": "thin"}, "cooler C1, coolant mix thin"),
        ({"coolant_mix": "thin"}, "coolant mix thin"),
    ],
)
def test_a_combination_reads_as_one_build(levels, words):
    assert combination_words(levels) == words
