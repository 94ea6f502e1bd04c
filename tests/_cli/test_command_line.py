"""The command line: what it asks for, what it prints, and how it fails."""

import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

import thermcmp
from thermcmp.__main__ import main
from thermcmp._cli.job import _library_name, demo_folder
from thermcmp._cli.options import read_options
from thermcmp.errors import (
    EngineError,
    Fault,
    InputError,
    LibraryError,
    ModelError,
    NotEstimableError,
    PluginError,
    ThermcmpWarning,
)

FRAME = pd.DataFrame({"sensor": ["memory", "edge"], "product": ["Alder r1", "Alder r1"]})


def fitted(health="ok"):
    """Stands in for a fit of rows without a regulated run."""
    return SimpleNamespace(
        health=health,
        status=f"{health}, nothing stands out",
        results=FRAME.assign(regulated=False),
    )


class Recorder:
    """Stands in for the public calls and keeps what they were asked."""

    def __init__(self):
        self.calls, self.frame = {}, FRAME

    def __getattr__(self, name):
        def call(*args, **named):
            self.calls.setdefault(name, []).append((args, named))
            return self.answer(name)

        return call

    def answer(self, name):
        if name == "fit":
            return fitted()
        if name == "fit_sensors":
            sensors = self.calls[name][-1][0][1]
            return {sensor: fitted() for sensor in sensors}
        if name in {"read_results", "Conditions"}:
            return self.calls[name][-1][1] if name == "Conditions" else FRAME
        if name == "Library":
            return SimpleNamespace(add=lambda *a, **n: None, results=lambda: self.frame)
        if name == "report":
            return self.calls["report"][-1][0][1]
        return SimpleNamespace(
            sentences=[f"{name} one.", f"{name} two."],
            interval_words="90% equal-tailed intervals",
        )


@pytest.fixture
def recorder(monkeypatch, tmp_path):
    stand_in = Recorder()
    names = ("Library", "read_results", "fit", "fit_sensors", "separate", "attribute",
             "attribute_sensors", "rank", "margin", "Conditions", "report")  # fmt: skip
    for name in names:
        monkeypatch.setattr(thermcmp, name, getattr(stand_in, name), raising=False)
    monkeypatch.setattr("thermcmp._cli.job._study_alone", lambda *given: None)
    monkeypatch.chdir(tmp_path)
    return stand_in


