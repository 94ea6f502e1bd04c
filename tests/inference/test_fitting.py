"""From rows to a fit: what is refused, left out, dropped, and what the answer then is."""

import logging
from logging.handlers import BufferingHandler

import numpy as np
import pandas as pd
import pytest
import thermcmp_coolant
from scipy.stats import halfnorm

from thermcmp.errors import EngineError, InputError, ModelError
from thermcmp.hooks import forget_plugin, hookimpl, use_plugin
from thermcmp.inference.checks.leave_out import LeaveOut
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.outliers import discounted, outlying
from thermcmp.inference.checks.posterior_predictive import predictive_features
from thermcmp.inference.diagnostics import Health
from thermcmp.inference.fitting import fit
from thermcmp.inference.storage import load_fit
from thermcmp.model.conditions import Conditions
from thermcmp.model.design import Reference
from thermcmp.model.observation import Residuals, Steps
from thermcmp.model.priors import Gamma, HalfNormal, Normal
from thermcmp.model.terms import Role, Term

TRUE_DIFFERENCE_K = 25.0


@pytest.fixture(scope="module")
def rows(make_rows):
    """Sixteen runs: two coolers, two fan speeds, four assemblies."""
    rng = np.random.default_rng(9)
    hot = np.repeat([False, True], 8)
    speed = np.tile([1500.0, 2300.0], 8)
    rise = 48.0 + 6.0 * hot + 30.0 * ((speed / 1900.0) ** -0.6 - 1.0)
    return make_rows(
        cooler_model=np.where(hot, "Heron-C2", "Heron-C1"),
        cooler_id=np.where(hot, "Heron-C2-1", "Heron-C1-1"),
        assembly=np.repeat(["m1", "m2", "m3", "m4"], 4),
        fan_rpm=speed,
        temperature_c=22.0 + rise + rng.normal(0.0, 0.3, 16),
    )


@pytest.fixture(scope="module")
def plain(rows):
    return fit(rows, draws=2000, seed=1)


def columns_of(error):
    return [fault.column for fault in error.value.faults]


def test_bad_arguments_are_all_named_at_once(rows):
    with pytest.raises(InputError, match="The fit cannot start") as error:
        fit(rows, engine="exact", residuals="cauchy", steps="round", draws=401)
    assert columns_of(error) == ["engine", "residuals", "steps", "draws"]
    with pytest.raises(InputError, match="must be an integer >= 400"):
        fit(rows, draws="many")
    fixes = [fault.fix for fault in error.value.faults]
    assert fixes[:3] == [
        "use one of auto, conditional, nuts",
        "use one of normal, student",
        "use one of auto, variance, interval",
    ]


def test_an_unknown_term_or_airflow_law_is_named(rows):
    with pytest.raises(InputError, match="cooler_colour") as error:
        fit(rows, terms=["cooler_model", "cooler_colour"])
    assert "cooler_model" in error.value.faults[0].fix
    with pytest.raises(InputError, match="parabolic law"):
        fit(rows, airflow="parabolic law")


def test_rows_that_break_the_schema_are_refused(rows):
    with pytest.raises(InputError) as error:
        fit(rows.assign(power_w=-5.0))
    assert set(columns_of(error)) == {"power_w"}
    assert len(error.value.faults) == 16


def test_several_sensors_need_a_choice(rows):
    both = rows.copy()
    both.loc[8:, "sensor"] = "junction"
    with pytest.raises(InputError, match="the rows hold junction, memory"):
        fit(both)
    with pytest.raises(InputError, match="Which sensor"):
        fit(both, sensor="edge")
    assert fit(both, sensor="junction", draws=400, seed=1).sensor == "junction"
    assert len(fit(both, sensor="junction", draws=400, seed=1).results) == 8


def test_the_truth_is_found(plain):
    """Simulated with known effects: cooler 6 K, airflow part 30 K, scatter 0.3 K."""
    assert plain.engine == "conditional"
    assert plain.engine_reason == "every reading is an exact value"
    assert plain.health is Health.OK
    draws = plain.effects
    start = plain.design.offsets[plain.design.term_position("cooler_model")]
    low, high = np.quantile(draws[:, start + 1] - draws[:, start], [0.005, 0.995])
    assert low < 6.0 < high
    low, high = np.quantile(plain.draws("residual sd"), [0.005, 0.995])
    assert low < 0.3 < high


