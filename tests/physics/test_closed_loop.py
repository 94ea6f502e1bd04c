"""The closed loop against SciPy's scalar solver, brute force, and its general properties."""

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from two_speeds import convective_share, effective_exponent

from thermcmp.errors import InputError
from thermcmp.physics.airflow import PowerLaw
from thermcmp.physics.characteristic import FanStatus
from thermcmp.physics.closed_loop import ambient_at_limit, equilibrium, speed_keeping_limit
from thermcmp.physics.fan_controls import FanCurve, FixedSpeed, ObservedSpeed, TargetTemperature
from thermcmp.physics.firmware import Firmware
from thermcmp.physics.sensor_law import SensorLaw

LOW, HIGH, REGULATED = FanStatus.AT_MINIMUM, FanStatus.AT_MAXIMUM, FanStatus.REGULATED
HELD, OBSERVED = FanStatus.HELD, FanStatus.OBSERVED
STOPS, HUNTS = FanStatus.FAN_STOPS, FanStatus.HUNTING

#: Level, steep and gentle stretches; invented.
CURVE = FanCurve((40, 50, 60, 66, 66.5, 80, 90), (800, 800, 1400, 1400, 2100, 2600, 3200))
TARGET = TargetTemperature(63.0, 900.0, 2200.0)


def card(count, seed, *, ambient_c=25.0, resistance=0.20, convective=0.14):
    """Draws of one sensor, as from a posterior."""
    rng = np.random.default_rng(seed)
    return SensorLaw(
        ambient_c=ambient_c,
        power_w=220.0,
        resistance_k_per_w=rng.normal(resistance, 0.03, count),
        convective_k_per_w=rng.normal(convective, 0.02, count),
        exponent=rng.normal(0.65, 0.08, count),
        reference_rpm=1800.0,
    )


def firmware(fan, **more):
    return Firmware(name="fw 1", fan=fan, **more)


def temperature_by_hand(sensor, draw, rpm):
    g = (rpm / sensor.reference_rpm) ** -sensor.exponent[draw]
    rise = sensor.resistance_k_per_w[draw] + sensor.convective_k_per_w[draw] * (g - 1.0)
    return sensor.ambient_c[draw] + sensor.power_w[draw] * rise


def test_a_curve_agrees_with_a_scalar_solver_per_draw():
    sensor = card(400, 1, ambient_c=np.linspace(-20.0, 60.0, 400))
    solved = equilibrium(firmware(CURVE), sensor)
    warm, speed = CURVE.temperature_c, CURVE.fan_rpm
    for draw in range(400):
        root = brentq(
            lambda t, d=draw: temperature_by_hand(sensor, d, np.interp(t, warm, speed)) - t,
            -100.0, 400.0, xtol=1e-12, rtol=1e-14,
        )  # fmt: skip
        # On the steepest stretch 1400 rpm/K turn the solver's 1e-12 K into 1e-9 rpm.
        assert solved.control_temperature_c[draw] == pytest.approx(root, abs=1e-9)
        assert solved.fan_rpm[draw] == pytest.approx(np.interp(root, warm, speed), rel=1e-9)
    assert set(solved.status) == {LOW, HIGH, REGULATED}
    assert not solved.multiple.any()


def test_a_curve_agrees_with_a_brute_force_grid():
    sensor = card(40, 2)
    solved = equilibrium(firmware(CURVE), sensor)
    for draw in range(40):
        # Three grids, each within one step of the one before: 1e-7 K apart in the end.
        low, high = 0.0, 250.0
        for _ in range(3):
            grid = np.linspace(low, high, 2001)
            speed = np.interp(grid, CURVE.temperature_c, CURVE.fan_rpm)
            gap = temperature_by_hand(sensor, draw, speed) - grid
            place = np.flatnonzero((gap[:-1] > 0.0) & (gap[1:] <= 0.0))
            assert len(place) == 1
            low, high = grid[place[0]], grid[place[0] + 1]
        middle = 0.5 * (low + high)
        assert solved.control_temperature_c[draw] == pytest.approx(middle, rel=1e-6)
        assert solved.fan_rpm[draw] == pytest.approx(
            np.interp(middle, CURVE.temperature_c, CURVE.fan_rpm), rel=1e-6
        )


