"""The demo's logged session: the same study, its planted faults, and what comes out of it."""

import importlib.util
import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from thermcmp.results.schema import NAMES
from thermcmp.telemetry.campaign.folder import reduce_logs
from thermcmp.telemetry.reading.frame import read_telemetry

DATASETS = Path(__file__).parents[2] / "datasets"
DEMO = DATASETS / "demo"
LOGS = DEMO / "logs"
WRONG = {"R272": "R274", "R284": "R287", "R296": "R300"}
ODD = "R280"
PARTS = ["cooler_model", "cooler_id", "board_model", "board_id", "memory_vendor"]


@pytest.fixture(scope="module")
def sheet():
    return pd.read_csv(DEMO / "runs.csv", dtype={"cooler_id": str, "board_id": str})


@pytest.fixture(scope="module")
def headings():
    return json.loads((DEMO / "logs.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def simulated():
    spec = importlib.util.spec_from_file_location("make_demo", DATASETS / "make_demo.py")
    maker = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(maker)
    return maker.demo_logs(maker.demo_campaign())


@pytest.fixture(scope="module")
def reduced(headings):
    return reduce_logs(LOGS, DEMO / "runs.csv", columns=headings, progress=False)


def log(run, headings):
    by_name = {heading: name for name, heading in headings.items()}
    return pd.read_csv(LOGS / f"{run}.csv").rename(columns=by_name)


def test_every_run_has_its_log_and_all_together_are_small(sheet):
    assert len(sheet) == 35
    assert sheet["run"].is_unique
    assert sorted(sheet["file"]) == sorted(path.name for path in LOGS.iterdir())
    assert 1e6 < sum(path.stat().st_size for path in LOGS.iterdir()) < 3e6


def test_the_sheet_needs_no_map(sheet):
    own = {"file", "target_fan_rpm", "target_power_w"}
    assert own <= set(sheet.columns)
    assert set(sheet.columns) - own <= set(NAMES)
    fixed = sheet["fan_mode"] == "fixed"
    assert set(sheet.loc[fixed, "target_fan_rpm"]) == {1400, 2200}
    assert set(sheet.loc[fixed, "target_power_w"]) == {200}
    assert sheet.loc[~fixed, ["target_fan_rpm", "target_power_w"]].isna().all(axis=None)
    assert (sheet["noise_dba"] > sheet["noise_floor_dba"]).all()


def test_it_is_a_later_session_of_the_campaigns_study(sheet):
    names = json.loads((DEMO / "columns.json").read_text(encoding="utf-8"))
    table = pd.read_csv(DEMO / "campaign.csv", sep=";", dtype=str).rename(columns=names)
    study = table[table["cooler_model"].str.startswith("Alder")]
    assert set(map(tuple, sheet[PARTS].values)) == set(map(tuple, study[PARTS].values))
    for own in ("run", "assembly", "session"):
        assert not set(sheet[own]) & set(table[own])
    assert pd.to_datetime(sheet["started_at"]).min() > pd.to_datetime(table["started_at"]).max()
    assert set(sheet["session"]) == {"session 4"}
    assert set(sheet["assembly_kind"]) == {"bench"}
    mounted = sheet.drop_duplicates("assembly").groupby(["cooler_model", "board_model"]).size()
    assert mounted.to_list() == [2, 2, 2, 2]
    stock = sheet[sheet["fan_mode"] == "stock"].groupby("assembly")["firmware"].agg(set)
    assert (stock == {"fw 1", "fw 2"}).all()
    assert len(stock) == 8


def test_the_truth_covers_both_sessions(sheet, simulated):
    kept = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["truth"]
    _, truth = simulated
    for sensor, terms in kept["effects"].items():
        assert set(sheet["assembly"]) <= set(terms["assembly"])
        for term, levels in terms.items():
            # The file holds six decimals.
            assert levels == pytest.approx(truth.effects[sensor][term], abs=1e-6)
    assert kept["noise_floor_dba"]["session 4"] == pytest.approx(
        sheet["noise_floor_dba"].iloc[0], abs=0.05
    )


def test_each_wrong_run_was_made_again_before_the_teardown(sheet):
    by_run = sheet.set_index("run")
    setting = ["assembly", "firmware", "fan_mode", "target_fan_rpm", "target_power_w"]
    for wrong, repeat in WRONG.items():
        assert by_run.loc[wrong, setting].equals(by_run.loc[repeat, setting])
        between = by_run.loc[wrong:repeat]
        assert set(between["assembly"]) == {by_run.loc[wrong, "assembly"]}
    good = sheet[~sheet["run"].isin(list(WRONG))]
    assert not good.duplicated(setting).any()
    assert (good.groupby("assembly").size() == 4).all()


def test_the_throttled_run_sits_at_its_limit_with_its_power_cut(headings):
    frame = log("R272", headings)
    cut = frame["throttled"] == 1
    # The intake is covered 250 s before the end; it takes a while to get to the limit.
    assert 1260 < cut.idxmax() < 1400
    assert cut[cut.idxmax() :].all()
    assert frame["memory_c"][cut].mean() == pytest.approx(95.0, abs=0.5)
    before = frame["power_w"][900:1200].mean()
    assert 0.80 < frame["power_w"][cut].mean() / before < 0.95
    assert frame["memory_c"][900:1200].max() < 92.0


def test_the_ambient_drifts_in_one_run_only(headings):
    frame = log("R284", headings)
    assert np.ptp(frame["ambient_c"][1200:]) > 5.0
    assert np.ptp(frame["ambient_c"][:1200]) < 1.0
    # The card's air rises along, so the rise stays.
    rise = frame["memory_c"] - frame["ambient_c"]
    assert rise[1400:].mean() == pytest.approx(rise[1100:1200].mean(), abs=0.3)


def test_the_fan_slips_at_unchanged_duty(headings):
    frame = log("R296", headings)
    fallen = frame["fan_rpm"][1350:].mean() / frame["fan_rpm"][1050:1350].mean()
    assert fallen == pytest.approx(0.90, abs=0.002)
    assert np.ptp(frame["fan_percent"]) == 0
    assert frame["memory_c"][1480:].mean() > frame["memory_c"][1300:1350].mean() + 2.0


def test_all_other_runs_held_their_conditions(sheet, headings):
    for run in set(sheet["run"]) - set(WRONG) - {ODD}:
        frame = log(run, headings)[1200:]
        assert np.ptp(frame["ambient_c"]) <= 1.0, run
        assert (frame["fan_rpm"] - frame["fan_rpm"].mean()).abs().max() < 25, run
        assert frame["power_w"].std() < 2.0, run
        assert frame["throttled"].sum() == 0, run


def test_the_odd_file_is_as_odd_as_the_readme_says(headings):
    content = (LOGS / f"{ODD}.csv").read_bytes()
    with pytest.raises(UnicodeDecodeError):
        content.decode("utf-8")
    # Degree sign in code page 1252, as in ISO 8859-1: 0xB0.
    assert content.count(b"\xb0C") == 4
    names, units, *rows = content.decode("cp1252").splitlines()
    joined = [
        f"{name} [{unit}]" if unit else name
        for name, unit in zip(names.split(";"), units.split(";"), strict=True)
    ]
    assert joined == list(headings.values())
    assert all(re.fullmatch(r"\d+(;\d+(,\d)?){9}", row) for row in rows)
    assert len(rows) == 1500
    for path in LOGS.iterdir():
        if path.stem != ODD:
            first = path.read_text(encoding="utf-8").splitlines()[0]
            assert first == ",".join(headings.values())


def test_the_reader_takes_the_odd_file_like_the_others(headings, simulated):
    logs, _ = simulated
    for run in (ODD, "R270"):
        frame = read_telemetry(LOGS / f"{run}.csv", columns=headings)
        for name in set(headings) - {"elapsed_s", "throttled"}:
            assert np.allclose(frame[name], logs.frames[run][name], atol=1e-9), (run, name)
        assert np.array_equal(frame["time_s"], logs.frames[run]["elapsed_s"])


def test_exactly_the_three_wrong_runs_are_refused_each_for_its_reason(reduced, sheet):
    assert set(reduced.refused["run"]) == set(WRONG)
    why = reduced.refused.groupby("run")["reason"].agg(" ".join)
    assert "throttled" in why["R272"]
    assert "ambient moved" in why["R284"]
    assert "fan speed moved" in why["R296"]
    results = reduced.results
    assert set(results["run"]) == set(sheet["run"]) - set(WRONG)
    assert (results.groupby("run")["sensor"].agg(set) == {"memory", "junction", "edge"}).all()


def test_reduced_results_agree_with_the_truth(reduced, simulated):
    logs, truth = simulated
    key = ["run", "sensor"]
    results = reduced.results.set_index(key).sort_index()
    held = logs.steady.set_index(key, drop=False).loc[results.index]
    assert len(results) == 96
    rise = results["temperature_c"] - results["ambient_c"]
    true = pd.Series(np.nan, index=held.index)
    for sensor in ("memory", "junction", "edge"):
        here = (held["sensor"] == sensor).to_numpy()
        rows = held[here]
        true[here] = truth.run_rise_k(sensor, rows, rows["fan_rpm"], rows["power_w"])
    # From run to run 0.2 K on top of the error within the run.
    z = (rise - true) / np.hypot(results["standard_error_k"], 0.2)
    assert z.abs().max() < 4.0
    # 99.9 % band of the root mean square of 96 standard normal values (chi-square).
    assert 0.77 < float(np.sqrt((z**2).mean())) < 1.24
    assert (results["fan_rpm"] - held["fan_rpm"]).abs().max() < 2.0
    assert (results["power_w"] - held["power_w"]).abs().max() < 0.5


def test_the_readme_lists_the_planted_faults(headings):
    text = (DATASETS / "README.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"^\| `(R\d{3})` \| [^|]+ \| (?:`(R\d{3})` )?\|$", text, re.M))
    assert rows == WRONG | {ODD: ""}
    cells = re.findall(r"^\| ([^|]+) \| (`[a-z_]+`(?:, `[a-z_]+`)*) \|", text, re.M)
    listed = {h.strip() for cell, _ in cells for h in cell.split(", ")}
    assert set(headings.values()) <= listed
