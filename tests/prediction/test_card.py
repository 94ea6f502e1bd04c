"""A fitted card as laws of fan speed, and its steady state under a firmware."""

from dataclasses import replace

import numpy as np
import pytest

from thermcmp.errors import InputError
from thermcmp.inference.checks.refits import fit_without
from thermcmp.inference.fitting import fit
from thermcmp.inference.joint_fitting import fit_sensors
from thermcmp.inference.sensor_fits import one_posterior
from thermcmp.inference.storage import load_fit, load_sensor_fits
from thermcmp.model.conditions import Build, Conditions
from thermcmp.model.terms import Acts
from thermcmp.physics.characteristic import FanStatus
from thermcmp.physics.fan_controls import FanCurve, FixedSpeed, ObservedSpeed, TargetTemperature
from thermcmp.physics.firmware import Firmware
from thermcmp.prediction.builds import Scope, build_of
from thermcmp.prediction.card import (
    card_of,
    firmware_of,
    fresh_specimen,
    linked_terms,
    settle,
)
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.questions.several_sensors.question import attribute_sensors

CURVE = FanCurve((40.0, 60.0, 95.0), (900.0, 1300.0, 3000.0))
SPEEDS = np.array([900.0, 1400.0, 1800.0, 2600.0])


@pytest.fixture(scope="module")
def edge(specimens):
    """A fit of the edge sensor of the same campaign's cards, with other draws."""
    results = specimens.campaign.results
    rows = results[results["sensor"].eq("memory")].assign(sensor="edge")
    rows = rows.assign(temperature_c=rows["ambient_c"] + 0.6 * (rows["temperature_c"] - 21.0))
    reference = Conditions(power_w=200.0, fan_rpm=1800.0)
    return fit(rows, "edge", reference=reference, draws=1000, seed=5)


@pytest.fixture(scope="module")
def alder(specimens):
    return build_of(specimens.fit, "Alder r1 / fw 1")


@pytest.mark.parametrize("scope", list(Scope))
def test_the_law_is_the_fits_own_prediction(specimens, alder, scope):
    fitted = FittedBuild(specimens.fit, alder, scope, Conditions(ambient_c=31.0))
    law = fitted.law(230.0)
    for rpm in SPEEDS:
        rise = fitted.rise(rpm, 230.0)
        np.testing.assert_allclose(law.temperature_c(rpm), 31.0 + rise, rtol=0.0, atol=1e-9)


def test_a_fresh_specimen_enters_both_sides_of_the_law(specimens, alder):
    model = specimens.fit
    plain = FittedBuild(model, alder, Scope.PRODUCT_LINE).law(250.0)
    drawn = fresh_specimen(model, 4)
    resistance, airflow = drawn[Acts.RESISTANCE], drawn[Acts.AIRFLOW]
    fresh = FittedBuild(model, alder, Scope.PRODUCT_LINE, deviation=drawn).law(250.0)
    assert airflow.std() > 0.0
    flow = (2600.0 / 1800.0) ** -model.draws("airflow exponent") - 1.0
    np.testing.assert_allclose(
        fresh.temperature_c(2600.0) - plain.temperature_c(2600.0),
        250.0 / 200.0 * (resistance + airflow * flow),
        atol=1e-9,
    )
    # Specimens of one line have one exponent, and the memory's own heat.
    for acts in (Acts.EXPONENT, Acts.CONSTANT):
        assert not drawn[acts].any()


def test_thin_air_costs_what_the_heat_transfer_laws_say(specimens, alder):
    # ISO 2533:1975: 84 556 Pa at 1500 m over 101 325 Pa, at one room temperature. Re goes
    # with density and Nu with Re^m (Pohlhausen 1921; Dittus & Boelter 1930).
    ratio = Conditions(altitude_m=1500.0).density_ratio
    assert ratio == pytest.approx(84_556.0 / 101_325.0, rel=1e-5)
    thin = FittedBuild(specimens.fit, alder, Scope.SPECIMENS, Conditions(altitude_m=1500.0))
    low, high = FittedBuild(specimens.fit, alder, Scope.SPECIMENS).law(), thin.law()
    for rpm in SPEEDS:
        # All that falls with fan speed: the power law, and to first order the cooler's own
        # exponent at the law's usual 0.65. What does not follow board power stays.
        speed = rpm / 1800.0
        part = low.power_w * (
            low.convective_k_per_w * speed**-low.exponent
            - low.bend_k_per_w * np.log(speed) * speed**-0.65
        )
        warmer = high.temperature_c(rpm) - low.temperature_c(rpm)
        np.testing.assert_allclose(warmer, part * (ratio**-low.exponent - 1.0), atol=1e-9)
        np.testing.assert_allclose(high.temperature_c(rpm), 21.0 + thin.rise(rpm, 200.0), atol=1e-9)
    assert Conditions().density_ratio == 1.0
    assert Conditions(altitude_m=1500.0, measured_altitude_m=1500.0).density_ratio == 1.0


