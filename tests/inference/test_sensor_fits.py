"""Sensors fitted together: against single fits, known correlations, and files."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from thermcmp.errors import InputError, LibraryError, ModelError
from thermcmp.inference.conditional import joint_sampling
from thermcmp.inference.conditional.engine import run_conditional
from thermcmp.inference.conditional.joint_problem import joint_problem
from thermcmp.inference.conditional.joint_sampling import run_joint
from thermcmp.inference.conditional.marginal_likelihood import Kernel, Points
from thermcmp.inference.conditional.problem import thermal_problem
from thermcmp.inference.fitting import fit
from thermcmp.inference.joint_fitting import fit_sensors
from thermcmp.inference.storage import load_fit, load_sensor_fits
from thermcmp.model.design import build_design
from thermcmp.model.terms import BUILT_IN
from thermcmp.physics.airflow import airflow_law
from thermcmp.questions.fit_check.question import check_fit
from thermcmp.results.validation import check_results

SENSORS = ["memory", "junction"]


@pytest.fixture(scope="module")
def study(demo):
    return demo[demo["cooler_model"].str.startswith("Alder-C")].reset_index(drop=True)


@pytest.fixture(scope="module")
def both(study):
    return fit_sensors(study, SENSORS, draws=2000, seed=2)


def assemblies(make_rows, correlation, rng, count=40):
    """Two sensors, `count` assemblies of one pair of parts, three runs at each of two speeds."""
    spread = np.array([1.5, 2.5])
    low = np.array([[1.0, 0.0], [correlation, np.sqrt(1 - correlation**2)]])
    effects = rng.standard_normal((count, 2)) @ low.T * spread
    frames = []
    for place, sensor in enumerate(SENSORS):
        assembly = np.repeat(np.arange(count), 4)
        speed = np.tile([1500.0, 2300.0], 2 * count)
        rise = 40.0 + 10 * place + effects[assembly, place] + 30 * ((speed / 1900) ** -0.6 - 1)
        frames.append(
            make_rows(
                run=[f"r{i}" for i in range(len(speed))],
                sensor=sensor,
                assembly=[f"m{i}" for i in assembly],
                fan_rpm=speed,
                temperature_c=22.0 + rise + rng.normal(0.0, 0.3, len(speed)),
            )
        )
    return pd.concat(frames, ignore_index=True)


@pytest.fixture(scope="module")
def joint(study):
    checked = check_results(study)
    designs = [
        build_design(checked, sensor=name, terms=BUILT_IN, law=airflow_law("power law"))
        for name in SENSORS
    ]
    return joint_problem(designs, ("assembly", "session"), 2.0), designs


def test_uncorrelated_sensors_have_the_product_of_their_likelihoods(joint):
    problem, designs = joint
    rng, size = np.random.default_rng(0), 4
    expected, parts = np.zeros(size), {"exponent": [], "spread": [], "residual": []}
    for design in designs:
        alone = Points.of_one_set(
            rng.uniform(0.5, 0.8, size),
            rng.uniform(0.3, 3.0, (size, len(design.terms))),
            rng.uniform(0.1, 0.6, size),
        )
        expected += Kernel(thermal_problem(design)[0]).log_likelihood(alone)
        for name, values in parts.items():
            values.append(getattr(alone, name))
    points = Points(**{k: np.hstack(v) for k, v in parts.items()}, partial=np.zeros((size, 2)))
    assert Kernel(problem.problem).log_likelihood(points) == pytest.approx(expected, rel=1e-12)


def test_coupled_sensors_give_the_posterior_of_all_parameters_at_once(joint):
    problem, designs = joint
    run = run_joint(problem, designs, draws=4000, seed=1)
    assert len(run.alone) == 2
    assert run.effective_size < min(one.effective_size for one in run.alone)
    whole = run_conditional(problem.problem, problem.priors, draws=4000, seed=2)
    for first, second in (
        (run.draws.points.exponent, whole.points.exponent),
        (run.draws.points.spread, whole.points.spread),
        (run.draws.points.residual, whole.points.residual),
        (run.draws.points.partial, whole.points.partial),
        (run.draws.effects, whole.effects),
    ):
        sd = second.std(axis=0)
        # Some 400 points count on either side at least: a difference of 0.07 SD, and the
        # largest of a hundred within four of these.
        assert np.all(np.abs(first.mean(axis=0) - second.mean(axis=0)) < 0.28 * sd)
        # The spread of two benches is long-tailed, and so is its standard deviation over draws.
        assert np.all(np.abs(first.std(axis=0) / sd - 1.0) < 0.35)


def test_where_the_sensors_propose_badly_all_is_explored_at_once(joint, monkeypatch):
    problem, designs = joint
    sampled = joint_sampling.sample

    def badly(*args):
        good = sampled(*args)
        return replace(good, log_weights=np.where(np.arange(len(good.x)) == 0, 50.0, 0.0))

    monkeypatch.setattr(joint_sampling, "sample", badly)
    run = run_joint(problem, designs, draws=800, seed=1)
    assert run.alone == ()
    assert run.effective_size == run.draws.weighted.effective_size
    assert run.draws.weighted.x.shape[1] == len(problem.priors)


def test_a_prior_that_allows_no_correlation_gives_the_single_fits(study):
    apart = fit_sensors(study, SENSORS, correlation_shape=1e6, draws=4000, seed=3)
    for sensor in SENSORS:
        alone = fit(study, sensor=sensor, draws=4000, seed=4)
        for name in alone.parameter_names:
            first, second = alone.draws(name), apart[sensor].draws(name)
            # About 500 independent draws of each: four standard errors of a difference.
            bound = 4 * np.hypot(first.std(), second.std()) / np.sqrt(450)
            assert abs(first.mean() - second.mean()) < bound, (sensor, name)


@pytest.mark.parametrize("true", [0.9, 0.0, -0.6])
def test_a_known_correlation_is_found(make_rows, true):
    rows = assemblies(make_rows, true, np.random.default_rng(17))
    found = fit_sensors(rows, draws=2000, seed=1)
    assert found.together == ("assembly",)
    draws = found.correlation("assembly", "memory", "junction")
    low, high = np.quantile(draws, [0.005, 0.995])
    assert low < true < high
    assert draws.std() < 0.2
    assert np.array_equal(draws, found.correlation("assembly", "junction", "memory"))
    assert found.table["note"].tolist() == [""]


def test_a_assembly_read_at_one_sensor_tells_of_the_other(make_rows):
    """Its effect at the sensor that was not read is the regression on the one that was."""
    rng = np.random.default_rng(23)
    rows = assemblies(make_rows, 0.95, rng)
    odd = rows["assembly"].eq("m7")
    rows.loc[odd & rows["sensor"].eq("junction"), "temperature_c"] += 8.0
    # One run is left at the memory, told to be so uncertain that it says nothing.
    memory = rows[odd & rows["sensor"].eq("memory")].iloc[:1].assign(standard_error_k=50.0)
    rest = rows[~(odd & rows["sensor"].eq("memory"))]
    seen = pd.concat([rest, memory], ignore_index=True)
    effect = {}
    for name, found in {
        "together": fit_sensors(seen, draws=2000, seed=1)["memory"],
        "alone": fit(seen, sensor="memory", draws=2000, seed=1),
    }.items():
        level = found.posterior["assembly"].sel({"assembly level": "North · m7"})
        effect[name] = level.to_numpy().ravel()
    assert abs(effect["alone"].mean()) < 0.3
    assert effect["together"].mean() > 2.0
    assert effect["together"].std() < 0.8 * effect["alone"].std()


def test_levels_that_one_sensor_lacks_are_no_trouble(make_rows):
    rows = assemblies(make_rows, 0.8, np.random.default_rng(5), count=12)
    gone = rows["sensor"].eq("memory") & rows["assembly"].isin(["m0", "m1"])
    found = fit_sensors(rows[~gone], draws=800, seed=1)
    assert len(found["memory"].posterior["assembly level"]) == 10
    assert len(found["junction"].posterior["assembly level"]) == 12


def test_questions_take_each_sensor_and_say_what_they_look_at(both):
    memory = both["memory"]
    assert memory.fitted_with == ("junction",)
    assert memory.engine_reason == "fitted together with junction"
    check = check_fit(memory, refits=0)
    assert any("only readings of memory are left out" in said for said in check.sentences)
    assert "correlations between them" in str(both)


def test_saved_and_loaded(both, tmp_path):
    loaded = load_sensor_fits(both.save(tmp_path / "both.nc"))
    assert list(loaded) == list(both)
    assert loaded.together == both.together
    assert loaded["memory"].fitted_with == ("junction",)
    pd.testing.assert_frame_equal(loaded.table, both.table)
    for sensor, one in both.items():
        assert np.array_equal(loaded[sensor].effects, one.effects)
    with pytest.raises(LibraryError, match=r"Fix: read it with load_sensor_fits\."):
        load_fit(tmp_path / "both.nc")
    single = both["memory"].save(tmp_path / "one.nc")
    with pytest.raises(LibraryError, match=r"Fix: read it with load_fit\."):
        load_sensor_fits(single)


def test_what_cannot_be_fitted_together_is_refused(study, make_rows):
    with pytest.raises(InputError, match="fewer than two"):
        fit_sensors(study, ["memory"])
    with pytest.raises(InputError, match="the rows hold edge, junction, memory") as error:
        fit_sensors(study, ["memory", "skin"])
    assert (error.value.faults[0].column, error.value.faults[0].value) == ("sensors", "skin")
    with pytest.raises(InputError, match="no such term") as error:
        fit_sensors(study, SENSORS, together=["mounting"])
    assert error.value.faults[0].column == "together"
    with pytest.raises(InputError, match="not a positive number") as error:
        fit_sensors(study, SENSORS, correlation_shape=0.0)
    assert error.value.faults[0].column == "shape"
    once = assemblies(make_rows, 0.0, np.random.default_rng(1), count=1)
    with pytest.raises(ModelError, match="Nothing links the sensors"):
        fit_sensors(once)
    hot = study.assign(at_limit=study["run"].eq(study["run"].iloc[0]))
    with pytest.raises(ModelError, match="exact readings only, but memory: 1 reading") as error:
        fit_sensors(hot, SENSORS)
    # Leaving out the hottest rows is no fix: censored rows left out bias the rest.
    assert "leave" not in str(error.value)
    assert "fit each sensor by itself" in str(error.value)
