"""The check of results frames."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermcmp.errors import InputError, ThermcmpError, ThermcmpWarning
from thermcmp.results.schema import COLUMNS, NAMES, REQUIRED
from thermcmp.results.validation import check_results


def bench_frame(**changes):
    frame = pd.DataFrame(
        {
            "lab": "north",
            "run": ["r1", "r1", "r2", "r3"],
            "sensor": ["memory", "edge", "memory", "memory"],
            "cooler_model": "Alder r1",
            "board_model": "Kestrel",
            "temperature_c": [84.0, 71.0, 86.5, 80.25],
            "ambient_c": 21.5,
            "power_w": [220.0, 220.0, 221.0, 219.0],
        }
    )
    return frame.assign(**changes)


def faults_of(frame, **names):
    with pytest.raises(InputError) as caught:
        check_results(frame, **names)
    return caught.value.faults


def test_names_that_look_alike_are_one_level():
    looks = ["Alder r1", "Alder\u00a0r1", "Alder r1\u200b", " Alder  r1"]
    assert check_results(bench_frame(cooler_model=looks))["cooler_model"].unique().tolist() == [
        "Alder r1"
    ]
    faults = faults_of(bench_frame(cooler_model=["\u200b", "a\0b", "A", "A"]))
    assert [(fault.row, fault.message) for fault in faults] == [
        (1, "holds a sign that cannot be shown"),
        (0, "the value is missing"),
    ]


def test_names_that_differ_by_case_are_asked_about():
    frame = bench_frame(run=["r1", "r4", "r2", "r3"], cooler_model=["Alder r1", "alder R1"] * 2)
    with pytest.warns(ThermcmpWarning, match="cooler_model: 'Alder r1' and 'alder R1'"):
        checked = check_results(frame)
    assert checked["cooler_model"].nunique() == 2
    frame = frame.assign(cooler_model=["Alder r1", "\u0410lder r1"] * 2)
    with pytest.warns(ThermcmpWarning, match=r"'Alder r1' and '\\u0410lder r1'"):
        check_results(frame)


@pytest.mark.parametrize("value", [2**70, 10**400])
def test_numbers_beyond_measure_are_refused_by_name(value):
    assert check_results(bench_frame(run=["r1", "r1", 2**70, "r3"]))["run"][2] == str(2**70)
    frame = bench_frame(power_w=pd.Series([value, 220.0, 220.0, 220.0], dtype=object))
    assert faults_of(frame)[0].column == "power_w"


def test_a_good_frame_gets_every_column_in_its_canonical_type():
    checked = check_results(bench_frame(n=[1, 1, None, 1], note=[1, 2, 3, 4]))
    assert list(checked.columns) == [*NAMES, "note"]
    kinds = {
        "text": "string",
        "number": "float64",
        "count": "Int64",
        "flag": "bool",
        "time": "datetime64[us, UTC]",
    }
    for column in COLUMNS:
        assert str(checked[column.name].dtype) == kinds[column.kind]
    assert not checked["at_limit"].any()
    assert checked["fan_rpm"].isna().all()
    assert checked["note"].tolist() == [1, 2, 3, 4]


def test_ids_are_text_whatever_they_were():
    frame = bench_frame(board_id=[7.0, 7.0, np.nan, 9.0], cooler_id=["007", "007", "7", "1E5"])
    checked = check_results(frame)
    assert checked["board_id"].tolist()[:2] == ["7", "7"]
    assert checked["board_id"].isna().tolist() == [False, False, True, False]
    assert checked["cooler_id"].tolist() == ["007", "007", "7", "1E5"]


def test_the_frame_given_is_left_alone():
    frame = bench_frame(board_id=7)
    before = frame.copy(deep=True)
    check_results(frame)
    pd.testing.assert_frame_equal(frame, before)


def test_checking_twice_changes_nothing():
    once = check_results(bench_frame(started_at="2026-03-09 14:05+01:00", regulated="yes"))
    pd.testing.assert_frame_equal(check_results(once), once)
    assert once["started_at"].iloc[0] == pd.Timestamp("2026-03-09 13:05", tz="UTC")


def test_a_named_index_counts_as_a_column():
    assert check_results(bench_frame().set_index("run"))["run"].tolist() == ["r1", "r1", "r2", "r3"]


def test_all_faults_are_listed_at_once_in_the_users_terms():
    frame = bench_frame(
        temperature_c=["84", "71", "hot", "300"],
        fan_mode=["stok", "stok", None, "fixed"],
        n=[1, 1, 2, 1.5],
        power_w=[220, 220, None, 219],
    )
    faults = faults_of(frame, file="t.csv", rows=[2, 3, 5, 6], headings={"temperature_c": "Temp"})
    reported = {(f.file, f.row, f.column, f.value) for f in faults}
    assert reported == {
        ("t.csv", 5, "Temp", "hot"),
        ("t.csv", 6, "Temp", "300.0"),
        ("t.csv", 2, "fan_mode", "stok"),
        ("t.csv", 3, "fan_mode", "stok"),
        ("t.csv", 6, "n", "1.5"),
        ("t.csv", 5, "standard_error_k", None),
    }
    assert all(fault.fix for fault in faults)


@pytest.mark.parametrize("name", REQUIRED)
def test_a_missing_required_column_is_named_with_the_one_meant(name):
    (fault, *_) = faults_of(bench_frame().rename(columns={name: name + "x"}))
    assert fault.column == name
    assert f"'{name}x'" in fault.fix


@pytest.mark.parametrize(
    "column", [c for c in COLUMNS if c.low is not None or c.high is not None], ids=lambda c: c.name
)
def test_both_ends_of_each_range_are_in_and_beyond_is_out(column):
    inside = [end for end in (column.low, column.high) if end is not None]
    beyond = [end + (1 if end == column.high else -1) for end in inside]
    values = [*inside, *beyond]
    frame = (
        bench_frame()
        .iloc[: len(values)]
        .assign(run=[f"r{i}" for i in range(len(values))], ambient_c=-40.0, standard_error_k=1.0)
    )
    faults = faults_of(frame.assign(**{column.name: values}))
    reported = {
        f.row
        for f in faults
        if f.column == column.name and ("range" in f.message or "small" in f.message)
    }
    assert reported == set(range(len(inside), len(values)))


@pytest.mark.parametrize(
    ("changes", "column", "rows"),
    [
        ({"sensor": "memory"}, "run", {1}),
        ({"fan_rpm": [1500, 1501, 1500, 1500]}, "fan_rpm", {1}),
        ({"noise_dba": [38, 38.1, 38, 38]}, "noise_dba", {1}),
        ({"firmware": ["a", "b", "a", "a"]}, "firmware", {1}),
        ({"assembly": "m1", "cooler_id": ["c1", "c1", "c2", "c1"]}, "cooler_id", {2}),
        ({"assembly": "m1", "board_id": ["b1", "b1", "b1", "b2"]}, "board_id", {3}),
        ({"assembly": "m1", "cooler_model": ["x", "x", "x", "y"]}, "cooler_model", {3}),
        ({"board_id": "b1", "memory_vendor": ["u", "u", "v", None]}, "memory_vendor", {2}),
        ({"board_id": "b1", "board_model": ["u", "u", "v", "u"]}, "board_model", {2}),
        ({"cooler_id": "c1", "cooler_model": ["u", "u", "u", "v"]}, "cooler_model", {3}),
        ({"temperature_c": [84, 19.4, 86, 80]}, "temperature_c", {1}),
        ({"noise_dba": 30.0, "noise_floor_dba": 30.1}, "noise_dba", {0, 1, 2, 3}),
        ({"n": 3}, "standard_error_k", {0, 1, 2, 3}),
        ({"temperature_high_c": [84.0, 72.0, None, None]}, "temperature_high_c", {0}),
        ({"at_limit": True, "at_floor": [True, False, True, False]}, "temperature_c", {0, 2}),
        ({"at_floor": True, "temperature_high_c": [None, 90, 90, 90]}, "temperature_c", {1, 2, 3}),
        ({"temperature_c": 15.0, "temperature_high_c": [16, 22, 22, 22]}, "temperature_c", {0}),
    ],
)
def test_rules_between_columns_and_rows(changes, column, rows):
    faults = faults_of(bench_frame(**changes))
    assert {f.column for f in faults} == {column}
    assert {f.row for f in faults} == rows


def test_rules_leave_alone_what_is_allowed():
    # A little colder than the air is allowed, and asked about.
    with pytest.warns(ThermcmpWarning, match="1 row of 'edge'"):
        check_results(
            bench_frame(
                lab=["north", "north", "south", None],
                run="r1",
                sensor=["memory", "edge", "memory", "memory"],
                assembly=["m1", "m1", "m1", "m1"],
                cooler_id=["c1", "c1", "c2", "c3"],
                board_id=["b1", "b1", "b2", None],
                temperature_c=[84, 19.5, 86, 80],
                noise_dba=30.0,
                noise_floor_dba=30.0,
                n=[2, 2, 1, None],
                standard_error_k=[0.2, 0.2, None, None],
            )
        )


def test_a_missing_lab_is_one_lab():
    (fault,) = faults_of(
        bench_frame(
            lab=None,
            sensor=["memory", "edge", "memory", "memory"],
            run=["r1", "r1", "r2", "r2"],
            power_w=220.0,
        )
    )
    assert fault.row == 3


@pytest.mark.parametrize("bad", [[1], {"run": 1}, None])
def test_only_frames_are_taken(bad):
    with pytest.raises(ThermcmpError, match="DataFrame"):
        check_results(bad)


def test_repeated_and_unnamed_columns_are_refused():
    frame = pd.concat([bench_frame(), bench_frame()[["run"]]], axis=1)
    assert faults_of(frame)[0].column == "run"
    assert faults_of(bench_frame().assign(**{"x": 1}).rename(columns={"x": 5}))[0].column == "5"


def test_an_empty_frame_stays_empty_and_typed():
    checked = check_results(bench_frame().iloc[:0])
    assert len(checked) == 0
    assert str(checked["temperature_c"].dtype) == "float64"


@settings(max_examples=35, deadline=None, derandomize=True)
@given(
    st.lists(
        st.one_of(
            st.none(),
            st.text(max_size=3),
            st.integers(),
            st.floats(),
            st.booleans(),
            st.datetimes(),
            st.binary(max_size=2),
        ),
        min_size=4,
        max_size=4,
    ),
    st.sampled_from(NAMES),
)
def test_any_values_pass_or_fail_as_our_error(values, name):
    try:
        checked = check_results(bench_frame().assign(**{name: pd.Series(values, dtype=object)}))
    except InputError as error:
        assert error.faults
    else:
        assert len(checked) == 4


@pytest.mark.parametrize("cell", [[1, 2], {"a": 1}, 1 + 2j])
def test_a_column_of_the_users_own_holds_single_real_values(cell):
    with pytest.raises(InputError, match=r"shim.*Fix: write"):
        check_results(bench_frame(shim=[cell] * 4))
    check_results(bench_frame(shim=[1.5, None, 2.0, None], note=["thick", None, "", "x"]))
