"""Which rows are used, how levels are named, and the arrays that come of it."""

import numpy as np
import pandas as pd
import pytest

from thermcmp.errors import InputError, ModelError, PluginError
from thermcmp.hooks import hookimpl, use_plugin
from thermcmp.model.design import FIXED, Reference, build_design, default_priors, nice
from thermcmp.model.measurement_error import MeasurementError
from thermcmp.model.priors import HalfCauchy, HalfNormal, Normal
from thermcmp.model.rows import LeftOut, level_keys, one_sensor, usable_rows, with_derived
from thermcmp.model.terms import (
    AMBIENT,
    BUILT_IN,
    HOURS,
    RUNS,
    SETTLING,
    TREND,
    Acts,
    Role,
    registered_terms,
)
from thermcmp.physics.airflow import airflow_law


def test_rows_of_one_sensor_are_renumbered(make_rows):
    rows = make_rows(sensor=["edge", "memory", "edge", "memory"])
    found, name = one_sensor(rows, "memory")
    assert found["run"].tolist() == ["r1", "r3"]
    assert found.index.tolist() == [0, 1]
    assert name == "memory"
    with pytest.raises(InputError, match="edge, memory"):
        one_sensor(rows, None)
    with pytest.raises(InputError, match="use read_results"):
        one_sensor(rows.drop(columns="sensor"), None)


def test_each_row_is_left_out_for_its_first_reason_only(make_rows):
    rows = make_rows(
        regulated=[True, False, True, False, False],
        protocol_verdict=["refused", "refused", "pass", "corrected", None],
        fan_rpm=[np.nan, np.nan, np.nan, np.nan, 1500.0],
    )
    kept, left = usable_rows(rows, airflow_law("power law"))
    assert kept["run"].tolist() == ["r4"]
    assert [item.runs for item in left] == [("r0", "r1"), ("r2",), ("r3",)]


def test_many_left_out_runs_are_shortened():
    text = str(LeftOut("too hot", tuple(f"r{i}" for i in range(9))))
    assert text == "9 runs left out: too hot (r0, r1, r2, r3, r4, r5 …)"


def test_a_law_needs_its_column(make_rows):
    with pytest.raises(ModelError, match="reads the column 'fan_rpm'"):
        usable_rows(make_rows(n=[1, 1]).drop(columns="fan_rpm"), airflow_law("power law"))


def test_words_in_the_column_of_a_law_are_named(make_rows):
    rows = make_rows(n=[1, 1, 1]).assign(fan_rpm=["1500", "fast", None])
    with pytest.raises(ModelError, match=r"'fan_rpm', where 1 of 3 rows hold no number.*'fast'"):
        usable_rows(rows, airflow_law("power law"))


def test_equal_ids_under_other_models_stay_apart():
    rows = pd.DataFrame({"cooler_model": ["A", "B", "A"], "cooler_id": ["1", "1", "1"]})
    keys = level_keys(rows, ("cooler_model", "cooler_id")).tolist()
    assert keys == ["A · 1", "B · 1", "A · 1"]


def test_blank_ids_are_one_unnamed_specimen_per_model_and_lab(make_rows):
    rows = make_rows(
        cooler_model=["A", "A", "B", "A"],
        cooler_id=["1", None, None, None],
        lab=["North", "North", "North", "South"],
    )
    keys = level_keys(rows, ("cooler_model", "cooler_id")).tolist()
    assert keys == [
        "A · 1",
        "A · unnamed at North",
        "B · unnamed at North",
        "A · unnamed at South",
    ]


def test_blank_assemblies_are_one_assembly_per_parts_and_session(make_rows):
    rows = make_rows(
        cooler_model=["A", "A", "A", "B"],
        session=["s1", "s1", "s2", "s1"],
        assembly=[None] * 4,
    )
    keys = level_keys(rows, ("lab", "assembly")).tolist()
    assert keys[0] == keys[1]
    assert len(set(keys)) == 3


def test_a_blank_assembly_is_of_one_kind(make_rows):
    rows = make_rows(
        assembly_kind=["factory", "bench", "bench"],
        fan_rpm=[1200.0, 1200.0, 1800.0],
        assembly=[None] * 3,
    )
    keys = level_keys(rows, ("lab", "assembly")).tolist()
    assert keys[0] != keys[1] == keys[2]


def test_absent_vendor_is_a_level_of_its_own(make_rows):
    rows = make_rows(memory_vendor=["Quill", None, "Quill"])
    assert level_keys(rows, ("memory_vendor",)).tolist() == ["Quill", "unstated", "Quill"]
    assert level_keys(rows, ("wind",)).tolist() == ["unstated"] * 3


