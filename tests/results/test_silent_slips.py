"""Slips that leave each number in its allowed range: units, exchanged cells."""

import numpy as np
import pytest
from pandas import DataFrame

from thermcmp import fit
from thermcmp._cli.terminal import in_command_words
from thermcmp.errors import InputError, ThermcmpWarning
from thermcmp.library.store import Library
from thermcmp.results import rules
from thermcmp.results.results_table import read_results
from thermcmp.results.validation import check_results

#: Invented runs: air [°C], sensor [°C], power [W], fan speed [rpm], level [dB(A)].
RUNS = [
    (21.0 + 0.3 * i, 78.0 - 0.9 * i + i % 3, 198.5 + i % 5, 1200.0 + 90.0 * i, 31.2 + 0.9 * i)
    for i in range(12)
]
COLUMNS = {
    "room": "ambient_c", "mem": "temperature_c[memory]", "power": "power_w", "speed": "fan_rpm",
    "loud": "noise_dba",
}  # fmt: skip


@pytest.fixture
def read(tmp_path):
    """Read runs as a table under headings, by default such as state no unit."""

    def write(runs=RUNS, headings=None, **options):
        names = [(headings or {}).get(name, name) for name in COLUMNS]
        lines = [",".join(["run", "cooler_model", "board_model", *names])]
        lines += [
            ",".join([f"T{i}", "Kestrel", "Plover", *(f"{value:.2f}" for value in run)])
            for i, run in enumerate(runs)
        ]
        path = tmp_path / "runs.csv"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return read_results(path, dict(zip(names, COLUMNS.values(), strict=True)), **options)

    return write


def exchanged(*places, one, other):
    """Return the runs with two readings exchanged in some of them."""
    runs = [list(run) for run in RUNS]
    for place in places:
        runs[place][one], runs[place][other] = runs[place][other], runs[place][one]
    return runs


def test_usual_numbers_need_no_unit(read):
    assert read()["ambient_c"].iloc[0] == 21.0


# Factors of NIST SP 811 (2008), appendix B.8; sone from ISO 532-1, 40 phon are 1 sone.
@pytest.mark.parametrize(
    ("place", "heading", "other"),
    [
        (0, "room", lambda c: c * 1.8 + 32.0),
        (1, "mem", lambda c: c * 1.8 + 32.0),
        (2, "power", lambda w: w / 1000.0),
        (3, "speed", lambda rpm: rpm / 24.0),
        (4, "loud", lambda dba: 2.0 ** ((dba - 32.0) / 10.0)),
    ],
)
def test_numbers_of_another_unit_are_asked_about(read, place, heading, other):
    runs = [[other(v) if i == place else v for i, v in enumerate(run)] for run in RUNS]
    with pytest.raises(InputError, match=rf"column '{heading}'.*no unit is stated|out of range"):
        read(runs, bad_rows="skip")


def test_a_unit_that_is_stated_is_taken_at_its_word(read):
    hot = [(run[0] + 40.0, run[1] + 50.0, *run[2:]) for run in RUNS]
    frame = read(hot, {"room": "room [°C]", "mem": "mem [°C]"})
    assert frame["ambient_c"].iloc[0] == 61.0


@pytest.mark.parametrize("heading", ["room F", "room_F", "room f", "roomF"])
def test_an_f_may_be_a_unit_or_a_name(read, heading):
    with pytest.raises(InputError, match="may be a unit or a name"):
        read(headings={"room": heading})


def test_a_heading_that_is_a_unit_has_it(read):
    with pytest.raises(InputError, match="loudness is not a level"):
        read(headings={"loud": "sone"})


def test_exchanged_looking_cells_are_right_where_their_error_is_stated(read):
    runs = exchanged(4, one=2, other=3)
    assert len(read(runs, constants={"power_error_w": 2.0})) == len(runs)


@pytest.mark.parametrize(("one", "other"), [(2, 3), (1, 3), (0, 2), (3, 4), (2, 4)])
@pytest.mark.parametrize("places", [(5,), (0, 7, 11)])
def test_exchanged_cells_are_named(read, one, other, places):
    with pytest.raises(InputError, match=r"look swapped|colder than the air") as caught:
        read(exchanged(*places, one=one, other=other))
    rows = {fault.row for fault in caught.value.faults if "swapped" in fault.message}
    assert rows == {place + 2 for place in places}


def test_exchanged_cells_that_a_library_holds_are_named_by_their_runs(read, tmp_path, monkeypatch):
    rows = read()
    wrong = rows.copy()
    readings = ["power_w", "fan_rpm"]
    wrong.loc[[3, 5], readings] = rows.loc[[3, 5], readings[::-1]].to_numpy()
    library = Library(tmp_path / "library")
    with monkeypatch.context() as before:
        # A version that did not ask.
        before.setattr(rules, "find_swapped", lambda rows: [])
        library.add(wrong)
    with pytest.raises(InputError, match=r"of run 'T3' .* runs 'T3', 'T5'") as refused:
        fit(library.results())
    assert "(in a library use 'thermcmp correct')" in in_command_words(str(refused.value))
    for run in (3, 5):
        library.supersede(rows[rows["run"] == f"T{run}"], "cells were exchanged")
    assert library.results()["power_w"].max() < 210.0
    check_results(library.results())


def test_exchanged_cells_can_be_left_out(read):
    with pytest.warns(ThermcmpWarning, match="1 row was left out"):
        frame = read(exchanged(3, one=2, other=3), bad_rows="skip")
    assert "T3" not in set(frame["run"]) and len(frame) == len(RUNS) - 1