def test_table_and_text_tell_the_same(plain):
    table = plain.table.set_index("parameter")
    assert list(table.index) == list(plain.parameter_names)
    assert np.all(table["low"] <= table["high"])
    assert table.loc["residual sd", "mean"] == pytest.approx(plain.draws("residual sd").mean())
    # Four assemblies tell next to nothing of the baseline's prior of ± 50 K: the data rule it.
    assert table.loc["baseline", "shrinkage"] > 0.9
    text = str(plain)
    for part in ("16 rows", "engine conditional", "health ok", "memory", *plain.parameter_names):
        assert part in text
    shown = plain._repr_html_()
    assert "Fit of the memory" in shown
    assert "residual sd" in shown
    assert repr(plain) == (
        f"Fit(memory, 16 rows, engine conditional, {plain.draw_count} draws, health {plain.status})"
    )
    assert plain.versions["thermcmp"]
    assert len(plain.fingerprint) == 64


def test_one_level_factors_have_no_effect_and_are_named(plain):
    names = [term.name for term in plain.design.terms]
    assert "board_model" not in names
    assert "lab" not in names
    notes = " ".join(plain.design.notes)
    assert "board_model: one level only (Heron-B1)" in notes
    assert "lab: one level only (North)" in notes


def test_rows_that_are_no_result_are_left_out_and_named(rows):
    spoiled = rows.assign(protocol_verdict="pass", regulated=False)
    spoiled.loc[0, "regulated"] = True
    spoiled.loc[1, "protocol_verdict"] = "refused"
    spoiled.loc[2, "fan_rpm"] = np.nan
    spoiled.loc[3, "fan_rpm"] = 0.0
    found = fit(spoiled, draws=400, seed=1)
    assert len(found.results) == 12
    left = {item.runs: item.reason for item in found.design.left_out}
    assert set(left) == {("r0",), ("r1",), ("r2", "r3")}
    assert "control loop" in left["r0",]
    assert "refused" in left["r1",]
    assert "fan_rpm" in left["r2", "r3"]
    assert "r2, r3" in str(found)


def test_no_usable_row_says_why(rows):
    with pytest.raises(ModelError, match="control loop"):
        fit(rows.assign(regulated=True))
    with pytest.raises(ModelError, match="at least two usable runs"):
        fit(rows.iloc[:1])


def test_priors_can_be_changed_and_are_used(rows, plain):
    tight = fit(rows, draws=2000, seed=1, priors={"airflow exponent": Normal(0.5, 0.001)})
    assert tight.draws("airflow exponent").std() < 0.002 < plain.draws("airflow exponent").std()
    shown = tight.priors.table.set_index("parameter")["prior"]
    assert shown["airflow exponent"] == "normal(0.5, 0.001)"


@pytest.mark.parametrize(
    ("name", "prior", "words"),
    [
        ("vendor sd", HalfNormal(1.0), "no such parameter"),
        ("residual sd", Normal(0.0, 1.0), "cannot be negative"),
        ("baseline", HalfNormal(50.0), "either sign"),
        ("baseline", 50.0, "not a prior"),
    ],
)
def test_priors_that_do_not_fit_are_refused(rows, name, prior, words):
    with pytest.raises(InputError, match=words) as error:
        fit(rows, priors={name: prior})
    assert columns_of(error) == [name]


def test_effects_are_stated_at_the_reference(rows):
    """Twice the power means twice the part of the rise that follows it."""
    once = Conditions(power_w=200.0, fan_rpm=1900.0)
    for constant_k in (0.0, 20.0):
        options = {"draws": 4000, "seed": 1, "priors": {"constant part": Normal(constant_k, 1e-3)}}
        one = fit(rows, reference=once, **options)
        assert one.reference == Reference(200.0, 1900.0)
        two = fit(rows, reference=Reference(400.0, 1900.0), **options)
        follows = [model.draws("baseline").mean() - constant_k for model in (one, two)]
        # The priors are in K at the reference, so they move a little with it.
        assert follows[1] / follows[0] == pytest.approx(2.0, rel=0.15)
    with pytest.raises(InputError, match="needs power and fan speed"):
        fit(rows, reference=Conditions(power_w=200.0))


def test_default_reference_is_the_rounded_median(plain):
    assert plain.reference == Reference(200.0, 1900.0)


