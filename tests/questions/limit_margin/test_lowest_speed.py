"""The margin of a card whose firmware answers warmer air, against closed forms and a grid."""

from dataclasses import replace

import numpy as np
import pytest
import thermcmp_coolant
from scipy.optimize import brentq

from thermcmp.errors import EngineError, InputError, NotEstimableError
from thermcmp.hooks import use_plugin
from thermcmp.inference.diagnostics import Health
from thermcmp.inference.fitting import fit
from thermcmp.model.conditions import Build, Conditions
from thermcmp.model.design import CONSTANT, Reference
from thermcmp.model.priors import Normal
from thermcmp.physics.fan_controls import FanCurve, FixedSpeed, ObservedSpeed, TargetTemperature
from thermcmp.physics.firmware import Firmware
from thermcmp.prediction.builds import Scope
from thermcmp.prediction.card import MOST_UNSETTLED
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.questions.attribution.question import attribute
from thermcmp.questions.limit_margin.question import margin
from thermcmp.questions.ranking.question import rank

#: Resistance, convective part [K/W] and exponent of the two sensors put in; at 1800 rpm.
MEMORY = (0.37, 0.25, 0.7)
EDGE = (0.21, 0.15, 0.7)
#: Level at 1800 rpm [dB(A)] and slope [dB per tenfold speed] put in.
LEVEL_DBA, SLOPE_DB = 38.0, 54.0
WATTS, SPEEDS = 200.0, (1400.0, 1800.0, 2400.0)
HERON = Build(cooler_model="Heron-C1", board_model="Heron-B1", firmware="fw 1")


def temperature(law, rpm, ambient_c, power_w=WATTS):
    resistance, convective, exponent = law
    return ambient_c + power_w * (resistance + convective * ((rpm / 1800.0) ** -exponent - 1.0))


def speed(law, held_c, ambient_c, power_w=WATTS):
    """Fan speed that holds a sensor at a temperature: the law solved by hand."""
    resistance, convective, exponent = law
    factor = 1.0 + ((held_c - ambient_c) / power_w - resistance) / convective
    return 1800.0 * factor ** (-1.0 / exponent)


def card_fit(bench, card_sweep, law, sensor):
    runs = card_sweep(
        law[0] + law[1] * ((SPEEDS[0] / 1800.0) ** -law[2] - 1.0),
        law[1] * (SPEEDS[0] / 1800.0) ** -law[2],
        exponent=law[2],
        speeds=SPEEDS,
        powers=(WATTS,),
        sensor=sensor,
        assembly="m1",
        firmware="fw 1",
    )
    rng = np.random.default_rng(9)
    for run in runs:
        level = LEVEL_DBA + SLOPE_DB * np.log10(run["fan_rpm"] / 1800.0)
        run |= {"noise_dba": level + 0.1 * rng.standard_normal(), "mic_distance_m": 0.5}
    stock = {"fan_mode": "stock", "fan_rpm": 1800.0, "power_w": WATTS, "firmware": "fw 1"}
    shown = temperature(law, 1800.0, 21.0)
    runs += [stock | {"sensor": sensor, "temperature_c": shown, "assembly": "m1"}]
    reference = Conditions(power_w=WATTS, fan_rpm=1800.0)
    # One power was run, so the card must be said to have no heat that does not follow it.
    return fit(
        bench(runs),
        sensor,
        priors={CONSTANT: Normal(0.0, 0.1)},
        reference=reference,
        draws=1000,
        seed=2,
    )


@pytest.fixture(scope="module")
def memory(bench, card_sweep):
    return card_fit(bench, card_sweep, MEMORY, "memory")


@pytest.fixture(scope="module")
def edge(bench, card_sweep):
    return card_fit(bench, card_sweep, EDGE, "edge")


def by_ambient(answer):
    return answer.table.set_index("ambient_c")


CURVE = FanCurve((60.0, 80.0, 110.0), (1200.0, 1600.0, 2800.0))


