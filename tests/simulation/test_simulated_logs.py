"""Simulated logs follow their stated soak, noise and faults; later sessions keep the truth."""

import io
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_ivp

from thermcmp.errors import InputError
from thermcmp.simulation import (
    AmbientDrift,
    FanSlip,
    Instruments,
    LogFault,
    LogStyle,
    RevisionStudy,
    Scenario,
    Throttling,
    Wavering,
    draw_truth,
    extend_truth,
    join_plans,
    log_bytes,
    measure,
    repeat_runs,
    run_after,
    run_plan,
    simulate_logs,
    write_logs,
)

STILL = Wavering(sd=0.0, correlation=0.0)
# No noise and no steps: the log follows the differential equation to the last digit.
QUIET = Instruments(air=STILL, fan=STILL, power=STILL, full_speed_sd_rpm=0.0)
EXACT = Scenario(
    standard_error_k=0.0, temperature_step_k=0.0, fan_step_rpm=0.0, power_step_w=0.0
)  # fmt: skip


@pytest.fixture(scope="module")
def plan():
    return run_plan(RevisionStudy(remounts=1, equal_noise_dba=None), seed=1)


@pytest.fixture(scope="module")
def truth(plan):
    return draw_truth(plan, seed=2)


@pytest.fixture(scope="module")
def logs(plan, truth):
    return simulate_logs(plan, truth, seed=3)


def same(first, second):
    return first.keys() == second.keys() and all(first[k].equals(second[k]) for k in first)


def test_a_seed_fixes_the_logs_and_another_seed_changes_them(plan, truth, logs):
    assert same(simulate_logs(plan, truth, seed=3).frames, logs.frames)
    other = simulate_logs(plan, truth, seed=4).frames
    assert not any(other[run].equals(logs.frames[run]) for run in other)


def test_the_logs_are_complete(plan, logs):
    assert list(logs.frames) == list(plan.runs["run"])
    for frame in logs.frames.values():
        assert np.array_equal(frame["elapsed_s"], np.arange(1500))
        assert not frame.isna().any(axis=None)
        assert frame["fan_percent"].between(0, 100).all()
        assert frame["load_percent"].between(0, 100).all()
        assert (frame["load_percent"][:60] < 10).all()
        assert (frame["load_percent"][60:] > 90).all()
        assert not frame["throttled"].any()


def solved(truth, steady, sensor, tau_s, conditions):
    """Rise by numerical integration of dx/dt = (target - x) / tau through all conditions."""
    row = steady[(steady["sensor"] == sensor)]
    own = (row["temperature_c"] - row["ambient_c"]).to_numpy() - truth.run_rise_k(
        sensor, row, row["fan_rpm"], row["power_w"]
    )

    def target(fan, power, factor):
        rise = truth.run_rise_k(sensor, row, [fan], [power])
        return factor * (rise + own * power / row["power_w"].to_numpy())[0]

    level, found = target(*conditions[0][1:]), []
    ends = [*(c[0] for c in conditions[1:]), 1500]
    for (start, *condition), end in zip(conditions, ends, strict=True):
        aim = target(*condition)
        seconds = np.arange(start, end + 1)
        path = solve_ivp(
            lambda _, x, aim=aim: (aim - x) / tau_s, (start, end), [level],
            t_eval=seconds, rtol=1e-10, atol=1e-10,
        ).y[0]  # fmt: skip
        found.append(path[:-1])
        level = path[-1]
    return np.concatenate(found)


@pytest.mark.parametrize("fault", [None, FanSlip(share=0.2, before_end_s=400.0)])
def test_the_soak_solves_its_differential_equation(plan, truth, fault):
    run = "R003"
    quiet = simulate_logs(
        plan, truth, EXACT, seed=5, instruments=QUIET, faults={run: fault} if fault else None
    )
    steady = quiet.steady[quiet.steady["run"] == run]
    fan, power = steady["fan_rpm"].iloc[0], steady["power_w"].iloc[0]
    conditions = [(0, fan, 25.0, 1.0), (60, fan, power, 1.0)]
    if fault:
        conditions.append((1100, 0.8 * fan, power, 1.0))
    frame = quiet.frames[run]
    for sensor, tau_s in (("memory", 120.0), ("junction", 90.0), ("edge", 110.0)):
        rise = frame[f"{sensor}_c"] - frame["ambient_c"]
        expected = solved(truth, steady, sensor, tau_s, conditions)
        # The solver's own tolerance is 1e-10 per step.
        assert np.allclose(rise, expected, rtol=0.0, atol=1e-6), sensor