def test_with_one_fan_speed_the_exponent_keeps_its_prior(rows):
    found = fit(rows.assign(fan_rpm=1900.0), draws=4000, seed=1, reference=Reference(200.0, 1900.0))
    prior, draws = found.priors["airflow exponent"], found.draws("airflow exponent")
    assert draws.mean() == pytest.approx(prior.mean, abs=0.1 * prior.sd)
    assert draws.std() == pytest.approx(prior.sd, rel=0.1)
    assert abs(found.table.set_index("parameter").loc["airflow exponent", "shrinkage"]) < 0.2


def test_published_summaries_carry_their_own_error(make_rows):
    """Rows with a stated error only: nothing tells the run-to-run scatter from its prior."""
    rows = make_rows(
        cooler_model=["Heron-C1", "Heron-C2"] * 4,
        cooler_id=["a", "b"] * 4,
        assembly=["m1", "m2"] * 4,
        temperature_c=[70.0, 75.0, 70.4, 75.2, 69.8, 74.8, 70.1, 75.1],
        n=4,
        standard_error_k=0.3,
        resolution_k=np.nan,
    )
    found = fit(rows, draws=4000, seed=1, terms=["cooler_model"])
    draws = found.draws("residual sd")
    assert draws.mean() == pytest.approx(halfnorm.mean(), abs=0.05)
    assert draws.std() == pytest.approx(halfnorm.std(), rel=0.1)
    # Four readings of 0.3 K each side: 0.3 sqrt(2 / 4), whatever the scatter's prior.
    levels = found.draws("cooler_model")
    assert np.std(levels[:, 1] - levels[:, 0]) == pytest.approx(0.3 / np.sqrt(2.0), rel=0.05)


class Rooms:
    """A plug-in with one term."""

    __version__ = "0.4"

    @hookimpl
    def thermcmp_terms(self):
        return [Term("room", ("room",), Role.NUISANCE, HalfNormal(2.0), "rooms")]


def test_a_term_of_a_plugin_takes_part(rows):
    rng = np.random.default_rng(1)
    far = rng.permutation(np.repeat([False, True], 8))
    placed = rows.assign(
        room=np.where(far, "far", "near"), temperature_c=rows["temperature_c"] + 3.0 * far
    )
    use_plugin(Rooms(), "rooms")
    try:
        found = fit(placed, draws=2000, seed=1)
        own = fit(placed, terms=["lab", Term("room", ("room",))], draws=400, seed=1)
    finally:
        forget_plugin("rooms")
    assert found.versions["plug-in rooms"] == "0.4"
    assert not [name for name in fit(rows, draws=400, seed=1).versions if "plug-in" in name]
    assert "plug-in rooms" not in own.versions
    room = found.draws("room")
    assert found.posterior["room level"].to_numpy().tolist() == ["far", "near"]
    assert np.mean(room[:, 0] - room[:, 1]) == pytest.approx(3.0, abs=0.6)
    assert "room" not in fit(placed, draws=400, seed=1).posterior


def test_a_term_of_ones_own_takes_part(rows):
    own = Term("pads", ("pads",), Role.FACTOR, HalfNormal(2.0), "kinds of pads")
    found = fit(
        rows.assign(pads=["thick", "thin"] * 8), terms=["cooler_model", own], draws=400, seed=1
    )
    assert [term.name for term in found.design.terms] == ["cooler_model", "pads"]


def test_coolant_flow_drives_the_law_of_the_plugin(rows):
    """Temperatures made with the plug-in's law; its exponent and share must come back."""
    use_plugin(thermcmp_coolant, "coolant")
    law = thermcmp_coolant.CoolantLaw()
    flow = np.tile([0.6, 1.0, 1.6, 3.0], 4)
    rise = 30.0 + 25.0 * (law.factor(flow, 1.0, 0.5) - 1.0)
    noise = np.random.default_rng(3).normal(0.0, 0.1, 16)
    wet = rows.assign(fan_rpm=np.nan, coolant_flow_l_min=flow, temperature_c=22.0 + rise + noise)
    found = fit(
        wet,
        airflow="coolant flow",
        reference=Reference(200.0, 1.0),
        terms=["assembly"],
        draws=2000,
        seed=1,
    )
    for name, truth in (("airflow exponent", 0.5), ("airflow baseline", 25.0), ("baseline", 30.0)):
        low, high = np.quantile(found.draws(name), [0.005, 0.995])
        assert low < truth < high, name
    # Four flows halve the prior spread or nearly so.
    assert found.draws("airflow exponent").std() < 0.65 * law.exponent_prior_sd
    assert "1 l/min" in str(found)
    assert "plug-in coolant" in found.versions
    with pytest.raises(ModelError, match="coolant_flow_l_min"):
        fit(rows, airflow="coolant flow")


