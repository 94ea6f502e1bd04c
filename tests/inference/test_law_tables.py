"""What a fit found of fan speed and power, by cooler and sensor."""

import numpy as np
import pytest

from thermcmp.inference.fitting import fit


@pytest.fixture(scope="module")
def model(make_rows):
    """A cooler at three speeds and two powers, another at one; 20 K do not follow power."""
    rng = np.random.default_rng(4)
    speeds = np.repeat([1200.0, 1800.0, 2400.0, 1800.0, 1800.0], 6)
    power = np.repeat([200.0, 200.0, 200.0, 260.0, 200.0], 6)
    second = np.repeat([False, False, False, False, True], 6)
    follows = 10.0 + 40.0 * (1800.0 / speeds) ** 0.7 - 8.0 * second
    rise = 20.0 + power / 200.0 * follows + 0.2 * rng.standard_normal(30)
    rows = make_rows(
        temperature_c=22.0 + rise,
        fan_rpm=speeds,
        power_w=power,
        cooler_model=np.where(second, "Heron-C2", "Heron-C1"),
        cooler_id=np.where(second, "Heron-C2-1", "Heron-C1-1"),
        assembly=np.where(second, "m2", "m1"),
        fan_mode="fixed",
    )
    return fit(rows, seed=5)


def test_the_convective_part_and_exponent_of_a_swept_cooler_are_found(model):
    swept = model.airflow.set_index("cooler_model").loc["Heron-C1"]
    # 40 K of airflow part at 1800 rpm, exponent 0.7, both inside their intervals.
    assert swept["convective_low_k"] < 40.0 < swept["convective_high_k"]
    assert swept["exponent_low"] < 0.7 < swept["exponent_high"]
    assert swept["set_fan_rpm"] == "1200, 1800, 2400"
    assert (swept["runs"], swept["note"]) == (24, "")


def test_a_cooler_at_one_speed_says_where_its_numbers_come_from(model):
    single = model.airflow.set_index("cooler_model").loc["Heron-C2"]
    assert single["note"] == "one set point: from other coolers and the prior"
    assert single["convective_high_k"] - single["convective_low_k"] > 5.0


def test_the_constant_part_is_found_where_power_was_varied_alone(model):
    (row,) = model.power.to_dict("records")
    assert row["constant_low_k"] < 20.0 < row["constant_high_k"]
    assert row["constant_high_k"] - row["constant_low_k"] < 4.0
    # 20 of 70 K at the reference.
    assert row["share_of_rise"] == pytest.approx(20.0 / 70.0, abs=0.05)
    # The first cooler's six runs at each of two powers, all at 1800 rpm.
    assert (row["runs"], row["note"]) == (12, "")


def test_power_that_was_never_varied_alone_is_said(model):
    rows = model.results[model.results["power_w"] == 200.0]
    table = fit(rows, seed=6).power
    assert "never varied at one fan speed" in table.loc[0, "note"]
    assert table.loc[0, "constant_high_k"] - table.loc[0, "constant_low_k"] > 30.0