def test_demo_asks_all_questions_and_prints_a_dozen_lines(recorder, capsys):
    assert main([]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert 8 <= len(lines) <= 15
    # Ranges without kind and probability say nothing.
    assert lines[0].endswith("Ranges in brackets: 90% equal-tailed intervals.")
    for word in ("Data: 1 rows of the memory", "Separation: ", "Attribution: ", "Ranking: ",
                 "Margin: "):  # fmt: skip
        assert any(line.startswith(word) for line in lines)
    assert lines[-1] == f"Report: {Path('thermcmp-out') / 'report.html'}"
    assert recorder.calls["attribute"][0][1] == {
        "before": "Alder r1 / fw 1",
        "after": "Alder r2 / fw 2",
    }
    assert recorder.calls["rank"][0][1]["at"] == {
        "ambient_c": 21.0, "power_w": 200.0, "noise_dba": 40.0,
    }  # fmt: skip
    assert [call[0][1] for call in recorder.calls["margin"]] == [
        "Alder r1 / fw 1", "Alder r2 / fw 2",
    ]  # fmt: skip
    assert len(recorder.calls["report"][0][0][0]) == 5


def test_options_reach_the_calls(recorder, tmp_path):
    (tmp_path / "mine").mkdir()
    arguments = ["--library", "mine", "--out", "o", "--sensor", "edge", "--before", "A / 1",
                 "--limit-c", "99", "--case-air-c", "40", "--noise-dba", "38", "--power-w", "150",
                 "--ambient-c", "23", "--seed", "7"]  # fmt: skip
    assert main(arguments) == 0
    assert recorder.calls["Library"][0][0] == ("mine",)
    assert "read_results" not in recorder.calls
    assert recorder.calls["fit"][0][1] == {"sensor": "edge", "seed": 7}
    assert list(recorder.calls["fit"][0][0][0]["sensor"]) == ["edge"]
    assert recorder.calls["rank"][0][1]["at"] == {
        "ambient_c": 23.0, "power_w": 150.0, "noise_dba": 38.0,
    }  # fmt: skip
    assert recorder.calls["margin"] == [
        ((recorder.calls["margin"][0][0][0], "A / 1"), {"at": {"ambient_c": 40.0}, "limit_c": 99.0})
    ]
    assert recorder.calls["report"][0][0][1] == Path("o/report.html")
    assert "attribute" not in recorder.calls


def test_only_steps_that_are_done_are_told(recorder, tmp_path, capsys):
    (tmp_path / "mine").mkdir()
    assert main(["--library", "mine", "--sensor", "memory"]) == 0
    said = capsys.readouterr().err
    assert "Reducing the logs" not in said
    assert said.startswith("Reading the results …\n")
    assert main([]) == 0
    assert capsys.readouterr().err.startswith("Reducing the logs …\n")


def test_sensors_beside_are_fitted_and_set_side_by_side(recorder, tmp_path, capsys):
    (tmp_path / "mine").mkdir()
    arguments = ["--library", "mine", "--sensor", "memory", "--beside", "edge"]
    assert main([*arguments, "--before", "A / 1", "--after", "B / 2"]) == 0
    assert recorder.calls["fit_sensors"][0][0][1] == ["memory", "edge"]
    assert "fit" not in recorder.calls
    (asked,) = recorder.calls["attribute_sensors"]
    assert asked[0][1:] == ("A / 1", "B / 2")
    assert len(asked[0][0]) == 2
    assert "Sensors: attribute_sensors one.\n" in capsys.readouterr().out
    assert main(arguments) == 2
    assert "give --before and --after too" in capsys.readouterr().err


@pytest.mark.parametrize("why", ["refused", "bad"])
def test_sensors_that_cannot_be_fitted_together_are_fitted_one_by_one(
    recorder, tmp_path, monkeypatch, why
):
    def together(rows, sensors, **named):
        if why == "refused":
            raise ModelError("a reading is at the limit")
        return {sensor: fitted("bad") for sensor in sensors}

    monkeypatch.setattr(thermcmp, "fit_sensors", together)
    (tmp_path / "mine").mkdir()
    arguments = ["--library", "mine", "--sensor", "memory", "--beside", "edge"]
    assert main([*arguments, "--before", "A / 1", "--after", "B / 2"]) == 0
    asked = recorder.calls["fit"]
    assert [call[1]["sensor"] for call in asked] == ["memory", "edge"]
    assert [set(call[0][0]["sensor"]) for call in asked] == [{"memory"}, {"edge"}]


RULES = """\
firmware,fan_control,control_sensor,temperature_c,fan_rpm,target_c,lowest_rpm,highest_rpm
1,curve,edge,45,1000,,,
1,curve,,90,2600,,,
2,target temperature,memory,,,80,900,2600
3,fixed speed,edge,,2000,,,
"""
FIRMWARE = ["--library", "mine", "--sensor", "memory", "--limit-c", "99", "--firmware", "fw.csv"]


@pytest.fixture
def rules(recorder, tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "fw.csv").write_text(RULES, encoding="utf-8")
    return tmp_path


def test_each_build_has_its_margin_under_its_own_firmware(recorder, rules):
    assert main([*FIRMWARE, "--before", "A / 1", "--after", "B / 2"]) == 0
    # The control sensor has a fit beside the one asked about, from the same rows.
    assert recorder.calls["fit_sensors"][0][0][1] == ["memory", "edge"]
    one, two = recorder.calls["margin"]
    assert one[0][1] == "A / 1"
    assert one[1]["firmware"].fan == thermcmp.FanCurve((45.0, 90.0), (1000.0, 2600.0))
    assert one[1]["control"] is not one[0][0]
    assert two[1]["firmware"].name == "2"
    assert "control" not in two[1], "that firmware follows the sensor asked about"
    assert "attribute_sensors" not in recorder.calls, "edge was not asked beside"


def test_a_fan_that_is_held_needs_no_other_sensor(recorder, rules):
    assert main([*FIRMWARE, "--before", "A / 3"]) == 0
    assert "fit_sensors" not in recorder.calls
    assert set(recorder.calls["margin"][0][1]) == {"at", "limit_c", "firmware"}


@pytest.mark.parametrize(
    ("table", "build", "message"),
    [
        (RULES, "A / 4", "value '4': this firmware is not in the table. Fix: add its rows, or ask "
         "for a build under one of: 1, 2, 3"),
        (RULES, "A", "value 'A': the build names no firmware"),
        (RULES.replace("edge", "roof"), "A / 1", "value 'roof': the fan of '1' follows a sensor "
         "without results. Fix: import its readings, or name one of: edge, memory"),
        (RULES.replace("curve", "bend"), "A / 1", "value 'bend': no such fan control"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_the_firmware_is_said_before_the_fit(
    recorder, rules, capsys, table, build, message
):
    (rules / "fw.csv").write_text(table, encoding="utf-8")
    assert main([*FIRMWARE, "--before", build]) == 2
    error = capsys.readouterr().err
    assert message in error
    assert "fw.csv" in error
    assert "fit" not in recorder.calls
    assert "fit_sensors" not in recorder.calls


def test_a_curve_in_duty_takes_the_fan_of_the_specimen_named(recorder, rules):
    (rules / "fw.csv").write_text(
        "firmware,fan_control,temperature_c,duty_percent\n1,curve,50,20\n1,curve,80,60\n",
        encoding="utf-8",
    )
    (rules / "duty.csv").write_text(
        "cooler_id,duty_percent,fan_rpm\nC-1,20,800\nC-1,100,3000\nC-2,20,700\nC-2,60,2000\n",
        encoding="utf-8",
    )
    duty = ["--duty", "duty.csv", "--cooler-id", "C-2"]
    assert main([*FIRMWARE, *duty, "--before", "A"]) == 0
    fan = recorder.calls["margin"][0][1]["firmware"].fan
    assert fan == thermcmp.FanCurve((50.0, 80.0), (700.0, 2000.0))


def test_what_is_not_asked_is_said(recorder, capsys, tmp_path):
    (tmp_path / "mine").mkdir()
    assert main(["--library", "mine", "--sensor", "memory"]) == 0
    out = capsys.readouterr().out
    assert "Attribution: not asked; give --before and --after" in out
    assert "Margin: not asked; give --limit-c" in out


def test_own_table_goes_into_a_library_of_its_content(recorder, tmp_path, monkeypatch):
    def read(path, *, columns, **how):
        """Rows that depend on the file and on what its headings mean."""
        rows = recorder.read_results(path, columns=columns, **how)
        return rows.assign(product=f"{path.read_text(encoding='utf-8')} {columns}")

    monkeypatch.setattr(thermcmp, "read_results", read)
    table, columns = tmp_path / "t.csv", tmp_path / "c.json"
    table.write_text("a\n", encoding="utf-8")
    columns.write_text('\ufeff{"a": "run"}', encoding="utf-8")
    arguments = ["--results", "t.csv", "--columns", "c.json", "--sensor", "edge"]
    assert main(arguments) == 0
    usual = {"decimal": None, "sheet": None}
    assert recorder.calls["read_results"][0] == (
        (Path("t.csv"),),
        {"columns": {"a": "run"}, **usual},
    )
    assert main(arguments) == 0
    table.write_text("b\n", encoding="utf-8")
    assert main(arguments) == 0
    columns.write_text('{"b": "run"}', encoding="utf-8")
    assert main(arguments) == 0
    first, again, changed, mapped = (call[0][0] for call in recorder.calls["Library"])
    assert first == again
    assert len({first, changed, mapped}) == 3
    assert first.parent == Path("thermcmp-out")


def test_the_mends_of_an_unclear_table_can_be_taken(tmp_path, monkeypatch, capsys):
    """What reading a table asks for, decimal= and sheet=, the command line has."""
    monkeypatch.chdir(tmp_path)
    frame = FRAME.assign(run=["1", "2"], temperature_c=["61,125", "62,250"])
    with pd.ExcelWriter("t.xlsx") as book:
        frame.to_excel(book, sheet_name="mine", index=False)
        frame.to_excel(book, sheet_name="copy", index=False)
    frame.to_csv("t.csv", sep=";", index=False)
    for table, fix, option in (
        ("t.xlsx", "give sheet=", ("--sheet", "mine")),
        ("t.csv", "declare decimal=", ("--decimal", ",")),
    ):
        assert main(["--results", table]) == 2
        assert fix in capsys.readouterr().err
        # Else something is wrong with the rows themselves.
        assert main(["--results", table, *option]) == 2
        assert fix not in capsys.readouterr().err


def test_logs_reduced_in_another_way_meet_no_rows_that_they_contradict():
    """A newer version may reduce the same logs to other values, in the same folder."""
    before = FRAME.assign(standard_error_k=0.03)
    names = [
        _library_name([(FRAME, "t.csv"), (frame, "per-second logs")])
        for frame in (before, before.copy(), FRAME.assign(standard_error_k=0.04))
    ]
    assert names[0] == names[1]
    assert names[0] != names[2]


def test_refusals_are_shown_when_every_log_is_refused(tmp_path, capsys):
    log = tmp_path / "logs" / "r1.csv"
    log.parent.mkdir()
    rows = "\n".join(f"{i},{60 + i % 2},{22},1800,250" for i in range(100))
    log.write_text(f"time [s],memory [C],ambient [C],fan [rpm],power [W]\n{rows}\n")
    runs = tmp_path / "runs.csv"
    runs.write_text("file,run,cooler_model,board_model\nr1.csv,R1,Alder,Quarz\n")
    code = main(["--logs", str(log.parent), "--runs", str(runs), "--out", str(tmp_path / "out")])
    assert code == 2
    error = capsys.readouterr().err
    assert "each was refused" in error
    assert "r1.csv: run R1: 99 s at load without a gap where 900 s are needed" in error
    assert "is missing" not in error


@pytest.mark.parametrize(("last", "code"), [("good", 0), ("not good", 1)])
def test_a_log_is_watched_line_by_line(recorder, tmp_path, capsys, monkeypatch, last, code):
    heads = tmp_path / "heads.json"
    heads.write_text('{"memory_c": "T mem"}')
    states = [
        SimpleNamespace(sentence="5 min more", notes=("begins at load",), good_enough=False),
        SimpleNamespace(sentence=last, notes=("begins at load",), good_enough=code == 0),
    ]
    recorder.answer = lambda name: states
    monkeypatch.setattr(thermcmp, "watch", recorder.watch)
    arguments = ["--watch", "r1.csv", "--wanted-k", "0.3", "--log-columns", str(heads)]
    assert main(arguments) == code
    assert capsys.readouterr().out == f"5 min more\n  Note: begins at load\n{last}\n"
    assert recorder.calls == {
        "watch": [((Path("r1.csv"), {"memory_c": "T mem"}), {"wanted_k": 0.3})]
    }


def test_the_only_sensor_need_not_be_named(recorder, tmp_path):
    (tmp_path / "mine").mkdir()
    recorder.frame = FRAME[FRAME["sensor"] == "edge"]
    assert main(["--library", "mine"]) == 0
    assert recorder.calls["fit"][0][1]["sensor"] == "edge"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--library", "nowhere"], "no such folder"),
        (["--results", "nowhere.csv"], "no such file"),
        (["--results", "here.csv", "--columns", "nowhere.json"], "no such file"),
        (["--results", "here.csv", "--columns", "here.csv"], "no valid JSON"),
        (["--results", "here.csv", "--columns", "list.json"], "no JSON object"),
        (["--firmware", "nowhere.csv"], "no such file"),
        (["--results", "here.csv"], "use --sensor with one of edge, memory"),
        (["--sensor", "roof"], "value 'roof': no rows of this sensor"),
    ],
)
def test_bad_input_is_one_message_and_code_2(recorder, capsys, tmp_path, arguments, message):
    (tmp_path / "here.csv").write_text("no json", encoding="utf-8")
    (tmp_path / "list.json").write_text("[1]", encoding="utf-8")
    assert main(arguments) == 2
    error = capsys.readouterr().err
    assert message in error
    assert "Traceback" not in error


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (InputError("Bad rows:", [Fault("out of range", "fix it", row=3)]), 2),
        (LibraryError("torn file"), 2),
        (NotEstimableError("no such build"), 2),
        (PermissionError("not allowed"), 2),
        (EngineError("weights too uneven"), 1),
        (PluginError("plug-in x raised"), 1),
    ],
)
def test_errors_of_the_library_end_without_a_traceback(recorder, capsys, monkeypatch, error, code):
    def failing(*args, **named):
        raise error

    monkeypatch.setattr(thermcmp, "fit", failing, raising=False)
    assert main([]) == code
    captured = capsys.readouterr()
    assert str(error) in captured.err
    assert "Traceback" not in captured.err
    assert captured.out == ""


