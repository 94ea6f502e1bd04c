"""Hints name what is near, and nothing else."""

import pytest

from thermcmp.errors import closest


@pytest.mark.parametrize(
    ("name", "known", "hint"),
    [
        ("sensr", ["sensor", "run"], "sensor"),
        ("cooler_model", ["cooler", "run"], "cooler"),
        ("Cooler", ["cooler_model"], "cooler_model"),
        ("lap", ["lab", "run"], "lab"),
        # A hint that sends the user to the wrong column is worse than none.
        ("power_w", ["lower", "upper"], None),
        ("memory_c", ["edge_c"], None),
        ("sensor", [], None),
    ],
)
def test_hints_are_near(name, known, hint):
    assert closest(name, known) == hint