def test_unusual_set_points_are_not_exchanged_cells(read):
    # A sweep of power at several fan speeds, one of them beyond the other in its number.
    rng = np.random.default_rng(1)
    runs = [
        (21.0, 24.0 + power * rng.uniform(0.1, 0.2), power, rpm, 30.0 + rpm / 200.0)
        for power in (90.0, 210.0, 350.0, 520.0, 610.0)
        for rpm in (480.0, 900.0, 1700.0, 2600.0)
    ]
    assert len(read(runs)) == len(runs)


def test_a_map_that_is_written_the_wrong_way_round_is_said_to_be(tmp_path):
    path = tmp_path / "bench.csv"
    DataFrame({"test": ["a", "b"], "cooler": ["C1", "C2"]}).to_csv(path, index=False)
    with pytest.raises(InputError, match=r"from your headings to columns: \{'test': 'run'\}"):
        read_results(path, columns={"run": "test", "cooler_model": "cooler"})


@pytest.mark.parametrize("slip", ["{}±1", "~{}", "{} +/- 0.5", "ca. {}", "≈{}"])
def test_a_doubt_beside_a_number_gets_a_column_of_its_own(tmp_path, slip):
    path = tmp_path / "runs.csv"
    path.write_text(
        "run,cooler_model,board_model,sensor,temperature_c,ambient_c,power_w,fan_rpm\n"
        f"T1,Kestrel,Plover,memory,{slip.format(62)},21,200,1500\n",
        encoding="utf-8",
    )
    with pytest.raises(InputError, match="standard error into a column of its own"):
        read_results(path)


def test_a_copied_row_is_named_and_can_be_left_out(tmp_path):
    row = "T{},Kestrel,Plover,memory,{},21,200,1500"
    lines = [row.format(1, 70), row.format(2, 71), row.format(1, 70)]
    head = "run,cooler_model,board_model,sensor,temperature_c,ambient_c,power_w,fan_rpm"
    path = tmp_path / "runs.csv"
    path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    with pytest.raises(InputError, match="row 4: the row is a copy of row 2") as caught:
        read_results(path)
    assert len(caught.value.faults) == 1
    with pytest.warns(ThermcmpWarning, match="1 row was left out"):
        assert read_results(path, bad_rows="skip")["run"].tolist() == ["T1", "T2"]
    # Two readings under one number stay a contradiction that people settle.
    path.write_text("\n".join([head, *lines[:2], row.format(1, 75)]) + "\n", encoding="utf-8")
    with pytest.raises(InputError, match="second row"):
        read_results(path, bad_rows="skip")


def test_a_run_without_any_temperature_is_not_left_out_in_silence(tmp_path):
    path = tmp_path / "bench.csv"
    path.write_text(
        "run,cooler_model,board_model,ambient_c,power_w,fan_rpm,memory,junction\n"
        "R1,A,B,22.1,200,1800,70.2,80.1\n"
        "R2,A,B,22.3,201,1800,,81.0\n"
        "R3,A,B,22.2,199,1800,,\n"
    )
    sensors = {name: f"temperature_c[{name}]" for name in ("memory", "junction")}
    with pytest.warns(ThermcmpWarning, match=r"without any temperature are left out: row 4\. Fix"):
        rows = read_results(path, columns=sensors)
    # One of two sensors may be blank.
    assert rows["run"].to_list() == ["R1", "R1", "R2"]


def scaled(place, at, factor):
    """Return the runs with one reading of one of them multiplied."""
    runs = [list(run) for run in RUNS]
    runs[at][place] *= factor
    return runs


@pytest.mark.parametrize(("place", "column"), [(2, "power"), (3, "speed")])
@pytest.mark.parametrize("factor", [10.0, 0.1])
def test_a_reading_off_by_ten_is_asked_about_at_once(read, place, column, factor):
    with pytest.raises(InputError, match="a decimal mark may be missing") as refused:
        read(scaled(place, 7, factor))
    (fault,) = refused.value.faults
    assert fault.column == column
    assert fault.row == 9


def test_a_reading_off_by_ten_whose_error_is_stated_is_taken(read):
    runs = scaled(2, 7, 10.0)
    frame = read(RUNS).assign(power_w=[run[2] for run in runs])
    with pytest.raises(InputError, match="a decimal mark"):
        check_results(frame)
    stated = check_results(frame.assign(power_error_w=[5.0 if i == 7 else None for i in range(12)]))
    assert stated["power_w"].max() > 1900.0


def test_an_idle_run_among_loaded_ones_is_none(read):
    """A tenth of the power brings a tenth of the rise: the reading is right."""
    runs = scaled(2, 7, 0.1)
    runs[7][1] = runs[7][0] + 0.1 * (runs[7][1] - runs[7][0])
    assert len(read(runs)) == len(RUNS)


@pytest.mark.parametrize("slip", [scaled(2, 7, 10.0), exchanged(7, one=2, other=3)])
def test_a_withdrawn_run_is_not_asked_about(read, slip):
    frame = read(RUNS).assign(
        power_w=[run[2] for run in slip], fan_rpm=[run[3] for run in slip],
    )  # fmt: skip
    with pytest.raises(InputError, match=r"decimal mark|swapped"):
        check_results(frame)
    verdicts = ["refused" if i == 7 else "pass" for i in range(len(RUNS))]
    assert len(check_results(frame.assign(protocol_verdict=verdicts))) == len(RUNS)
