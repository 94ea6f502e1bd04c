"""A fix under firmware whose rule is known: the fan answers, and the split stays a split."""

from dataclasses import replace

import numpy as np
import pytest
from closed_loops import Bench, Card
from scipy.optimize import brentq

from thermcmp.errors import InputError, NotEstimableError
from thermcmp.inference.fitting import fit
from thermcmp.inference.joint_fitting import fit_sensors
from thermcmp.model.conditions import Conditions
from thermcmp.physics.fan_controls import FanCurve, FixedSpeed, ObservedSpeed, TargetTemperature
from thermcmp.physics.firmware import Firmware
from thermcmp.questions.attribution.question import attribute
from thermcmp.simulation import RevisionStudy, simulate
from thermcmp.simulation.attributing import attribution_from_corners

OLD, NEW = "Alder r1 / fw 1", "Alder r2 / fw 2"
MAIN = ["hardware", "firmware: fan speed", "firmware: power", "firmware: direct"]
INSIDE = ["rule", "answer to the hardware", "answer to the power"]
PRODUCTS = {False: "Alder r1", True: "Alder r2"}
POWER_W = {False: 225.0, True: 218.0}
AMBIENT_C, TARGET_C = 21.0, 80.0
POINTS_C = (40.0, 60.0, 90.0)


def held(name, target_c=TARGET_C):
    return Firmware(name=name, fan=TargetTemperature(target_c, 800.0, 4000.0))


def curve(name, *speeds):
    return Firmware(name=name, fan=FanCurve(POINTS_C, speeds))


HELD = {"fw 1": held("fw 1"), "fw 2": held("fw 2")}
CURVES = {
    "fw 1": curve("fw 1", 1000.0, 1400.0, 2300.0),
    "fw 2": curve("fw 2", 1200.0, 1900.0, 2600.0),
}


@pytest.fixture(scope="module")
def world(fit_known, quiet_world):
    study = RevisionStudy(remounts=2, fan_speeds_rpm=(1200.0, 1800.0, 2600.0))
    return fit_known(study, quiet_world())


@pytest.fixture(scope="module")
def kept_warm(world):
    return attribute(world.fit, OLD, NEW, firmware=HELD)


@pytest.fixture(scope="module")
def curved(world):
    return attribute(world.fit, OLD, NEW, firmware=CURVES)


def parts_of(answer):
    return answer.draws["improvement_k"].to_pandas().T


def means(answer):
    return answer.table.set_index("part")["mean_k"]


def true_rise(world, hardware, rpm, watts):
    return world.truth.rise_k("memory", PRODUCTS[hardware], fan_rpm=rpm, power_w=watts)


def true_speed(world, rule, hardware, watts, ambient_c=AMBIENT_C):
    """Where the rule's line meets the simulator's card, by bracketing."""
    fan = rule.fan
    if isinstance(fan, TargetTemperature):
        return brentq(
            lambda rpm: ambient_c + true_rise(world, hardware, rpm, watts) - fan.target_c,
            fan.lowest_rpm,
            fan.highest_rpm,
        )
    return brentq(
        lambda rpm: (
            np.interp(
                ambient_c + true_rise(world, hardware, rpm, watts), fan.temperature_c, fan.fan_rpm
            )
            - rpm
        ),
        500.0,
        5000.0,
    )


def true_speeds(world, rules):
    """Fan speed by rule, hardware and power."""
    named = {False: rules["fw 1"], True: rules["fw 2"]}
    flags = (False, True)
    return {
        (rule, hardware, power): true_speed(world, named[rule], hardware, POWER_W[power])
        for rule in flags for hardware in flags for power in flags
    }  # fmt: skip