def test_the_conditional_engine_refuses_tails_that_it_cannot_serve(clamped_rows):
    with pytest.raises(EngineError, match=r"residuals='student'.*Fix: use engine='auto'"):
        fit(clamped_rows, engine="conditional", residuals="student")


@pytest.fixture
def no_sampler(monkeypatch):
    """Designs that NUTS is asked for, by a stand-in for the sampler that goes no further."""
    asked = []

    def sampler(design, **options):
        asked.append(design)
        raise EngineError("the sampler was asked")

    monkeypatch.setattr("thermcmp.inference.nuts.engine.run_nuts", sampler)
    return asked


@pytest.mark.parametrize(
    ("step_k", "options", "steps"),
    [
        (1.0, {"engine": "nuts"}, Steps.INTERVAL),
        (1.0, {"engine": "nuts", "steps": "variance"}, Steps.VARIANCE),
        (0.1, {"engine": "nuts"}, Steps.VARIANCE),
        (0.1, {"engine": "nuts", "steps": "interval"}, Steps.INTERVAL),
        (0.1, {"residuals": "student"}, Steps.VARIANCE),
        (1.0, {"residuals": "student"}, Steps.INTERVAL),
    ],
)
def test_steps_are_intervals_where_coarse_or_asked_for(rows, no_sampler, step_k, options, steps):
    """The scatter is 0.3 K: 1 K is more than two of it, 0.1 K is not."""
    coarse = rows.assign(
        temperature_c=step_k * np.round(rows["temperature_c"] / step_k), resolution_k=step_k
    )
    with pytest.raises(EngineError, match="the sampler was asked"):
        fit(coarse, draws=400, seed=1, **options)
    (design,) = no_sampler
    assert design.steps is steps
    assert design.residuals is Residuals(options.get("residuals", "normal"))


def test_fine_steps_stay_with_the_conditional_engine(rows, no_sampler):
    found = fit(rows.assign(resolution_k=0.1), draws=2000, seed=1)
    assert (found.engine, found.design.steps) == ("conditional", Steps.VARIANCE)
    assert not no_sampler


@pytest.mark.parametrize("options", [{}, {"engine": "conditional"}])
def test_coarse_steps_are_intervals_in_the_conditional_engine_too(rows, no_sampler, options):
    coarse = rows.assign(temperature_c=np.round(rows["temperature_c"]), resolution_k=1.0)
    found = fit(coarse, draws=400, seed=1, **options)
    assert (found.engine, found.design.steps) == ("conditional", Steps.INTERVAL)
    assert any("within a step" in check.name for check in found.diagnostics.checks)
    assert not no_sampler


@pytest.fixture(scope="module")
def nuts_log():
    """What is logged while the general engine works, once `robust_fit` is made."""
    handler, logger = BufferingHandler(1000), logging.getLogger("thermcmp")
    level = logger.level
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    yield handler.buffer
    logger.removeHandler(handler)
    logger.setLevel(level)


@pytest.fixture(scope="module")
def robust_fit(rows, nuts_log):
    """All at once: Student's t, steps of 1 K as intervals, a limit, and one outlier."""
    stray = rows["temperature_c"] - 9.0 * (rows.index == 3)
    limit = float(np.round(stray.max()) - 1.0)
    read = np.round(stray).clip(upper=limit)
    return fit(
        rows.assign(temperature_c=read, at_limit=read >= limit, resolution_k=1.0),
        residuals="student",
        steps="interval",
        priors={"degrees of freedom": Gamma(2.0, 0.2)},
        terms=["cooler_model"],
        draws=2000,
        seed=3,
    )


def test_all_kinds_of_readings_combine(rows, robust_fit):
    """The true difference of 6 K comes back, and a normal scatter loses by the outlier."""
    assert robust_fit.engine == "nuts"
    assert robust_fit.engine_reason == "residuals='student' requested"
    assert robust_fit.health is not Health.BAD
    assert "degrees of freedom" in robust_fit.table["parameter"].to_list()
    assert "gamma(2, 0.2)" in str(robust_fit)
    assert "Student's t" in str(robust_fit)
    stray = rows["temperature_c"] - 9.0 * (rows.index == 3)
    plain = fit(
        rows.assign(temperature_c=stray),
        terms=["cooler_model"],
        expand="none",
        draws=2000,
        seed=3,
    )
    robust, normal = difference(robust_fit), difference(plain)
    assert abs(robust.mean() - 6.0) < 2.0 * robust.std()
    assert robust.std() < normal.std()
    assert abs(robust.mean() - 6.0) < abs(normal.mean() - 6.0)