def test_a_curve_is_met_where_a_fine_grid_meets_it(memory):
    firmware = Firmware(name="fw 1", fan=CURVE, control_sensor="memory", power_limit_w=190.0)
    answer = margin(memory, HERON, limit_c=105.0, firmware=firmware, scope="specimens")
    grid = np.arange(1200.0, 2800.0, 0.05)
    line_c = np.interp(grid, CURVE.fan_rpm, CURVE.temperature_c)
    for ambient_c, row in by_ambient(answer).iterrows():
        warm = temperature(MEMORY, grid, ambient_c, power_w=190.0)
        met = np.argmin(np.abs(warm - line_c))
        # The fit knows the card to some 0.05 K, of which the curve makes 2 to 4 rpm.
        assert row["fan_rpm"] == pytest.approx(grid[met], abs=6.0)
        assert row["mean_c"] == pytest.approx(warm[met], abs=0.15)
        expected = LEVEL_DBA + SLOPE_DB * np.log10(grid[met] / 1800.0)
        assert row["noise_dba"] == pytest.approx(expected, abs=0.4)
    assert (answer.table["fan_at_most"] == 0.0).all()
    assert answer.table["fan_rpm"].is_monotonic_increasing


def test_a_held_temperature_costs_the_speed_that_the_law_says(memory):
    loop = TargetTemperature(92.0, 1000.0, 2800.0)
    firmware = Firmware(name="fw 1", fan=loop, control_sensor="memory")
    answer = margin(memory, HERON, limit_c=105.0, firmware=firmware, scope="specimens")
    table = by_ambient(answer)
    for ambient_c in (21.0, 25.0, 30.0):
        row = table.loc[ambient_c]
        assert row["mean_c"] == pytest.approx(92.0, abs=1e-6)
        assert row["fan_rpm"] == pytest.approx(speed(MEMORY, 92.0, ambient_c), rel=0.005)
        assert row["fan_at_most"] == 0.0
    # From here on the fan can no more, and the sensor warms with the air.
    most_c = 92.0 - temperature(MEMORY, 2800.0, 0.0)
    assert answer.ambient_at_most_c == pytest.approx(most_c, abs=0.2)
    assert table.loc[45.0, "fan_at_most"] == 1.0
    assert table.loc[45.0, "mean_c"] == pytest.approx(temperature(MEMORY, 2800.0, 45.0), abs=0.2)
    assert answer.ambient_at_limit_c == pytest.approx(most_c + 13.0, abs=0.2)
    said = " ".join(answer.sentences)
    assert "margin of 13 K is set by the firmware" in said
    assert "highest speed from air of" in said


def test_the_ambient_at_the_limit_is_where_the_chance_is_even(specimens):
    firmware = Firmware(name="fw 1", fan=CURVE, control_sensor="memory")
    asked = {"limit_c": 100.0, "firmware": firmware}
    name = "Alder r1 / fw 1"
    answer = margin(specimens.fit, name, **asked)
    middle = float(np.median(answer.draws["ambient_at_limit_c"]))
    there = margin(specimens.fit, name, ambient_c=middle, **asked)
    assert there.p_exceed == pytest.approx(0.5, abs=0.001)
    assert answer.table["p_exceed"].is_monotonic_increasing
    low, high = answer.ambient_at_limit_interval_c
    assert low < middle < high