@pytest.mark.parametrize("rules", [HELD, CURVES], ids=["target", "curves"])
def test_the_parts_at_the_equilibria_of_the_true_card(world, rules):
    # The simulator's own arithmetic, at the fan speeds that SciPy finds for its card.
    speed = true_speeds(world, rules)
    expected = attribution_from_corners(
        lambda new: true_rise(
            world,
            "hardware" in new,
            speed[("fan" in new,) * 3],
            POWER_W["power" in new],
        )
    )
    stated = {
        name: Conditions(power_w=POWER_W[new]) for name, new in (("before", False), ("after", True))
    }
    answer = attribute(world.fit, OLD, NEW, firmware=rules, settings=stated)
    found = means(answer)
    # 0.02 K of noise per run, some dozen runs: about 0.05 K at each corner.
    # The true firmwares do nothing beyond fan speed and power.
    true_k = expected.order_free_k | {"direct": 0.0}
    for part, name in zip(MAIN, ("hardware", "fan", "power", "direct"), strict=True):
        assert found[part] == pytest.approx(true_k[name], abs=0.2), part
    assert found["total"] == pytest.approx(expected.total_k, abs=0.2)
    for hardware in (False, True):
        for firmware in (False, True):
            row = answer.corners.iloc[2 * hardware + firmware]
            assert row["fan_rpm"] == pytest.approx(speed[firmware, hardware, firmware], rel=0.01)
            rise = true_rise(world, hardware, row["fan_rpm"], POWER_W[firmware])
            assert row["mean_c"] == pytest.approx(AMBIENT_C + rise, abs=0.2)


def test_the_fan_speeds_part_splits_into_rule_and_answers(world, curved):
    # Shares of three causes of one change of fan speed, with hardware and power in turn as
    # before and as after; by brute force over the orders of all five with the three causes
    # next to each other.
    from itertools import permutations

    speed = true_speeds(world, CURVES)

    def rise(new):
        rpm = speed["rule" in new, "answer to the hardware" in new, "answer to the power" in new]
        return true_rise(world, "hardware" in new, rpm, POWER_W["power" in new])

    shares, orders = dict.fromkeys(INSIDE, 0.0), 0
    for order in permutations((*INSIDE, "hardware", "power")):
        places = sorted(order.index(name) for name in INSIDE)
        if places[2] - places[0] != 2:
            continue
        orders += 1
        for place, name in enumerate(order):
            if name in INSIDE:
                before = frozenset(order[:place])
                shares[name] += rise(before) - rise(before | {name})
    assert orders == 36
    for name in INSIDE:
        found = means(curved)[f"of the fan speed: {name}"]
        assert found == pytest.approx(shares[name] / orders, abs=0.25), name
    # The card got cooler and takes less power: the fan answers with less air.
    assert shares["rule"] > 0.0 > shares["answer to the hardware"]


@pytest.mark.parametrize("answer", ["kept_warm", "curved"])
def test_parts_sum_in_every_draw(answer, request):
    draws = parts_of(request.getfixturevalue(answer))
    assert np.abs(draws[MAIN].sum(axis=1) - draws["total"]).max() < 1e-9
    inside = draws[[f"of the fan speed: {name}" for name in INSIDE]]
    assert np.abs(inside.sum(axis=1) - draws["firmware: fan speed"]).max() < 1e-9
    own = draws[[name for name in draws if name.startswith("of the hardware: ")]]
    assert np.abs(own.sum(axis=1) - draws["hardware"]).max() < 1e-9
    for age, other in (("old", "new"), ("new", "old")):
        way = draws[f"hardware, under the {age} firmware"]
        way = way + draws[f"firmware, on the {other} hardware"]
        assert np.abs(way - draws["total"]).max() < 1e-9