def test_the_logs_settle_at_the_values_of_measure(plan, truth):
    rows = measure(plan, truth, EXACT, seed=np.random.default_rng(6).spawn(1)[0])
    steady = simulate_logs(plan, truth, EXACT, seed=6, seconds=120).steady
    pd.testing.assert_frame_equal(rows, steady)


def test_the_mean_of_the_last_minutes_has_the_stated_error(plan, truth):
    # Air at rest: its wander would come on top of neither the rise nor its noise.
    instruments = Instruments(time_constants_s={}, other_time_constant_s=60.0)
    scenario = Scenario(standard_error_k=0.05, temperature_step_k=0.0)
    logs = simulate_logs(plan, truth, scenario, seed=7, instruments=instruments)
    errors = []
    for run, rows in logs.steady.groupby("run"):
        frame = logs.frames[run][-300:]
        for row in rows.itertuples():
            rise = (frame[f"{row.sensor}_c"] - frame["ambient_c"]).mean()
            errors.append(rise - (row.temperature_c - row.ambient_c))
    errors = np.array(errors)
    assert len(errors) == 90
    # 99.9 % band of a standard deviation from 90 values; the formula for the mean of an
    # AR(1) series is for long windows, within 5 % at 300 s.
    assert 0.72 * 0.05 < errors.std(ddof=0) < 1.27 * 0.05
    assert abs(errors.mean()) < 3.3 * 0.05 / np.sqrt(90)


def test_autoregressive_noise_has_its_textbook_moments():
    # Box, Jenkins, Reinsel, Time Series Analysis: lag-k correlation phi**k, variance
    # stationary (formulas from memory).
    draws = Wavering(sd=2.0, correlation=0.9).draw(np.random.default_rng(8), 200_000)
    assert draws.std() == pytest.approx(2.0, rel=0.03)
    for lag in (1, 5):
        found = np.corrcoef(draws[:-lag], draws[lag:])[0, 1]
        assert found == pytest.approx(0.9**lag, abs=0.02)
    starts = [
        Wavering(sd=2.0, correlation=0.99).draw(np.random.default_rng(seed), 3)[0]
        for seed in range(2000)
    ]
    # Stationary from the first second: 4 standard errors of a standard deviation.
    assert np.std(starts) == pytest.approx(2.0, rel=4 / np.sqrt(2 * 2000))


def test_a_fault_leaves_everything_else_unchanged(plan, truth, logs):
    faults = {"R002": AmbientDrift(), "R003": FanSlip(), "R011": Throttling(limit_c=92.0)}
    planted = simulate_logs(plan, truth, seed=3, faults=faults)
    for run, frame in planted.frames.items():
        if run not in faults:
            assert frame.equals(logs.frames[run])
            continue
        start = 1500 - int(faults[run].before_end_s)
        assert frame[:start].equals(logs.frames[run][:start])
        assert not frame[start:].equals(logs.frames[run][start:])
    pd.testing.assert_frame_equal(planted.steady, logs.steady)


def test_sensors_follow_a_drifting_ambient(plan, truth):
    fault = AmbientDrift(change_k=2.5, before_end_s=200.0)
    still, drifting = (
        simulate_logs(plan, truth, EXACT, seed=3, instruments=QUIET, faults=f).frames["R002"]
        for f in (None, {"R002": fault})
    )
    added = drifting["ambient_c"] - still["ambient_c"]
    assert added.iloc[-1] == pytest.approx(2.5)
    assert added[:1301].abs().max() < 1e-12
    assert np.allclose(np.diff(added[1300:]), 2.5 / 199)
    assert np.allclose(drifting["memory_c"] - still["memory_c"], added)


