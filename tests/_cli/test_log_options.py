"""What is known about logs beside their headings, stated on the command line."""

from __future__ import annotations

import numpy as np
import pytest

import thermcmp as tc
from tests.telemetry.conftest import make_run
from thermcmp.__main__ import main

TOML = """
period_s = 2
missing = ["off"]
[columns]
memory_c = "T mem"
ambient_c = "air"
fan_rpm = "n"
power_w = "P"
[units]
ambient_c = "°F"
"""


@pytest.fixture
def bench(tmp_path):
    """A folder with a log that has no clock and air in °F, its run sheet and what is known."""
    frame = make_run(seconds=900).drop(columns=["time_s", "noise_dba"])
    frame["ambient_c"] = (frame["ambient_c"] * 1.8 + 32).round(2)
    frame.columns = ["T mem", "air", "n", "P"]
    (tmp_path / "logs").mkdir()
    frame.astype({"T mem": object}).replace({"T mem": {frame["T mem"][3]: "off"}}).to_csv(
        tmp_path / "logs" / "r1.csv", index=False
    )
    (tmp_path / "runs.csv").write_text("file,run,cooler_model,board_model\nr1.csv,R1,A,B\n")
    (tmp_path / "known.toml").write_text(TOML, encoding="utf-8")
    return tmp_path


def test_options_of_a_file_reach_inspection_and_import(bench, capsys):
    log, known = str(bench / "logs" / "r1.csv"), ["--columns", str(bench / "known.toml")]
    assert main(["inspect", log]) == 0
    assert "TOML file for --columns" in capsys.readouterr().out
    assert main(["inspect", log, *known]) == 0
    assert "900 readings in 1798 s, every 2 s" in capsys.readouterr().out
    stored = ["--runs", str(bench / "runs.csv"), "--library", str(bench / "lib")]
    assert main(["import", str(bench / "logs"), *known, *stored]) == 0
    (row,) = tc.Library(bench / "lib").results().to_dict("records")
    assert row["temperature_c"] - row["ambient_c"] == pytest.approx(55.0, abs=0.3)


def test_a_wrong_option_is_named(bench, capsys):
    path = bench / "known.toml"
    for text, shown in (("period = 2", "no such option"), ("period_s = [", "no valid TOML"),
                        ("period_s = -1", "must be above zero")):  # fmt: skip
        path.write_text(text)
        assert main(["inspect", str(bench / "logs" / "r1.csv"), "--columns", str(path)]) == 2
        assert shown in capsys.readouterr().err


def looped(folder):
    """A log whose load pauses for 8 s in every 150 s, and its run sheet."""
    frame = make_run(seconds=1500)
    pause = frame["time_s"] % 150.0 < 8.0
    frame["load_percent"] = np.where(pause, 1.0, 99.0)
    frame["power_w"] = frame["power_w"].mask(pause, 30.0)
    (folder / "logs").mkdir()
    frame.to_csv(folder / "logs" / "r1.csv", index=False)
    (folder / "runs.csv").write_text("file,run,cooler_model,board_model\nr1.csv,R1,A,B\n")
    return ["import", str(folder / "logs"), "--runs", str(folder / "runs.csv"),
            "--library", str(folder / "lib")]  # fmt: skip


def test_a_refusal_names_the_protocol_in_a_file_and_the_file_cures_it(tmp_path, capsys):
    command = looped(tmp_path)
    assert main(command) == 2
    told = capsys.readouterr().err
    assert "pause_s=8 under [protocol] in a TOML file for --columns joins" in told
    known = tmp_path / "known.toml"
    known.write_text("[protocol]\npause_s = 8\nfan_rpm = {target = 1800, tolerance = 60}\n")
    assert main([*command, "--columns", str(known)]) == 0
    (row,) = tc.Library(tmp_path / "lib").results().to_dict("records")
    assert "means are over whole loops" in row["protocol_reason"]
    assert main(["inspect", str(tmp_path / "logs" / "r1.csv"), "--columns", str(known)]) == 0


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("[protocol]\npauses_s = 9", "no such option of a protocol"),
        ("[protocol]\npause_s = -9", "must not be negative"),
        ("[protocol]\nfan_rpm = {goal = 9}", "write target and tolerance"),
        ("protocol = 3", "write it under [protocol]"),
    ],
)
def test_a_wrong_protocol_is_named(tmp_path, capsys, text, shown):
    command = looped(tmp_path)
    (tmp_path / "known.toml").write_text(text)
    assert main([*command, "--columns", str(tmp_path / "known.toml")]) == 2
    assert shown in capsys.readouterr().err
    assert not (tmp_path / "lib").exists() or tc.Library(tmp_path / "lib").results().empty