def test_a_held_temperature_is_told_in_speed_level_and_power(world, kept_warm):
    draws = parts_of(kept_warm)
    # The loop holds its sensor, so the total is nothing but rounding; a rare draw of long-tailed
    # spreads asks for more fan than there is.
    assert np.mean(np.abs(draws["total"]) < 1e-6) > 0.995
    assert kept_warm.before_c == pytest.approx(TARGET_C, abs=0.05)
    assert kept_warm.after_c == pytest.approx(TARGET_C, abs=0.05)
    first = kept_warm.sentences[0]
    assert first.startswith("The temperature is held by the firmware in both; the fix shows as −")
    changes = kept_warm.changes.set_index("quantity")["change"]
    speed = true_speeds(world, HELD)
    assert changes["fan speed"] == pytest.approx(
        speed[True, True, True] - speed[False, False, False], rel=0.02
    )
    for words in (
        f"{changes['fan speed']:.0f} rpm".replace("-", "−"),
        f"{changes['sound level']:.1f} dB(A)".replace("-", "−"),
        f"{changes['power']:.0f} W".replace("-", "−"),
    ):
        assert words in first
    assert means(kept_warm)["hardware"] > 5.0
    assert means(kept_warm)["firmware: fan speed"] < -5.0
    (given,) = [one for one in kept_warm.sentences if "as lower noise" in one]
    assert given.startswith("At equal fan speed the hardware brings")
    assert not any("share of the improvement" in one for one in kept_warm.sentences)
    assert kept_warm.table.set_index("part").loc["firmware: fan speed", "noise_db"] < -3.0


def test_a_regulated_control_sensor_says_so(kept_warm):
    found = [one for one in kept_warm.caveats if "does not measure the hardware" in one]
    assert len(found) == 2
    assert all("regulated in 100% of the draws" in one for one in found)
    assert set(kept_warm.corners["fan_status"]) == {"regulated"}


def test_observed_stock_speeds_tell_a_fix_that_was_given_back(world):
    # The same two cards by their stock runs: speeds stated such that both are at 80 °C.
    speed = true_speeds(world, HELD)
    before, after = (
        Conditions(fan_rpm=speed[(new,) * 3], power_w=POWER_W[new]) for new in (False, True)
    )
    answer = attribute(world.fit, OLD, NEW, settings={"before": before, "after": after})
    assert answer.sentences[0].startswith("The temperature did not move; the fix shows as −")
    assert any("as lower noise" in one for one in answer.sentences)


def test_regulated_stock_runs_tell_by_speed_and_power(world):
    # Rows as a fit has them that lets regulated runs inform it: both cards stand at 80 °C,
    # each with the fan speed that takes.
    rows, speed = world.fit.results, true_speeds(world, HELD)
    stock = rows["fan_mode"].eq("stock")
    turning = rows["fan_rpm"]
    for new, cooler, firmware in ((False, "Alder-C1", "fw 1"), (True, "Alder-C2", "fw 2")):
        own = stock & rows["cooler_model"].eq(cooler) & rows["firmware"].eq(firmware)
        turning = turning.mask(own, speed[(new,) * 3])
    held = rows.assign(
        regulated=stock,
        fan_rpm=turning,
        temperature_c=rows["temperature_c"].mask(stock, TARGET_C),
    )
    marked = replace(world.fit, design=replace(world.fit.design, rows=held))
    # So small a size that matters that the interval of the total cannot lie within it.
    answer = attribute(marked, OLD, NEW, matters_k=1e-6)
    assert {setting.held_c for setting in answer.settings.values()} == {TARGET_C}
    assert len([one for one in answer.caveats if "held the memory in its stock" in one]) == 2
    own = answer.corners.iloc[[0, 3]]
    assert own["basis"].str.fullmatch(r"measured in \d+ regulated runs").all()
    assert own["mean_c"].to_numpy() == pytest.approx(TARGET_C, abs=0.3)
    assert answer.sentences[0].startswith("The temperature is held by the firmware in both")
    # A speed that was stated is not theirs.
    stated = attribute(marked, OLD, NEW, settings={"before": Conditions(fan_rpm=1900.0)})
    assert stated.settings[OLD].held_c is None


