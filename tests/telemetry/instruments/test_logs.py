"""A folder in which tachometer, thermometer and sound meter have logs of their own."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from hashlib import sha256

import numpy as np
import pandas as pd
import pytest

from thermcmp.errors import InputError
from thermcmp.telemetry.campaign.folder import reduce_logs
from thermcmp.telemetry.campaign.run_sheet import read_run_sheet

PARTS = {"cooler_model": "Alder r1", "board_model": "Quarz"}
INSTRUMENTS = {
    "tachometer": {"columns": {"fan_rpm": "n 1/min"}, "delimiter": ";"},
    "thermometer": {"columns": {"ambient_c": "intake"}, "tolerance_s": 2.5},
    "sound_meter": {"columns": {"noise_dba": "LAeq"}},
}


class Bench:
    """A folder of logs and its run sheet, run by run."""

    def __init__(self, folder, clean_run):
        self.folder, self.clean_run, self.rows = folder, clean_run, []

    def add(self, run, *, seed=0, offset_s=0.0, **frame_options):
        """Log a run with four instruments; the tachometer's clock starts later."""
        frame = self.clean_run(seed=seed, **frame_options)
        card = frame.drop(columns=["fan_rpm", "ambient_c", "noise_dba"])
        card.to_csv(self.folder / f"{run}.csv", index=False)
        shown = frame["time_s"] >= offset_s
        tacho = pd.DataFrame({"time [s]": frame["time_s"] - offset_s, "n 1/min": frame["fan_rpm"]})
        tacho[shown].to_csv(self.folder / f"{run} tacho.csv", index=False, sep=";")
        air = pd.DataFrame({"time [s]": frame["time_s"], "intake": frame["ambient_c"]})[::5]
        air.to_csv(self.folder / f"{run} air.csv", index=False)
        level = pd.DataFrame({"time [s]": frame["time_s"] + 0.3, "LAeq": frame["noise_dba"]})
        level.to_parquet(self.folder / f"{run} level.parquet", index=False)
        self.rows.append(
            {"file": f"{run}.csv", "run": run, **PARTS, "tachometer_file": f"{run} tacho.csv",
             "tachometer_offset_s": offset_s or "", "thermometer_file": f"{run} air.csv",
             "sound_meter_file": f"{run} level.parquet"}
        )  # fmt: skip

    def reduce(self, instruments=INSTRUMENTS, **options):
        """Reduce the folder."""
        sheet = pd.DataFrame(self.rows)
        return reduce_logs(self.folder, sheet, instruments=instruments, progress=False, **options)


@pytest.fixture
def bench(tmp_path, clean_run):
    made = Bench(tmp_path, clean_run)
    made.add("R1", seed=1)
    made.add("R2", seed=2, offset_s=40.0, fan_rpm=1500.0)
    return made


def test_every_instrument_gives_its_quantity(bench):
    reduced = bench.reduce()
    assert reduced.refused.empty, str(reduced)
    rows = reduced.results.set_index("run")
    assert rows["temperature_c"].tolist() == pytest.approx([76.0, 76.0], abs=0.1)
    assert rows["fan_rpm"].tolist() == pytest.approx([1800.0, 1500.0], abs=1.0)
    assert rows["ambient_c"].tolist() == pytest.approx([21.0, 21.0], abs=0.02)
    assert rows["noise_dba"].tolist() == pytest.approx([38.0, 38.0], abs=0.05)
    assert not [c for c in rows.columns if c.endswith("_file") and c != "source_file"]
    assert not [c for c in rows.columns if c.endswith("_offset_s")]
    notes = " ".join(reduced.notes["note"])
    assert "tachometer: R2 tacho.csv gives fan_rpm for 97 % of the readings" in notes
    assert "clock offset 40 s as stated" in notes
    assert "within 2.5 s" in notes


def test_the_source_names_and_hashes_every_log(bench):
    row = bench.reduce().results.iloc[0]
    names = ["R1.csv", "R1 tacho.csv", "R1 air.csv", "R1 level.parquet"]
    assert row["source_file"] == "; ".join(names)
    content = b"".join((bench.folder / name).read_bytes() for name in names)
    assert row["source_sha256"] == sha256(content).hexdigest()


def test_workers_change_nothing(bench):
    alone = bench.reduce()
    with ProcessPoolExecutor(2) as executor:
        together = bench.reduce(executor=executor)
    pd.testing.assert_frame_equal(alone.results, together.results)
    pd.testing.assert_frame_equal(alone.notes, together.notes)


def test_logs_with_dates_are_matched_by_date(bench):
    # A thermometer that ran all morning serves both runs; its first reading is no start.
    start = pd.Timestamp("2026-03-09T10:00:00+01:00")
    for row, begin in zip(bench.rows, (1000, 4000), strict=True):
        path = bench.folder / row["file"]
        card = pd.read_csv(path).rename(columns={"time_s": "time"})
        stamps = [(start + pd.Timedelta(begin + t, "s")).isoformat() for t in card["time"]]
        card.assign(time=stamps).to_csv(path, index=False)
        row["thermometer_file"] = "morning.csv"
    t = np.arange(0, 7000, 2)
    # Within the window of each run its own ambient.
    air = pd.DataFrame(
        {"time": [(start + pd.Timedelta(int(s), "s")).isoformat() for s in t],
         "intake": np.where(t < 3500, 21.0, 22.0)}
    )  # fmt: skip
    air.to_csv(bench.folder / "morning.csv", index=False)
    reduced = bench.reduce()
    assert reduced.results["ambient_c"].tolist() == pytest.approx([21.0, 22.0]), str(reduced)
    assert "by date" in " ".join(reduced.notes["note"])


