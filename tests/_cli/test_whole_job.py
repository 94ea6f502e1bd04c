"""The whole job on the demo campaign, from the command line to the page."""

import json
import re

import pandas as pd
import pytest

import thermcmp as tc
from thermcmp import margin
from thermcmp.__main__ import main
from thermcmp._cli.job import demo_folder

BUILD = "Alder r1 / fw 1"


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    import contextlib
    import io

    folder = tmp_path_factory.mktemp("job")
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(["--out", str(folder)])
    return code, out.getvalue().splitlines(), err.getvalue(), folder


def test_the_job_ends_well_in_a_screen_of_lines(done):
    code, lines, errors, folder = done
    assert code == 0, errors
    assert 8 <= len(lines) <= 28
    assert lines[-1] == f"Report: {folder / 'report.html'}"
    # The verdict on the fix stands first, on the page too; then what to look at.
    assert lines[0].startswith("At equal noise the hardware of Alder r2 / fw 2 runs")
    assert lines[1].endswith("things to look at:")
    data = next(place for place, line in enumerate(lines) if line.startswith("Data:"))
    assert "fit ok" in lines[data]
    assert lines[data + 1].startswith("Attribution: Alder r2 / fw 2 runs")
    page = (folder / "report.html").read_text(encoding="utf-8")
    first = page.index(lines[0].partition(";")[0])
    assert first < page.index("The hardware made the memory")
    assert first < page.index("In the study&#39;s own rows")
    assert "cannot be separated" in page


def test_the_verdict_holds_the_truth_that_the_demo_was_made_from(done):
    _, lines, _, _ = done
    truth = json.loads((demo_folder() / "truth.json").read_text(encoding="utf-8"))["truth"]
    effects = truth["effects"]["memory"]
    models, specimens = effects["cooler_model"], effects["cooler"]
    # The specimens on the bench: their model's effect and their own deviation.
    known = (models["Alder-C2"] + specimens["Alder-C2-1"]) - (
        models["Alder-C1"] + specimens["Alder-C1-1"]
    )
    line = next(line for line in lines if line.startswith("Separation: "))
    assert "Alder-C2" in line
    ends = re.search(r"\(([-−]?[\d.]+) to ([-−]?[\d.]+)\)", line)
    low, high = (float(end.replace("−", "-")) for end in ends.groups())
    assert low < known < high < 0.0


def test_the_study_alone_cannot_tell_board_from_vendor(done):
    # In the study each board model carries its own memory vendor; the peers' rows break that.
    _, lines, _, _ = done
    alone = "\n".join(lines[: next(i for i, x in enumerate(lines) if x.startswith("Separation"))])
    assert "Study alone: " in alone
    assert "cannot be separated" in alone
    assert "To separate them: test" in alone


def test_the_page_holds_every_question(done):
    page = (done[3] / "report.html").read_text(encoding="utf-8")
    # Two figures check each fit: of memory with the peers, of the study alone, of junction.
    assert page.count("<figure>") == 7 + 2 * 3
    for shown in ("Alder r1 / fw 1", "Safety at the bench", "301", "Health of the memory fit",
                  "memory fit of 116 rows"):  # fmt: skip
        assert shown in page


def test_the_junction_stands_beside_the_memory(done):
    # Truth of the demo's specimens: hardware gives the memory 9 K and the junction about none.
    _, lines, _, folder = done
    (line,) = [line for line in lines if line.startswith("Sensors: ")]
    assert re.search(r"memory improves by \d+\.\d K", line)
    assert "junction improves by" in line
    assert "not clearly by its hardware" in line
    page = (folder / "report.html").read_text(encoding="utf-8")
    for shown in (
        "a bench assembly of the new parts",
        "Assemblies that stand out",
        "total, new parts",
    ):
        assert shown in page


def test_a_sensor_beside_that_is_not_there_is_named(tmp_path, capsys):
    tc.Library(tmp_path / "lab").add(tc.simulate(seed=3, remounts=1).results)
    arguments = ["report", "--library", str(tmp_path / "lab"), "--sensor", "memory"]
    assert main([*arguments, "--before", BUILD, "--after", BUILD, "--beside", "roof"]) == 2
    assert (
        "value 'roof': no rows of this other sensor. Fix: use one of edge, junction"
        in capsys.readouterr().err
    )


def test_refused_runs_are_listed_with_their_reason(done):
    # Planted in the demo's logs: a throttled run, a drifting ambient, a slipped fan.
    _, lines, _, folder = done
    data = next(line for line in lines if line.startswith("Data:"))
    assert "3 refused (R272, R284, R296)" in data
    page = (folder / "report.html").read_text(encoding="utf-8")
    listed = page[page.index('<h2 id="refused">') :]
    for run, reason in (("R272", "throttled"), ("R284", "ambient moved"), ("R296", "fan speed")):
        assert re.search(rf"{run}.*?{reason}", listed, re.DOTALL)


def test_the_margin_under_a_firmware_is_that_of_the_function(tmp_path, capsys, monkeypatch):
    """The same rows, seed and firmware table give the same closed loop by either way."""
    lab = tc.Library(tmp_path / "lab")
    lab.add(tc.simulate(seed=3, remounts=1).results)
    table = tmp_path / "fw.csv"
    table.write_text(
        "firmware,fan_control,control_sensor,temperature_c,fan_rpm,power_limit_w\n"
        "fw 1,curve,junction,60,1000,225\nfw 1,curve,,95,2600,\n",
        encoding="utf-8",
    )
    kept = []
    monkeypatch.setattr(tc, "margin", lambda *a, **n: kept.append(margin(*a, **n)) or kept[-1])
    assert main(["report", "--library", str(tmp_path / "lab"), "--out", str(tmp_path),
                 "--sensor", "memory", "--before", BUILD, "--limit-c", "100",
                 "--case-air-c", "35", "--firmware", str(table),
                 "--draws", "1000"]) == 0  # fmt: skip
    fits = tc.fit_sensors(lab.results(), ["memory", "junction"], seed=1, draws=1000)
    own = margin(
        fits["memory"],
        BUILD,
        ambient_c=35.0,
        limit_c=100.0,
        firmware=tc.read_firmware(table),
        control=fits["junction"],
    )
    (asked,) = kept
    pd.testing.assert_frame_equal(asked.table, own.table)
    assert asked.ambient_at_limit_c == own.ambient_at_limit_c
    assert own.sentences[0] in capsys.readouterr().out
    # The loop answers: the fan turns faster in warmer air.
    assert own.table["fan_rpm"].is_monotonic_increasing
    assert own.table["fan_rpm"].iloc[-1] > own.table["fan_rpm"].iloc[0] + 100.0


def test_own_table_is_imported_and_a_wrong_sensor_named(tmp_path, capsys):
    folder, library = demo_folder(), ["--library", str(tmp_path / "lab")]
    columns = ["--columns", str(folder / "columns.json")]
    assert main(["import", str(folder / "campaign.csv"), *columns, *library]) == 0
    assert "807 rows of 269 runs were added" in capsys.readouterr().out
    assert main(["import", str(folder / "campaign.csv"), *columns, *library]) == 0
    assert "0 rows of 269 runs were added" in capsys.readouterr().out
    assert main(["fit", *library, "--sensor", "roof"]) == 2
    assert "use --sensor with one of edge, junction, memory" in capsys.readouterr().err
