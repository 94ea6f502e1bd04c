"""The command line: what it asks for, what it prints, and how it fails."""

import os
import subprocess
import sys
import tomllib
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

import thermcmp
from thermcmp import read_results
from thermcmp.__main__ import main
from thermcmp._cli.app import app
from thermcmp._cli.job import _library_name, demo_folder
from thermcmp._cli.option_groups import At
from thermcmp._cli.terminal import in_command_words
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

FRAME = pd.DataFrame(
    {
        "sensor": ["memory", "edge"], "product": ["Alder r1", "Alder r1"], "run": ["1", "1"],
        "ambient_c": 21.53, "power_w": 199.6, "noise_dba": [38.2, 40.1], "mic_distance_m": 0.5,
    }
)  # fmt: skip
USUAL = {"ambient_c": 21.5, "power_w": 200.0, "noise_dba": 39.0, "mic_distance_m": 0.5}


IS_CHEAP = "thermcmp.inference.comparison.candidates.is_cheap"
#: Rows for the demo's questions.
DEMO = FRAME.assign(sensor=["memory", "junction"])
REPORT = ["report", "--library", "mine", "--sensor", "memory"]


def fitted(health="ok"):
    """Stands in for a fit of rows without a regulated run."""
    return SimpleNamespace(
        health=health,
        status=f"{health}, nothing stands out",
        results=FRAME.assign(regulated=False),
        findings=("Run R7 is 2 K hotter.",),
    )


class Recorder:
    """Stands in for the public calls and keeps what they were asked."""

    def __init__(self):
        self.calls, self.frame, self.read, self.refusal = {}, FRAME, FRAME, None
        receipt = SimpleNamespace(new=2, known=1, skipped=())
        self.library = SimpleNamespace(
            add=lambda *a, **n: receipt,
            supersede=lambda *a, **n: (
                self.calls.setdefault("supersede", []).append((a, n)) or receipt
            ),
            results=lambda **wanted: (
                self.calls.setdefault("results", []).append(wanted) or self.frame
            ),
        )

    def __getattr__(self, name):
        def call(*args, **named):
            self.calls.setdefault(name, []).append((args, named))
            return self.answer(name)

        return call

    def answer(self, name):
        if name == "attribute" and self.refusal is not None:
            raise self.refusal
        refused = pd.DataFrame({"file": ["r2.csv"], "run": ["2"], "reason": ["throttled"]})
        notes = pd.DataFrame({"file": ["r1.csv", "r2.csv", "r3.csv"], "note": ["1 K", "1 K", "a"]})
        known = {
            "fit": fitted,
            "load_fit": fitted,
            "fit_sensors": lambda: {s: fitted() for s in self.calls[name][-1][0][1]},
            "Conditions": lambda: self.calls[name][-1][1],
            "read_results": lambda: self.read,
            "reduce_logs": lambda: SimpleNamespace(
                results=FRAME, refused=refused, cautions=(), notes=notes
            ),
            "withdraw": lambda: SimpleNamespace(new=2, known=0),
            "Library": lambda: self.library,
            "report": lambda: self.calls[name][-1][0][1],
        }
        return known.get(name, lambda: Reply(name))()


class Reply(SimpleNamespace):
    """Stands in for an answer."""

    def __init__(self, name):
        super().__init__(
            name=name,
            sentences=[f"{name} one.", f"{name} two."],
            interval_words="90% equal-tailed intervals",
            table=pd.DataFrame({"k": [1.5]}),
            caveats=(),
            health="ok",
            fits=(),
        )

    def __str__(self):
        return f"{self.name} as a table"


@pytest.fixture
def recorder(monkeypatch, tmp_path):
    stand_in = Recorder()
    names = (
        "Library", "read_results", "reduce_logs", "load_fit", "chain", "check_fit", "withdraw",
        "fit", "fit_sensors", "separate", "attribute", "attribute_sensors", "rank", "margin",
        "predict", "compare_labs", "compare_models", "Conditions", "report",
    )  # fmt: skip
    for name in names:
        monkeypatch.setattr(thermcmp, name, getattr(stand_in, name), raising=False)
    monkeypatch.setattr("thermcmp._cli.job._study_alone", lambda *given: None)
    monkeypatch.setattr(IS_CHEAP, lambda fit: False)
    monkeypatch.chdir(tmp_path)
    return stand_in