def test_a_fix_seen_in_regulated_runs_only():
    """The new cooler is 6 K better at one fan speed, and every run stands at 75 °C.

    Common practice, no source: stock firmware that holds a target gives a better cooler
    back as a slower fan, and who compares temperatures finds no difference.
    """
    rng, bench = np.random.default_rng(5), Bench(scatter_k=0.4, power_w=(198.0, 202.0))
    cards = {"Alder r1": Card("Alder-C1", 55.0, 30.0), "Alder r2": Card("Alder-C2", 49.0, 30.0)}
    rows = bench.frame([row for c in cards.values() for row in bench.by_fan(c, 75.0, 9, rng)])
    product = {card.name: name for name, card in cards.items()}
    assembly = (rows.groupby("cooler_model").cumcount() % 3 + 1).astype(str)
    rows = rows.assign(
        product=rows["cooler_model"].map(product),
        firmware="fw 1",
        fan_mode="stock",
        session="session 1",
        assembly=rows["cooler_model"] + " mount " + assembly,
    )
    model = fit(rows, draws=2000, seed=1)
    answer = attribute(model, "Alder r1 / fw 1", "Alder r2 / fw 1")
    assert answer.sentences[0].startswith("The temperature is held by the firmware in both")
    assert "rpm" in answer.sentences[0]
    for setting in answer.settings.values():
        assert setting.held_c == pytest.approx(75.0, abs=0.1)
    table = answer.table.set_index("part")
    # The better cooler's 6 K, at the bench's 200 W and at any fan speed.
    assert abs(table.loc["hardware", "mean_k"] - 6.0) < 3.0 * table.loc["hardware", "sd_k"]
    assert table.loc["hardware", "sd_k"] < 1.5
    assert table.loc["firmware: fan speed", "high_k"] < -3.0
    assert table.loc["total", "low_k"] < 0.0 < table.loc["total", "high_k"]
    assert list(answer.corners["basis"].str.contains("regulated")) == [True, False, False, True]


def test_a_held_or_observed_rule_is_that_speed(world):
    watts = {
        name: Conditions(power_w=POWER_W[new]) for name, new in (("before", False), ("after", True))
    }
    rules = {
        "fw 1": Firmware(name="fw 1", fan=FixedSpeed(1500.0)),
        "fw 2": Firmware(name="fw 2", fan=ObservedSpeed(2200.0)),
    }
    ruled = attribute(world.fit, OLD, NEW, firmware=rules, settings=watts)
    stated = attribute(
        world.fit,
        OLD,
        NEW,
        settings={
            "before": Conditions(fan_rpm=1500.0, power_w=225.0),
            "after": Conditions(fan_rpm=2200.0, power_w=218.0),
        },
    )
    for name in ("total", *MAIN, "interaction"):
        assert np.abs(parts_of(ruled)[name] - parts_of(stated)[name]).max() < 1e-9
    assert np.abs(parts_of(ruled)["of the fan speed: answer to the hardware"]).max() == 0.0
    assert list(ruled.corners["fan_status"]) == ["held", "observed"] * 2


def test_one_rule_and_one_stock_run(world):
    answer = attribute(world.fit, OLD, NEW, firmware={"fw 2": CURVES["fw 2"]})
    stock = attribute(world.fit, OLD, NEW)
    assert answer.settings[OLD] == stock.settings[OLD]
    assert answer.settings[NEW].source.startswith("closed loop of fw 2")
    draws = parts_of(answer)
    assert np.abs(draws[MAIN].sum(axis=1) - draws["total"]).max() < 1e-9


def test_a_warm_room_turns_the_fan_up(world, curved):
    warm = attribute(world.fit, OLD, NEW, Conditions(ambient_c=35.0), firmware=CURVES)
    faster = true_speed(world, CURVES["fw 1"], False, 225.0, ambient_c=35.0)
    assert warm.corners.iloc[0]["fan_rpm"] == pytest.approx(faster, rel=0.01)
    assert warm.corners.iloc[0]["fan_rpm"] > curved.corners.iloc[0]["fan_rpm"] + 100.0
    assert warm.before_c < curved.before_c + 14.0