def test_warnings_become_notes_and_progress_stays_off_the_output(recorder, capsys, monkeypatch):
    import warnings

    def warning_fit(*args, **named):
        warnings.warn("one fan speed only", ThermcmpWarning, stacklevel=2)
        return fitted("caution")

    monkeypatch.setattr(thermcmp, "fit", warning_fit, raising=False)
    assert main([]) == 0
    captured = capsys.readouterr()
    assert "Note: one fan speed only" in captured.err
    assert "Fitting 1 rows of the memory sensor" in captured.err
    assert "Fitting" not in captured.out


def test_on_a_terminal_the_step_is_shown_with_its_time(recorder, capsys, monkeypatch):
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm")
    assert main([]) == 0
    captured = capsys.readouterr()
    assert "Fitting" in captured.err
    assert "0:00:00" in captured.err
    assert captured.out.startswith("Data: ")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--columns", "c.json"], "--columns and --sheet have no effect without --results"),
        (["--decimal", ","], "--decimal has no effect without --results or --firmware"),
        (["--log-columns", "c.json"], "--log-columns has no effect without --logs or --watch"),
        (["--runs", "r.csv"], "--runs has no effect without --logs"),
        (["--duty", "d.csv"], "--duty and --cooler-id have no effect without --firmware"),
        (["--library", "l", "--firmware", "f.csv", "--limit-c", "99"],
         "--firmware has no effect without --limit-c, and --before or --after"),
        (["--library", "l", "--firmware", "f.csv", "--before", "A / 1"],
         "--firmware has no effect without --limit-c, and --before or --after"),
    ],
)  # fmt: skip
def test_what_would_have_no_effect_is_refused(capsys, arguments, message):
    with pytest.raises(SystemExit) as stop:
        read_options(arguments)
    assert stop.value.code == 2
    assert message in capsys.readouterr().err