def _by_grid(law, curve, card_power, draws):
    """The meeting of curve and card in the first draws by brute force, to 0.02 rpm."""
    grid = np.arange(900.0, 3000.01, 0.02)
    line_c = np.interp(grid, curve.fan_rpm, curve.temperature_c)
    found = []
    for place in range(draws):
        parts = [values[place] for values in law.rise_draws[1:]]
        gap = law.ambient_c[place] + law.rise_from(grid, card_power, *parts) - line_c
        found.append(grid[np.argmin(np.abs(gap))])
    return np.array(found)


def test_the_steady_state_is_the_grids(specimens, alder):
    firmware = Firmware(name="fw 1", fan=CURVE, control_sensor="memory", power_limit_w=205.0)
    card = card_of(FittedBuild(specimens.fit, alder, Scope.PRODUCT_LINE), firmware, fresh_seed=1)
    card = card.at(ambient_c=26.0, power_w=240.0)
    state = settle(firmware, card)
    assert (state.power_w == 205.0).all()
    assert state.share(FanStatus.REGULATED) > 0.95
    drawn = fresh_specimen(specimens.fit, 1)
    air = Conditions(ambient_c=26.0)
    law = FittedBuild(specimens.fit, alder, Scope.PRODUCT_LINE, air, deviation=drawn).law()
    expected = _by_grid(law, CURVE, 205.0, draws=60)
    np.testing.assert_allclose(state.fan_rpm[:60], expected, atol=0.011)
    np.testing.assert_array_equal(state.temperature_c, state.control_c)


def test_another_sensor_may_lead_the_fan(specimens, edge, alder):
    firmware = Firmware(
        name="fw 1", fan=TargetTemperature(55.0, 900.0, 4000.0), control_sensor="edge"
    )
    card = card_of(FittedBuild(specimens.fit, alder, Scope.SPECIMENS), firmware, control=edge)
    state = settle(firmware, card)
    held = state.status == FanStatus.REGULATED
    assert held.mean() > 0.5
    np.testing.assert_allclose(state.control_c[held], 55.0, atol=1e-9)
    assert len(card.chosen) == len(state.fan_rpm) == 1000
    np.testing.assert_allclose(
        state.temperature_c,
        rise_at(specimens.fit, alder, state.fan_rpm, card.chosen) + 21.0,
        atol=1e-9,
    )
    assert any("two fits" in note for note in card.notes)


def rise_at(model, build, rpm, chosen):
    whole = np.full(len(model.effects), 1800.0)
    whole[chosen] = rpm
    return FittedBuild(model, build, Scope.SPECIMENS).rise(whole, 200.0)[chosen]


def test_draws_of_two_fits_are_not_paired_by_their_seed(specimens, alder):
    # The same numbers under another sensor's name: paired by index, they would be one.
    twin = replace(specimens.fit, design=replace(specimens.fit.design, sensor="edge"))
    firmware = Firmware(name="fw 1", fan=CURVE, control_sensor="edge")
    card = card_of(FittedBuild(specimens.fit, alder, Scope.SPECIMENS), firmware, control=twin)
    own, other = card.judged.resistance_k_per_w, card.control.resistance_k_per_w
    np.testing.assert_array_equal(np.sort(own), np.sort(other))
    # Four standard errors of the correlation of 2000 independent pairs.
    assert abs(np.corrcoef(own, other)[0, 1]) < 4.0 / np.sqrt(2000.0)


@pytest.fixture(scope="module")
def together(specimens):
    reference = Conditions(power_w=200.0, fan_rpm=1800.0)
    results = specimens.campaign.results
    return fit_sensors(results, ["memory", "edge"], reference=reference, draws=1000, seed=5)


def test_sensors_fitted_together_are_paired_draw_by_draw(together, alder):
    memory, edge = together["memory"], together["edge"]
    firmware = Firmware(name="fw 1", fan=CURVE, control_sensor="edge")
    card = card_of(FittedBuild(memory, alder, Scope.SPECIMENS), firmware, control=edge)
    own = FittedBuild(edge, alder, Scope.SPECIMENS).law()
    np.testing.assert_array_equal(card.control.resistance_k_per_w, own.resistance_k_per_w)
    (note,) = card.notes
    assert "assembly" in note
    assert "fitted together" in note
    assert "assembly" in linked_terms(memory, edge)


