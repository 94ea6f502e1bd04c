"""A growing log is followed to a stop, and nothing but a seen load ends the wait."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

import thermcmp as tc
from thermcmp.errors import InputError
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry


class Bench:
    """Writes more of a log with each wait, and can be told to do something else before."""

    def __init__(self, path, frame, acts=(), per_wait=5.0):
        self.path, self.text = path, frame.to_csv(index=False).splitlines(keepends=True)
        self.n, self.acts, self.waits, self.per_wait = 1, dict(acts), 0, int(per_wait)

    def __call__(self, seconds):
        self.waits += 1
        act = self.acts.get(self.waits)
        if act is not None:
            act(self)
            return
        new = self.text[self.n : self.n + self.per_wait]
        with self.path.open("a") as log:
            if not self.path.stat().st_size:
                log.write(self.text[0])
            # The last line is cut in its middle, as a buffered logger leaves it.
            whole, last = "".join(new[:-1]), (new or [""])[-1]
            log.write(self.rest + whole + last[:7] if hasattr(self, "rest") else whole + last[:7])
        self.rest = last[7:]
        self.n += len(new)


def pieces(frame, size=120):
    """A log in pieces."""
    return (frame.iloc[i : i + size] for i in range(0, len(frame), size))


def test_a_file_is_followed_from_before_it_exists_until_it_is_good_enough(tmp_path, clean_run):
    path, frame = tmp_path / "new.csv", clean_run(seconds=3000)
    bench = Bench(path, frame, acts={1: lambda b: None, 2: lambda b: b.path.touch()})
    states = list(tc.watch(path, wanted_k=0.4, sleep=bench))
    last = states[-1]
    assert last.good_enough
    assert last.ended == "good enough"
    assert not any(state.good_enough or state.ended for state in states[:-1])
    assert last.load_s < 1500.0
    steps = np.diff([s.at_s for s in states if not np.isnan(s.at_s)])
    assert np.all((steps >= 30.0) & (steps < 36.0))
    # One formula in one place: the value is that of the finished log's reduction.
    rows = reduce_telemetry(tc.read_telemetry(path)).rows
    assert last.steady_c["steady_c"].iloc[0] == pytest.approx(rows["temperature_c"].iloc[0])
    # The stated error is the largest of three looks.
    assert rows["standard_error_k"].iloc[0] <= last.steady_c["standard_error_k"].iloc[0] <= 0.4
    assert "the load may end" in last.sentence
    assert "memory" in str(last)
    assert "<table" in last._repr_html_()


def test_a_file_that_stops_growing_ends_the_watch_by_its_time_out(tmp_path, clean_run):
    path = tmp_path / "short.csv"
    clean_run(seconds=400).to_csv(path, index=False)
    waits = []
    (first, last) = tc.watch(path, timeout_s=20.0, sleep=waits.append)
    assert sum(waits) == 20.0
    assert last.ended == "no new reading for 20 s"
    assert not last.good_enough
    assert first.minutes_left > 1.0
    assert "min more for" in first.sentence


def test_a_file_that_never_appears_is_named(tmp_path):
    with pytest.raises(InputError, match=r"gone\.csv.*no such file after 15 s"):
        list(tc.watch(tmp_path / "gone.csv", timeout_s=15.0, sleep=lambda s: None))


def test_a_rotated_file_is_begun_anew(tmp_path, clean_run):
    path, frame = tmp_path / "log.csv", clean_run(seconds=700)

    def rotate(bench):
        bench.path.unlink()
        bench.path.touch()
        bench.n, bench.rest = 1, ""

    bench = Bench(path, frame, acts={40: rotate}, per_wait=10.0)
    path.touch()
    states = list(tc.watch(path, sleep=bench, wanted_k=0.01, every_s=60.0))
    times = [s.at_s for s in states if not np.isnan(s.at_s)]
    assert (np.diff(times) < 0.0).sum() == 1
    assert any("begun anew" in note for note in states[-1].notes)
    assert states[-1].load_s < 700.0


def test_a_log_that_cannot_be_read_says_why_once(tmp_path):
    path = tmp_path / "words.csv"
    path.write_text("a,b\nx,y\n")
    states = list(tc.watch(path, timeout_s=10.0, sleep=lambda s: None))
    assert "cannot be read" in states[0].sentence
    assert len(states) == 2


def test_idle_is_never_taken_for_a_steady_load(clean_run):
    idle = clean_run(seconds=2000, idle_s=5000)
    for frame in (idle, idle.assign(load_percent=2.0), idle.drop(columns="power_w")):
        states = list(tc.watch(pieces(frame)))
        assert not any(state.good_enough for state in states)
        assert "no load is seen" in states[-1].sentence
        assert states[-1].ended == "the readings end"


def test_a_log_that_begins_at_load_needs_its_power_stated(clean_run):
    frame = clean_run(seconds=2500, idle_s=0)
    assert "no load is seen" in list(tc.watch(pieces(frame)))[-1].sentence
    for stated in (200.0, 0.0):
        last = list(tc.watch(pieces(frame), loaded_from_w=stated))[-1]
        assert last.good_enough
        assert "begins at load" in last.notes[0]


def test_what_would_refuse_the_run_is_said_and_never_good_enough(clean_run):
    frame = clean_run(seconds=2000).assign(gpu_c=lambda f: f["memory_c"] + 3.0)
    frame.loc[200:, "gpu_c"] = frame["gpu_c"].iloc[200]
    states = list(tc.watch(pieces(frame)))
    assert not states[-1].good_enough
    assert any(words.startswith("gpu: ") for words in states[-1].refusals)
    assert np.isnan(states[-1].minutes_left)
    # The others go on where they are asked for.
    assert list(tc.watch(pieces(frame), sensors=["memory"]))[-1].good_enough
    absent = list(tc.watch(pieces(frame), sensors=["memory", "edge"]))[-1]
    assert "no sensor 'edge'" in absent.sentence


def test_only_the_present_load_is_watched(clean_run):
    first, second = clean_run(seconds=2000), clean_run(seconds=900, rise_k=40.0, idle_s=150, seed=1)
    both = pd.concat([first, second.assign(time_s=second["time_s"] + 2000.0)], ignore_index=True)
    whole = list(tc.watch([both], wanted_k=0.001))[-1]
    assert whole.load_s == pytest.approx(749.0, abs=3.0)
    assert "only the load after second 1999" in whole.notes[0]
    assert whole.steady_c["steady_c"].iloc[0] == pytest.approx(61.0, abs=1.5)


def test_the_end_of_the_load_and_patience_end_the_watch(clean_run):
    frame = clean_run(seconds=1600, step_k=1.0)
    ends = slice(1500, None)
    idle = clean_run(seconds=400, idle_s=1000, seed=2)
    ended = pd.concat([frame, idle.assign(time_s=idle["time_s"] + 1600.0)], ignore_index=True)
    last = list(tc.watch([ended.iloc[:1500], *pieces(ended.iloc[ends], 30)], wanted_k=0.001))[-1]
    assert last.ended.startswith("the load ended 80 s")
    assert "not at load since second 1599" in last.sentence
    assert np.isnan(last.minutes_left)
    last = list(tc.watch(pieces(frame), wanted_k=0.001, give_up_min=12.0))[-1]
    assert last.ended == "given up after 12 min at load"
    assert 720.0 <= last.load_s < 850.0


def test_rows_may_be_mappings(clean_run):
    frame = clean_run(seconds=600)
    last = list(tc.watch(frame.to_dict("records"), wanted_k=0.01, every_s=60.0))[-1]
    assert last.at_s == 599.0
    assert last.reduction is not None
    with pytest.raises(dataclasses.FrozenInstanceError):
        last.ended = ""


@pytest.mark.parametrize(
    ("source", "options", "message"),
    [
        ([], {"wanted_k": 0.0}, "wanted_k.*above zero"),
        ([], {"sensors": "memory"}, "not a list of names"),
        ([], {"delimiter": ";"}, "is for files"),
        ([5], {}, "no telemetry with 'time_s'"),
        ([{"time_s": 5.0}, {"time_s": 4.0}], {}, "the time falls"),
    ],
)
def test_bad_input_is_named(source, options, message):
    with pytest.raises(InputError, match=message):
        list(tc.watch(source, **options))


def test_pauses_that_would_end_the_soak_again_and_again_are_named_early(clean_run):
    frame = clean_run(seconds=1500).assign(load_percent=99.0)
    paused = (frame["time_s"] % 150.0 < 8.0) & (frame["time_s"] > 60.0)
    looped = frame.assign(load_percent=frame["load_percent"].mask(paused, 1.0))
    named = next(
        state for state in tc.watch(pieces(looped, 30)) if "Protocol(pause_s=" in state.sentence
    )
    assert named.at_s < 400.0
    assert "joins what a looped test interrupts" in "; ".join(named.refusals)
    # Two pauses before a long time at load are no loops.
    early = paused & (frame["time_s"] < 350.0)
    once = frame.assign(load_percent=frame["load_percent"].mask(early, 1.0))
    *_, last = tc.watch(pieces(once, 30), wanted_k=1.0)
    assert last.good_enough


def test_a_stated_error_allows_for_digits_that_may_be_cut_off(clean_run):
    frame = clean_run(seconds=3000)
    frame["memory_c"] = np.floor(frame["memory_c"])
    *_, last = tc.watch(pieces(frame), wanted_k=0.5)
    assert last.good_enough
    # The root mean square of none and half a step of 1 K, beside what was waited for.
    error_k = last.steady_c["standard_error_k"].iloc[0]
    assert np.sqrt(0.125) < error_k <= np.hypot(0.51, np.sqrt(0.125))
    assert any("which no time at load mends" in note for note in last.notes)
    *_, stated = tc.watch(pieces(frame), wanted_k=0.5, protocol=tc.Protocol(truncated=("memory",)))
    assert stated.steady_c["standard_error_k"].iloc[0] <= 0.5
    assert stated.steady_c["steady_c"].iloc[0] == pytest.approx(
        last.steady_c["steady_c"].iloc[0] + 0.5, abs=0.1
    )


def test_a_fan_that_still_settles_is_noted_and_one_that_falls_is_refused(clean_run):
    frame = clean_run(seconds=900)
    settles = frame.assign(fan_rpm=1800.0 - 500.0 * np.exp(-frame["time_s"] / 200.0))
    *_, state = tc.watch(pieces(settles.iloc[:600], 600))
    assert not any("fan" in words for words in state.refusals)
    assert any("is still settling" in note for note in state.notes)
    falls = frame.assign(fan_rpm=1800.0 - 1.0 * frame["time_s"])
    *_, state = tc.watch(pieces(falls.iloc[:600], 600))
    assert any("fan speed moved" in words for words in state.refusals)


def test_a_sensor_that_is_held_at_a_limit_is_named(clean_run):
    frame = clean_run(seconds=1500)
    at_load = frame["power_w"] > 100.0
    frame["power_w"] = frame["power_w"] * np.where(
        at_load, 0.7 + 0.3 * np.exp(-frame["time_s"] / 300.0), 1.0
    )
    rng = np.random.default_rng(0)
    held = 70.0 - 45.0 * np.exp(-frame["time_s"] / 15.0)
    frame["memory_c"] = np.round(held + 0.1 * rng.standard_normal(len(frame)), 1)
    *_, state = tc.watch(pieces(frame), wanted_k=0.5)
    assert any("was regulated at 70" in note for note in state.notes)


@pytest.mark.parametrize(("name", "now"), [("power_w", 300.0), ("fan_rpm", 1500.0)])
def test_a_step_in_the_last_seconds_ends_no_wait(clean_run, name, now):
    frame = clean_run(seconds=1800)
    *_, good = tc.watch(pieces(frame), wanted_k=0.8)
    assert good.good_enough
    stepped = frame[frame["time_s"] <= good.at_s].copy()
    stepped.loc[stepped["time_s"] > good.at_s - 4.0, name] = now
    *_, state = tc.watch(pieces(stepped), wanted_k=0.8)
    assert not state.good_enough
    assert any(f"to {now:.0f}: the soak begins anew" in words for words in state.refusals)