def test_a_target_is_held_between_its_speeds():
    sensor = card(600, 3, resistance=0.18)
    solved = equilibrium(firmware(TARGET), sensor)
    for draw, status in enumerate(solved.status):
        slow, fast = (temperature_by_hand(sensor, draw, rpm) for rpm in (900.0, 2200.0))
        if slow <= 63.0:
            expected, rpm = LOW, 900.0
        elif fast >= 63.0:
            expected, rpm = HIGH, 2200.0
        else:
            expected = REGULATED
            rpm = brentq(
                lambda n, d=draw: temperature_by_hand(sensor, d, n) - 63.0, 900.0, 2200.0
            )  # fmt: skip
            assert solved.control_temperature_c[draw] == pytest.approx(63.0, abs=1e-9)
        assert status is expected
        assert solved.fan_rpm[draw] == pytest.approx(rpm, rel=1e-9)
    assert set(solved.status) == {LOW, HIGH, REGULATED}


@st.composite
def curves(draw):
    count = draw(st.integers(1, 6))
    warm = sorted(draw(st.lists(st.floats(30.0, 100.0), min_size=count, max_size=count)))
    speed = sorted(draw(st.lists(st.floats(500.0, 4000.0), min_size=count, max_size=count)))
    return FanCurve(warm, speed)


@st.composite
def sensors(draw):
    resistance = draw(st.floats(0.05, 0.6))
    return SensorLaw(
        ambient_c=draw(st.floats(0.0, 50.0)),
        power_w=draw(st.floats(20.0, 500.0)),
        resistance_k_per_w=resistance,
        convective_k_per_w=resistance * draw(st.floats(0.0, 1.0)),
        exponent=draw(st.floats(0.3, 1.0)),
        reference_rpm=1800.0,
    )


@given(curve=curves(), sensor=sensors())
def test_the_solution_satisfies_both_laws(curve, sensor):
    solved = equilibrium(firmware(curve), sensor)
    (rpm,), (warm,), (status,) = solved.fan_rpm, solved.control_temperature_c, solved.status
    if status is HUNTS:
        assert np.isnan(rpm)
        return
    assert warm == pytest.approx(temperature_by_hand(sensor, 0, rpm), abs=1e-9)
    assert curve.fan_rpm[0] <= rpm <= curve.fan_rpm[-1]
    # The speed lies between the speeds of the curve a hair below and a hair above.
    hair = 1e-7
    at = [np.interp(warm + d, curve.temperature_c, curve.fan_rpm) for d in (-hair, hair)]
    assert at[0] - 1e-6 <= rpm <= at[1] + 1e-6
    assert (status is HELD) == (curve.fan_rpm[0] == curve.fan_rpm[-1])
    assert not solved.multiple[0]


@given(control=curves() | st.just(TARGET), sensor=sensors(), warmer=st.floats(0.0, 20.0))
def test_warmer_air_never_slows_the_fan_and_never_cools_the_control_sensor(control, sensor, warmer):
    now = equilibrium(firmware(control), sensor)
    then = equilibrium(firmware(control), sensor.at(ambient_c=sensor.ambient_c + warmer))
    if HUNTS not in (*now.status, *then.status):
        assert then.fan_rpm[0] >= now.fan_rpm[0] * (1.0 - 1e-9)
        rise = then.control_temperature_c[0] - now.control_temperature_c[0]
        assert -1e-9 <= rise <= warmer + 1e-9