def test_demo_asks_all_questions_and_prints_a_screen_of_lines(recorder, capsys):
    recorder.frame = DEMO
    assert main([]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert 8 <= len(lines) <= 18
    # Ranges without kind and probability say nothing.
    data = next(line for line in lines if line.startswith("Data:"))
    assert data.endswith("Ranges in brackets: 90% equal-tailed intervals.")
    for word in ("Data: 1 rows of the memory", "Separation: ", "Attribution: ", "Ranking: ",
                 "Margin: "):  # fmt: skip
        assert any(line.startswith(word) for line in lines)
    assert lines[-1] == f"Report: {Path('thermcmp-out') / 'report.html'}"
    assert recorder.calls["attribute"][0][0][1:] == ("Alder r1 / fw 1", "Alder r2 / fw 2")
    assert recorder.calls["rank"][0][1]["at"] == USUAL
    assert [call[0][1] for call in recorder.calls["margin"]] == [
        "Alder r1 / fw 1", "Alder r2 / fw 2",
    ]  # fmt: skip
    assert len(recorder.calls["report"][0][0][0]) == 6


def test_a_small_campaign_is_held_against_other_models_before_it_is_asked(
    recorder, monkeypatch, tmp_path
):
    monkeypatch.setattr(IS_CHEAP, lambda fit: True)
    (tmp_path / "mine").mkdir()
    main([*REPORT, "--out", str(tmp_path / "out")])
    assert list(recorder.calls).index("compare_models") < list(recorder.calls).index("separate")
    ((answers, _), _) = recorder.calls["report"][0]
    assert "compare_models" in [answer.name for answer in answers]


def test_what_is_not_stated_of_a_noise_comes_from_the_rows():
    rows = FRAME.assign(mic_distance_m=1.0)
    assert At(noise_dba=40.0).to_rank(rows)["mic_distance_m"] == 1.0
    assert At(noise_dba=40.0).on_bench(rows)["mic_distance_m"] == 1.0
    assert At(mic_distance_m=0.3).to_rank(rows)["mic_distance_m"] == 0.3
    assert "mic_distance_m" not in At(fan_rpm=1500.0).to_rank(rows)
    assert "mic_distance_m" not in At(noise_dba=40.0).on_bench(
        rows.assign(mic_distance_m=float("nan"))
    )


def test_options_reach_the_calls(recorder, tmp_path):
    (tmp_path / "mine").mkdir()
    arguments = ["report", "--library", "mine", "--out", "o", "--sensor", "edge", "--only",
                 "lab=north", "--only", "lab=south", "--before", "A / 1", "--limit-c", "99",
                 "--case-air-c", "40", "--noise-dba", "38", "--power-w", "150",
                 "--ambient-c", "23", "--seed", "7"]  # fmt: skip
    assert main(arguments) == 0
    assert recorder.calls["Library"][0][0] == ("mine",)
    assert "read_results" not in recorder.calls
    assert recorder.calls["results"] == [{"lab": ["north", "south"]}]
    assert recorder.calls["fit"][0][1] == {"sensor": "edge", "seed": 7}
    assert list(recorder.calls["fit"][0][0][0]["sensor"]) == ["edge"]
    assert recorder.calls["rank"][0][1]["at"] == {
        "ambient_c": 23.0, "power_w": 150.0, "noise_dba": 38.0, "mic_distance_m": 0.5,
    }  # fmt: skip
    assert recorder.calls["margin"][0][0][1] == "A / 1"
    held = {"ambient_c": 40.0, "power_w": 150.0, "noise_dba": 38.0, "mic_distance_m": 0.5}
    assert recorder.calls["margin"][0][1] == {"at": held, "limit_c": 99.0}
    assert recorder.calls["report"][0][0][1] == Path("o/report.html")
    assert "attribute" not in recorder.calls


def test_only_steps_that_are_done_are_told(recorder, tmp_path, capsys):
    (tmp_path / "mine").mkdir()
    assert main(REPORT) == 0
    said = capsys.readouterr().err
    assert "Reducing the logs" not in said
    assert said.startswith("Reading the results …\n")
    recorder.frame = DEMO
    assert main([]) == 0
    assert capsys.readouterr().err.startswith("Reducing the logs …\n")


def test_sensors_beside_are_fitted_and_set_side_by_side(recorder, tmp_path, capsys):
    (tmp_path / "mine").mkdir()
    arguments = ["report", "--library", "mine", "--sensor", "memory", "--beside", "edge"]
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
    arguments = ["report", "--library", "mine", "--sensor", "memory", "--beside", "edge"]
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
FIRMWARE = ["report", "--library", "mine", "--sensor", "memory", "--limit-c", "99",
            "--case-air-c", "35", "--firmware", "fw.csv"]  # fmt: skip


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
    assert main(REPORT) == 0
    out = capsys.readouterr().out
    assert "Attribution: not asked; give --before and --after" in out
    assert "Margin: not asked; give --limit-c" in out


def test_the_mends_of_an_unclear_table_can_be_taken(tmp_path, monkeypatch, capsys):
    """What reading a table asks for stands in the message as an option, and can be given."""
    monkeypatch.chdir(tmp_path)
    frame = FRAME[["sensor", "product"]].assign(run=["1", "2"], temperature_c=["61,125", "62,250"])
    with pd.ExcelWriter("t.xlsx") as book:
        frame.to_excel(book, sheet_name="mine", index=False)
        frame.to_excel(book, sheet_name="copy", index=False)
    frame.to_csv("t.csv", sep=";", index=False)
    for table, fix, option in (
        ("t.xlsx", "give --sheet as one of mine, copy", ("--sheet", "mine")),
        ("t.csv", "declare --decimal '.' or --decimal ','", ("--decimal", ",")),
    ):
        assert main(["import", table, "--library", "mine"]) == 2
        assert fix in capsys.readouterr().err
        # Else something is wrong with the rows themselves.
        assert main(["import", table, "--library", "mine", *option]) == 2
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
    code = main(["import", str(log.parent), "--runs", str(runs), "--library", str(tmp_path / "l")])
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
    arguments = ["watch", "r1.csv", "--wanted-k", "0.3", "--columns", str(heads)]
    assert main(arguments) == code
    assert capsys.readouterr().out == f"5 min more\n  Note: begins at load\n{last}\n"
    assert recorder.calls == {
        "watch": [((Path("r1.csv"),), {"columns": {"memory_c": "T mem"}, "wanted_k": 0.3})]
    }


def test_the_only_sensor_need_not_be_named(recorder, tmp_path):
    (tmp_path / "mine").mkdir()
    recorder.frame = FRAME[FRAME["sensor"] == "edge"]
    assert main(["report", "--library", "mine"]) == 0
    assert recorder.calls["fit"][0][1]["sensor"] == "edge"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["rank", "--library", "nowhere"], "no such folder"),
        (["import", "nowhere.csv", "--library", "l"], "no such file"),
        (["import", "here.csv", "--library", "l", "--columns", "nowhere.toml"], "no such file"),
        (["import", "here.csv", "--library", "l", "--columns", "here.csv"], "no valid JSON"),
        (["import", "here.csv", "--library", "l", "--columns", "list.json"], "no JSON object"),
        (["import", ".", "--library", "l"], "give --runs with a table of the runs"),
        (["columns", "nowhere.csv"], "no such file"),
        (["columns", "here.csv", "--out", "list.json"], "give --overwrite"),
        (["rank"], "give --library, or --fit with a saved fit"),
        (["verify"], "give --library with the folder of your library"),
        (["fit", "--library", "."], "use --sensor with one of edge, memory"),
        (["fit", "--library", ".", "--sensor", "roof"], "value 'roof': no rows of this sensor"),
        (["fit", "--library", ".", "--only", "lab"], "--only takes NAME=VALUE, not 'lab'"),
        (["fit", "--library", ".", "--only", "power_w=hot"], "--only power_w=hot: not a number"),
        (["margin", "A / 1", "--library", "."], "Missing option '--limit-c'"),
        (["withdraw", "R1", "--library", "."], "Missing option '--reason'"),
        (["nonsense"], "No such command 'nonsense'"),
    ],
)
def test_bad_input_is_one_message_and_code_2(
    recorder, capsys, tmp_path, monkeypatch, arguments, message
):
    monkeypatch.setattr(thermcmp, "read_results", read_results)
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
def test_errors_of_the_library_end_without_a_traceback(
    recorder, tmp_path, capsys, monkeypatch, error, code
):
    def failing(*args, **named):
        raise error

    monkeypatch.setattr(thermcmp, "fit", failing, raising=False)
    (tmp_path / "mine").mkdir()
    assert main(REPORT) == code
    captured = capsys.readouterr()
    assert str(error) in captured.err
    assert "Traceback" not in captured.err
    assert captured.out == ""


