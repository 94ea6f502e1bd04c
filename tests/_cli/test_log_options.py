"""What is known about logs beside their headings, stated on the command line."""

from __future__ import annotations

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