@pytest.fixture(scope="module")
def three(bench):
    """Memory has assemblies and sessions, junction assemblies alone, edge sessions alone."""
    rng = np.random.default_rng(4)
    assembly, session = rng.normal(0.0, 1.0, 4), rng.normal(0.0, 0.5, 3)
    runs = [
        {
            "sensor": sensor, "run": f"{m}-{s}-{rpm}", "assembly": f"m{m}", "session": f"s{s}",
            "fan_rpm": rpm,
            "temperature_c": 50.0 + assembly[m] + session[s] + 9.0 * (1800.0 / rpm)
            + rng.normal(0.0, 0.05),
        }
        for sensor, assemblies, sessions in (
            ("memory", range(4), range(3)), ("junction", range(4), [0]), ("edge", [0], range(3))
        )
        for m in assemblies for s in sessions for rpm in (1500.0, 2300.0)
    ]  # fmt: skip
    return fit_sensors(bench(runs), ["memory", "junction", "edge"], draws=1000, seed=5)


def test_two_of_one_posterior_may_share_no_term_and_belong_together(three):
    memory, junction, edge = three.values()
    assert linked_terms(memory, junction) == ("assembly",)
    assert linked_terms(edge, memory) == ("session",)
    assert linked_terms(junction, edge) == ()
    for some in ((junction, edge), (edge, memory), (memory, junction, edge)):
        assert one_posterior(some)
    build = Build(cooler_model="Heron-C1", board_model="Heron-B1")
    firmware = Firmware(name="fw 1", fan=CURVE, control_sensor="edge")
    card = card_of(
        FittedBuild(junction, build, Scope.SPECIMENS), firmware, control=edge, fresh_seed=3
    )
    np.testing.assert_array_equal(card.chosen, np.arange(1000))
    drawn = fresh_specimen(edge, 4, beside=(junction, 3))
    own = FittedBuild(edge, build, Scope.SPECIMENS, deviation=drawn).law()
    np.testing.assert_array_equal(card.control.resistance_k_per_w, own.resistance_k_per_w)
    (note,) = card.notes
    assert "fitted together, but none of their effects is correlated" in note


def test_what_belongs_together_still_does_after_saving(three, specimens, tmp_path):
    loaded = load_sensor_fits(three.save(tmp_path / "three.nc"))
    one = load_fit(three["junction"].save(tmp_path / "one.nc"))
    assert one_posterior(tuple(loaded.values()))
    assert one_posterior((one, loaded["edge"], three["memory"]))
    # Of an earlier version, whose file has no mark.
    before = {name: replace(fit, joint_fingerprint="") for name, fit in three.items()}
    assert not one_posterior(tuple(before.values()))
    old = load_sensor_fits(replace(three, fits=before).save(tmp_path / "old.nc"))
    assert one_posterior(tuple(old.values()))
    # Fits alone, and parts that were fitted anew, belong to no other.
    assert not one_posterior((three["memory"],))
    assert not one_posterior((specimens.fit, replace(specimens.fit)))
    left_out = three["memory"].results["assembly"].eq("m1").to_numpy()
    assert not one_posterior((fit_without(three["memory"], left_out), three["edge"]))


def test_a_fresh_assembly_strays_on_both_sensors_with_their_correlation(together):
    memory, edge = together["memory"], together["edge"]
    rho = memory.draws("assembly correlation with edge")
    expected = np.mean(rho * memory.draws("assembly sd") * edge.draws("assembly sd"))
    # Of 400 seeds of 1000 draws; specimens are drawn for each sensor alone.
    found = [
        np.mean(
            fresh_specimen(memory, seed)[Acts.RESISTANCE]
            * fresh_specimen(edge, seed + 7000, beside=(memory, seed))[Acts.RESISTANCE]
        )
        for seed in range(400)
    ]
    error = np.std(found) / np.sqrt(len(found))
    assert expected > 6.0 * error
    assert np.mean(found) == pytest.approx(expected, abs=4.0 * error)
    # A card's spread at one sensor is the same, drawn beside another or alone.
    alone, beside = (
        np.mean(
            [
                np.var(fresh_specimen(edge, seed + 7000, beside=at)[Acts.RESISTANCE])
                for seed in range(40)
                for at in ([None] if not paired else [(memory, seed)])
            ]
        )
        for paired in (False, True)
    )
    assert beside == pytest.approx(alone, rel=0.05)