@pytest.mark.parametrize(
    ("value", "rounded"),
    [(187.3, 185.0), (1846.0, 1850.0), (200.0, 200.0), (0.873, 0.875), (9.99, 10.0), (1.02, 1.0)],
)
def test_references_are_round_numbers(value, rounded):
    assert nice(value) == pytest.approx(rounded, rel=1e-12)


def test_arrays_follow_the_rows(make_design):
    design = make_design(
        cooler_model=["A", "B", "A", "B"],
        temperature_c=[70.0, 75.0, 71.0, 74.0],
        ambient_c=[20.0, 21.0, 22.0, 23.0],
        power_w=[200.0, 220.0, 180.0, 200.0],
        standard_error_k=[0.3, 0.4, np.nan, np.nan],
        resolution_k=[np.nan, np.nan, 1.0, 0.1],
        n=[5, 1, 1, None],
        at_limit=[False, False, False, True],
    )
    assert design.rise_k.tolist() == [50.0, 54.0, 49.0, 51.0]
    assert design.power_ratio == pytest.approx([1.0, 1.1, 0.9, 1.0])
    # A stated error squared; a reading step squared over 12 (GUM, JCGM 100:2008, F.2.2.1).
    assert design.known_variance == pytest.approx([0.09, 0.16, 1.0 / 12.0, 0.01 / 12.0])
    # A summary of five runs holds the run-to-run scatter already.
    assert design.run_scatter.tolist() == [0.0, 1.0, 1.0, 1.0]
    assert design.at_limit.tolist() == [False, False, False, True]
    assert design.reference == Reference(200.0, 1800.0)


def test_terms_that_the_rows_cannot_carry_are_dropped_and_named(make_design):
    design = make_design(
        cooler_model=["A", "B", "A", "B"],
        cooler_id=["1", "2", "1", "2"],
        assembly=["m1", "m2", "m3", "m4"],
    )
    names = [term.name for term in design.terms]
    assert names == [
        "cooler_model",
        "cooler",
        "session",
        "cooler_model airflow",
        "cooler airflow",
        "cooler_model exponent",
    ]
    notes = {note.split(":")[0]: note for note in design.notes}
    assert "one run per level" in notes["assembly"]
    assert "Repeat a run without a teardown" in notes["assembly"]
    assert "one level only (Heron-B1)" in notes["board_model"]
    assert "one level only (unstated)" in notes["firmware"]
    # Slopes that are asked for only where parts had times or ambient temperatures of their own.
    assert set(notes) | set(names) | {TREND, AMBIENT, SETTLING} == {term.name for term in BUILT_IN}


def test_columns_of_effects(make_design):
    design = make_design(
        cooler_model=["A", "B", "C", "B"],
        board_model=["X", "Y", "Y", "X"],
        terms=[t for t in BUILT_IN if t.name in ("cooler_model", "board_model")],
    )
    assert design.levels == (("A", "B", "C"), ("X", "Y"))
    assert design.offsets == (3, 6)
    assert design.effect_count == 8
    assert design.index.tolist() == [[0, 0], [1, 1], [2, 1], [1, 0]]
    assert design.term_position("board_model") == 1
    assert design.term_position("absent") is None


def test_coefficients_are_those_of_the_rise(make_design):
    """rise = p (r + s h + w k) + (1 - p) u, each effect by hand in the second row."""
    terms = ("cooler_model", "cooler_model airflow", "cooler_model exponent")
    design = make_design(
        cooler_model=["A", "B", "A", "B"],
        fan_rpm=[1800.0, 1200.0, 1800.0, 2400.0],
        power_w=[200.0, 150.0, 200.0, 250.0],
        terms=[t for t in BUILT_IN if t.name in terms],
    )
    assert design.reference == Reference(200.0, 1800.0)
    assert design.acts[: len(FIXED)] == (Acts.RESISTANCE, Acts.AIRFLOW, Acts.CONSTANT)
    m, p, n = design.law.exponent_prior_mean, 0.75, 1200.0 / 1800.0
    h = design.airflow(design.flow_speed, m)[1]
    assert h == pytest.approx(n**-m - 1.0)
    # The slope of n^-m along m.
    k = -np.log(n) * n**-m
    effects = np.array([50.0, 30.0, 12.0, 4.0, -2.0, 5.0])  # r, s, u and the cooler's own
    rise = np.where(design.flow, h, 1.0) * design.coefficients[1] @ effects
    expected = p * (50.0 + 4.0 + (30.0 - 2.0) * h + 5.0 * k) + (1.0 - p) * 12.0
    assert rise == pytest.approx(expected, rel=1e-12)
    # Another exponent of the cooler, to first order: w is its difference times s.
    moved = (30.0 - 2.0) * (n ** -(m + 0.01) - n**-m)
    assert 0.01 * 28.0 * k == pytest.approx(moved, rel=0.01)