def test_a_case_is_its_intakes_air(world):
    room = Conditions(ambient_c=24.0, case_rise_k=11.0)
    bare = attribute(world.fit, OLD, NEW, Conditions(ambient_c=35.0), firmware=CURVES)
    case = attribute(world.fit, OLD, NEW, room, firmware=CURVES)
    assert np.abs((parts_of(case) - parts_of(bare)).to_numpy()).max() < 1e-9
    assert case.before_c == pytest.approx(bare.before_c, abs=1e-9)
    assert "a room of 24 °C (35 °C at the intake)" in " ".join(case.sentences)


@pytest.mark.parametrize("rules", [None, CURVES], ids=["stock", "curves"])
def test_thin_air_carries_less_heat(world, rules):
    high = Conditions(altitude_m=2000.0)
    answer = attribute(world.fit, OLD, NEW, high, firmware=rules)
    bare = attribute(world.fit, OLD, NEW, firmware=rules)
    draws = parts_of(answer)
    assert np.abs(draws[MAIN].sum(axis=1) - draws["total"]).max() < 1e-9
    own = draws[[name for name in draws if name.startswith("of the hardware: ")]]
    assert np.abs(own.sum(axis=1) - draws["hardware"]).max() < 1e-9
    # ISO 2533: 79 495 Pa of 101 325 at 2000 m. The convective part of the true card grows
    # by that ratio to the power of minus the exponent.
    thin = (79495.0 / 101325.0) ** -world.truth.exponent
    setting = answer.settings[OLD]
    flow = float(world.truth.airflow_factor(setting.flow_speed))
    convective = world.truth.baseline_airflow_k["memory"] + sum(
        world.truth.effects["memory"][term][level]
        for term, level in (("cooler_model airflow", "Alder-C1"), ("cooler airflow", "Alder-C1-1"))
    )
    rise = true_rise(world, False, setting.flow_speed, setting.power_w)
    rise += setting.power_w / 200.0 * convective * flow * (thin - 1.0)
    assert answer.before_c == pytest.approx(AMBIENT_C + rise, abs=0.3)
    assert answer.before_c > bare.before_c + 1.0
    assert any("Noise is as it was measured" in caveat for caveat in answer.caveats)
    if rules is not None:
        assert answer.settings[OLD].flow_speed > bare.settings[OLD].flow_speed + 20.0


def test_a_power_limit_caps_what_the_stock_runs_took(world):
    limited = replace(CURVES["fw 2"], power_limit_w=190.0)
    answer = attribute(world.fit, OLD, NEW, firmware={**CURVES, "fw 2": limited})
    assert answer.settings[NEW].power_w == 190.0
    assert answer.settings[NEW].power_error_w == 0.0
    assert means(answer)["firmware: power"] > 5.0


def test_without_a_stock_run_the_power_limit_serves(world):
    rows = world.fit.results
    without = rows[~(rows["fan_mode"].eq("stock") & rows["firmware"].eq("fw 2"))]
    model = fit(without.reset_index(drop=True), "memory", draws=800, seed=5)
    with pytest.raises(NotEstimableError, match="power_limit_w"):
        attribute(model, OLD, NEW, firmware=CURVES)
    limited = {**CURVES, "fw 2": replace(CURVES["fw 2"], power_limit_w=200.0)}
    assert attribute(model, OLD, NEW, firmware=limited).settings[NEW].power_w == 200.0


def test_a_fan_that_stops_is_refused_by_name(world):
    silent = replace(CURVES["fw 2"], start_c=95.0, stop_c=90.0)
    with pytest.raises(NotEstimableError, match="no steady state with a turning fan") as caught:
        attribute(world.fit, OLD, NEW, firmware={**CURVES, "fw 2": silent})
    assert "fan stops" in str(caught.value)
    assert "'fw 2'" in str(caught.value)


