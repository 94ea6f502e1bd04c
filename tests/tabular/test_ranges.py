"""Ranges in the cells of published tables, and what else has two numbers in a cell."""

import numpy as np
import pytest

import thermcmp as tc
from thermcmp.tabular.ranges import HALF_WIDTHS, ends_of_range


@pytest.mark.parametrize(
    ("cell", "ends"),
    [
        ("22-24", ("22", "24")),
        ("22 – 24 °C", ("22 °C", "24 °C")),
        ("22,5…24,1", ("22,5", "24,1")),
        ("215 W to 225 W", ("215 W", "225 W")),
        ("1500 bis 1650 U/min", ("1500 U/min", "1650 U/min")),
        ("-5 to +5", ("-5", "+5")),
        ("22", None),
        ("-22", None),
        ("2026-03-01", None),
        ("22-", None),
        ("22 ± 1", None),
        ("22O-24", ("22 O", "24 O")),
        (22.0, None),
        (None, None),
    ],
)
def test_the_ends_of_a_range_keep_its_unit(cell, ends):
    assert ends_of_range(cell) == ends


def test_half_a_width_is_the_error_of_a_uniform_law():
    """The standard deviation of a uniform law is its half width over the root of three."""
    values = np.random.default_rng(1).uniform(-1.0, 1.0, 200_000)
    assert values.std() == pytest.approx(HALF_WIDTHS, rel=0.01)


def test_a_published_table_with_ranges_is_read(tmp_path):
    path = tmp_path / "theirs.csv"
    path.write_text(
        "run;sensor;lab;cooler_model;board_model;n;standard_error_k;temperature_c;ambient_c;"
        "power_w;power_error_w;fan_rpm\n"
        "1;memory;South;C1;B1;3;0,5;84,2;71,6 – 75,2 °F;215-225;;1650\n"
        "2;memory;South;C2;B1;3;0,5;80,2;23;215-225;2,0;1600 to 1700 rpm\n",
        encoding="utf-8",
    )
    rows = tc.read_results(path)
    assert rows["ambient_c"].to_list() == pytest.approx([23.0, 23.0])
    assert rows["ambient_error_k"][0] == pytest.approx(1.0 / 3.0**0.5)
    assert np.isnan(rows["ambient_error_k"][1])
    assert rows["power_w"].to_list() == [220.0, 220.0]
    # What is stated goes before.
    assert rows["power_error_w"].to_list() == pytest.approx([5.0 / 3.0**0.5, 2.0])
    assert rows["fan_error_rpm"][1] == pytest.approx(50.0 / 3.0**0.5)


def test_a_range_of_what_has_no_error_column_is_named(tmp_path):
    path = tmp_path / "theirs.csv"
    path.write_text(
        "run,sensor,cooler_model,board_model,temperature_c,ambient_c,power_w,fan_rpm\n"
        "1,memory,C1,B1,82-84,23,220,1650\n",
        encoding="utf-8",
    )
    with pytest.raises(tc.InputError, match="value '82-84'"):
        tc.read_results(path)