def test_readings_enter_as_they_were_set_and_with_their_errors(make_rows):
    rows = make_rows(fan_rpm=[1790.0, 1810.0, 2400.0], power_w=[198.0, 202.0, 200.0])

    def of(errors):
        return build_design(
            rows, sensor=None, terms=(), law=airflow_law("power law"), errors=errors
        )

    usual = of(None)
    assert usual.flow_speed == pytest.approx([1800.0, 1800.0, 2400.0])
    assert usual.power_ratio == pytest.approx(np.ones(3))
    assert usual.known_variance == pytest.approx(np.zeros(3))
    exact = of(MeasurementError(fan_speed=0.0, power=0.0, ambient_k=0.5))
    assert exact.flow_speed == pytest.approx([1790.0, 1810.0, 2400.0])
    assert exact.power_ratio == pytest.approx([0.99, 1.01, 1.0])
    assert exact.known_variance == pytest.approx(np.full(3, 0.25))


def test_errors_that_rows_state_add_to_what_is_known_of_their_scatter(make_rows):
    rows = make_rows(
        fan_rpm=[1800.0, 1800.0, 2400.0],
        power_w=[200.0, 202.0, 250.0],
        temperature_c=[82.0, 82.0, 92.0],
        fan_error_rpm=[9.0, 9.0, 24.0],
        power_error_w=[2.0, 2.0, 5.0],
        ambient_error_k=[0.1, pd.NA, pd.NA],
    )
    design = build_design(rows, sensor=None, terms=(), law=airflow_law("power law"))
    # Alike runs count at their set point, a lone one keeps its error: of 1 % of fan speed, as
    # an average cooler's 30 K change by it, and of 2 % of power, as its rise does.
    m, speed = 0.65, 2400.0 / design.reference.flow_speed
    fan_k = 250.0 / design.reference.power_w * 30.0 * m * speed**-m * 0.01
    expected = [0.1**2, 0.0, fan_k**2 + (70.0 * 0.02) ** 2]
    # The rise is that of its cooler and board on average: within a third of the row's own.
    assert design.known_variance[:2] == pytest.approx(expected[:2])
    assert design.known_variance[2] == pytest.approx(expected[2], rel=0.34)


def test_a_design_without_terms_has_its_baselines(make_design):
    design = make_design(temperature_c=[70.0, 71.0])
    assert design.terms == ()
    assert design.offsets == ()
    assert design.effect_count == len(FIXED) == 3
    assert design.index.shape == (2, 0)


def test_default_priors_cover_every_parameter():
    priors = default_priors(BUILT_IN, airflow_law("power law"))
    fixed = ["baseline", "airflow baseline", "constant part"]
    assert list(priors)[:5] == [*fixed, "airflow exponent", "residual sd"]
    assert list(priors)[5:] == [term.spread for term in BUILT_IN]
    law = airflow_law("power law")
    exponent = priors["airflow exponent"]
    assert exponent == Normal(law.exponent_prior_mean, law.exponent_prior_sd)
    # Laminar plate 0.5 (Pohlhausen 1921), turbulent duct 0.8 (Dittus & Boelter 1930).
    for handbook in (0.5, 0.8):
        assert abs(handbook - exponent.mean) <= 2.0 * exponent.sd
    assert all(isinstance(priors[term.spread], HalfNormal | HalfCauchy) for term in BUILT_IN)


def test_the_scatter_is_as_open_as_what_is_counted_in_it(make_rows):
    """Gelman (2006): nothing but a long tail covers a spread of which the rows say nothing."""

    def prior(**columns):
        # A rise of 50 K, for which priors are stated.
        rows = make_rows(temperature_c=[72.0] * 4, ambient_c=22.0, **columns)
        terms = [term for term in BUILT_IN if term.name == "assembly"]
        design = build_design(rows, sensor=None, terms=terms, law=airflow_law("power law"))
        return design.priors["residual sd"]

    assert prior(assembly=["a", "a", "b", "b"]) == HalfNormal(1.0)
    (assembly,) = (term for term in BUILT_IN if term.name == "assembly")
    assert prior(assembly=["a", "b", "c", "d"]) == assembly.spread_prior(50.0)