@given(control=curves() | st.just(TARGET), sensor=sensors(), lower=st.floats(0.2, 1.0))
def test_a_lower_power_limit_never_speeds_the_fan(control, sensor, lower):
    limit = float(sensor.power_w[0]) * lower
    free, held = (
        equilibrium(firmware(control, power_limit_w=watts), sensor) for watts in (None, limit)
    )
    assert held.power_w[0] == pytest.approx(limit)
    assert free.power_w[0] == sensor.power_w[0]
    if HUNTS not in (*free.status, *held.status):
        assert held.fan_rpm[0] <= free.fan_rpm[0] * (1.0 + 1e-9)


@given(curve=curves(), sensor=sensors(), hysteresis=st.floats(0.1, 10.0))
def test_the_falling_branch_is_the_faster_one(curve, sensor, hysteresis):
    solved = equilibrium(firmware(curve, hysteresis_k=hysteresis), sensor)
    assert solved.falling is not None
    assert equilibrium(firmware(curve), sensor).falling is None
    lowered = FanCurve([t - hysteresis for t in curve.temperature_c], curve.fan_rpm)
    again = equilibrium(firmware(lowered), sensor)
    np.testing.assert_array_equal(solved.falling.fan_rpm, again.fan_rpm)
    if HUNTS not in (*solved.status, *solved.falling.status):
        assert solved.falling.fan_rpm[0] >= solved.fan_rpm[0] * (1.0 - 1e-9)


def test_held_and_observed_speeds_are_not_solved_for():
    sensor = card(3, 4)
    fixed = equilibrium(firmware(FixedSpeed(1700.0)), sensor)
    assert fixed.status.tolist() == [HELD] * 3
    assert fixed.fan_rpm.tolist() == [1700.0] * 3
    seen = equilibrium(firmware(ObservedSpeed([1600.0, 1700.0, 1800.0])), sensor)
    assert seen.status.tolist() == [OBSERVED] * 3
    np.testing.assert_array_equal(
        seen.control_temperature_c, sensor.temperature_c([1600.0, 1700.0, 1800.0])
    )
    with pytest.raises(InputError, match="2 speeds for 3 draws"):
        equilibrium(firmware(ObservedSpeed([1600.0, 1700.0])), sensor)


def test_a_fan_that_cools_itself_below_its_stop_has_no_steady_state():
    # At 900 rpm a card of 0.1 K/W stays at 25 + 22 = 47 °C.
    sensor = SensorLaw(
        ambient_c=[25.0, 29.0, 35.0], power_w=220.0, resistance_k_per_w=0.1,
        convective_k_per_w=0.0, exponent=0.65, reference_rpm=900.0,
    )  # fmt: skip
    solved = equilibrium(firmware(TARGET, start_c=55.0, stop_c=50.0), sensor)
    assert solved.status.tolist() == [STOPS, LOW, LOW]
    assert np.isnan(solved.fan_rpm).tolist() == [True, False, False]
    assert np.isnan(solved.control_temperature_c).tolist() == [True, False, False]
    # At 51 °C the fan goes on turning, but from rest it would not have started: two states.
    assert solved.multiple.tolist() == [True, True, False]


def test_a_loop_that_would_rest_inside_a_step_hunts():
    # 220 W on 0.2 K/W wholly convective: 69 °C at 1800 rpm, about 93 °C at 900.
    sensor = SensorLaw(
        ambient_c=[25.0, 60.0, -10.0], power_w=220.0, resistance_k_per_w=0.2,
        convective_k_per_w=0.2, exponent=0.65, reference_rpm=1800.0,
    )  # fmt: skip
    solved = equilibrium(firmware(FanCurve((40, 70, 70), (900, 900, 2200))), sensor)
    assert solved.status.tolist() == [HUNTS, HIGH, LOW]
    assert np.isnan(solved.fan_rpm).tolist() == [True, False, False]
    held = equilibrium(firmware(TargetTemperature(70.0, 900.0, 2200.0)), sensor)
    assert held.status.tolist() == [REGULATED, HIGH, LOW]