def test_a_firmware_that_holds_63_at_the_edge_raises_its_fan_in_a_hot_case(memory, edge):
    # Common practice, no source: stock firmware that holds about 63 °C edge raises its fan
    # in a hot case.
    firmware = Firmware(
        name="fw 1", fan=TargetTemperature(63.0, 900.0, 3000.0), control_sensor="edge"
    )
    answer = margin(
        memory,
        HERON,
        limit_c=105.0,
        ambient_c=21.0,
        case_rise_k=8.0,
        firmware={"fw 1": firmware, "fw 2": replace(firmware, name="fw 2")},
        control=edge,
        scope="specimens",
    )
    case = by_ambient(answer).loc[21.0]
    bench_rpm, case_rpm = (speed(EDGE, 63.0, ambient_c) for ambient_c in (21.0, 29.0))
    assert case_rpm > bench_rpm + 500.0
    assert case["fan_rpm"] == pytest.approx(case_rpm, rel=0.01)
    assert case["intake_c"] == 29.0
    # The edge stands still; the memory has less to gain from air than the room takes.
    assert case["mean_c"] == pytest.approx(temperature(MEMORY, case_rpm, 29.0), abs=0.3)
    said = " ".join(answer.sentences)
    assert "a room of 21 °C (29 °C at the intake)" in said
    assert "Against an open bench in air of 21 °C the fan turns" in said
    assert "the firmware holds the edge at 63 °C" in said
    louder = SLOPE_DB * np.log10(case_rpm / bench_rpm)
    told = float(said.split("faster and is ")[1].split(" dB")[0])
    assert told == pytest.approx(louder, abs=0.3)
    assert any("come from two fits" in caveat for caveat in answer.caveats)


def test_a_fix_given_back_as_silence_shows_as_speed_and_noise(specimens):
    # One firmware on the old and the new hardware: the temperature does not move.
    loop = TargetTemperature(82.0, 900.0, 2600.0)
    old, new = (
        margin(
            specimens.fit,
            name,
            limit_c=105.0,
            power_w=200.0,
            ambient_c=25.0,
            firmware=Firmware(name=name.split(" / ")[1], fan=loop, control_sensor="memory"),
            scope="specimens",
        )
        for name in ("Alder r1 / fw 1", "Alder r2 / fw 2")
    )
    found = [by_ambient(answer).loc[25.0] for answer in (old, new)]
    for name, row in zip(("Alder r1", "Alder r2"), found, strict=True):
        # A rare draw of long-tailed spreads asks for more fan than there is.
        assert row["mean_c"] == pytest.approx(82.0, abs=0.05)

        def above(rpm, name=name):
            return specimens.truth.rise_k("memory", name, fan_rpm=rpm) - 57.0

        expected = brentq(above, 300.0, 6000.0)
        spread = (row["fan_rpm_high"] - row["fan_rpm_low"]) / 3.29
        assert row["fan_rpm"] == pytest.approx(expected, abs=3.0 * spread)
    assert found[1]["fan_rpm"] < found[0]["fan_rpm"] - 300.0
    assert found[1]["noise_dba"] < found[0]["noise_dba"] - 3.0
    assert "not as a lower temperature" in " ".join(old.sentences)


def test_stock_runs_under_a_control_loop_are_no_held_speed(memory):
    rows = memory.results
    looped = rows.assign(regulated=rows["fan_mode"].eq("stock"))
    regulated = replace(memory, design=replace(memory.design, rows=looped))
    told = margin(regulated, HERON, limit_c=105.0).caveats
    assert any("In 1 stock run of" in caveat and "Fix" in caveat for caveat in told)
    stated = margin(regulated, HERON, limit_c=105.0, fan_rpm=1800.0).caveats
    assert not any("a control loop held" in caveat for caveat in stated)


def test_a_cases_rise_is_a_warmer_room(memory):
    firmware = Firmware(name="fw 1", fan=CURVE, control_sensor="memory")
    for acting in (None, firmware):
        asked = {"limit_c": 105.0, "firmware": acting}
        case = margin(memory, HERON, ambient_c=24.0, case_rise_k=11.0, **asked)
        bare = margin(memory, HERON, ambient_c=35.0, **asked)
        inside, outside = by_ambient(case).loc[24.0], by_ambient(bare).loc[35.0]
        for column in ("mean_c", "low_c", "high_c", "p_exceed", "fan_rpm", "enough_rpm"):
            assert inside[column] == pytest.approx(outside[column], rel=1e-12)
        assert case.ambient_at_limit_c == pytest.approx(bare.ambient_at_limit_c - 11.0)
        assert case.margin_k == pytest.approx(bare.margin_k)
        assert "°C at the intake" in case.sentences[1]
    assert "intake_c" not in bare.table