def test_throttling_holds_the_sensor_at_its_limit(plan, truth):
    run = plan.runs.query("cooler_model == 'Alder-C1' and fan_mode == 'stock'")["run"].iloc[0]
    free = simulate_logs(plan, truth, EXACT, seed=3, instruments=QUIET).frames[run]
    # Between what it settles at and what a fifth more rise would make of it.
    limit_c = float(free["memory_c"].iloc[-1]) + 8.0
    fault = Throttling(limit_c=limit_c, extra_share=0.2, before_end_s=500.0)
    frame = simulate_logs(
        plan, truth, EXACT, seed=3, instruments=QUIET, faults={run: fault}
    ).frames[run]
    cut = frame["throttled"] == 1
    assert cut.any()
    assert not frame["throttled"][:1000].any()
    # The card acts at the next full second.
    overshoot = np.diff(frame["memory_c"][1000:]).max()
    assert frame["memory_c"].max() <= limit_c + overshoot
    assert frame["memory_c"].iloc[-1] == pytest.approx(limit_c, abs=0.02)
    power = frame["power_w"]
    assert power[~cut][60:].max() == pytest.approx(power[~cut][60:].min())
    room = (limit_c - frame["ambient_c"].iloc[-1]) / (
        1.2 * (free["memory_c"].iloc[-1] - free["ambient_c"].iloc[-1])
    )
    assert power.iloc[-1] / power.iloc[900] == pytest.approx(room, rel=1e-3)


def test_equal_duty_is_another_speed_on_another_cooler(plan, truth):
    instruments = Instruments(full_speed_sd_rpm=300.0)
    logs = simulate_logs(plan, truth, seed=9, instruments=instruments, seconds=120)
    at_1800 = logs.runs[logs.runs["set_fan_rpm"] == 1800]
    duties = {
        cooler: {int(logs.frames[run]["fan_percent"].iloc[0]) for run in rows["run"]}
        for cooler, rows in at_1800.groupby("cooler_id")
    }
    assert len(duties) == 2
    assert len(set.union(*duties.values())) > 1


def test_steps_of_one_kelvin_are_integers(plan, truth):
    scenario = replace(Scenario(), temperature_step_k=1.0)
    frame = simulate_logs(plan, truth, scenario, seed=3, seconds=300).frames["R001"]
    assert pd.api.types.is_integer_dtype(frame["memory_c"])
    # The thermometer in the air is finer than the card's sensors.
    assert np.allclose(frame["ambient_c"] * 10, np.round(frame["ambient_c"] * 10))
    assert len(set(frame["ambient_c"] % 1)) > 1


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"seconds": 60}, "seconds"),
        ({"seed": -1}, "seed"),
        ({"faults": {"R999": FanSlip()}}, "no such run"),
        ({"faults": {"R001": FanSlip(before_end_s=1450.0)}}, "begins before the load"),
        ({"faults": {"R001": LogFault()}}, "not a fault that can be planted"),
        ({"faults": {"R001": Throttling(sensor="regulator")}}, "no such sensor"),
        ({"faults": {"R001": Throttling(limit_c=190.0)}}, "never"),
        ({"faults": {"R001": Throttling(limit_c=30.0)}}, "before the fault"),
    ],
)
def test_what_cannot_be_simulated_is_refused(plan, truth, options, message):
    with pytest.raises(InputError, match=message):
        simulate_logs(plan, truth, **({"seed": 1} | options))


@pytest.mark.parametrize(
    "make",
    [
        lambda: FanSlip(share=1.0),
        lambda: FanSlip(share=-0.1),
        lambda: AmbientDrift(before_end_s=0.0),
        lambda: Throttling(extra_share=float("nan")),
        lambda: Wavering(sd=-1.0, correlation=0.5),
        lambda: Wavering(sd=1.0, correlation=1.0),
        lambda: Instruments(time_constants_s={"memory": 0.0}),
        lambda: Instruments(idle_power_w=0.0),
        lambda: Instruments(sensor_correlation=1.0),
        lambda: Instruments(full_speed_sd_rpm=-1.0),
        lambda: RevisionStudy(earlier_rounds=-1),
    ],
)
def test_values_out_of_range_are_refused(make):
    with pytest.raises(InputError):
        make()


HEADINGS = {"elapsed_s": ("Time", "s"), "memory_c": ("Memory", "°C"), "throttled": ("Cut", "")}


@pytest.mark.parametrize(
    ("style", "first_lines"),
    [
        (LogStyle(), ["Time [s],Memory [°C],Cut"]),
        (
            LogStyle(delimiter=";", decimal=",", encoding="cp1252", units_below=True),
            ["Time;Memory;Cut", "s;°C;"],
        ),
        (LogStyle(delimiter="\t", encoding="utf-16"), ["Time [s]\tMemory [°C]\tCut"]),
    ],
)
def test_a_written_log_reads_back(logs, style, first_lines):
    frame = logs.frames["R001"]
    content = log_bytes(frame, HEADINGS, style)
    lines = content.decode(style.encoding).split("\n")
    assert lines[: len(first_lines)] == first_lines
    assert lines[-1] == ""
    back = pd.read_csv(
        io.BytesIO(content), sep=style.delimiter, decimal=style.decimal, encoding=style.encoding,
        header=None, names=list(HEADINGS), skiprows=len(first_lines),
    )  # fmt: skip
    pd.testing.assert_frame_equal(back, frame[list(HEADINGS)])