def test_several_states_are_reported_where_more_air_warms_the_sensor():
    # A draw that contradicts physics: at 900 rpm it stays below the target, at 2200 above.
    sensor = SensorLaw(
        ambient_c=25.0, power_w=220.0, resistance_k_per_w=0.175,
        convective_k_per_w=[-0.05, 0.05], exponent=0.65, reference_rpm=1800.0,
    )  # fmt: skip
    solved = equilibrium(firmware(TARGET), sensor)
    assert solved.multiple.tolist() == [True, False]
    # The first one on warming up.
    assert (solved.status[0], solved.fan_rpm[0]) == (LOW, 900.0)
    # Closed at both ends of the only segment, and crossed twice inside it.
    bend = SensorLaw(
        ambient_c=0.0, power_w=1.0, resistance_k_per_w=60.0, convective_k_per_w=-50.0,
        exponent=1.0, reference_rpm=1000.0,
    )  # fmt: skip
    curve = FanCurve((48.0, 120.0), (800.0, 3000.0))
    grid = np.linspace(48.0, 120.0, 20_001)
    speed = np.interp(grid, curve.temperature_c, curve.fan_rpm)
    is_open = temperature_by_hand(bend, 0, speed) > grid
    assert not (is_open[0] or is_open[-1])
    assert np.count_nonzero(is_open[1:] != is_open[:-1]) == 2
    bent = equilibrium(firmware(curve), bend)
    assert (bent.multiple[0], bent.status[0]) == (True, LOW)


@dataclass(frozen=True)
class OffsetLaw(PowerLaw):
    """A plug-in's law: part of the air moves without the fan."""

    def factor(self, flow_speed, reference, exponent):
        ratio = (np.asarray(flow_speed) + 500.0) / (reference + 500.0)
        return ratio**-exponent


def test_a_law_of_a_plug_in_is_followed():
    sensor = card(50, 5).at(law=OffsetLaw(name="offset"))
    solved = equilibrium(firmware(TARGET), sensor)
    inside = solved.status == REGULATED
    assert inside.any()
    g = ((solved.fan_rpm + 500.0) / 2300.0) ** -sensor.exponent
    by_hand = 25.0 + 220.0 * (sensor.resistance_k_per_w + sensor.convective_k_per_w * (g - 1.0))
    np.testing.assert_allclose(by_hand[inside], 63.0, atol=1e-9)


@dataclass(frozen=True)
class PumpLaw(PowerLaw):
    column: str = "coolant_lpm"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"law": PumpLaw()}, "driven by coolant_lpm"),
        ({"power_w": 0.0}, "power_w"),
        ({"ambient_c": np.nan}, "ambient_c"),
        ({"reference_rpm": np.nan}, "reference_rpm"),
        ({"exponent": [0.6, 0.7]}, "shapes do not fit"),
        ({"exponent": np.full((3, 1), 0.6)}, "shapes do not fit"),
        ({"humidity": 0.5}, "no such attribute"),
    ],
)
def test_an_invalid_sensor_is_refused(change, words):
    with pytest.raises(InputError, match=words):
        card(3, 6).at(**change)


def test_thin_air_changes_the_convective_part_only():
    sensor = card(20, 7)
    thin = sensor.in_air(1.2)
    speeds = np.array([[900.0], [1800.0], [2600.0]])
    fixed = 220.0 * (sensor.resistance_k_per_w - sensor.convective_k_per_w)
    convective = sensor.temperature_c(speeds) - 25.0 - fixed
    np.testing.assert_allclose(
        thin.temperature_c(speeds), 25.0 + fixed + 1.2 * convective, rtol=1e-12
    )


