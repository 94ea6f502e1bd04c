"""Fan curves, duty tables and target temperatures: what is taken and what is refused."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermcmp.errors import InputError
from thermcmp.physics.fan_controls import (
    DutyTable,
    FanCurve,
    FixedSpeed,
    ObservedSpeed,
    TargetTemperature,
)
from thermcmp.physics.firmware import Firmware

TABLE = DutyTable((20.0, 40.0, 70.0, 100.0), (700.0, 1250.0, 2050.0, 2900.0))
CURVE = FanCurve((45, 60, 75, 90), (900, 1400, 2200, 3000))


def test_points_become_floats_and_cannot_be_changed():
    assert CURVE.temperature_c == (45.0, 60.0, 75.0, 90.0)
    assert FanCurve([45.0, 60.0, 75.0, 90.0], np.array([900, 1400, 2200, 3000])) == CURVE
    with pytest.raises(dataclasses.FrozenInstanceError):
        CURVE.fan_rpm = ()


@pytest.mark.parametrize(
    ("points", "rows", "words"),
    [
        (((45, 60), (900,)), [None], "temperature_c has 2, fan_rpm has 1"),
        (((), ()), [None], "points are missing"),
        (((45, 60, 55), (900, 1400, 1500)), [3], "falls from 60"),
        (((45, 60, 75), (900, 1400, 1300)), [3], "several equilibria"),
        (((45, 60), (0, 1400)), [1], "start_c and stop_c"),
        (((45, np.nan), (900, np.inf)), [2, 2], "not a finite number"),
    ],
)
def test_an_invalid_curve_names_its_points(points, rows, words):
    with pytest.raises(InputError, match=words) as caught:
        FanCurve(*points)
    assert [fault.row for fault in caught.value.faults] == rows


@given(
    duties=st.lists(st.floats(20.0, 100.0), min_size=1, max_size=6).map(sorted),
    share=st.floats(0.0, 1.0),
)
def test_a_curve_of_duties_is_the_composition_of_both_lines(duties, share):
    warm = np.linspace(40.0, 90.0, len(duties))
    curve = FanCurve.from_duty(warm, duties, TABLE)
    at = 40.0 + 50.0 * share
    through = np.interp(np.interp(at, warm, duties), TABLE.duty_percent, TABLE.fan_rpm)
    found = np.interp(at, curve.temperature_c, curve.fan_rpm)
    # 50 K and 2900 rpm: a near-vertical stretch makes the place of a point uncertain by
    # an epsilon of the temperature, which is all that is allowed for here.
    steepest = 2200.0 / max(np.diff(warm).min(initial=50.0), 1e-9)
    assert found == pytest.approx(through, abs=1e-10 * max(steepest, 1.0) * 100.0)


def test_the_same_duty_is_another_speed_on_another_specimen():
    other = DutyTable((20.0, 100.0), (650.0, 3100.0))
    curves = [FanCurve.from_duty((50.0, 80.0), (30.0, 60.0), table) for table in (TABLE, other)]
    assert curves[0].fan_rpm == pytest.approx((975.0, 1250.0, 1250.0 + 800.0 * 2 / 3))
    # 40 % is passed a third of the way up.
    assert curves[0].temperature_c == pytest.approx((50.0, 60.0, 80.0))
    assert curves[1].fan_rpm == pytest.approx((650.0 + 2450.0 / 8, 650.0 + 2450.0 / 2))


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: FanCurve.from_duty((50, 80), (10, 60), TABLE), "from 20 to 100 % only"),
        (lambda: FanCurve.from_duty((50, 80), (0, 60), TABLE), "not above 0"),
        (lambda: DutyTable((20, 120), (700, 900)), "not a duty"),
        (lambda: DutyTable((20, 20), (700, 900)), "two speeds at one duty"),
        (lambda: TargetTemperature(63.0, 2200.0, 900.0), "swap the limits"),
        (lambda: TargetTemperature(np.nan, 900.0, 2200.0), "target_c"),
        (lambda: TargetTemperature(63.0, 0.0, 2200.0), "lowest_rpm"),
        (lambda: TargetTemperature(63.0, 900.0, np.nan), "unknown"),
        (lambda: FixedSpeed(0.0), "fan_rpm"),
        (lambda: ObservedSpeed([1700.0, np.nan]), "unknown speed"),
    ],
)
def test_invalid_controls_are_refused(make, words):
    with pytest.raises(InputError, match=words):
        make()


@pytest.mark.parametrize(
    ("fields", "named"),
    [
        ({"hysteresis_k": -1.0}, ["hysteresis_k"]),
        ({"fan": FixedSpeed(1700.0), "hysteresis_k": 3.0}, ["hysteresis_k"]),
        ({"stop_c": 45.0}, ["stop_c"]),
        ({"start_c": 50.0, "stop_c": 55.0}, ["stop_c"]),
        ({"start_c": np.inf}, ["start_c"]),
        ({"fan": ObservedSpeed(1700.0), "start_c": 50.0}, ["start_c"]),
        ({"power_limit_w": 0.0, "hysteresis_k": np.nan}, ["hysteresis_k", "power_limit_w"]),
    ],
)
def test_a_firmware_names_every_field_that_is_wrong(fields, named):
    with pytest.raises(InputError, match="The firmware 'fw 9'") as caught:
        Firmware(**{"name": "fw 9", "fan": CURVE, **fields})
    assert [fault.column for fault in caught.value.faults] == named


def test_power_is_as_requested_up_to_the_limit():
    limited = Firmware(name="fw 1", fan=CURVE, power_limit_w=220.0)
    assert limited.power_w([180.0, 220.0, 300.0]).tolist() == [180.0, 220.0, 220.0]
    assert Firmware(name="fw 1", fan=CURVE).power_w(300.0) == 300.0


def test_a_fan_stops_where_it_starts_by_default():
    assert Firmware(name="fw 1", fan=CURVE, start_c=50.0).stop_c == 50.0
    assert Firmware(name="fw 1", fan=CURVE, start_c=50.0, stop_c=45.0).stop_c == 45.0