def test_hysteresis_is_told(world):
    loose = replace(CURVES["fw 2"], hysteresis_k=4.0)
    answer = attribute(world.fit, OLD, NEW, firmware={**CURVES, "fw 2": loose})
    assert any("hysteresis of 4 K" in caveat for caveat in answer.caveats)


def test_the_fan_may_follow_another_sensor(world):
    # The quiet world has one sensor, so the edge is a stand-in with 0.7 of its rise.
    rows = world.campaign.results
    shown = rows["ambient_c"] + 0.7 * (rows["temperature_c"] - rows["ambient_c"])
    edge_rows = rows.assign(sensor="edge", temperature_c=shown)
    target_c = AMBIENT_C + 0.7 * (TARGET_C - AMBIENT_C)
    edge = fit(edge_rows, "edge", draws=800, seed=9)
    rules = {
        name: Firmware(
            name=name, fan=TargetTemperature(target_c, 800.0, 4000.0), control_sensor="edge"
        )
        for name in ("fw 1", "fw 2")
    }
    with pytest.raises(InputError, match="control="):
        attribute(world.fit, OLD, NEW, firmware=rules)
    with pytest.raises(InputError, match="no firmware follows it"):
        attribute(world.fit, OLD, NEW, control=edge)
    answer = attribute(world.fit, OLD, NEW, firmware=rules, control=edge)
    speed = true_speeds(world, HELD)
    assert answer.settings[OLD].flow_speed == pytest.approx(speed[(False,) * 3], rel=0.02)
    assert answer.settings[NEW].flow_speed == pytest.approx(speed[(True,) * 3], rel=0.02)
    assert any("two fits" in caveat for caveat in answer.caveats)
    assert any("follows the edge" in caveat for caveat in answer.caveats)
    draws = parts_of(answer)
    assert np.abs(draws[MAIN].sum(axis=1) - draws["total"]).max() < 1e-9


def test_a_control_sensor_of_one_joint_fit_keeps_its_draws(fit_known):
    joint = fit_sensors(
        simulate(RevisionStudy(remounts=2), seed=3).results,
        ["memory", "edge"],
        reference=Conditions(power_w=200.0, fan_rpm=1800.0),
        draws=2000,
        seed=4,
    )
    rules = {
        name: Firmware(name=name, fan=TargetTemperature(60.0, 800.0, 4000.0), control_sensor="edge")
        for name in ("fw 1", "fw 2")
    }
    answer = attribute(joint["memory"], OLD, NEW, firmware=rules, control=joint["edge"])
    draws = parts_of(answer)
    assert np.abs(draws[MAIN].sum(axis=1) - draws["total"]).max() < 1e-9
    # The edge is held, so its own split has no total; the memory's has.
    own = attribute(joint["edge"], OLD, NEW, firmware=rules)
    # But in draws so hot that the fan is at its most.
    assert np.mean(np.abs(parts_of(own)["total"]) < 1e-6) > 0.99
    assert abs(draws["total"].mean()) > 1.0
    # One loop, told by either fit: the same fan speeds.
    for build in (OLD, NEW):
        assert answer.settings[build].flow_speed == pytest.approx(
            own.settings[build].flow_speed, rel=0.01
        )


def test_rules_of_other_firmwares_are_refused(world):
    with pytest.raises(InputError, match="'fw 1' or 'fw 2'"):
        attribute(world.fit, OLD, NEW, firmware={"fw 9": held("fw 9")})


def test_a_speed_and_a_rule_at_once_are_refused(world):
    with pytest.raises(InputError, match="the rule of firmware 'fw 1' sets the fan"):
        attribute(world.fit, OLD, NEW, Conditions(fan_rpm=1800.0), firmware=HELD)