def test_thin_air_warms_the_card_by_its_convective_part(memory):
    # ISO 2533:1975: 84 556 Pa at 1500 m, 79 495 Pa at 2000 m; density falls with pressure
    # in a room of one temperature, and Nu goes with Re^m.
    answers = [
        margin(memory, HERON, limit_c=120.0, scope="specimens", **where)
        for where in (
            {},
            {"altitude_m": 1500.0},
            {"altitude_m": 2000.0, "measured_altitude_m": 1500.0},
        )
    ]
    for answer, ratio in zip(answers, (1.0, 84_556 / 101_325, 79_495 / 84_556), strict=True):
        warmer = WATTS * MEMORY[1] * (ratio ** -MEMORY[2] - 1.0)
        expected = temperature(MEMORY, 1800.0, 21.0) + warmer
        assert by_ambient(answer).loc[21.0, "mean_c"] == pytest.approx(expected, abs=0.3)
    assert "at 1500 m" in answers[1].sentences[0]
    assert any("made at 1500 m" in caveat for caveat in answers[2].caveats)
    # A firmware answers thin air with more fan.
    firmware = Firmware(name="fw 1", fan=CURVE, control_sensor="memory")
    low, high = (
        margin(memory, HERON, limit_c=105.0, firmware=firmware, altitude_m=height)
        for height in (0.0, 1500.0)
    )
    assert (high.table["fan_rpm"] > low.table["fan_rpm"] + 50.0).all()


def test_the_fan_is_turned_down_to_where_the_limit_is_just_kept(memory):
    answer = margin(
        memory, HERON, limit_c=98.0, ambient_c=25.0, scope="specimens", risk=0.05, fan_rpm=2000.0
    )
    expected = speed(MEMORY, 98.0, 25.0)
    found = answer.turn_down
    assert found.fan_rpm == pytest.approx(expected, rel=0.01)
    assert found.reach == "measured"
    saved = SLOPE_DB * np.log10(2000.0 / expected)
    assert found.saved_db == pytest.approx(saved, abs=0.3)
    low, high = found.saved_db_interval
    assert low < found.saved_db < high
    assert "below the speed held" in answer.sentences[-1]
    assert any("every other sensor" in caveat for caveat in answer.caveats)
    louder = margin(memory, HERON, limit_c=98.0, ambient_c=25.0, fan_rpm=1450.0)
    assert "above the speed held" in louder.sentences[-1]
    assert not any("every other sensor" in caveat for caveat in louder.caveats)


@pytest.mark.parametrize("risk", [0.01, 0.05, 0.2])
@pytest.mark.parametrize("scope", ["specimens", "product line"])
def test_the_lowest_speed_that_is_enough_keeps_the_stated_risk(specimens, risk, scope):
    asked = {"limit_c": 100.0, "ambient_c": 30.0, "power_w": 225.0, "scope": scope}
    name = "Alder r1 / fw 1"
    found = margin(specimens.fit, name, risk=risk, fan_rpm=1800.0, **asked).turn_down
    assert found.p_exceed <= risk

    def chance(rpm):
        return margin(specimens.fit, name, fan_rpm=rpm, **asked).p_exceed

    assert chance(found.fan_rpm + 0.01) <= risk
    # One draw of 2000 less, and the risk is no longer kept.
    assert chance(found.fan_rpm - 0.01) > risk - 1e-12
    assert found.p_exceed == pytest.approx(risk, abs=0.0011)