def test_warnings_become_notes_and_progress_stays_off_the_output(
    recorder, tmp_path, capsys, monkeypatch
):
    import warnings

    def warning_fit(*args, **named):
        warnings.warn("one fan speed only", ThermcmpWarning, stacklevel=2)
        return fitted("caution")

    monkeypatch.setattr(thermcmp, "fit", warning_fit, raising=False)
    (tmp_path / "mine").mkdir()
    assert main(REPORT) == 0
    captured = capsys.readouterr()
    assert "Note: one fan speed only" in captured.err
    assert "Fitting 1 rows of the memory sensor" in captured.err
    assert "Fitting" not in captured.out


def test_on_a_terminal_the_step_is_shown_with_its_time(recorder, capsys, monkeypatch):
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm")
    recorder.frame = DEMO
    assert main([]) == 0
    captured = capsys.readouterr()
    assert "Fitting" in captured.err
    assert "0:00:00" in captured.err
    assert "Data: " in captured.out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--runs", "r.csv"], "--runs and --log-columns has no effect without --logs"),
        (["--duty", "d.csv"], "--duty and --cooler-id has no effect without --firmware"),
        (["--firmware", "f.csv", "--limit-c", "99"],
         "--firmware and --case-air-c has no effect without --limit-c, and --before or --after"),
        (["--case-air-c", "30", "--before", "A / 1"],
         "--firmware and --case-air-c has no effect without --limit-c, and --before or --after"),
        (["--fit", "f.nc"], "a report takes --library"),
    ],
)  # fmt: skip
def test_what_would_have_no_effect_is_refused(capsys, arguments, message):
    assert main(["report", "--library", "l", *arguments]) == 2
    assert message in capsys.readouterr().err


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
    for command in ("import", "columns", "inspect", "watch", "fit", "separate", "attribute",
                    "chain", "rank", "margin", "check", "report", "correct", "withdraw",
                    "history", "verify", "plugins", "--version"):  # fmt: skip
        assert command in done.stdout