def test_an_offset_is_measured_where_none_is_stated(bench):
    card = pd.read_csv(bench.folder / "R1.csv")
    level = np.where(card["power_w"] > 100.0, 38.0, 30.0)
    late = pd.DataFrame({"time [s]": card["time_s"], "LAeq": level})[25:]
    late["time [s]"] -= 25.0
    late.to_parquet(bench.folder / "R1 level.parquet", index=False)
    bench.rows = bench.rows[:1]
    sound = {**INSTRUMENTS["sound_meter"], "offset_from": ("power_w", "noise_dba")}
    reduced = bench.reduce({**INSTRUMENTS, "sound_meter": sound})
    assert "clock offset 25 s measured" in " ".join(reduced.notes["note"]), str(reduced)
    for bad in (("power_w", "level"), ("power_w", "noise_dba")):
        flat = late.assign(LAeq=38.0)
        flat.to_parquet(bench.folder / "R1 level.parquet", index=False)
        sound = {**INSTRUMENTS["sound_meter"], "offset_from": bad}
        reason = bench.reduce({**INSTRUMENTS, "sound_meter": sound}).refused["reason"].iloc[0]
        assert "sound_meter: " in reason


def spoil_missing(bench):
    (bench.folder / "R2 tacho.csv").unlink()


def spoil_content(bench):
    (bench.folder / "R2 tacho.csv").write_text("time [s];n 1/min\n0;fast\n1;faster\n")


def spoil_headings(bench):
    (bench.folder / "R2 tacho.csv").write_text("time [s];speed\n0;1500\n1;1500\n")


def spoil_clock(bench):
    bench.rows[1]["tachometer_offset_s"] = 5000.0


def spoil_overlap(bench):
    path = bench.folder / "R2.csv"
    pd.read_csv(path).assign(fan_rpm=1500.0).to_csv(path, index=False)


def spoil_end(bench):
    path = bench.folder / "R2 tacho.csv"
    path.write_text("\n".join(path.read_text().split("\n")[:1300]) + "\n")


@pytest.mark.parametrize(
    ("spoil", "file", "words"),
    [
        (spoil_missing, "R2 tacho.csv", "tachometer: not found"),
        (spoil_content, "R2 tacho.csv", "tachometer: "),
        (spoil_headings, "R2 tacho.csv", "n 1/min"),
        (spoil_clock, "R2 tacho.csv", "tachometer: no reading is within 1 s"),
        (spoil_overlap, "R2 tacho.csv", "tachometer: both logs have it"),
        (spoil_end, "R2.csv", "fan speed was not logged for"),
    ],
)
def test_a_bad_instrument_log_refuses_its_run_by_name(bench, spoil, file, words):
    spoil(bench)
    reduced = bench.reduce()
    assert reduced.results["run"].tolist() == ["R1"]
    refused = reduced.refused.iloc[0]
    assert (refused["file"], refused["run"]) == (file, "R2")
    assert words in refused["reason"]
    assert len(reduced.refused) == 1


def test_a_slow_thermometer_needs_no_tolerance_but_is_told_of_it(bench):
    narrow = {**INSTRUMENTS, "thermometer": {"columns": {"ambient_c": "intake"}}}
    reduced, served = bench.reduce(narrow), bench.reduce()
    np.testing.assert_allclose(
        reduced.results["temperature_c"], served.results["temperature_c"], atol=0.02
    )
    assert "5 s apart, tolerance_s=2.5 serves all" in " ".join(reduced.notes["note"])


def test_an_instrument_beside_one_of_several_devices(bench):
    card = pd.read_csv(bench.folder / "R1.csv")
    both = pd.concat([card.assign(device="0"), card.assign(device="1", power_w=300.0)])
    both = both.sort_values(["time_s", "device"], kind="stable")
    both.to_csv(bench.folder / "R1.csv", index=False)
    bench.rows = bench.rows[:1]
    bench.rows[0]["device"] = "1"
    assert bench.reduce().results["power_w"].tolist() == [300.0]
    bench.rows[0]["device"] = "7"
    assert "no readings of this device" in bench.reduce().refused["reason"].iloc[0]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"barometer": {}}, "the run sheet names no log of this instrument"),
        ({"tachometer": {"colums": {}}}, "no such option"),
        ({"tachometer": {"tolerance_s": 0.0}}, "tolerance_s"),
        ({"tachometer": {"tolerance_s": "wide"}}, "tolerance_s"),
        ({"tachometer": {"offset_from": "fan_rpm"}}, "offset_from"),
        ({"tachometer": "fan_rpm"}, "not a mapping"),
    ],
)
def test_what_is_stated_wrong_is_an_error(bench, options, words):
    with pytest.raises(InputError, match=words):
        bench.reduce(options)


def test_the_run_sheet_holds_logs_and_offsets_apart():
    row = {"file": "r.csv", "run": "R1", **PARTS, "source_file": "kept"}
    stated = {"tachometer_file": "t.csv", "tachometer_offset_s": "-1,5", "meter_file": ""}
    (run,) = read_run_sheet(pd.DataFrame([row | stated]))
    (log,) = run.instruments
    assert (log.role, log.file, log.offset_s) == ("tachometer", "t.csv", -1.5)
    assert run.values == row
    for wrong, words in (
        ({"meter_offset_s": "2"}, "an offset without a log"),
        ({"meter_file": "m.csv", "meter_offset_s": "soon"}, "not a number"),
    ):
        with pytest.raises(InputError, match=words):
            read_run_sheet(pd.DataFrame([row | wrong]))
