"""The reader on examples of the standard, on logs of a bench, and on what is not such text."""

import numpy as np
import pandas as pd
import pytest
import thermcmp_openmetrics
from thermcmp_openmetrics import OpenMetricsReader

import thermcmp as tc
from thermcmp.testing import check_plugin, check_reader, sample_log

UNITS = {"c": "celsius", "w": "watts", "rpm": "rpm"}


def openmetrics(log, start_s=1900000000.0, labels=""):
    """Write a log as the standard has it: a family per quantity, its samples in order of time."""
    lines = []
    for name in [name for name in log if name != "elapsed_s"]:
        stem, _, unit = name.rpartition("_")
        family = f"{stem}_temperature_celsius" if unit == "c" else f"{stem}_{UNITS[unit]}"
        lines += [f"# TYPE {family} gauge", f"# UNIT {family} {UNITS[unit]}"]
        lines += [
            f"{family}{labels} {value} {start_s + time:.3f}"
            for time, value in zip(log["elapsed_s"], log[name], strict=True)
        ]
    return "\n".join([*lines, "# EOF", ""])


def test_it_conforms():
    check_plugin(thermcmp_openmetrics)


@pytest.mark.parametrize("ending", [".om", ".txt"])
def test_a_log_comes_back_as_it_was_written(tmp_path, ending):
    log = sample_log()
    path = tmp_path / f"run{ending}"
    path.write_text(openmetrics(log), encoding="utf-8")
    frame = check_reader(OpenMetricsReader(), path)
    for name in ("memory_c", "ambient_c", "power_w", "fan_rpm"):
        assert np.allclose(frame[name], log[name])
    assert frame["time_s"].tolist() == log["elapsed_s"].tolist()
    assert str(frame["recorded_at"].iloc[0]) == "2030-03-17 17:46:40+00:00"
    # The installed package is asked by the file's first bytes.
    note = tc.read_telemetry(path).attrs["notes"][0]
    assert "thermcmp-openmetrics" in note


def test_a_folder_of_such_logs_is_reduced(tmp_path):
    (tmp_path / "run.om").write_text(openmetrics(sample_log(1500)), encoding="utf-8")
    sheet = pd.DataFrame(
        {"file": ["run.om"], "run": ["R"], "cooler_model": "C", "board_model": "B",
         "firmware": "fw", "fan_mode": "fixed"}
    )  # fmt: skip
    reduced = tc.reduce_logs(tmp_path, sheet, progress=False)
    rows = reduced.results
    assert len(rows) == 1, str(reduced)
    # 60 K were put in.
    assert rows["temperature_c"].iloc[0] - rows["ambient_c"].iloc[0] == pytest.approx(60.0, abs=0.2)


def test_sensors_and_devices_come_from_labels(tmp_path):
    path = tmp_path / "run.om"
    rows = [
        f'gpu_temperature_celsius{{device="{device}",sensor="{sensor}"}} {value} {time}'
        for device in ("a", "b")
        for sensor, value in (("memory", 80.0), ("edge", 60.0))
        for time in (100, 101)
    ]
    text = ["# TYPE gpu_temperature_celsius gauge", "# UNIT gpu_temperature_celsius celsius", *rows]
    path.write_text("\n".join([*text, "# EOF", ""]), encoding="utf-8")
    frame = check_reader(OpenMetricsReader(), path)
    assert set(frame["device"]) == {"a", "b"}
    assert (frame["memory_c"] == 80.0).all()
    assert (frame["edge_c"] == 60.0).all()


#: The standard's own examples (OpenMetrics 1.0, sections on metadata, numbers and timestamps;
#: from memory), with quantities of a bench.
VALID = {
    "escaped help": '# HELP fan_rpm a \\\\ and \\n and \\" in it\n',
    "no help": "",
}


@pytest.mark.parametrize("head", VALID.values(), ids=VALID)
@pytest.mark.parametrize(
    ("number", "value"), [("1", 1.0), ("1e3", 1000.0), ("+25", 25.0), ("01", 1.0), (".5", 0.5)]
)
def test_numbers_of_the_standard_are_read(tmp_path, head, number, value):
    path = tmp_path / "run.om"
    body = f"# TYPE fan_rpm gauge\n# UNIT fan_rpm rpm\nfan_rpm {number} 1.5\nfan_rpm {number} 2.5\n"
    path.write_text(head + body + "# EOF\n", encoding="utf-8")
    frame = tc.read_telemetry(path, reader=OpenMetricsReader())
    assert frame["fan_rpm"].tolist() == [value, value]
    assert frame["time_s"].tolist() == [0.0, 1.0]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("# TYPE fan_rpm gauge\n# UNIT fan_rpm rpm\nfan_rpm 1 1\n", "EOF"),
        ("# TYPE fan gauge\n# UNIT fan rpm\nfan 1 1\n# EOF\n", "[Uu]nit"),
        ("# TYPE fan_rpm gauge\n# UNIT fan_rpm rpm\nfan_rpm 1\n# EOF\n", "without a timestamp"),
        ("# TYPE fan_rpm gauge\n# UNIT fan_rpm rpm\nfan_rpm 1 2\nfan_rpm 1 1\n# EOF\n", "imestamp"),
        ("# TYPE fan_rpm gauge\n# UNIT fan_rpm rpm\nfan_rpm one 1\n# EOF\n", "one"),
    ],
    ids=["cut before its end", "unit not in the name", "no time", "time runs back", "no number"],
)
def test_what_the_standard_forbids_is_refused(tmp_path, text, words):
    path = tmp_path / "run.om"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(tc.InputError, match=f"run.om.*not OpenMetrics text: .*{words}"):
        tc.read_telemetry(path, reader=OpenMetricsReader())


def test_counters_and_unknown_units_are_named_and_left_out(tmp_path):
    path = tmp_path / "run.om"
    path.write_text(
        "# TYPE energy_joules counter\n# UNIT energy_joules joules\nenergy_joules_total 5 1\n"
        "# TYPE fan_rpm gauge\n# UNIT fan_rpm rpm\nfan_rpm 900 1\nfan_rpm 910 2\n# EOF\n",
        encoding="utf-8",
    )
    frame = tc.read_telemetry(path, reader=OpenMetricsReader())
    assert list(frame.columns) == ["time_s", "recorded_at", "segment", "fan_rpm", "line"]
    assert any("no gauge in a known unit: energy_joules" in n for n in frame.attrs["notes"])