def test_the_installed_command_is_this_one():
    project = Path(__file__).parents[2] / "pyproject.toml"
    (script,) = tomllib.loads(project.read_text(encoding="utf-8"))["project"]["scripts"].items()
    assert script == ("thermcmp", f"{main.__module__}:{main.__name__}")


def test_every_command_explains_itself(capsys):
    for command in app.commands:
        assert main([command, "--help"]) == 0
        assert capsys.readouterr().out.startswith(f"Usage: thermcmp {command} ")
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"thermcmp, version {thermcmp.__version__}\n"


def test_the_list_of_commands_is_whole_and_every_question_is_there(capsys):
    assert main(["--help"]) == 0
    shown = capsys.readouterr().out
    assert "..." not in shown.partition("Commands:")[2]
    assert "_THERMCMP_COMPLETE" in shown
    questions = {"separate", "attribute", "chain", "rank", "margin", "predict", "compare-labs",
                 "compare-models", "check", "report"}  # fmt: skip
    assert questions <= set(app.commands)


def test_the_shell_can_complete_commands():
    """The protocol of the library for command lines: words and the place of the cursor."""
    env = {**os.environ, "_THERMCMP_COMPLETE": "bash_complete", "COMP_WORDS": "thermcmp wi",
           "COMP_CWORD": "1", "PYTHONPATH": os.pathsep.join(sys.path)}  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-m", "thermcmp"], capture_output=True, text=True, check=False, env=env
    )
    assert done.stdout == "plain,withdraw\n", done.stderr


