"""Columns that cannot be true are named with the second, and the other sensors go on."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from thermcmp.telemetry.steady_state.protocol import Protocol, Verdict
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry


@pytest.fixture
def two_sensors(clean_run):
    """A clean run with a second sensor that nothing is wrong with."""

    def run(**options):
        frame = clean_run(**options)
        rng = np.random.default_rng(1)
        edge = frame["memory_c"] - 8.0 * (frame["time_s"] >= 60.0)
        frame["edge_c"] = np.round(edge + 0.1 * rng.standard_normal(len(frame)), 1)
        return frame

    return run


def refused_memory(frame, name, protocol=None):
    """The check that refuses the memory alone."""
    reduction = reduce_telemetry(frame, protocol)
    assert reduction.rows["sensor"].tolist() == ["edge"], reduction.reason
    (check,) = [c for c in reduction.checks if c.name == name and c.sensor == "memory"]
    assert check.verdict is Verdict.REFUSED
    assert check.words in reduction.reason
    return check


@pytest.mark.parametrize("at", [100, 180, 400])
@pytest.mark.parametrize("step", [0.1, 1.0])
def test_a_frozen_sensor_is_named_with_its_second(two_sensors, at, step):
    if step == 1.0 and at == 400:
        pytest.skip("2.4 K from its end a sensor with steps of 1 K may rest")
    frame = two_sensors(step_k=step, noise_k=0.15)
    frame.loc[at:, "memory_c"] = frame["memory_c"].iloc[at]
    check = refused_memory(frame, "frozen")
    # Readings just before may be equal by chance.
    assert at - 12 <= check.second <= at
    assert "exactly for" in check.words


@pytest.mark.parametrize("still_rising", [True, False])
def test_a_sensor_that_rests_while_the_others_rise_on(still_rising):
    # Two bodies of one sink, written out: 16 % of each rise follows with 300 s. Nothing but the
    # other sensor shows that the memory stopped 3 K short of its end.
    t = np.arange(1800.0)
    loaded = np.maximum(t - 60.0, 0.0)
    shape = 0.84 * (1.0 - np.exp(-loaded / 45.0)) + 0.16 * (1.0 - np.exp(-loaded / 300.0))
    rng = np.random.default_rng(4)
    memory, core = (
        22.0 + rise * shape + 0.08 * rng.standard_normal(len(t)) for rise in (48.0, 60.0)
    )
    frame = pd.DataFrame(
        {"time_s": t, "memory_c": np.round(memory), "core_c": np.round(core, 1),
         "ambient_c": 22.0 + np.round(0.05 * rng.standard_normal(len(t)), 2),
         "power_w": np.round(np.where(t >= 60.0, 250.0, 20.0) + rng.standard_normal(len(t)), 1),
         "fan_rpm": np.round(1800.0 + 4.0 * rng.standard_normal(len(t)))}
    )  # fmt: skip
    if still_rising:
        frame.loc[260:, "memory_c"] = frame["memory_c"].iloc[260]
    reduction = reduce_telemetry(frame)
    kept = ["core"] if still_rising else ["memory", "core"]
    assert reduction.rows["sensor"].tolist() == kept, reduction.reason
    assert ("others rose on" in reduction.reason) is still_rising


def test_a_sensor_that_rests_in_a_step_is_not_frozen(two_sensors):
    for noise in (0.0, 0.1, 0.3):
        frame = two_sensors(step_k=1.0, noise_k=noise, seconds=3000)
        assert set(reduce_telemetry(frame).rows["sensor"]) == {"memory", "edge"}


def test_a_ceiling_that_cuts_the_rise_or_its_noise(two_sensors):
    frame = two_sensors()
    frame["memory_c"] = frame["memory_c"].clip(upper=70.0)
    assert "70 °C" in refused_memory(frame, "frozen").words
    noisy = two_sensors(noise_k=1.0)
    noisy["memory_c"] = noisy["memory_c"].clip(upper=76.0)
    noisy["edge_c"] = two_sensors()["edge_c"]
    assert "76 °C" in refused_memory(noisy, "clipped").words


def test_zeros_and_typed_in_sensors(two_sensors):
    frame = two_sensors()
    zero = frame.assign(memory_c=0.0)
    assert "not measured" in refused_memory(zero, "all zero").words
    typed = frame.assign(memory_c=71.5)
    assert "the load began" in refused_memory(typed, "frozen").words
    at_load_only = frame[frame["time_s"] >= 62.0].reset_index(drop=True).assign(memory_c=71.5)
    assert "typed in" in refused_memory(at_load_only, "constant").words


@pytest.mark.parametrize("name", ["memory_c", "ambient_c", "power_w", "fan_rpm"])
def test_single_zeros_are_left_out_and_said(two_sensors, name):
    frame = two_sensors()
    clean = reduce_telemetry(frame).rows
    frame.loc[[900, 1100, 1300, 1301], name] = 0.0
    reduction = reduce_telemetry(frame)
    (check,) = [c for c in reduction.checks if c.name == "dropouts"]
    assert check.verdict is Verdict.CORRECTED
    assert (check.figure, check.second) == (4.0, 900.0)
    for column in ("temperature_c", "ambient_c", "power_w", "fan_rpm"):
        assert reduction.rows[column].tolist() == pytest.approx(clean[column].tolist(), rel=1e-3)
    assert not reduction.rows["regulated"].any()


@pytest.mark.parametrize("value", [85.0, 127.0])
def test_overflow_values_of_a_probe(two_sensors, value):
    frame = two_sensors()
    frame.loc[900:919, "memory_c"] = value
    reduction = reduce_telemetry(frame)
    assert len(reduction.rows) == 2, reduction.reason
    assert reduction.rows["temperature_c"].iloc[0] == pytest.approx(76.0, abs=0.1)
    assert "20 failed readings of memory" in reduction.reason


def test_a_true_85_is_no_overflow(clean_run):
    reduction = reduce_telemetry(clean_run(rise_k=64.0))
    assert not [c for c in reduction.checks if c.name == "dropouts"]
    assert reduction.rows["temperature_c"].iloc[0] == pytest.approx(85.0, abs=0.1)


def test_air_that_no_room_has(two_sensors):
    frame = two_sensors()
    fahrenheit = frame.assign(ambient_c=1.8 * frame["ambient_c"] + 32.0)
    reduction = reduce_telemetry(fahrenheit)
    assert reduction.rows.empty
    assert "units={'ambient_c': '°F'}" in reduction.reason
    # A hot cabinet is still air.
    assert len(reduce_telemetry(two_sensors(ambient_c=45.0)).rows) == 2


def test_ambient_colder_than_a_room(two_sensors):
    frame = two_sensors()
    cold = frame.assign(ambient_c=frame["ambient_c"] - 30.0)
    reduction = reduce_telemetry(cold)
    assert reduction.rows.empty
    assert "colder than a room" in reduction.reason
    # Where it was so cold it can be stated.
    stated = reduce_telemetry(cold.drop(columns="ambient_c"), run={"ambient_c": -9.0})
    assert len(stated.rows) == 2


def test_swapped_probes(two_sensors):
    frame = two_sensors(rise_k=25.0)
    frame["memory_c"], frame["ambient_c"] = frame["ambient_c"], frame["memory_c"]
    reduction = reduce_telemetry(frame)
    assert reduction.rows.empty
    assert "below ambient at load: are the probes swapped?" in reduction.reason


@pytest.mark.parametrize("idle_s", [60, 0])
def test_swapped_probes_leave_no_other_sensor(two_sensors, idle_s):
    # The edge is sound, but its rise would be over the memory and not over the air.
    frame = two_sensors(rise_k=25.0, idle_s=idle_s)
    frame["edge_c"] += 12.0
    frame["memory_c"], frame["ambient_c"] = frame["ambient_c"], frame["memory_c"]
    reduction = reduce_telemetry(frame)
    assert reduction.rows.empty
    assert "ambient warmed up by" in reduction.reason


def test_swapped_probes_of_a_card_that_was_warm_before(two_sensors):
    frame = two_sensors(rise_k=25.0).iloc[600:].reset_index(drop=True)
    frame["edge_c"] += 12.0
    frame["memory_c"], frame["ambient_c"] = frame["ambient_c"], frame["memory_c"]
    assert "no warming up shows which is the air" in reduce_telemetry(frame).reason


def test_a_sensor_below_a_sound_ambient_refuses_itself_alone(two_sensors):
    frame = two_sensors()
    frame["memory_c"] = np.round(15.0 + 0.1 * np.sin(frame["time_s"]), 1)
    reduction = reduce_telemetry(frame)
    assert reduction.rows["sensor"].tolist() == ["edge"]
    assert "below ambient at load" in reduction.reason


def test_a_clock_that_falls_with_the_power_is_seen_from_the_start_of_the_load(two_sensors):
    # The step of the power starts the soak anew, after which the clock holds its lower level.
    frame = two_sensors(seconds=2400)
    late = frame["time_s"] >= 500.0
    frame["power_w"] *= np.where(late, 0.8, 1.0)
    throttled = frame.assign(core_mhz=np.where(late, 2010.0, 2400.0))
    reduction = reduce_telemetry(throttled)
    assert reduction.rows.empty
    assert "fell from 2400 to 2010 MHz" in reduction.reason
    assert 'throttling="mark"' in reduction.reason


def test_a_clock_that_falls_at_full_load(two_sensors):
    frame = two_sensors()
    late = frame["time_s"] >= 1250.0
    throttled = frame.assign(core_mhz=np.where(late, 2100.0, 2500.0))
    reduction = reduce_telemetry(throttled)
    assert reduction.rows.empty
    (check,) = [c for c in reduction.checks if c.name == "throttling"]
    assert check.second == 1250.0
    assert "fell from 2500 to 2100 MHz" in check.words
    assert reduce_telemetry(throttled, Protocol(throttling="mark")).verdict is Verdict.CORRECTED
    warm = frame.assign(core_mhz=2500.0 - 60.0 * (1.0 - np.exp(-frame["time_s"] / 100.0)))
    assert len(reduce_telemetry(warm).rows) == 2


def test_set_points_are_no_sensors(two_sensors):
    frame = two_sensors().assign(target_c=83.0, limit_c=95.0, memory_max_c=97.0)
    reduction = reduce_telemetry(frame)
    assert reduction.rows["sensor"].tolist() == ["memory", "edge"]
    (note,) = reduction.notes
    assert "target_c, limit_c, memory_max_c" in note


def test_a_running_average_is_no_sensor_beside_what_it_averages(two_sensors):
    frame = two_sensors()
    frame["memory_avg_c"] = frame["memory_c"].expanding().mean().round(1)
    reduction = reduce_telemetry(frame)
    assert reduction.rows["sensor"].tolist() == ["memory", "edge"]
    assert "memory_avg_c" in reduction.notes[0]
    alone = frame.drop(columns=["memory_c", "edge_c"]).assign(memory_avg_c=frame["memory_c"])
    assert reduce_telemetry(alone).rows["sensor"].tolist() == ["memory_avg"]


def test_a_thermometer_with_few_readings_is_refused_with_the_cure(two_sensors):
    frame = two_sensors()
    frame.loc[frame.index % 700 != 0, "ambient_c"] = np.nan
    assert "a log of its own, with tolerance_s" in reduce_telemetry(frame).reason


@pytest.mark.parametrize("name", ["ambient_c", "power_w", "fan_rpm", "noise_dba"])
def test_conditions_that_were_typed_in_are_marked(two_sensors, name):
    frame = two_sensors()
    frame = frame[frame["time_s"] >= 60.0].reset_index(drop=True)
    reduction = reduce_telemetry(frame.assign(**{name: float(frame[name].median())}))
    assert reduction.verdict is Verdict.CORRECTED
    assert "in every reading: it counts as stated once" in reduction.reason


def test_an_instrument_that_freezes_refuses_the_run(two_sensors):
    frame = two_sensors()
    frame.loc[700:, "ambient_c"] = frame["ambient_c"].iloc[700]
    reduction = reduce_telemetry(frame)
    assert reduction.rows.empty
    (check,) = [c for c in reduction.checks if c.name == "frozen"]
    assert check.second in (699.0, 700.0)
    assert "ambient repeats" in check.words


def test_a_looped_load_is_no_ceiling(two_sensors):
    # A small sensor follows each pause of the load at once and waits at its top between them.
    frame = two_sensors(seconds=2000, step_k=0.5, noise_k=0.0)
    pause = (frame["time_s"] > 60.0) & (frame["time_s"] % 15.0 >= 13.0)
    frame["power_w"] *= np.where(pause, 0.1, 1.0)
    frame.loc[pause, "memory_c"] -= 8.0
    assert not [c for c in reduce_telemetry(frame).checks if c.name == "clipped"]
    frame["power_w"] = 250.0
    assert [c for c in reduce_telemetry(frame).checks if c.name == "clipped"]


def test_a_clock_that_rests_in_the_pauses_of_a_looped_test_is_not_throttled(two_sensors):
    frame = two_sensors()
    pause = (frame["time_s"] > 200.0) & (frame["time_s"] % 100.0 < 8.0)
    looped = frame.assign(
        load_percent=np.where(pause | (frame["power_w"] < 100.0), 1.0, 99.0),
        core_mhz=np.where(pause, 300.0, 2400.0),
    )
    checks = reduce_telemetry(looped, Protocol(pause_s=15.0)).checks
    assert not [c for c in checks if c.name == "throttling"]
    cut = looped.assign(
        core_mhz=np.where(pause, 300.0, np.where(frame["time_s"] >= 1200.0, 2000.0, 2400.0))
    )
    (check,) = [
        c for c in reduce_telemetry(cut, Protocol(pause_s=15.0)).checks if c.name == "throttling"
    ]
    assert "fell from 2400 to 2000 MHz" in check.words


def test_air_that_warms_up_with_the_load(two_sensors):
    frame = two_sensors(rise_k=40.0)
    warmth = (frame["memory_c"] - frame["ambient_c"]).rolling(30, min_periods=1).mean()
    for share, verdict in ((0.0, "pass"), (0.25, "corrected"), (0.6, "refused")):
        reduction = reduce_telemetry(frame.assign(ambient_c=frame["ambient_c"] + share * warmth))
        asked = [c for c in reduction.checks if "warmed up by" in c.words]
        assert [str(c.verdict) for c in asked] == ([verdict] if share else [])
        assert bool(len(reduction.rows)) == (verdict != "refused")
        assert not share or "with the load" in reduction.reason


def test_sensors_in_fahrenheit_under_a_heading_of_celsius(two_sensors):
    frame = two_sensors(rise_k=20.0, ambient_c=25.0)
    names = [name for name in frame if name.endswith("_c") and name != "ambient_c"]
    wrong = frame.assign(**{name: frame[name] * 1.8 + 32.0 for name in names})
    assert "not even before the load: is it in °F?" in reduce_telemetry(wrong).reason
    assert "°F" not in reduce_telemetry(frame).reason
    # 60 °C are 140 °F.
    hot = two_sensors(rise_k=39.0)
    wrong = hot.assign(**{name: hot[name] * 1.8 + 32.0 for name in names})
    assert "hotter than a running card: is it in °F?" in reduce_telemetry(wrong).reason


def test_a_fan_in_revolutions_per_second(two_sensors):
    frame = two_sensors()
    reduction = reduce_telemetry(frame.assign(fan_rpm=(frame["fan_rpm"] / 60.0).round(1)))
    assert reduction.rows.empty
    assert "units={'fan_rpm': '1/s'}" in reduction.reason
