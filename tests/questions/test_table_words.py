"""Tables in words: headings carry units, cells carry sensible digits."""

import pandas as pd
import pytest

from thermcmp.questions.table_words import heading_unit, printed_table, table_markdown, worded_table

NAN = float("nan")
SEPARATION = pd.DataFrame(
    {
        "factor": ["cooler_model", "board_model", "lab"],
        "contrast": ["Alder-C2 − Alder-C1", "Alder-B2 − Alder-B1", "South − North"],
        "mean_k": [-6.31, -0.8, NAN],
        "sd_k": [0.6, 1.1, NAN],
        "low_k": [-7.2, -2.6, NAN],
        "high_k": [-5.3, 0.9, NAN],
        "data_share": [0.98, 0.31, NAN],
        "aliased_with": ["", "memory_vendor", ""],
        "health": ["ok", "aliased", "one lab only"],
    }
)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("mean_k", ("mean", "K")),
        ("low_c", ("low", "°C")),
        ("fan_rpm", ("fan speed", "rpm")),
        ("noise_dba", ("noise", "dB(A)")),
        ("p_exceed", ("chance of exceeding", "%")),
        ("data_share", ("share from data", "%")),
        ("rank_low", ("best rank", "")),
        ("aliased_with", ("changed together with", "")),
        ("a_word", ("a word", "")),
    ],
)
def test_heading_and_unit_come_from_the_name(name, expected):
    assert heading_unit(name) == expected


def test_a_row_without_an_estimate_says_so_once():
    table = worded_table(SEPARATION)
    row = table.rows[2]
    assert [cell.text for cell in row] == [
        "lab", "South − North", "not estimable", "–", "–", "–", "–", "", "one lab only",
    ]  # fmt: skip
    assert [cell.is_missing for cell in row] == [False, False, True] + [False] * 6


def test_digits_signs_and_names():
    table = worded_table(SEPARATION)
    assert table.headings[:3] == ("Factor", "Contrast", "Mean [K]")
    assert [cell.text for cell in table.rows[0][:3]] == [
        "cooler", "Alder-C2 − Alder-C1", "−6.3",
    ]  # fmt: skip
    assert table.rows[0][6].text == "98"
    assert table.rows[1][7].text == "memory vendor"


def test_missing_noise_of_a_part_is_a_dash_and_no_failure():
    parts = {"part": list("abcd"), "mean_k": [6.5, 3.8, -0.6, 9.7], "noise_db": [NAN, 4.6] * 2}
    noise = [row[2] for row in worded_table(pd.DataFrame(parts)).rows]
    assert [cell.text for cell in noise] == ["–", "4.6", "–", "4.6"]
    assert not any(cell.is_missing for cell in noise)


def test_flags_bare_numbers_and_lists():
    frame = pd.DataFrame({"name": ["a"], "size": [3137.2], "ratio": [0.15234], "good": [True]})
    frame["parts"] = [("x", "y")]
    assert [cell.text for cell in worded_table(frame).rows[0]] == [
        "a",
        "3137",
        "0.152",
        "yes",
        "x, y",
    ]


def test_a_rounded_zero_has_no_sign_and_ranks_have_one_digit():
    frame = pd.DataFrame({"name": ["a"], "mean_k": [-0.001], "rank_mean": [2.0]})
    assert [cell.text for cell in worded_table(frame).rows[0]] == ["a", "0.0", "2.0"]


def test_an_empty_table_keeps_its_headings():
    table = worded_table(SEPARATION.iloc[:0])
    assert len(table.headings) == 9
    assert table.rows == ()


def test_a_row_with_a_unit_of_its_own_has_the_digits_of_that_unit():
    """A row per quantity: 70 °C beside 87.8 °C, or a level to 0.0001 dB, would look careless."""
    frame = pd.DataFrame(
        {
            "quantity": ["temperature", "fan speed", "power", "sound level"],
            "unit": ["°C", "rpm", "W", "dB(A)"],
            "before": [87.8, 1600.31, 226.2, 37.0],
            "after": [70.0, 1599.99, 219.0, 40.8],
            "low": [-18.71, -3.96, -8.54, 0.0693],
        }
    )
    rows = [[cell.text for cell in row[2:]] for row in worded_table(frame).rows]
    assert rows == [
        ["87.8", "70.0", "−18.7"],
        ["1600", "1600", "−4"],
        ["226", "219", "−9"],
        ["37.0", "40.8", "0.1"],
    ]


def test_a_printed_table_keeps_its_columns_and_states_per_cent():
    table = printed_table(SEPARATION)
    assert list(table.columns) == list(SEPARATION.columns)
    assert table.loc[0, ["factor", "mean_k", "data_share"]].to_list() == ["cooler", "−6.3", "98%"]
    assert table.loc[2, ["mean_k", "data_share"]].to_list() == ["–", "–"]


def test_counts_beside_a_row_unit_stay_whole():
    frame = pd.DataFrame({"unit": ["dB(A)"], "mean": [37.04], "runs": [12]})
    assert printed_table(frame).iloc[0].to_list() == ["dB(A)", "37.0", "12"]


def test_a_folded_table_has_each_mean_with_its_interval_and_no_empty_column():
    table = worded_table(SEPARATION.assign(aliased_with=""), folded=True)
    assert table.headings == (
        "Factor", "Contrast", "Mean (range) [K]", "Share from data [%]", "Health",
    )  # fmt: skip
    assert [row[2].text for row in table.rows] == [
        "−6.3 (−7.2 to −5.3)", "−0.8 (−2.6 to 0.9)", "not estimable",
    ]  # fmt: skip
    assert [row[2].is_missing for row in table.rows] == [False, False, True]


def test_intervals_of_levels_speeds_and_ratios_are_folded_too():
    frame = pd.DataFrame(
        {
            "noise_db": [3.8], "noise_low_db": [3.7], "noise_high_db": [3.9],
            "fan_rpm": [1726.0], "fan_rpm_low": [1721.0], "fan_rpm_high": [1731.0],
            "mean_k_per_db": [1.26], "low_k_per_db": [1.21], "high_k_per_db": [1.32],
            "rank_mean": [2.8], "rank_low": [2.0], "rank_high": [5.0],
        }
    )  # fmt: skip
    assert [cell.text for cell in worded_table(frame, folded=True).rows[0]] == [
        "3.8 (3.7 to 3.9)", "1726 (1721 to 1731)", "1.26 (1.21 to 1.32)", "2.8 (2 to 5)",
    ]  # fmt: skip
    changes = pd.DataFrame({"unit": ["W"], "change": [-7.0], "low": [-9.0], "high": [-5.0]})
    cells = worded_table(changes, folded=True).rows[0]
    assert [cell.text for cell in cells] == ["W", "−7 (−9 to −5)"]


def test_remarks_are_in_a_readers_words():
    frame = pd.DataFrame(
        {"part": ["a", "b"],
         "health": ["ok; mostly the prior's", "not separable: the split is the prior's"]}
    )  # fmt: skip
    assert [row[1].text for row in worded_table(frame).rows] == [
        "ok; mostly assumed", "not separable: the split is assumed",
    ]  # fmt: skip
    assert "prior" not in table_markdown(frame)