@settings(deadline=None)
@given(
    control=curves() | st.just(TARGET),
    pair=st.tuples(sensors(), sensors()),
    limit=st.floats(60.0, 120.0),
)
def test_at_the_limiting_ambient_the_judged_sensor_is_at_its_limit(control, pair, limit):
    judged, lead = pair[0], pair[1].at(power_w=pair[0].power_w)
    solved = ambient_at_limit(firmware(control), judged, limit, control=lead)
    if solved.status[0] is HUNTS:
        assert np.isnan(solved.ambient_c[0])
        return
    again = judged.at(ambient_c=solved.ambient_c).temperature_c(solved.fan_rpm)
    np.testing.assert_allclose(again, limit, atol=1e-9)
    settled = equilibrium(firmware(control), lead.at(ambient_c=solved.ambient_c))
    # A step of the curve turns an epsilon of ambient into any of its speeds.
    if settled.status[0] is not HUNTS and isinstance(control, TargetTemperature):
        assert settled.fan_rpm[0] == pytest.approx(solved.fan_rpm[0], rel=1e-6)
    # In no cooler air is the sensor at its limit: the closed loop is solved from far below.
    for below in (0.01, 1.0, 5.0, 20.0, 60.0):
        air = solved.ambient_c - below
        speed = equilibrium(firmware(control), lead.at(ambient_c=air)).fan_rpm
        if np.isfinite(speed).all():
            assert judged.at(ambient_c=air).temperature_c(speed)[0] <= limit + 1e-9


def test_the_ambient_at_the_limit_agrees_with_a_scalar_solver():
    judged, lead = card(60, 8, resistance=0.27, convective=0.13), card(60, 9)
    solved = ambient_at_limit(firmware(CURVE), judged, 100.0, control=lead)
    for draw in range(60):

        def over(air, d=draw):
            loop = brentq(
                lambda t: air - 25.0 + temperature_by_hand(
                    lead, d, np.interp(t, CURVE.temperature_c, CURVE.fan_rpm)) - t,
                -300.0, 600.0, xtol=1e-12,
            )  # fmt: skip
            rpm = np.interp(loop, CURVE.temperature_c, CURVE.fan_rpm)
            return air - 25.0 + temperature_by_hand(judged, d, rpm) - 100.0

        if not solved.multiple[draw]:
            assert solved.ambient_c[draw] == pytest.approx(brentq(over, -200.0, 200.0), abs=1e-6)
    assert not solved.multiple.all()
    held = 100.0 - judged.rise_from(np.array(1400.0), *judged.rise_draws)
    assert (solved.ambient_c[solved.fan_rpm > 1400.0] > held[solved.fan_rpm > 1400.0]).all()


def test_a_sensor_that_responds_to_the_fan_more_may_fall_below_its_limit_again():
    # The loop holds the control sensor at 63 °C; the judged one responds more to air, so it
    # cools as the room warms and the fan speeds up, until the fan is at its highest speed.
    common = {"ambient_c": 25.0, "power_w": 200.0, "exponent": 0.6, "reference_rpm": 1500.0}
    lead = SensorLaw(resistance_k_per_w=0.2, convective_k_per_w=0.1, **common)
    judged = SensorLaw(resistance_k_per_w=0.3, convective_k_per_w=0.25, **common)
    solved = ambient_at_limit(firmware(TARGET), judged, 88.0, control=lead)
    assert solved.multiple.tolist() == [True]
    assert solved.status.tolist() == [LOW]
    for air, over in ((-0.1, False), (0.1, True)):
        warm = solved.ambient_c + air
        speed = equilibrium(firmware(TARGET), lead.at(ambient_c=warm)).fan_rpm
        assert (judged.at(ambient_c=warm).temperature_c(speed) > 88.0).tolist() == [over]
    later = solved.ambient_c + 10.0
    speed = equilibrium(firmware(TARGET), lead.at(ambient_c=later)).fan_rpm
    assert (judged.at(ambient_c=later).temperature_c(speed) < 88.0).all()