def test_a_log_that_could_not_be_read_back_is_not_written(logs, tmp_path):
    frame = logs.frames["R001"]
    with pytest.raises(InputError, match="delimiter"):
        log_bytes(frame, HEADINGS, LogStyle(decimal=","))
    with pytest.raises(InputError, match="no such column"):
        write_logs({"R001": frame}, tmp_path / "logs", {"regulator_c": ("Regulator", "°C")})
    assert not (tmp_path / "logs").exists()


def test_logs_are_written_a_file_per_run(logs, tmp_path):
    style = LogStyle(delimiter=";")
    paths = write_logs(logs.frames, tmp_path / "logs", HEADINGS, {"R002": style})
    assert sorted(paths.values()) == sorted((tmp_path / "logs").iterdir())
    for run, path in paths.items():
        usual = log_bytes(logs.frames[run], HEADINGS, style if run == "R002" else LogStyle())
        assert path.read_bytes() == usual


def test_a_later_session_continues_the_numbers_without_factory_assemblies(plan):
    sequel = RevisionStudy(remounts=2, earlier_rounds=3, sessions=1)
    runs = run_plan(sequel, seed=1).runs
    assert set(runs["assembly_kind"]) == {"bench"}
    assert set(runs["assembly"].str.split().str[-1]) == {"4", "5"}
    assert set(runs["session"]) == {"session 4"}
    later = run_after(run_plan(sequel, seed=1), plan)
    assert later.runs["run"].iloc[0] == f"R{len(plan.runs) + 1:03d}"
    gap = later.runs["started_at"].min() - plan.runs["started_at"].max()
    assert pd.Timedelta(days=6) < gap < pd.Timedelta(days=7)
    joined = join_plans(plan, later)
    assert len(joined.runs) == len(plan.runs) + len(runs)


def test_repeats_follow_the_last_run_of_their_assembly(plan):
    again = repeat_runs(plan, ["R002", "R009"]).runs
    assert len(again) == len(plan.runs) + 2
    assert again["run"].is_unique
    first = plan.runs["assembly"].iloc[0]
    mounted = again[again["assembly"] == first]
    made_again = mounted.iloc[-1]
    assert made_again["set_fan_rpm"] == plan.runs["set_fan_rpm"].iloc[1]
    # Each assembly is still one unbroken block.
    blocks = (again["assembly"] != again["assembly"].shift()).sum()
    assert blocks == plan.runs["assembly"].nunique()
    assert again["started_at"].is_monotonic_increasing
    with pytest.raises(InputError, match="no such run"):
        repeat_runs(plan, ["R900"])


def test_a_truth_is_extended_without_changing(plan, truth):
    later = run_plan(RevisionStudy(remounts=2, earlier_rounds=1), seed=5)
    grown = extend_truth(truth, later, Scenario(bad_mount_probability=1.0), seed=6)
    assert extend_truth(truth, later, Scenario(bad_mount_probability=1.0), seed=6) == grown
    for sensor, terms in truth.effects.items():
        for term, levels in terms.items():
            assert levels.items() <= grown.effects[sensor][term].items()
        assert set(later.runs["assembly"]) <= set(grown.effects[sensor]["assembly"])
    assert {"session 2", "session 3"} <= set(grown.noise_floor_dba)
    assert set(grown.bad_assemblies) - set(truth.bad_assemblies) == set(later.runs["assembly"])
    new = np.array([grown.effects["memory"]["assembly"][a] for a in later.runs["assembly"]])
    # Spread 0.6 K around the 3 K that a bad assembly adds.
    assert np.all(np.abs(new - 3.0) < 4 * 0.6)
    assert measure(later, grown, seed=7)["temperature_c"].notna().all()


def test_new_parts_need_a_truth_of_their_own(truth):
    other = run_plan(RevisionStudy(remounts=1, family="Rowan"), seed=5)
    with pytest.raises(InputError, match="draw the truth of both plans together") as raised:
        extend_truth(truth, other, seed=6)
    assert "Rowan-C1-1" in str(raised.value)