def test_a_ranking_as_bought_reads_the_firmware_first(recorder, rules, capsys):
    assert main(["rank", "--fit", "memory.nc", "--firmware", "fw.csv", "--ambient-c", "30"]) == 0
    (asked,) = [call[1] for call in recorder.calls["rank"]]
    assert asked["ambient_c"] == 30.0
    assert "noise_dba" not in asked
    assert asked["firmware"]["1"].fan == thermcmp.FanCurve((45.0, 90.0), (1000.0, 2600.0))
    assert main(["rank", "--fit", "memory.nc", "--firmware", "none.csv"]) == 2
    assert "none.csv" in capsys.readouterr().err


def test_laboratories_show_the_left_out_or_the_funnel(recorder, capsys):
    usual = recorder.answer
    labs = SimpleNamespace(left_out="without each", funnel=lambda: "the funnel")
    recorder.answer = lambda name: labs if name == "compare_labs" else usual(name)
    asked = ["compare-labs", "--fit", "memory.nc"]
    assert main([*asked, "--funnel"]) == 0
    assert main([*asked, "--left-out"]) == 0
    assert capsys.readouterr().out == "the funnel\nwithout each\n"
    labs.left_out = None
    assert main([*asked, "--left-out"]) != 0
    assert "No two products were run at several laboratories" in capsys.readouterr().err


def test_questions_take_a_saved_fit_and_write_table_and_figure(recorder, capsys, tmp_path):
    saved = ["--fit", "memory.nc"]
    assert main(["rank", *saved, "--scope", "specimens", "--csv", "rank.csv"]) == 0
    assert recorder.calls["rank"][0][1] == {"scope": "specimens", **USUAL}
    assert capsys.readouterr().out == "rank as a table\n"
    assert (tmp_path / "rank.csv").read_text(encoding="utf-8") == "k\n1.5\n"
    assert main(["rank", *saved, "--fan-rpm", "1500"]) == 0
    assert recorder.calls["rank"][1][1] == {
        "scope": "product line", "ambient_c": 21.5, "power_w": 200.0, "fan_rpm": 1500.0,
    }  # fmt: skip
    assert main(["attribute", "A / 1", "B / 2", *saved, "--fan-rpm", "1500"]) == 0
    assert recorder.calls["attribute"][0][0][1:] == ("A / 1", "B / 2")
    assert recorder.calls["attribute"][0][1] == {
        "ambient_c": 21.5, "fan_rpm": 1500.0, "allow_prior": False,
    }  # fmt: skip
    assert main(["chain", "A", "B", "C", *saved]) == 0
    assert recorder.calls["chain"][0][0][1] == ["A", "B", "C"]
    assert recorder.calls["chain"][0][1] == {"ambient_c": 21.5}
    assert main(["margin", "A / 1", *saved, "--limit-c", "99"]) == 0
    assert recorder.calls["margin"][0][1] == {"limit_c": 99.0, "ambient_c": 21.5}
    assert main(["separate", *saved, "--before", "A", "--after", "B"]) == 0
    assert recorder.calls["separate"][0][1] == {"before": "A", "after": "B"}
    assert main(["check", *saved]) == 0
    assert main(["predict", "A / 1", *saved, "--fan-rpm", "1500"]) == 0
    assert recorder.calls["predict"][0][0][1:] == ("A / 1",)
    assert recorder.calls["predict"][0][1] == {"ambient_c": 21.5, "fan_rpm": 1500.0}
    assert main(["compare-labs", *saved, "--allow-bad-health"]) == 0
    assert recorder.calls["compare_labs"][0][1] == {"allow_bad_health": True}
    assert main(["compare-models", *saved, "--before", "A", "--after", "B"]) == 0
    assert recorder.calls["compare_models"][0][1] == {
        "before": "A", "after": "B", "student": False, "budget_s": 60.0,
    }  # fmt: skip
    assert len(recorder.calls["load_fit"]) == 10
    assert "fit" not in recorder.calls


def test_a_question_without_an_answer_does_not_cost_the_others(recorder, tmp_path, capsys):
    (tmp_path / "mine").mkdir()
    recorder.refusal = NotEstimableError("A is not known. Fix: state fan_rpm and power_w.")
    arguments = ["report", "--library", "mine", "--sensor", "memory", "--before", "A / 1"]
    assert main([*arguments, "--after", "B / 2"]) == 0
    out = capsys.readouterr().out
    assert "Attribution: no answer. A is not known. Fix: state --fan-rpm and --power-w.\n" in out
    assert "Ranking: rank one." in out


