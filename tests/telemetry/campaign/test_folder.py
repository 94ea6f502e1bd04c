"""A folder of logs and a run sheet become checked results."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

import pandas as pd
import pytest

from thermcmp.errors import InputError
from thermcmp.library.store import Library
from thermcmp.results.schema import NAMES, REQUIRED
from thermcmp.results.validation import check_results
from thermcmp.telemetry.campaign.comparability import find_cautions
from thermcmp.telemetry.campaign.folder import Reduced, reduce_logs
from thermcmp.telemetry.steady_state.result_rows import MEASURED

PARTS = {
    "cooler_model": "Alder r1",
    "cooler_id": "007",
    "board_model": "Quarz",
    "board_id": "1E5",
    "memory_vendor": "NA Works",
    "firmware": "fw 1",
    "lab": "our lab",
}


@pytest.fixture
def bench(tmp_path, clean_run):
    """Six logs in several dresses with planted faults, and their run sheet."""
    folder = tmp_path / "logs"
    (folder / "second day").mkdir(parents=True)
    runs = []

    def add(name, frame, **how):
        frame.to_csv(folder / name, index=False, **how)
        runs.append({"file": name, "run": f"R{len(runs) + 1}", **PARTS})

    add("r1.csv", clean_run(seed=1))
    add("r2.csv", clean_run(seed=2), sep=";", decimal=",")
    add("r3.csv", clean_run(seed=3, ambient_drift_k=25.0))
    slipped = clean_run(seed=4)
    slipped.loc[1400:, "fan_rpm"] = 1500.0
    add("second day/r4.csv", slipped)
    throttled = clean_run(seed=5).assign(throttled=0)
    throttled.loc[1300:1330, "throttled"] = 1
    add("r5.log", throttled)
    (folder / "r6.csv").write_text("time_s,memory_c\n0,5x\n1,51\n")
    runs.append({"file": "r6.csv", "run": "R6", **PARTS})
    runs.append({"file": "gone.csv", "run": "R7", **PARTS})
    (folder / "left over.csv").write_text("time_s,memory_c\n0,50\n1,51\n")
    sheet = tmp_path / "runs.csv"
    pd.DataFrame(runs).to_csv(sheet, index=False)
    return folder, sheet


def test_good_logs_give_results_and_bad_ones_are_named(bench):
    reduced = reduce_logs(*bench, progress=False)
    assert reduced.results["run"].tolist() == ["R1", "R2"]
    assert reduced.results["temperature_c"].tolist() == pytest.approx([76.0, 76.0], abs=0.05)
    refused = reduced.refused.set_index("file")
    assert refused["run"].to_dict() == {
        "r3.csv": "R3", "r4.csv": "R4", "r5.log": "R5", "r6.csv": "R6", "gone.csv": "R7",
        "left over.csv": "",
    }  # fmt: skip
    for file, words in {
        "r3.csv": "ambient moved",
        "r4.csv": "fan speed moved",
        "r5.log": "throttled",
        "r6.csv": "5x",
        "gone.csv": "not found",
        "left over.csv": "no row of the run sheet",
    }.items():
        assert words in refused.loc[file, "reason"]
    assert refused.loc["r5.log", "second"] == 1300.0
    assert "Refused r5.log, R5: throttled" in str(reduced)


def test_logs_that_were_all_refused_are_named_where_they_are_added(tmp_path, clean_run):
    clean_run(seconds=200).to_csv(tmp_path / "r1.csv", index=False)
    sheet = pd.DataFrame([{"file": "r1.csv", "run": "R1", **PARTS}])
    reduced = reduce_logs(tmp_path, sheet, progress=False)
    with pytest.raises(InputError, match=r"each was refused:\n.*r1.csv: run R1: .* at load"):
        Library(tmp_path / "bench").add(reduced)
    assert not (tmp_path / "bench").exists()


def test_the_run_sheet_may_lie_beside_its_logs(tmp_path, clean_run):
    clean_run().to_csv(tmp_path / "r1.csv", index=False)
    pd.DataFrame([{"file": "r1.csv", "run": "R1", **PARTS}]).to_csv(
        tmp_path / "runs.csv", index=False
    )
    reduced = reduce_logs(tmp_path, runs=tmp_path / "runs.csv", progress=False)
    assert reduced.results["run"].tolist() == ["R1"]
    assert reduced.refused.empty


def test_ids_and_source_are_passed_through(bench):
    rows = reduce_logs(*bench, progress=False).results
    for name, value in PARTS.items():
        assert (rows[name] == value).all()
    assert rows["source_file"].tolist() == ["r1.csv", "r2.csv"]
    from hashlib import sha256

    content = (bench[0] / "r1.csv").read_bytes()
    assert rows["source_sha256"].iloc[0] == sha256(content).hexdigest()


@pytest.mark.parametrize("pool", [ThreadPoolExecutor, ProcessPoolExecutor])
def test_workers_change_nothing(bench, pool):
    alone = reduce_logs(*bench, progress=False)
    with pool(max_workers=2) as executor:
        together = reduce_logs(*bench, executor=executor, progress=False)
    pd.testing.assert_frame_equal(alone.results, together.results)
    pd.testing.assert_frame_equal(alone.refused, together.refused)
    pd.testing.assert_frame_equal(alone.notes, together.notes)


def test_rows_have_the_columns_of_the_results_table(bench):
    reduced = reduce_logs(*bench, progress=False)
    assert set(MEASURED) <= set(NAMES)
    assert set(REQUIRED) <= set(reduced.results.columns)
    assert set(reduced.results.columns) <= set(NAMES)
    checked = check_results(reduced.results)
    assert checked["run"].tolist() == ["R1", "R2"]
    assert str(checked["started_at"].dtype) == "datetime64[us, UTC]"


def test_all_refused_is_an_empty_table(tmp_path, clean_run):
    clean_run(seconds=100).to_csv(tmp_path / "r1.csv", index=False)
    sheet = pd.DataFrame([{"file": "r1.csv", "run": "R1", **PARTS}])
    reduced = reduce_logs([tmp_path / "r1.csv"], sheet, progress=False)
    assert reduced.results.empty
    assert reduced.refused["run"].tolist() == ["R1"]
    assert reduced.cautions == ()


def test_several_runs_and_devices_of_one_log(tmp_path, clean_run):
    first, second = clean_run(seed=1), clean_run(seed=2, rise_k=50.0)
    second["time_s"] += 1600.0
    one_card = pd.concat([first, second])
    both = pd.concat(
        [
            one_card.assign(device="0"),
            one_card.assign(device="1", power_w=one_card["power_w"] * 1.2),
        ]
    ).sort_values(["time_s", "device"], kind="stable")
    both.to_csv(tmp_path / "all.csv", index=False)
    rows = [
        {"file": "all.csv", "run": f"R{device}{part}", "device": device, **PARTS,
         "from_s": low, "to_s": high}
        for device in ("0", "1")
        for part, low, high in (("a", "0", "1550"), ("b", "1590", "3200"))
    ]  # fmt: skip
    reduced = reduce_logs(tmp_path, pd.DataFrame(rows), progress=False)
    assert reduced.results["run"].tolist() == ["R0a", "R0b", "R1a", "R1b"], str(reduced)
    assert reduced.results["temperature_c"].tolist() == pytest.approx([76, 71, 76, 71], abs=0.1)
    assert "power was not held across runs: 250 W in R0" in reduced.cautions[0]


def test_the_progress_bar_goes_to_the_terminal_only(bench, capfd):
    reduce_logs(*bench)
    out, err = capfd.readouterr()
    assert out == ""
    assert err == ""


def test_a_folder_that_is_not_there():
    sheet = pd.DataFrame([{"file": "a", "run": "1", "cooler_model": "A", "board_model": "B"}])
    with pytest.raises(InputError, match="no such folder"):
        reduce_logs("nowhere at all", sheet, progress=False)


class TestCautions:
    def rows(self, temperatures, **columns):
        n = len(temperatures)
        frame = pd.DataFrame(
            {"run": [f"R{i + 1}" for i in range(n)], "sensor": "memory",
             "temperature_c": temperatures, "ambient_c": 21.0, "power_w": 250.0,
             "fan_rpm": 1800.0, "started_at": pd.NaT, "cooler_model": "Alder r1",
             "cooler_id": "C1", "board_model": "Quarz", "board_id": "B1", "firmware": "fw 1",
             "assembly": "A1"}
        )  # fmt: skip
        return frame.assign(**columns)

    def test_repeats_that_climb(self):
        climbing = self.rows([74.0, 74.3, 74.2, 77.1, 77.4, 77.3])
        assert "follow their order" in find_cautions(climbing)[0]
        assert find_cautions(self.rows([74.0, 74.6, 74.2, 74.4, 74.1, 74.5])) == ()
        other_assemblies = climbing.assign(assembly=list("abcdef"))
        assert find_cautions(other_assemblies) == ()

    def test_two_coolers_that_read_the_same(self):
        rows = self.rows(
            [84.02, 84.05, 76.0], cooler_model=["Alder r1", "Birch", "Cedar"],
            power_w=[250.0, 231.0, 249.0],
        )  # fmt: skip
        said = find_cautions(rows)
        assert any("R1 and R2" in caution and "held at a target" in caution for caution in said)
        assert not any("R3" in caution and "held at a target" in caution for caution in said)

    def test_power_that_only_some_reached(self):
        rows = self.rows([70.0 + i for i in range(8)], power_w=[250.0] * 5 + [231.0, 228.0, 240.0])
        assert "228 W in R7" in find_cautions(rows)[0]


def test_reduced_prints_its_counts():
    empty = pd.DataFrame(columns=["run"])
    nothing = pd.DataFrame(columns=["file", "run", "sensor", "reason", "second"])
    assert str(Reduced(empty, nothing, (), empty)).startswith("0 runs gave 0 result rows")


@pytest.mark.parametrize("fault", ["zeros", "no reading", "frozen"])
def test_a_sensor_that_cannot_be_true_is_named_while_the_others_go_on(tmp_path, clean_run, fault):
    frame = clean_run()
    frame["edge_c"] = frame["memory_c"] - 4.0
    if fault == "frozen":
        frame.loc[800:, "memory_c"] = frame["memory_c"][800]
    else:
        frame["memory_c"] = 0.0 if fault == "zeros" else None
    frame.to_csv(tmp_path / "r1.csv", index=False)
    sheet = pd.DataFrame([{"file": "r1.csv", "run": "R1", **PARTS}])
    reduced = reduce_logs(tmp_path, sheet, progress=False)
    assert reduced.results["sensor"].tolist() == ["edge"]
    (refused,) = reduced.refused.to_dict("records")
    assert refused["sensor"] == "memory"
    if fault != "no reading":
        assert refused["second"] == pytest.approx({"zeros": 0.0, "frozen": 800.0}[fault], abs=3.0)
    assert Library(tmp_path / "library").add(reduced).new == 1


def test_logs_that_are_all_refused_keep_their_own_fixes(tmp_path, clean_run):
    clean_run().drop(columns="time_s").to_csv(tmp_path / "r1.csv", index=False)
    sheet = pd.DataFrame([{"file": "r1.csv", "run": "R1", **PARTS}])
    reduced = reduce_logs(tmp_path, sheet, progress=False)
    with pytest.raises(InputError, match=r"period_s=, the seconds between readings$") as caught:
        Library(tmp_path / "library").add(reduced)
    assert str(caught.value).count("Fix:") == 1
