"""Cells and units of hand-kept tables."""

import math

import pytest
import scipy.constants as sc
from hypothesis import given, settings
from hypothesis import strategies as st

from thermcmp.results.schema import BY_NAME, COLUMNS
from thermcmp.tabular.cells import Reader, prove_decimal, to_float
from thermcmp.tabular.numbers import Mark, mark_of, split_cell
from thermcmp.tabular.units import find_conversion, is_unit, split_heading


def read(name, cell, unit="", decimal=None):
    return Reader(BY_NAME[name], unit, decimal).read(cell)


@pytest.mark.parametrize(
    ("number", "mark"),
    [
        ("1730", Mark.NONE),
        ("87.5", Mark.POINT),
        ("87,5", Mark.COMMA),
        ("1,730", Mark.EITHER),
        ("1.730", Mark.EITHER),
        ("0,123", Mark.COMMA),
        (".250", Mark.POINT),
        ("1730,125", Mark.COMMA),
        ("1,730.5", Mark.POINT),
        ("1.730,5", Mark.COMMA),
        ("1,234,567", Mark.POINT),
        ("1.234.567", Mark.COMMA),
        ("-1,730", Mark.EITHER),
        ("1 730,5", Mark.COMMA),
        ("1.5E3", Mark.POINT),
        ("1,730E3", Mark.COMMA),
        ("1,73,0", Mark.BROKEN),
        ("87 5", Mark.BROKEN),
        ("1.2.3", Mark.BROKEN),
        ("1 234.567", Mark.POINT),
        ("hot", Mark.BROKEN),
    ],
)
def test_what_a_number_says_of_the_decimal_mark(number, mark):
    assert mark_of(number) is mark


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.decimals(min_value=-99999, max_value=99999, places=2), st.sampled_from(".,"))
def test_every_way_to_write_a_number_reads_back(value, decimal):
    group = "," if decimal == "." else "."
    for spec in (".2f", ",.2f"):
        text = format(value, spec).translate(str.maketrans({".": decimal, ",": group}))
        assert to_float(split_cell(text)[0], decimal) == float(value)


def test_one_number_proves_the_mark_of_the_file_and_two_can_contradict():
    assert prove_decimal(["1,730", "87,5"]) == (",", None)
    assert prove_decimal(["1,730", "88"]) == (None, None)
    assert prove_decimal(["87,5", "87.5"]) == (None, ("87.5", "87,5"))


def test_an_unproved_mark_offers_both_readings_and_a_declared_one_settles_it():
    with pytest.raises(ValueError, match=r"both as 1730 and as 1\.730"):
        read("fan_rpm", "1,730")
    assert read("fan_rpm", "1,730", decimal=".") == 1730
    assert read("fan_rpm", "1,730", decimal=",") == 1.73
    with pytest.raises(ValueError, match="does not fit"):
        read("fan_rpm", "87,5", decimal=".")


# NIST SP 811 (2008) values, as scipy.constants holds them.
@pytest.mark.parametrize(
    ("name", "cell", "expected"),
    [
        ("temperature_c", "188.6 °F", sc.convert_temperature(188.6, "F", "C")),
        ("temperature_c", "360.15 K", sc.convert_temperature(360.15, "K", "C")),
        ("resolution_k", "1 °F", sc.degree_Fahrenheit),
        ("mic_distance_m", "20 in", 20 * sc.inch),
        ("mic_distance_m", "3 ft", 3 * sc.foot),
        ("mic_distance_m", "50 cm", 50 * sc.centi),
        ("mic_distance_m", "500mm", 500 * sc.milli),
        ("power_w", "250000 mW", 250000 * sc.milli),
        ("temperature_c", "61500 m°C", 61500 * sc.milli),
        ("power_w", "0.25 kW", 0.25 * sc.kilo),
        ("soak_s", "20 min", 20 * sc.minute),
        ("soak_s", "0.5 h", 0.5 * sc.hour),
        ("drift_k_per_min", "0.6 K/h", 0.6 * sc.minute / sc.hour),
        ("noise_dba", "38.5 dB(A)", 38.5),
        ("noise_dba", "38.5 dBA", 38.5),
        ("fan_rpm", "1730 rpm", 1730.0),
        ("temperature_c", "\u22125.5 °C", -5.5),
        ("fan_rpm", "1\u202f730 rpm", 1730.0),
        ("fan_rpm", "1730 1/min", 1730.0),
        ("drift_k_per_min", "1.8 °F/h", 1.8 * sc.degree_Fahrenheit * sc.minute / sc.hour),
    ],
)
def test_units_are_converted(name, cell, expected):
    assert math.isclose(read(name, cell), expected, rel_tol=1e-12)


@pytest.mark.parametrize(
    ("name", "cell", "why"),
    [
        ("fan_rpm", "62 %", "duty is not its speed"),
        ("noise_dba", "38 dB", "unweighted"),
        ("power_w", "80 °C", "measures something else"),
        ("power_w", "250 MW", "not known"),
        ("temperature_c", "87 bogus", "not known"),
        ("n", "3 rpm", "has none"),
        ("temperature_c", "hot", "not a number"),
    ],
)
def test_a_wrong_kind_of_unit_is_refused(name, cell, why):
    with pytest.raises(ValueError, match=why):
        read(name, cell)


def test_the_cells_unit_must_agree_with_the_headings():
    assert read("temperature_c", "87 °C", unit="degC") == 87
    assert math.isclose(read("temperature_c", "188.6", unit="°F"), 87)
    with pytest.raises(ValueError, match="the heading"):
        read("temperature_c", "87 °C", unit="°F")


def test_blanks_depend_on_the_kind_of_column():
    for word in ("", " ", "N/A", "n/a", "-", "–"):
        assert read("memory_vendor", word) is None
        assert read("temperature_c", word) is None
    for word in ("None", "NA", "null"):
        assert read("memory_vendor", word) == word
        assert read("temperature_c", word) is None


@pytest.mark.parametrize(
    ("heading", "parts"),
    [
        ("Fan (rpm)", ("Fan", "rpm")),
        ("Power [W]", ("Power", "W")),
        ("Noise (dB(A))", ("Noise", "dB(A)")),
        ("Noise, dB(A)", ("Noise", "dB(A)")),
        ("T/°C", ("T", "°C")),
        ("Distance in cm", ("Distance", "cm")),
        ("Fan [turns]", ("Fan", "turns")),
        ("Temp (memory)", ("Temp (memory)", "")),
        ("Cooler", ("Cooler", "")),
        ("Fan %", ("Fan", "%")),
        ("Memory °C", ("Memory", "°C")),
        ("Noise min", ("Noise min", "")),
        ("Air in", ("Air in", "")),
        ("Drift K/min", ("Drift", "K/min")),
        ("Noise(dB(A))", ("Noise", "dB(A)")),
        ("power_w", ("power", "w")),
    ],
)
def test_headings_split_into_name_and_unit(heading, parts):
    assert split_heading(heading) == parts


def test_every_unit_of_the_schema_is_known_and_is_its_own():
    for column in COLUMNS:
        if column.unit and column.unit != "UTC":
            assert is_unit(column.unit)
            assert find_conversion(column.unit, column.unit) == (1.0, 0.0)