def test_a_new_card_needs_more_fan_than_the_tested_ones_and_is_less_sure(specimens):
    firmware = Firmware(name="fw 1", fan=CURVE, control_sensor="memory")
    tested, fresh = (
        margin(specimens.fit, "Alder r1 / fw 1", limit_c=100.0, firmware=firmware, scope=scope)
        for scope in ("specimens", "product line")
    )
    for name in ("fan_rpm", "noise_dba", "temperature_c"):
        spreads = [answer.draws[name].isel(ambient_c=2).std() for answer in (tested, fresh)]
        assert spreads[1] > 1.2 * spreads[0], name
    enough = [by_ambient(answer).loc[30.0, "enough_rpm"] for answer in (tested, fresh)]
    assert enough[1] > enough[0] + 50.0


def test_what_the_measured_speeds_do_not_reach_is_marked_or_refused(memory):
    # Measured up to 2400 rpm; beyond a fourth more, 3000 rpm, nothing is told.
    fast = TargetTemperature(82.0, 1400.0, 4000.0)
    firmware = Firmware(name="fw 1", fan=fast, control_sensor="memory")
    answer = margin(
        memory, HERON, limit_c=105.0, ambient_c=40.0, firmware=firmware, scope="specimens"
    )
    table = by_ambient(answer)
    assert speed(MEMORY, 82.0, 21.0) < 3000.0 < speed(MEMORY, 82.0, 30.0)
    assert "beyond the measured fan speeds" in table.loc[21.0, "health"]
    refused = table.loc[40.0]
    assert refused["health"].startswith("not estimable: 4000 rpm is too far from the measured")
    assert refused[["mean_c", "low_c", "high_c", "p_exceed", "noise_dba"]].isna().all()
    assert np.isnan(answer.p_exceed)
    assert np.isnan(answer.margin_k)
    assert np.isnan(answer.ambient_at_limit_c)
    assert "cannot be judged" in answer.sentences[0]
    assert "not estimable" in answer.sentences[1]
    assert answer.plot().figure.axes


def test_no_speed_within_reach_is_said(memory):
    answer = margin(memory, HERON, limit_c=70.0, ambient_c=40.0)
    assert answer.turn_down.reach == "refused"
    assert np.isnan(answer.turn_down.fan_rpm)
    assert answer.turn_down.p_exceed == 1.0
    assert "no fan speed within reach" in answer.sentences[-1]
    idle = margin(memory, HERON, limit_c=200.0)
    assert "lowest speed within reach of the measured ones" in idle.sentences[-1]
    assert idle.turn_down.fan_rpm == pytest.approx(1400.0 / 1.25)


def test_a_fan_that_stops_leaves_no_number(memory):
    firmware = Firmware(name="fw 1", fan=CURVE, control_sensor="memory", start_c=100.0)
    answer = margin(memory, HERON, limit_c=105.0, firmware=firmware, scope="specimens")
    table = by_ambient(answer)
    assert table.loc[21.0, "health"] == (
        "not estimable: no steady state in 100% of the draws (fan stops)"
    )
    assert table.loc[21.0, ["mean_c", "p_exceed", "fan_rpm"]].isna().all()
    assert table.loc[45.0, "mean_c"] > 100.0
    assert "fan stops" in answer.sentences[0]


def test_a_step_that_the_fan_hunts_about_is_said(memory):
    step = FanCurve((60.0, 93.0, 93.0, 110.0), (1500.0, 1500.0, 2400.0, 2400.0))
    firmware = Firmware(name="fw 1", fan=step, control_sensor="memory")
    answer = margin(memory, HERON, limit_c=105.0, firmware=firmware, scope="specimens")
    warm, cool = (temperature(MEMORY, rpm, 25.0) for rpm in (1500.0, 2400.0))
    assert cool < 93.0 < warm
    assert "(hunting)" in by_ambient(answer).loc[25.0, "health"]


