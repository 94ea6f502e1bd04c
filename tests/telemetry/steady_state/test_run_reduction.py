"""One run reduced: verdicts with figure and second, and the result row."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from thermcmp.errors import InputError
from thermcmp.telemetry.reading.frame import read_telemetry
from thermcmp.telemetry.steady_state.protocol import Held, Protocol, Verdict
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry

HELD = Protocol(
    fan_rpm=Held(1800.0, 18.0), power_w=Held(250.0, 5.0, 15.0), ambient_c=Held(21.0, 1.0, 3.0)
)


def check_named(reduction, name):
    return next(c for c in reduction.checks if c.name == name)


@pytest.fixture
def reduce(sheet_row):
    def run(frame, protocol=HELD, **stated):
        return reduce_telemetry(frame, protocol, run=sheet_row | stated)

    return run


@pytest.mark.parametrize(("step", "noise"), [(0.1, 0.15), (0.5, 0.1), (1.0, 0.3), (1.0, 0.0)])
def test_a_clean_run_passes_with_the_truth_within_its_error(clean_run, reduce, step, noise):
    # Clean runs rise by 55 K over 21 °C.
    for seed in range(5):
        reduction = reduce(clean_run(step_k=step, noise_k=noise, seed=seed))
        assert reduction.verdict is not Verdict.REFUSED, reduction.reason
        row = reduction.rows.iloc[0]
        assert abs(row["temperature_c"] - 76.0) < 4.0 * row["standard_error_k"]
        assert row["resolution_k"] == pytest.approx(step, abs=1e-9)
        assert row["power_w"] == pytest.approx(250.0, abs=0.2)
        assert row["fan_rpm"] == pytest.approx(1800.0, abs=1.0)


def test_stated_errors_cover_the_truth_of_many_kinds_of_runs():
    """Two time constants, correlated noise, hunting, three steps, any length."""
    from scipy.signal import lfilter

    rng = np.random.default_rng(21)
    ratios = []
    for _ in range(60):
        seconds = int(rng.integers(600, 2000))
        t = np.arange(float(seconds))
        load = np.maximum(t - 30.0, 0.0)
        slow, rise = rng.uniform(0.1, 0.6), rng.uniform(30.0, 65.0)
        left = slow * np.exp(-load / rng.uniform(60.0, 350.0))
        left += (1.0 - slow) * np.exp(-load / rng.uniform(5.0, 30.0))
        noise = lfilter([0.1], [1.0, -rng.uniform(0.0, 0.95)], rng.standard_normal(seconds))
        hunting = rng.choice([0.0, 0.7]) * np.sin(2.0 * np.pi * t / rng.uniform(15.0, 80.0))
        ambient = 21.0 + 0.02 * rng.standard_normal(seconds)
        step = rng.choice([0.1, 0.5, 1.0])
        memory = ambient + rise * (1.0 - left) + noise + hunting
        frame = pd.DataFrame(
            {"time_s": t, "memory_c": np.round(memory / step) * step, "ambient_c": ambient,
             "power_w": np.where(t >= 30.0, 250.0, 20.0),
             "fan_rpm": 1800.0 + 3.0 * rng.standard_normal(seconds)}
        )  # fmt: skip
        for row in reduce_telemetry(frame, Protocol()).rows.to_dict("records"):
            error = row["temperature_c"] - row["ambient_c"] - rise
            ratios.append(error / row["standard_error_k"])
    assert len(ratios) > 30
    # Bounds for steps and soak are wider than normal errors: fewer than 5 % lie outside.
    assert np.mean(np.abs(ratios) < 1.96) >= 0.95
    assert np.max(np.abs(ratios)) < 4.0


def test_rows_carry_the_parts_and_the_window(clean_run, reduce, sheet_row):
    row = reduce(clean_run()).rows.iloc[0]
    for name, value in sheet_row.items():
        assert row[name] == value
    assert row["protocol_verdict"] == "pass"
    assert row["protocol_reason"] == ""
    assert row["window_s"] >= 300.0
    assert row["soak_s"] >= 600.0
    # The level was 38.0 dB(A) with a spread of 0.1 dB: energy mean within 0.01 dB.
    assert row["noise_dba"] == pytest.approx(38.0, abs=0.02)


def test_rows_carry_the_errors_of_fan_speed_and_power_by_the_run_s_scatter(clean_run, reduce):
    frame = clean_run(seed=3)
    row = reduce(frame).rows.iloc[0]
    # White noise of 4 rpm and 0.5 W, rounded to 1 rpm and 0.1 W, once per second.
    readings = row["window_s"] + 1.0
    assert row["fan_error_rpm"] == pytest.approx(np.hypot(4.0, 12**-0.5) / readings**0.5, rel=0.2)
    assert row["power_error_w"] == pytest.approx(0.5 / readings**0.5, rel=0.2)
    # The same scatter that lasts for a minute each time leaves fewer independent readings.
    slow = np.repeat(np.random.default_rng(4).standard_normal(25), 60)
    held = frame.assign(fan_rpm=np.round(1800.0 + 4.0 * slow))
    assert reduce(held).rows.loc[0, "fan_error_rpm"] > 4.0 * row["fan_error_rpm"]
    stated = reduce(frame.drop(columns="fan_rpm"), fan_rpm=1800.0, fan_error_rpm=25.0).rows
    assert stated.loc[0, "fan_error_rpm"] == 25.0


def test_noise_is_averaged_by_energy(clean_run, reduce):
    frame = clean_run()
    frame["noise_dba"] = np.where(frame.index % 2, 30.0, 40.0)
    # 30 and 40 dB average to 37.40 dB by energy (textbook: 10 lg((1e3 + 1e4) / 2)).
    assert reduce(frame).rows["noise_dba"].iloc[0] == pytest.approx(37.40, abs=0.01)


def test_the_order_of_sensors_and_conditions_is_shared(clean_run, reduce):
    frame = clean_run()
    frame["edge_c"] = frame["memory_c"] - 9.0
    rows = reduce(frame).rows
    assert rows["sensor"].tolist() == ["memory", "edge"]
    assert len(set(rows["power_w"])) == 1
    assert len(set(rows["fan_rpm"])) == 1


class TestConditions:
    def test_a_drifting_ambient_is_corrected_then_refused(self, clean_run, reduce):
        small = reduce(clean_run(ambient_drift_k=8.0), Protocol())
        assert check_named(small, "ambient steady").verdict is Verdict.CORRECTED
        large = reduce(clean_run(ambient_drift_k=25.0), Protocol())
        check = check_named(large, "ambient steady")
        assert check.verdict is Verdict.REFUSED
        assert check.figure > 3.0
        assert check.unit == "K"
        assert check.second > 600.0
        assert large.rows.empty
        assert not large.estimates.empty

    def test_a_slipped_fan_speed_is_refused_with_its_second(self, clean_run, reduce):
        frame = clean_run()
        frame.loc[1400:, "fan_rpm"] = 1640.0
        reduction = reduce(frame)
        check = check_named(reduction, "fan speed steady")
        assert reduction.verdict is Verdict.REFUSED
        assert check.second >= 1400.0
        assert "not held" in reduction.reason

    def test_the_wrong_fan_speed_is_refused(self, clean_run, reduce):
        reduction = reduce(clean_run(fan_rpm=1730.0))
        check = check_named(reduction, "fan speed")
        assert check.verdict is Verdict.REFUSED
        assert check.figure == pytest.approx(-70.0, abs=1.0)
        assert check.limit == 18.0

    def test_duty_is_not_fan_speed(self, clean_run, reduce):
        frame = clean_run().drop(columns="fan_rpm").assign(fan_percent=38.0)
        reduction = reduce(frame, Protocol())
        assert reduction.verdict is Verdict.REFUSED
        assert "duty is not fan speed" in reduction.reason
        allowed = reduce(frame, Protocol(tachometer=False))
        assert allowed.verdict is Verdict.CORRECTED
        assert np.isnan(allowed.rows["fan_rpm"].iloc[0])

    def test_power_off_its_target_is_corrected_then_refused(self, clean_run, reduce):
        assert reduce(clean_run(power_w=252.0)).verdict is Verdict.PASS
        assert reduce(clean_run(power_w=262.0)).verdict is Verdict.CORRECTED
        assert reduce(clean_run(power_w=280.0)).verdict is Verdict.REFUSED

    def test_power_that_moves_is_refused(self, clean_run, reduce):
        frame = clean_run()
        frame["power_w"] = np.where(frame["time_s"] > 60, 250.0 - frame["time_s"] / 30.0, 20.0)
        assert check_named(reduce(frame, Protocol()), "power steady").verdict is Verdict.REFUSED

    def test_a_throttled_run_is_refused_or_marked(self, clean_run, reduce):
        frame = clean_run().assign(throttled=False)
        frame.loc[1400:1405, "throttled"] = True
        reduction = reduce(frame)
        check = check_named(reduction, "throttling")
        assert reduction.verdict is Verdict.REFUSED
        assert check.second == 1400.0
        marked = reduce(frame, Protocol(throttling="mark"))
        assert marked.rows["at_limit"].all()

    def test_a_sensor_at_its_limit_is_marked(self, clean_run, reduce):
        reduction = reduce(clean_run(), Protocol(limits_c={"memory": 76.0}))
        assert reduction.rows["at_limit"].all()
        assert not reduce(clean_run(), Protocol(limits_c={"memory": 95.0})).rows["at_limit"].any()

    @pytest.mark.parametrize(
        ("stated", "logged", "verdict"),
        [("fw 1", None, "pass"), ("fw 2", None, "refused"), (None, None, "refused"),
         ("fw 1", "fw 1", "pass"), ("fw 1", "fw 2", "refused"), (None, "fw 1", "pass")],
    )  # fmt: skip
    def test_firmware(self, clean_run, reduce, stated, logged, verdict):
        frame = clean_run() if logged is None else clean_run().assign(firmware=logged)
        reduction = reduce(frame, Protocol(firmware="fw 1"), firmware=stated)
        assert str(reduction.verdict) == verdict

    def test_a_value_stated_once_is_reported(self, clean_run, reduce):
        frame = clean_run().drop(columns=["ambient_c", "power_w"])
        frame = frame[frame["time_s"] >= 60.0].reset_index(drop=True)
        assert reduce(frame).verdict is Verdict.REFUSED
        reduction = reduce(frame, ambient_c=21.0, power_w=250.0)
        assert reduction.verdict is Verdict.CORRECTED
        assert "stated once" in reduction.reason
        assert reduction.rows["power_w"].iloc[0] == 250.0

    def test_a_run_states_its_own_targets(self, clean_run, reduce):
        frame = clean_run(fan_rpm=2200.0)
        assert reduce(frame).verdict is Verdict.REFUSED
        assert reduce(frame, target_fan_rpm=2200.0).verdict is Verdict.PASS


class TestLoadAndSoak:
    def test_a_pause_starts_the_soak_again(self, clean_run, reduce):
        frame = clean_run(seconds=1500)
        frame.loc[900:930, "power_w"] = 20.0
        reduction = reduce(frame, Protocol(extrapolate=False))
        # 840 s before the pause and 570 s after it are both too short for 600 s + 300 s.
        assert reduction.verdict is Verdict.REFUSED
        assert check_named(reduction, "soak").figure == pytest.approx(839.0)
        assert any(span.reason == "not at load" for span in reduction.spans)

    def test_a_blip_does_not(self, clean_run, reduce):
        frame = clean_run()
        frame.loc[900:901, "power_w"] = 20.0
        assert reduce(frame).verdict is Verdict.PASS

    def test_a_short_load_in_a_long_idle_log_is_found(self, clean_run, reduce):
        load = clean_run(seconds=1200, idle_s=0)
        idle = clean_run(seconds=14_000, idle_s=14_000)
        load["time_s"] += 14_000.0
        frame = pd.concat([idle, load], ignore_index=True)
        frame.loc[100:103, "power_w"] = 400.0
        reduction = reduce(frame, Protocol())
        assert reduction.window_s[0] > 14_600.0
        assert reduction.rows["temperature_c"].iloc[0] == pytest.approx(76.0, abs=0.1)

    def test_load_is_seen_without_power(self, clean_run, reduce):
        frame = clean_run().drop(columns="power_w")
        frame["load_percent"] = np.where(frame["time_s"] >= 60.0, 99.0, 1.0)
        reduction = reduce(frame, Protocol(), power_w=250.0)
        assert reduction.spans[0].end_s == 59.0

    def test_a_gap_is_not_spanned(self, clean_run, reduce):
        frame = clean_run(seconds=1600).drop(index=range(1150, 1170)).reset_index(drop=True)
        reduction = reduce(frame)
        assert reduction.window_s[0] >= 1170.0
        assert reduction.verdict is Verdict.PASS

    def test_a_sensor_with_holes_is_refused(self, clean_run, reduce):
        frame = clean_run()
        frame["edge_c"] = frame["memory_c"] - 9.0
        frame.loc[frame.index % 100 > 33, "edge_c"] = np.nan
        reduction = reduce(frame)
        assert reduction.rows["sensor"].tolist() == ["memory"]
        assert check_named(reduction, "coverage").verdict is Verdict.PASS
        assert "edge and ambient were read in 34 %" in reduction.reason

    def test_a_sensor_that_is_read_each_third_second_has_no_holes(self, clean_run, reduce):
        frame = clean_run()
        frame["edge_c"] = (frame["memory_c"] - 9.0).where(frame.index % 3 == 0)
        assert reduce(frame).rows["sensor"].tolist() == ["memory", "edge"]

    def test_a_run_that_stopped_early_is_extrapolated_and_says_so(self, clean_run, reduce):
        for seed in range(3):
            reduction = reduce(clean_run(seconds=600, time_constant_s=110.0, seed=seed))
            row = reduction.rows.iloc[0]
            assert row["protocol_verdict"] == "corrected"
            assert "extrapolated" in row["protocol_reason"]
            assert abs(row["temperature_c"] - 76.0) < 4.0 * row["standard_error_k"]
            assert row["standard_error_k"] > 0.05
        frame = clean_run(seconds=600, time_constant_s=140.0)
        assert reduce(frame, Protocol(extrapolate=False)).verdict is Verdict.REFUSED

    def test_a_short_run_that_has_plainly_ended_its_soak(self, clean_run, reduce):
        # 740 s at load are less than 900 s, but twelve time constants.
        for seed in range(3):
            reduction = reduce(clean_run(seconds=800, time_constant_s=60.0, seed=seed))
            row = reduction.rows.iloc[0]
            assert row["protocol_verdict"] == "corrected"
            assert "900 s are needed" in row["protocol_reason"]
            assert abs(row["temperature_c"] - 76.0) < 4.0 * row["standard_error_k"]

    def test_two_and_a_half_minutes_with_a_ramping_fan_are_refused(self, clean_run, reduce):
        frame = clean_run(seconds=150, idle_s=10, time_constant_s=30.0)
        frame["fan_rpm"] = 1200.0 + 4.0 * frame["time_s"]
        reduction = reduce(frame, Protocol())
        assert reduction.verdict is Verdict.REFUSED
        assert "900 s are needed" in reduction.reason

    def test_nothing_is_extrapolated_over_a_fan_that_moved(self, clean_run, reduce):
        frame = clean_run(seconds=600, time_constant_s=140.0)
        frame["fan_rpm"] = np.where(frame["time_s"] < 250, 1200.0, 1500.0)
        reduction = reduce(frame, Protocol())
        assert check_named(reduction, "fan speed steady").verdict is Verdict.PASS
        assert reduction.verdict is Verdict.REFUSED
        assert "extrapolated by" not in reduction.reason

    def test_a_slow_soak_that_looks_settled_is_refused_or_within_its_error(self, clean_run, reduce):
        # 1 K steps, 3 K to go at 600 s.
        for seed in range(4):
            frame = clean_run(
                seconds=700, time_constant_s=250.0, step_k=1.0, noise_k=0.1, seed=seed
            )
            reduction = reduce(frame, Protocol(soak_s=300.0))
            for _, row in reduction.rows.iterrows():
                assert abs(row["temperature_c"] - 76.0) < 4.0 * row["standard_error_k"]

    def test_a_creeping_fan_behind_coarse_steps_is_refused(self, clean_run, reduce):
        frame = clean_run(seconds=1300, step_k=1.0, noise_k=0.0)
        t = frame["time_s"]
        frame["memory_c"] = np.where(
            t > 300, np.round(70.0 + 0.2 * (t - 300) / 60.0), frame["memory_c"]
        )
        frame = frame.drop(columns="fan_rpm").assign(fan_percent=69.0 + 6.0 * t / 1300.0)
        reduction = reduce(frame, Protocol(tachometer=False))
        assert reduction.verdict is Verdict.REFUSED
        assert check_named(reduction, "settled").verdict is Verdict.REFUSED

    def test_a_fan_that_switches_on_and_off_gives_no_result(self, clean_run, reduce):
        frame = clean_run(seconds=2400)
        saw = np.abs(((frame["time_s"] / 150.0) % 1.0) - 0.5) * 2.0
        frame["memory_c"] = np.round(frame["ambient_c"] + 25.0 + 65.0 * saw)
        reduction = reduce(frame, Protocol(tachometer=False))
        check = check_named(reduction, "settled")
        assert check.verdict is Verdict.REFUSED
        assert re.search("every 1(49|50|51) s", check.words)
        assert "not a steady state" in check.words

    def test_never_at_load(self, clean_run, reduce):
        frame = clean_run().assign(power_w=np.nan)
        frame["load_percent"] = 2.0
        assert "never at load" in reduce(frame).reason


def test_a_controller_that_hunts_in_power_is_averaged(clean_run, reduce):
    frame = clean_run(seconds=1800)
    t = frame["time_s"]
    frame["power_w"] += np.where(t >= 60.0, 30.0 * np.sign(np.sin(2.0 * np.pi * t / 14.0)), 0.0)
    frame["memory_c"] += np.round(0.8 * np.sin(2.0 * np.pi * t / 14.0), 1)
    reduction = reduce(frame, Protocol())
    assert reduction.verdict is Verdict.PASS, reduction.reason
    row = reduction.rows.iloc[0]
    assert abs(row["temperature_c"] - 76.0) < 4.0 * row["standard_error_k"]
    assert row["power_w"] == pytest.approx(250.0, abs=1.0)
    assert not row["regulated"]


class TestRegulation:
    def test_held_by_cutting_power(self, clean_run, reduce):
        frame = clean_run(seconds=2200)
        t = frame["time_s"].to_numpy()
        hot = t > 420
        frame["memory_c"] = np.where(
            hot, np.round(84.0 + 0.3 * np.sin(t / 7.0), 1), frame["memory_c"]
        )
        frame["power_w"] = np.where(
            hot, 225.0 + 28.0 * np.exp(-(t - 420) / 250.0), frame["power_w"]
        )
        reduction = reduce(frame, Protocol())
        row = reduction.rows.iloc[0]
        assert row["regulated"]
        assert "by power" in row["protocol_reason"]
        assert "not a result" in row["protocol_reason"]
        assert row["power_w"] == pytest.approx(225.0, abs=2.0)

    def test_held_by_moving_the_fan(self, clean_run, reduce):
        frame = clean_run(seconds=2200)
        t = frame["time_s"].to_numpy()
        hot = t > 420
        rng = np.random.default_rng(1)
        frame["memory_c"] = np.where(hot, 84.0 + np.round(0.1 * rng.standard_normal(len(t)), 1),
                                     frame["memory_c"])  # fmt: skip
        frame["fan_rpm"] = np.where(hot, 2300.0 - 700.0 * np.exp(-(t - 420) / 250.0), 1600.0)
        reduction = reduce(frame, Protocol())
        assert reduction.rows["regulated"].all()
        assert "by fan (" in reduction.reason

    def test_a_known_target(self, clean_run, reduce):
        reduction = reduce(clean_run(), Protocol(targets_c={"memory": 76.0}))
        assert reduction.rows["regulated"].all()
        assert not reduce(clean_run(), Protocol(targets_c={"memory": 84.0})).rows["regulated"].any()

    def test_a_temperature_that_follows_is_not_regulated(self, clean_run, reduce):
        assert not reduce(clean_run()).rows["regulated"].any()
        # A fan curve that settles with the temperature: both rise, both end.
        frame = clean_run()
        heat = (frame["memory_c"] - frame["ambient_c"]).rolling(20, min_periods=1).mean()
        frame["fan_rpm"] = np.round(900.0 + 16.0 * heat)
        assert not reduce(frame, Protocol()).rows["regulated"].any()


class TestFrames:
    @pytest.mark.parametrize(
        ("change", "words"),
        [
            (lambda f: f.drop(columns="time_s"), "time_s"),
            (lambda f: f.drop(columns="memory_c"), "no sensor"),
            (lambda f: f.iloc[::-1], "never fall"),
            (lambda f: f.iloc[:1], "two or more"),
            (lambda f: f.assign(device=["a", "b"] * 750), "2 devices"),
        ],
    )
    def test_frames_that_are_not_telemetry(self, clean_run, change, words):
        with pytest.raises(InputError, match=words):
            reduce_telemetry(change(clean_run()))

    def test_the_device_of_the_run_sheet_is_taken(self, clean_run, reduce):
        a, b = clean_run(seed=1), clean_run(seed=2, rise_k=60.0)
        both = pd.concat([a.assign(device="007"), b.assign(device="1E5")]).sort_values(
            ["time_s", "device"], kind="stable", ignore_index=True
        )
        assert reduce(both, device="1E5").rows["temperature_c"].iloc[0] == pytest.approx(
            81.0, abs=0.1
        )
        with pytest.raises(InputError, match="no readings of this device"):
            reduce(both, device="8")

    def test_the_frame_is_left_as_it_was(self, clean_run, reduce):
        frame = clean_run()
        before = frame.copy()
        reduce(frame)
        pd.testing.assert_frame_equal(frame, before)


class TestProtocolValues:
    @pytest.mark.parametrize(
        "options",
        [{"window_s": 0.0}, {"soak_s": -1.0}, {"throttling": "ignore"}, {"fan_rpm": 1800.0},
         {"power_w": Held(250.0, 0.0)}, {"ambient_c": Held(21.0, 2.0, 1.0)}],
    )  # fmt: skip
    def test_values_out_of_range(self, options):
        with pytest.raises(InputError, match=next(iter(options))):
            Protocol(**options)

    @pytest.mark.parametrize(
        ("value", "verdict"), [(21.9, "pass"), (23.0, "corrected"), (24.5, "refused"),
                               (float("nan"), "refused")],
    )  # fmt: skip
    def test_held(self, value, verdict):
        assert str(Held(21.0, 1.0, 3.0).judge(value)) == verdict


def test_verdict_table_and_figure(clean_run, reduce):
    frame = clean_run(seconds=1700)
    frame.loc[1600:, "fan_rpm"] = 1500.0
    reduction = reduce(frame)
    table = reduction.verdicts
    assert list(table.columns) == [
        "check", "sensor", "verdict", "figure", "limit", "unit", "second", "words"
    ]  # fmt: skip
    assert set(table["verdict"]) <= {"pass", "corrected", "refused"}
    ax = reduction.plot()
    labels = [text.get_text() for text in ax.get_legend().get_texts()]
    assert {"memory", "ambient", "window"} <= set(labels)
    assert ax.get_title(loc="left").startswith("refused")
    assert any("fan speed steady" in t.get_text() for t in ax.texts)
    assert any("not at load" in t.get_text() for t in ax.texts)
    assert str(reduction).startswith("Run: refused")


def test_the_cure_for_a_log_with_gaps_cures(tmp_path, clean_run):
    # A logger that leaves out a dozen seconds each minute.
    frame = clean_run(seconds=2000)
    frame = frame[frame["time_s"] % 60.0 < 48.0]
    frame.to_csv(tmp_path / "gaps.csv", index=False)
    log = read_telemetry(tmp_path / "gaps.csv")
    reason = reduce_telemetry(log).reason
    assert "Protocol(gap_s=13) would span the longest gap" in reason
    row = reduce_telemetry(log, Protocol(gap_s=13)).rows.iloc[0]
    assert abs(row["temperature_c"] - row["ambient_c"] - 55.0) < 2.0 * row["standard_error_k"]


def test_a_power_under_another_name_is_named(clean_run):
    frame = clean_run().rename(columns={"power_w": "p_w"}).assign(p_limit_w=300.0)
    reason = reduce_telemetry(frame).reason
    assert "the run sheet states none; name p_w as power_w by columns=" in reason


def test_a_fan_that_reads_zero_throughout_is_said_to(clean_run):
    reason = reduce_telemetry(clean_run().assign(fan_rpm=0.0, pump_rpm=2000.0)).reason
    assert "no fan speed was logged (0 rpm or nothing in all readings)" in reason
    assert "name pump_rpm as fan_rpm by columns=" in reason