@pytest.mark.parametrize(
    ("sensor", "prior"),
    [
        ("junction", Normal(0.0, 3.0)),
        ("Hot spot", Normal(0.0, 3.0)),
        ("memory", Normal(10.0, 10.0)),
    ],
)
def test_only_a_sensor_at_the_processor_is_taken_to_follow_board_power(make_rows, sensor, prior):
    design = build_design(
        make_rows(sensor=sensor, n=[1, 1]), sensor=None, terms=(), law=airflow_law("power law")
    )
    # Priors are stated for a rise of 50 K.
    factor = nice(float(np.median(design.rise_k))) / 50.0
    assert design.priors["constant part"] == Normal(prior.mean * factor, prior.sd * factor)


def test_one_row_is_no_fit(make_rows):
    with pytest.raises(ModelError, match="at least two"):
        build_design(
            make_rows(temperature_c=[70.0]),
            sensor=None,
            terms=BUILT_IN,
            law=airflow_law("power law"),
        )


def test_built_in_terms_have_unique_names_and_an_outer_factor_first():
    assert registered_terms()[: len(BUILT_IN)] == BUILT_IN
    assert len({term.name for term in BUILT_IN}) == len(BUILT_IN)
    for term in BUILT_IN:
        if term.role is Role.SPECIMEN:
            assert term.columns[0].endswith("_model")
        assert (term.acts is Acts.AIRFLOW) == term.name.endswith("airflow")
        assert (term.acts is Acts.EXPONENT) == term.name.endswith("exponent")
        assert (term.role is Role.ALLOWANCE) == (term.name == "firmware")


def test_runs_of_an_assembly_are_counted_where_parts_had_unlike_numbers(make_rows):
    assembly = list("aabaca")
    columns = {"cooler_model": ["A" if name == "a" else "B" for name in assembly]}
    rows, _ = with_derived(make_rows(assembly=assembly, **columns))
    assert (rows[RUNS] + 1.0).tolist() == [0, 1, 0, 2, 0, 3]
    hour = pd.Timestamp("2031-03-02 08:00", tz="UTC") + pd.to_timedelta(range(6), unit="h")
    rows, _ = with_derived(make_rows(assembly=assembly, started_at=hour[::-1], **columns))
    assert (rows[RUNS] + 1.0).tolist() == [3, 2, 0, 1, 0, 0]
    # Like numbers of runs shift both sides alike.
    rows, _ = with_derived(make_rows(assembly=["a", "a", "b", "b"], cooler_model=list("AABB")))
    assert RUNS not in rows


class NoTerm:
    """A plug-in whose term has a name and nothing else."""

    class Named:
        name = "colour"

    @hookimpl
    def thermcmp_terms(self):
        return [self.Named()]


def test_what_is_no_term_is_named_and_takes_nothing_down():
    with pytest.raises(PluginError, match=r"'colour'.* value of type Named. Fix: build it with"):
        use_plugin(NoTerm(), "colours")
    assert registered_terms()[: len(BUILT_IN)] == BUILT_IN


def test_unnamed_assemblies_are_named_by_what_is_stated(make_rows):
    rows = make_rows(assembly=[None, None], board_id=["7", None], fan_rpm=[1200.0, 1800.0])
    keys = level_keys(rows, ("assembly",)).tolist()
    assert all(key.startswith("unnamed: Heron-C1 on ") for key in keys)
    assert len(set(keys)) == 2 and not any("unstated" in key for key in keys)


def test_the_order_of_runs_counts_within_what_has_a_name(make_rows):
    started_at = pd.to_datetime([f"2031-03-03 {hour}:00" for hour in (10, 11, 12, 13)], utc=True)
    columns = {"cooler_model": list("AABB"), "fan_rpm": [1200.0, 1500.0, 1800.0, 2100.0]}
    for names, moves in ((["s"] * 4, True), ([None] * 4, False)):
        rows, _ = with_derived(make_rows(session=names, started_at=started_at, **columns))
        assert (rows[HOURS].abs().max() > 0.0) == moves
    # Three runs and one of a name each would go with the coolers.
    for names, moves in ((list("aaab"), True), ([None] * 4, False)):
        rows, _ = with_derived(
            make_rows(assembly=names, cooler_model=["A", "A", "A", "B"], fan_rpm=columns["fan_rpm"])
        )
        assert (RUNS in rows) == moves