def test_nuts_says_that_it_works_and_when_it_is_done(robust_fit, nuts_log):
    said = [record.getMessage() for record in nuts_log if "NUTS" in record.getMessage()]
    assert said[0].startswith("NUTS samples ")
    assert said[-1].startswith("NUTS is done after ")


def test_the_stray_among_all_kinds_of_readings_is_named(robust_fit):
    runs = units_of(robust_fit, "run")
    (found,) = LeaveOut(robust_fit, [runs.codes]).each()
    named = outlying(robust_fit, runs, found, units_of(robust_fit, "assembly"))
    assert {one.name for one in named} == {runs.names[runs.codes[3]]}
    assert named[0].off_k == pytest.approx(-9.0, abs=2.0)
    assert [one.name for one in discounted(robust_fit, runs, 400)] == [named[0].name]
    assert not any(one.surprising for one in predictive_features(robust_fit, campaigns=400))


def test_the_law_of_the_scatter_is_saved(robust_fit, tmp_path):
    again = load_fit(robust_fit.save(tmp_path / "fit.nc"))
    assert str(again) == str(robust_fit)
    assert again.priors == robust_fit.priors
    assert again.posterior.equals(robust_fit.posterior)
    assert (again.design.residuals, again.design.steps) == (Residuals.STUDENT, Steps.INTERVAL)
    assert np.array_equal(again.design.step_k, robust_fit.design.step_k)


def difference(fitted):
    levels = fitted.draws("cooler_model")
    return levels[:, 1] - levels[:, 0]


def test_readings_at_the_limit_count_as_at_least_that(clamped_rows, clamped_fit):
    """Simulated with a true difference of 25 K: closer than using or dropping the clamped."""
    limited = int(clamped_rows["at_limit"].sum())
    assert 5 <= limited <= 15
    assert clamped_fit.engine == "conditional"
    assert clamped_fit.engine_reason == f"{limited} reading(s) at the limit enter by weights"
    assert clamped_fit.health is not Health.BAD
    options = {"terms": ["cooler_model"], "priors": {"residual sd": HalfNormal(3.0)}, "seed": 4}
    as_exact = fit(clamped_rows.assign(at_limit=False), draws=2000, **options)
    dropped = fit(clamped_rows[~clamped_rows["at_limit"]], draws=2000, **options)
    found = difference(clamped_fit)
    error = abs(found.mean() - TRUE_DIFFERENCE_K)
    assert error < 2.0 * found.std()
    assert error < abs(difference(as_exact).mean() - TRUE_DIFFERENCE_K)
    assert error < abs(difference(dropped).mean() - TRUE_DIFFERENCE_K)
    # Clamping pulls the mean of a normal of 2 K down by 2 φ(0) = 0.8 K, dropping by twice that.
    assert difference(as_exact).mean() < found.mean()
    assert difference(dropped).mean() < difference(as_exact).mean()


def test_auto_hands_over_to_nuts_when_the_check_fails(rows, monkeypatch):
    """With a sample size asked for that no draws can reach; the sampler is a stand-in."""
    asked = []

    def sampler(design, *, draws, chains, seed):
        asked.append((draws, chains, seed))
        raise EngineError("the sampler was asked")

    monkeypatch.setattr("thermcmp.inference.diagnostics.SIZE_OK", 1e9)
    monkeypatch.setattr("thermcmp.inference.diagnostics.SIZE_BAD", 1e9)
    monkeypatch.setattr("thermcmp.inference.nuts.engine.run_nuts", sampler)
    assert fit(rows, draws=400, seed=2, engine="conditional").health is Health.BAD
    assert asked == []
    with pytest.raises(EngineError, match="the sampler was asked"):
        fit(rows, draws=400, seed=2)
    assert asked == [(100, 4, 2)]


def test_no_caller_can_change_a_fit(plain):
    rows, draws = plain.results, plain.draws("residual sd").copy()
    taken = plain.results
    taken["temperature_c"] = 0.0
    taken.loc[:, "power_w"] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        plain.posterior["residual sd"].values[:] = 0.0
    pd.testing.assert_frame_equal(plain.results, rows)
    assert np.array_equal(plain.draws("residual sd"), draws)