def test_a_hysteresis_and_an_unnamed_sensor_are_told(memory):
    firmware = Firmware(name="fw 1", fan=CURVE, hysteresis_k=5.0)
    answer = margin(memory, HERON, limit_c=105.0, firmware=firmware)
    told = " ".join(answer.caveats)
    assert "hysteresis of 5 K" in told
    assert "names no control sensor" in told
    assert "held while the air warms" not in told


def test_a_speed_seen_or_held_by_the_firmware_stays(memory):
    for fan in (FixedSpeed(2000.0), ObservedSpeed(2000.0)):
        answer = margin(
            memory, HERON, limit_c=105.0, firmware=Firmware(name="fw 1", fan=fan), scope="specimens"
        )
        held = margin(memory, HERON, limit_c=105.0, fan_rpm=2000.0, scope="specimens")
        for column in ("mean_c", "p_exceed", "fan_rpm", "noise_dba"):
            np.testing.assert_allclose(answer.table[column], held.table[column], rtol=1e-12)
    assert any("observed one" in caveat for caveat in answer.caveats)


def test_the_power_is_the_stated_one_the_runs_or_the_limits(memory):
    firmware = Firmware(name="fw 2", fan=CURVE, control_sensor="memory", power_limit_w=180.0)
    build = replace(HERON, firmware="fw 2")
    asked = {"limit_c": 105.0, "scope": "specimens"}
    limited = margin(memory, build, firmware=firmware, **asked)
    assert ", 180 W," in limited.sentences[0]
    assert any("the power limit of firmware 'fw 2'" in caveat for caveat in limited.caveats)
    stated = margin(memory, build, firmware=firmware, power_w=150.0, **asked)
    assert ", 150 W," in stated.sentences[0]
    above = margin(memory, build, firmware=firmware, power_w=250.0, **asked)
    assert ", 180 W," in above.sentences[0]
    free = Firmware(name="fw 2", fan=CURVE, control_sensor="memory")
    with pytest.raises(NotEstimableError, match="power under firmware 'fw 2' is not known"):
        margin(memory, build, firmware=free, **asked)


def test_what_does_not_go_together_is_refused(memory, edge):
    firmware = Firmware(name="fw 1", fan=CURVE, control_sensor="edge")
    asked = {"limit_c": 105.0, "firmware": firmware}
    with pytest.raises(InputError, match="sets the fan"):
        margin(memory, HERON, fan_rpm=2000.0, control=edge, **asked)
    with pytest.raises(InputError, match="noise cannot be held"):
        margin(memory, HERON, noise_dba=40.0, control=edge, **asked)
    with pytest.raises(InputError, match="a fit of the edge sensor"):
        margin(memory, HERON, **asked)
    with pytest.raises(InputError, match="give firmware= too"):
        margin(memory, HERON, limit_c=105.0, control=edge)
    with pytest.raises(InputError, match="not described"):
        margin(memory, replace(HERON, firmware="fw 9"), control=edge, **asked)
    for risk in (0.0, 0.6, float("nan")):
        with pytest.raises(InputError, match="risk"):
            margin(memory, HERON, limit_c=105.0, risk=risk)


def test_a_bad_fit_of_the_control_sensor_is_refused(memory, edge):
    poor = replace(edge.diagnostics.checks[0], status=Health.BAD)
    bad = replace(edge, diagnostics=replace(edge.diagnostics, checks=(poor,)))
    firmware = Firmware(name="fw 1", fan=CURVE, control_sensor="edge")
    with pytest.raises(EngineError, match="held against a limit"):
        margin(memory, HERON, limit_c=105.0, firmware=firmware, control=bad)