def test_runs_are_withdrawn_and_rows_corrected_with_a_reason(recorder, tmp_path, capsys):
    (tmp_path / "mine").mkdir()
    (tmp_path / "t.csv").touch()
    library = ["--library", "mine"]
    assert main(["withdraw", "R1", "R2", "--reason", "pad slipped", "--lab", "n", *library]) == 0
    assert recorder.calls["withdraw"][0][0][1:] == (("R1", "R2"), "pad slipped")
    assert recorder.calls["withdraw"][0][1] == {"lab": "n"}
    assert capsys.readouterr().out == "2 rows were withdrawn, 0 had been already.\n"
    assert main(["correct", "t.csv", "--reason", "probe moved", *library]) == 0
    assert recorder.calls["supersede"][0][0][1] == "probe moved"


def test_a_folder_of_logs_is_imported_with_its_run_sheet(recorder, tmp_path, capsys):
    (tmp_path / "logs").mkdir()
    (tmp_path / "runs.csv").touch()
    arguments = ["import", "logs", "--runs", "runs.csv", "--library", "mine"]
    assert main([*arguments, "--split-by", "device"]) == 0
    assert recorder.calls["reduce_logs"][0][1]["split_by"] == "device"
    assert capsys.readouterr().out == (
        "Refused: r2.csv, run 2: throttled\n"
        "Note: r1.csv and 1 more: 1 K\n"
        "Note: r3.csv: a\n"
        "2 rows of 1 runs were added to mine, 1 were there already.\n"
    )


@pytest.mark.parametrize(
    ("words", "here"),
    [
        ("give words={'lab': {'north': 'North'}} if so", 'give --word "lab: north = North" if so'),
        ("give dates='%d.%m.%Y', or", "give --dates '%d.%m.%Y', or"),
        ("give fill_merged=True", "give --fill-merged"),
        ("or give bad_rows='skip'", "or give --bad-rows 'skip'"),
        ("if the import is right, use supersede(frame, reason)",
         "if the import is right, use 'thermcmp correct'"),
        ("give lab= as one of a, b", "give --lab as one of a, b"),
        ("Fix: give firmware=.", "Fix: give --firmware."),
        ("or pass allow_prior=True (it is recorded).", "or --allow-prior (it is recorded)."),
        ("give allow_bad_health=True.", "give --allow-bad-health."),
        ("write n=3", "write n=3"),
        ("name it with columns={'time': …}", "name it with --columns {'time': …}"),
    ],
)  # fmt: skip
def test_cures_are_options_here(words, here):
    assert in_command_words(words) == here


def test_a_bad_fit_can_be_drawn_longer_or_allowed(recorder, tmp_path):
    """What the refusal of a bad fit advises can be done from the command line too."""
    (tmp_path / "mine").mkdir()
    arguments = [*REPORT, "--before", "A / 1", "--after", "B / 2", "--limit-c", "99",
                 "--case-air-c", "35"]  # fmt: skip
    assert main([*arguments, "--draws", "8000", "--engine", "nuts", "--allow-bad-health"]) == 0
    asked = {"sensor": "memory", "seed": 1, "draws": 8000, "engine": "nuts"}
    assert recorder.calls["fit"][-1][1] == asked
    for name in ("separate", "attribute", "rank", "margin", "report"):
        assert all(named["allow_bad_health"] is True for _, named in recorder.calls[name]), name
    recorder.calls.clear()
    assert main(arguments) == 0
    for name in ("fit", "separate", "attribute", "rank", "margin", "report"):
        assert not any({"draws", "allow_bad_health"} & set(n) for _, n in recorder.calls[name])


@pytest.mark.parametrize("root", ["memory://bench", "nonsense://x"])
def test_a_url_without_a_file_system_is_refused_and_makes_no_folder(root, tmp_path, capsys):
    before = sorted(tmp_path.iterdir())
    assert main(["report", "--library", root, "--out", str(tmp_path / "o")]) == 2
    assert "no file system for this URL" in capsys.readouterr().err
    assert sorted(tmp_path.iterdir()) == before