def test_the_demo_has_builds_and_a_limit_for_a_firmware():
    assert read_options(["--firmware", "f.csv"]).firmware == Path("f.csv")


def test_demo_campaign_is_found_with_its_headings():
    folder = demo_folder()
    assert (folder / "campaign.csv").is_file()
    assert (folder / "columns.json").is_file()


def test_help_in_a_process_of_its_own_needs_no_heavy_package():
    code = (
        "import sys, runpy; sys.argv = ['thermcmp', '--help']\n"
        "try: runpy.run_module('thermcmp', run_name='__main__')\n"
        "except SystemExit as stop: assert not stop.code\n"
        "heavy = {'pymc', 'arviz', 'matplotlib', 'pandas', 'scipy'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    for option in ("--library", "--results", "--columns", "--out", "--sensor", "--before",
                   "--after", "--limit-c", "--case-air-c", "--noise-dba", "--power-w",
                   "--ambient-c", "--seed", "--firmware", "--duty", "--cooler-id"):  # fmt: skip
        assert option in done.stdout


def test_a_bad_fit_can_be_drawn_longer_or_allowed(recorder, tmp_path):
    """What the refusal of a bad fit advises can be done from the command line too."""
    (tmp_path / "mine").mkdir()
    arguments = ["--library", "mine", "--sensor", "memory", "--before", "A / 1", "--after", "B / 2",
                 "--limit-c", "99"]  # fmt: skip
    assert main([*arguments, "--draws", "8000", "--allow-bad-health"]) == 0
    assert recorder.calls["fit"][-1][1] == {"sensor": "memory", "seed": 1, "draws": 8000}
    for name in ("separate", "attribute", "rank", "margin", "report"):
        assert all(named["allow_bad_health"] is True for _, named in recorder.calls[name]), name
    recorder.calls.clear()
    assert main(arguments) == 0
    for name in ("fit", "separate", "attribute", "rank", "margin", "report"):
        assert not any({"draws", "allow_bad_health"} & set(n) for _, n in recorder.calls[name])


@pytest.mark.parametrize("root", ["memory://bench", "nonsense://x"])
def test_a_url_without_a_file_system_is_refused_and_makes_no_folder(root, tmp_path, capsys):
    before = sorted(tmp_path.iterdir())
    assert main(["--library", root, "--out", str(tmp_path / "o")]) == 2
    assert "no file system for this URL" in capsys.readouterr().err
    assert sorted(tmp_path.iterdir()) == before
