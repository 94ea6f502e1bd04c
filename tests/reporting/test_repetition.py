"""What the appendix leaves to tables and summary, and what it must not lose."""

import pandas as pd

from thermcmp.model.factor_words import parameter_words
from thermcmp.questions.table_words import worded_table
from thermcmp.reporting.article.limits import for_appendix
from thermcmp.reporting.page import _first_reasons, _lone_levels_once
from thermcmp.reporting.repetition import beyond, said_once

ROWS = pd.DataFrame(
    {"part": ["total", "hardware"], "mean_k": [17.9, 10.5], "low_k": [17.0, 9.7],
     "high_k": [18.8, 11.3], "p_exceed": [0.71, 0.71]}
)  # fmt: skip
TABLE = worded_table(ROWS, folded=True)


def test_a_sentence_is_left_out_only_where_all_its_numbers_stand_elsewhere():
    in_table = "It runs 17.9 K (17.0 to 18.8) cooler, of that hardware 10.5 K (9.7 to 11.3)."
    assert beyond([in_table], [TABLE], []) == ()
    for kept in (
        in_table.replace("18.8", "18.9"),
        in_table.replace("17.9", "\N{MINUS SIGN}17.9").replace("17.0", "\N{MINUS SIGN}17.0"),
        in_table + " 42% of it is sure.",
        in_table + " The air was at 21.5 °C.",
        "No assembly stands out.",
        "The spread of assemblies is 17.9 K.",
    ):
        assert beyond([kept], [TABLE], []) == (kept,)
    assert beyond([in_table + " 71% of exceeding it."], [TABLE], []) == ()
    assert beyond(["It takes 3.1 K (2.0 to 4.0)."], [], ["It takes 3.1 K (2.0 to 4.0) off."]) == ()


def test_columns_alike_in_all_rows_are_stated_once():
    short = TABLE.without_same()
    assert short.same == (("Chance of exceeding [%]", "71"),)
    assert short.headings == ("Part", "Mean (range) [K]")
    one = worded_table(ROWS.iloc[:1], folded=True)
    assert one.without_same() is one


def test_sentences_of_fits_that_differ_in_a_count_are_one():
    said = [["91 runs count.", "Both."], ["52 runs count.", "Both."]]
    assert said_once(["a", "b"], said) == ("91 / 52 runs count. (a, b)", "Both.")
    assert said_once(["a", "b"], [["Here."], []]) == ("Here. (a)",)


def test_names_of_parameters_and_of_options_are_no_readers_words():
    assert parameter_words("cooler_model sd") == "the spread of cooler models"
    assert parameter_words("bench sd, memory_vendor sd") == (
        "the spread of benches, the spread of memory vendors"
    )
    assert parameter_words("board airflow sd") == (
        "the spread of the fan-dependent parts of board specimens"
    )
    assert for_appendix("Odd. Fix: see fit.priors.table, or add sessions.") == (
        "Odd. Fix: add sessions."
    )
    assert for_appendix("Odd. Fix: give firmware=.") == "Odd."
    assert for_appendix("It moves (by the prior of 'session sd').") == (
        "It moves (by what is assumed of the spread of sessions)."
    )


def test_reasons_at_sensors_follow_those_in_the_conditions():
    long = "power moved; memory: it swings; run longer; throttled"
    assert _first_reasons(long) == "power moved; throttled; further reasons at memory"
    assert _first_reasons("memory: it swings; run longer") == "memory: it swings; run longer"


def test_factors_of_one_level_are_named_in_one_sentence():
    notes = [f"{name}: one level only ({level}), so no effect to estimate."
             for name, level in (("board_model", "Moor-1"), ("board", "Moor-1 · unnamed"),
                                 ("lab", "unstated"))]  # fmt: skip
    drift = "drift: not every run states its start, so none is estimated."
    assert _lone_levels_once([*notes, drift]) == [
        "One level only, or none stated, so no effect to estimate: board (Moor-1), lab.", drift,
    ]  # fmt: skip
    assert _lone_levels_once([notes[0], drift]) == [notes[0], drift]


def test_a_cooling_is_a_negative_warming_and_what_the_summary_says_is_not_said_again():
    minus = "\N{MINUS SIGN}"
    assert beyond([f"It is {minus}17.9 K ({minus}18.8 to {minus}17.0) warmer."], [TABLE], []) == ()
    assert beyond(["No assembly stands out."], [], ["No assembly stands out."]) == ()