def test_held_speed_and_stopping_fan_at_the_limit():
    sensor = card(4, 10)
    solved = ambient_at_limit(firmware(FixedSpeed(1700.0)), sensor, 90.0)
    rise = sensor.temperature_c(1700.0) - 25.0
    np.testing.assert_allclose(solved.ambient_c, 90.0 - rise, rtol=1e-12)
    assert solved.status.tolist() == [HELD] * 4
    stopping = ambient_at_limit(firmware(TARGET, start_c=70.0), sensor, 60.0)
    assert stopping.status.tolist() == [STOPS] * 4
    assert np.isnan(stopping.ambient_c).all()
    assert np.isnan(stopping.fan_rpm).all()


def test_sensors_of_one_card_are_paired():
    single, many = card(1, 11), card(5, 12)
    assert ambient_at_limit(firmware(TARGET), many, 100.0, control=single).ambient_c.shape == (5,)
    with pytest.raises(InputError, match="5 draws of the judged sensor, 3 of the other"):
        ambient_at_limit(firmware(TARGET), many, 100.0, control=card(3, 1))
    with pytest.raises(InputError, match="limit_c"):
        ambient_at_limit(firmware(TARGET), many, np.nan)


def test_the_speed_that_holds_a_limit():
    sensor = card(300, 13, resistance=0.25)
    solved = speed_keeping_limit(sensor, 80.0, lowest_rpm=1200.0, highest_rpm=2400.0)
    assert set(solved.status) == {LOW, REGULATED, HIGH}
    over = solved.control_temperature_c - 80.0
    for status, holds in (
        (LOW, over <= 1e-9),
        (REGULATED, np.abs(over) <= 1e-9),
        (HIGH, over >= -1e-9),
    ):
        assert holds[solved.status == status].all()


def test_held_hardware_at_two_speeds():
    # Common practice, no source: 1730 -> 2200 rpm took a memory sensor from 87.4 to 80 °C at
    # 21 °C ambient; an effective exponent of about 0.49, 70 to 75 % of the rise convective at
    # m = 0.7.
    rises = (87.4 - 21.0, 80.0 - 21.0)
    assert effective_exponent(*rises, 1730.0, 2200.0) == pytest.approx(0.49, abs=0.005)
    share = convective_share(*rises, 1730.0, 2200.0, exponent=0.7)
    assert 0.70 < share < 0.75
    memory = SensorLaw(
        ambient_c=21.0, power_w=225.0, resistance_k_per_w=rises[0] / 225.0,
        convective_k_per_w=share * rises[0] / 225.0, exponent=0.7, reference_rpm=1730.0,
    )  # fmt: skip
    kept = speed_keeping_limit(memory, 80.0, lowest_rpm=1000.0, highest_rpm=3000.0)
    assert kept.fan_rpm[0] == pytest.approx(2200.0, rel=1e-9)


def test_stock_firmware_raises_its_fan_in_a_hot_case():
    # Common practice, no source: stock firmware that holds the edge sensor near 63 °C raises
    # its fan in a hot case. An edge of 42 K at 21 °C is there at reference speed.
    edge = SensorLaw(
        ambient_c=[21.0, 25.0, 30.0, 60.0], power_w=225.0, resistance_k_per_w=42.0 / 225.0,
        convective_k_per_w=0.75 * 42.0 / 225.0, exponent=0.65, reference_rpm=1730.0,
    )  # fmt: skip
    solved = equilibrium(firmware(TargetTemperature(63.0, 900.0, 3600.0)), edge)
    assert solved.fan_rpm[0] == pytest.approx(1730.0, rel=1e-9)
    assert (np.diff(solved.fan_rpm[:3]) > 300.0).all()
    np.testing.assert_allclose(solved.control_temperature_c[:3], 63.0, atol=1e-9)
    # 10.5 K of conduction above air of 60 °C cannot be fanned away.
    assert solved.status.tolist() == [REGULATED, REGULATED, REGULATED, HIGH]