def test_another_coolant_has_a_margin_but_no_fan(bench, card_sweep):
    use_plugin(thermcmp_coolant, "coolant")
    runs = card_sweep(0.2, 0.1, exponent=0.7, speeds=(1800.0, 2400.0), powers=(200.0,))
    flow = np.linspace(0.8, 2.0, len(runs))
    rows = bench(runs).assign(coolant_flow_l_min=flow, fan_rpm=np.nan)
    wet = fit(rows, airflow="coolant flow", reference=Reference(200.0, 1.0), draws=400, seed=1)
    build = Build(cooler_model="Heron-C1", board_model="Heron-B1")
    at = {"limit_c": 90.0, "fan_rpm": 1.2, "power_w": 200.0}
    answer = margin(wet, build, **at)
    assert "1 l/min and 200 W" in answer.sentences[0]
    assert answer.turn_down is None
    assert "fan_rpm" not in answer.table
    assert answer.ambient_at_limit_c - 21.0 == pytest.approx(answer.margin_k)
    with pytest.raises(InputError, match="leave altitude_m out"):
        margin(wet, build, altitude_m=1000.0, **at)
    with pytest.raises(InputError, match="driven by coolant_flow_l_min"):
        margin(
            wet,
            build,
            limit_c=90.0,
            power_w=200.0,
            firmware=Firmware(name="fw 1", fan=CURVE),
        )


def test_a_ranking_knows_the_case_and_the_altitude(specimens):
    held = {"fan_rpm": 1800.0, "power_w": 200.0}
    case = rank(specimens.fit, ambient_c=24.0, case_rise_k=11.0, **held)
    bare = rank(specimens.fit, ambient_c=35.0, **held)
    np.testing.assert_allclose(case.table["mean_c"], bare.table["mean_c"], rtol=1e-12)
    assert "a room of 24 °C (35 °C at the intake)" in case.title
    high = rank(specimens.fit, ambient_c=35.0, altitude_m=1500.0, **held)
    warmer = high.table["mean_c"].mean() - bare.table["mean_c"].mean()
    # About 13 % of the convective part, which is 20 to 45 K here.
    assert 2.0 < warmer < 8.0
    assert "at 1500 m" in high.title
    assert any("as it was measured" in caveat for caveat in high.caveats)


def test_the_figure_has_a_panel_for_the_fan(memory):
    firmware = Firmware(name="fw 1", fan=CURVE, control_sensor="memory")
    answer = margin(memory, HERON, limit_c=100.0, ambient_c=33.0, firmware=firmware)
    upper = answer.plot()
    first, second = upper.figure.axes
    assert first is upper
    assert second.get_ylabel() == "Fan speed [rpm]"
    words = {text.get_text() for text in second.texts}
    assert "Noise [dB(A)]" in words
    assert "enough at 5% risk" in words
    # The main line has round marks, what is enough has triangles and dashes.
    styles = {(line.get_marker(), line.get_linestyle()) for line in second.lines}
    assert ("o", "-") in styles
    assert ("^", "--") in styles
    assert second.get_shared_x_axes().joined(first, second)
    still = margin(memory, HERON, limit_c=100.0).plot()
    assert len(still.figure.axes) == 1


@pytest.mark.parametrize("share", [0.01, 0.035])
def test_margin_and_attribution_withhold_a_result_at_one_share_of_unsettled_draws(memory, share):
    # A fan of 1800 rpm that stops in the coolest draws.
    warm = 21.0 + FittedBuild(memory, HERON, Scope.SPECIMENS).rise(1800.0, WATTS)
    stop_c = float(np.quantile(warm, share))
    firmware = Firmware(
        name="fw 1",
        fan=FanCurve((20.0, 140.0), (1800.0, 1800.0)),
        control_sensor="memory",
        start_c=stop_c,
    )
    answer = margin(memory, HERON, limit_c=105.0, firmware=firmware, scope="specimens")
    health = by_ambient(answer).loc[21.0, "health"]
    if share < MOST_UNSETTLED:
        assert "left out" in health
        attribute(memory, HERON, HERON, firmware={"fw 1": firmware})
        return
    assert health.startswith("not estimable: no steady state")
    with pytest.raises(NotEstimableError, match="no steady state with a turning fan"):
        attribute(memory, HERON, HERON, firmware={"fw 1": firmware})