def test_parts_of_two_joint_posteriors_are_not_taken_for_one(specimens, together):
    again = fit_sensors(specimens.campaign.results, ["memory", "edge"], draws=1000, seed=6)
    for mixed in ((together["memory"], again["edge"]), (specimens.fit, again["edge"])):
        assert linked_terms(*mixed) == ()
        assert not one_posterior(mixed)
    # The sentences about several sensors go by the same rule.
    pair = (together["memory"], again["edge"])
    answer = attribute_sensors(pair, "Alder r1 / fw 1", "Alder r2 / fw 2")
    assert not answer.fitted_together
    assert any(said.startswith("Each sensor has a separate fit") for said in answer.caveats)


def test_a_fan_that_stops_or_hunts_leaves_no_number(specimens, alder):
    stops = Firmware(name="fw 1", fan=CURVE, control_sensor="memory", start_c=200.0)
    card = card_of(FittedBuild(specimens.fit, alder, Scope.SPECIMENS), stops)
    state = settle(stops, card)
    assert state.share(FanStatus.FAN_STOPS) == 1.0
    assert not state.settled.any()
    assert np.isnan(state.temperature_c).all()
    middle = float(np.median(card.judged.temperature_c(1500.0)))
    step = FanCurve((20.0, middle, middle, 120.0), (1000.0, 1000.0, 3000.0, 3000.0))
    hunts = Firmware(name="fw 1", fan=step, control_sensor="memory")
    # A rare draw of long-tailed spreads settles.
    assert settle(hunts, card).share(FanStatus.HUNTING) > 0.99


def test_a_held_fan_needs_no_control_sensor(specimens, alder):
    for fan in (FixedSpeed(1500.0), ObservedSpeed(np.linspace(1400.0, 1600.0, 2000))):
        firmware = Firmware(name="fw 1", fan=fan, control_sensor="edge")
        state = settle(
            firmware, card_of(FittedBuild(specimens.fit, alder, Scope.SPECIMENS), firmware)
        )
        np.testing.assert_array_equal(state.fan_rpm, np.broadcast_to(fan.fan_rpm, 2000))


def test_a_control_sensor_without_its_fit_is_refused(specimens, edge, alder):
    firmware = Firmware(name="fw 1", fan=CURVE, control_sensor="edge")
    with pytest.raises(InputError, match="give control=, a fit of the edge sensor"):
        card_of(FittedBuild(specimens.fit, alder, Scope.SPECIMENS), firmware)
    regulator = Firmware(name="fw 1", fan=CURVE, control_sensor="regulator")
    with pytest.raises(InputError, match="control= is a fit of 'edge'"):
        card_of(FittedBuild(specimens.fit, alder, Scope.SPECIMENS), regulator, control=edge)
    unnamed = Firmware(name="fw 1", fan=CURVE)
    card = card_of(FittedBuild(specimens.fit, alder, Scope.SPECIMENS), unnamed)
    assert any("names no control sensor" in note for note in card.notes)


def test_a_firmware_is_found_by_the_builds_own_name():
    one, two = (Firmware(name=name, fan=CURVE) for name in ("fw 1", "fw 2"))
    build = Build(cooler_model="C", board_model="B", firmware="fw 2")
    assert firmware_of({"fw 1": one, "fw 2": two}, build) is two
    assert firmware_of(one, Build(cooler_model="C", board_model="B")) is one
    with pytest.raises(InputError, match="not described"):
        firmware_of(one, build)
    with pytest.raises(InputError, match="names no firmware"):
        firmware_of({"fw 1": one, "fw 2": two}, Build(cooler_model="C", board_model="B"))


def test_an_altitude_says_what_it_would_do_to_the_noise_where_that_is_heard_of():
    # 20 lg of the density ratio of ISO 2533:1975: -1.6 dB at 1500 m, -0.21 dB at 200 m.
    high = Conditions(altitude_m=1500.0).altitude_words
    assert high.endswith(
        "Noise is as it was measured: at one fan speed it would be about 1.6 dB quieter at 1500 m, "
        "since a fan's sound pressure goes with the air's density."
    )
    down = Conditions(altitude_m=0.0, measured_altitude_m=1500.0).altitude_words
    assert "about 1.6 dB louder at 0 m" in down
    for asked, measured in ((200.0, 0.0), (1500.0, 1450.0)):
        near = Conditions(altitude_m=asked, measured_altitude_m=measured)
        assert near.altitude_words.endswith("Noise is as it was measured.")


@pytest.mark.parametrize(
    "wrong", [{"case_rise_k": -1.0}, {"altitude_m": 9000.0}, {"measured_altitude_m": -1000.0}]
)
def test_impossible_rooms_are_refused(wrong):
    with pytest.raises(InputError, match=next(iter(wrong))):
        Conditions(**wrong)
