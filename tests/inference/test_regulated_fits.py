"""What a fit makes of regulated runs: which it uses, what it finds, and what it says."""

import os
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from closed_loops import REFERENCE_RPM, REFERENCE_W, Bench, Card
from scipy.stats import binom

from thermcmp.errors import InputError, ModelError
from thermcmp.inference import engines
from thermcmp.inference.checks.leave_out import LeaveOut
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.outliers import outlying
from thermcmp.inference.checks.prior_sensitivity import log_likelihood
from thermcmp.inference.checks.refits import fit_without
from thermcmp.inference.conditional import regulated_sampling
from thermcmp.inference.conditional.engine import run_conditional
from thermcmp.inference.conditional.problem import thermal_problem
from thermcmp.inference.diagnostics import Check, Health
from thermcmp.inference.fitting import fit
from thermcmp.inference.joint_fitting import fit_sensors
from thermcmp.inference.regulated_likelihood import log_jacobian
from thermcmp.inference.storage import load_fit
from thermcmp.model.conditions import Conditions
from thermcmp.model.design import EXPONENT
from thermcmp.model.priors import HalfNormal, Normal

AT = Conditions(power_w=REFERENCE_W, fan_rpm=REFERENCE_RPM)
SIZE = int(os.environ.get("THERMCMP_STUDY_SIZE", "100"))
TERMS = ["cooler_model", "cooler_model airflow"]
OLD, NEW = Card("Heron-C1", 55.0, 30.0), Card("Heron-C2", 49.0, 30.0)


def level_draws(model, baseline, term):
    return model.draws(baseline)[:, None] + model.draws(term)


@pytest.fixture(scope="module")
def alike_rows():
    """Two coolers that read the same to 0.05 K, because the firmware held 75 °C."""
    rng, bench = np.random.default_rng(8), Bench(scatter_k=0.4)
    rows = [row for card in (OLD, NEW) for row in bench.by_fan(card, 75.0, 8, rng)]
    rows += bench.by_fan(OLD, 79.0, 4, rng) + bench.by_fan(NEW, 79.0, 4, rng)
    frame = bench.frame(rows)
    return frame.assign(temperature_c=frame["temperature_c"] + rng.uniform(-0.02, 0.02, len(frame)))


@pytest.fixture(scope="module")
def alike(alike_rows):
    return fit(alike_rows, terms=TERMS, reference=AT, seed=1)


def test_coolers_that_read_the_same_are_told_apart_by_their_fans(alike_rows, alike):
    read = alike_rows[:16].groupby("cooler_model")["temperature_c"].mean()
    assert np.ptp(read) < 0.05
    assert alike.engine == "conditional"
    assert alike.engine_reason == "every reading is an exact value; regulated runs enter by weights"
    assert alike.health is Health.OK
    rise = level_draws(alike, "baseline", "cooler_model")
    gap = rise[:, 1] - rise[:, 0]
    low, high = np.quantile(gap, [0.05, 0.95])
    assert low < NEW.rise_k - OLD.rise_k < high
    assert high < -4.0
    assert any(note.startswith("Regulated runs inform the resistance: 24 by the fan speed")
               for note in alike.design.notes)  # fmt: skip


def test_left_out_they_say_nothing(alike_rows):
    with pytest.raises(ModelError, match="temperature is not a result"):
        fit(alike_rows, regulated="leave out")
    with pytest.raises(InputError, match="inform, leave out"):
        fit(alike_rows, regulated="perhaps")


def test_runs_that_cannot_inform_are_named_with_the_mend():
    bench, rng = Bench(), np.random.default_rng(1)
    frame = bench.frame([*bench.by_fan(OLD, 75.0, 6, rng), *bench.free(OLD, (1500.0, 2000.0), rng)])
    frame["regulated_by"] = frame["regulated_by"].astype("string")
    frame.loc[0, "regulated_by"] = pd.NA
    frame.loc[1, "regulated_by"] = "fan and power"
    frame.loc[2, "at_limit"] = True
    frame.loc[3, ["n", "standard_error_k"]] = [4, 0.2]
    frame.loc[4, "fan_rpm"] = np.nan
    frame["at_limit"] = frame["at_limit"].eq(True)
    model = fit(frame, terms=TERMS, reference=AT, seed=1)
    assert model.results["run"].tolist() == ["r5", "r6", "r7"]
    told = {item.runs: item.reason for item in model.design.left_out}
    assert "state it in regulated_by" in told[("r0",)]
    assert "fan and power together" in told[("r1",)]
    assert "may be clamped" in told[("r2",)]
    assert "summary of several regulated runs" in told[("r3",)]
    assert "duty in % is not fan speed" in told[("r4",)]


def test_a_loop_says_nothing_of_a_law_that_it_does_not_drive(make_rows):
    from thermcmp.model.regulated import Regulated, held_by, uninformative

    class Coolant:
        name, column = "coolant law", "flow_l_per_min"

    rows = make_rows(
        regulated=[True, False], regulated_by=["fan", None], at_limit=False, n=1,
        at_floor=False, temperature_high_c=np.nan,
    )  # fmt: skip
    found = uninformative(rows, Coolant(), Regulated.INFORM)
    (reason,) = (why for why, hit in found.items() if hit.any())
    assert reason.endswith("the coolant law is driven by flow_l_per_min")
    assert held_by(rows, "fan").tolist() == [True, False]
    assert not held_by(rows.drop(columns="regulated_by"), "fan").any()


def test_weights_that_fail_hand_over_to_the_general_engine(alike_rows, monkeypatch):
    asked = []

    def general(design, draws, seed):
        asked.append(draws)
        return engines._Run(alike_posterior(design, draws, seed), alike_health())

    def alike_posterior(design, draws, seed):
        return engines._conditional(design, draws, seed).posterior

    def alike_health():
        return engines.Diagnostics((Check("stand-in", 0.0, "none", Health.OK),))

    first = regulated_sampling.Expansion.first
    # Stand-ins far narrower than the second order leave a tail that no smoothing fixes.
    narrow = staticmethod(lambda design: replace(first(design), wider=0.02))
    monkeypatch.setattr(regulated_sampling.Expansion, "first", narrow)
    monkeypatch.setattr(regulated_sampling, "PASSES", 0)
    monkeypatch.setattr(engines, "_nuts", general)
    model = fit(alike_rows, terms=TERMS, reference=AT, draws=400, seed=1)
    assert asked == [400]
    assert model.engine == "nuts"
    assert "failed its health check" in model.engine_reason
    assert "for the regulated runs" in model.engine_reason


def test_the_jacobian_counts_in_the_likelihood(alike):
    plain = replace(alike.design, rows=alike.design.rows.assign(regulated=False))
    without = log_likelihood(replace(alike, design=plain))
    jacobian = log_jacobian(alike.design, alike.effects, alike.draws(EXPONENT))
    assert log_likelihood(alike) - without == pytest.approx(jacobian)
    assert np.std(jacobian) > 0.1


def test_a_saved_fit_keeps_its_regulated_runs(alike, tmp_path):
    again = load_fit(alike.save(tmp_path / "fit.nc"))
    assert again.results["regulated_by"].eq("fan").all()
    assert log_likelihood(again) == pytest.approx(log_likelihood(alike))


def test_a_assembly_left_out_beside_regulated_runs_agrees_with_a_new_fit():
    rng, bench = np.random.default_rng(4), Bench(scatter_k=0.8)
    rows = [row for card in (OLD, NEW) for row in bench.by_fan(card, 75.0, 8, rng)]
    free = [row for card in (OLD, NEW) for row in bench.free(card, (1750.0, 1900.0), rng)]
    frame = bench.frame([*rows, *free])
    assembly = frame["cooler_model"] + np.where(frame["regulated"], " first", " second")
    model = fit(frame.assign(assembly=assembly), terms=TERMS, reference=AT, seed=2)
    units = units_of(model, "assembly")
    airflow = np.zeros((2, model.design.effect_count))
    airflow[:, 1] = 1.0
    for place in range(2):
        airflow[place, model.design.offsets[1] + place] = 1.0
    study = LeaveOut(model, [units.codes], draws=2000)
    (found,) = study.each()
    moved = study.moments(airflow, found.weights)
    whole = level_draws(model, "airflow baseline", "cooler_model airflow")
    at = 0.1 * whole.std(axis=0).max()
    assert moved.whole[0] == pytest.approx(whole.mean(axis=0), abs=at)
    mean, sd = moved.mean, moved.sd
    # With 1000 draws each of a posterior this wide a mean is known to a tenth of its SD.
    assert found.trusted.sum() >= 3
    for place in range(len(units.names)):
        if not found.trusted[place]:
            continue
        again = fit_without(model, units.codes == place, seed=3)
        flow = level_draws(again, "airflow baseline", "cooler_model airflow")
        assert mean[place] == pytest.approx(flow.mean(axis=0), abs=0.25 * flow.std(axis=0).max())
        assert sd[place] == pytest.approx(flow.std(axis=0), rel=0.2)


def test_a_regulated_run_that_strays_is_named(alike_rows):
    spoiled = alike_rows.copy()
    # As if the tachometer had missed a fan: a fifth less speed held the same target.
    spoiled.loc[3, "fan_rpm"] *= 0.8
    model = fit(spoiled, terms=TERMS, reference=AT, expand="none", seed=1)
    runs = units_of(model, "run")
    (found,) = LeaveOut(model, [runs.codes]).each()
    named = outlying(model, runs, found, units_of(model, "assembly"))
    assert [one.name for one in named] == ["r3"]
    # So little air would have left it warmer; that it was not reads as a cool run.
    assert named[0].off_k < -2.0


def test_nothing_tested_names_nothing(alike):
    """Where no unit can be held against the others, none is off."""
    runs = units_of(alike, "run")
    silent = replace(alike.design, at_limit=np.ones(len(runs.codes), bool))
    (found,) = LeaveOut(replace(alike, design=silent), [runs.codes], draws=100).each()
    assert np.isnan(found.tail()).all()
    assert outlying(alike, runs, found, units_of(alike, "assembly")) == ()


def test_several_sensors_together_leave_them_out(alike_rows):
    rng, bench = np.random.default_rng(9), Bench()
    rows = [row for card in (OLD, NEW) for row in bench.free(card, np.full(6, 1800.0), rng)]
    free = bench.frame(rows)
    free["assembly"] = free["cooler_model"] + " mount " + (free.index % 3).astype(str)
    free["run"] = "f" + free["run"]
    frame = pd.concat([alike_rows, free], ignore_index=True)
    junction = frame.assign(sensor="junction", temperature_c=frame["temperature_c"] + 9.0)
    fits = fit_sensors(pd.concat([frame, junction], ignore_index=True), draws=400, seed=1)
    for one in fits.values():
        assert len(one.results) == len(free)
        assert any("temperature is not a result" in item.reason for item in one.design.left_out)


def biases(count, seed=30, runs=60):
    """Posterior mean less truth of the airflow part, with and without the Jacobian [K]."""
    card, bench = Card("Heron-C1", 52.0, 30.0), Bench(scatter_k=1.5)
    # All of the simulated rise follows power.
    priors = {
        "airflow exponent": Normal(0.65, 0.01),
        "constant part": Normal(0.0, 1e-3),
        "residual sd": HalfNormal(2.0),
    }
    found = []
    for one in range(count):
        rng = np.random.default_rng([seed, one])
        frame = bench.frame(bench.by_fan(card, 74.0, runs, rng))
        model = fit(frame, terms=[], reference=AT, priors=priors, draws=800, seed=one)
        assert model.engine == "conditional"
        without = run_conditional(*thermal_problem(model.design), draws=800, seed=one)
        draws = model.effects[:, :2]
        truth = np.array([card.rise_k, card.airflow_k])
        held = np.abs(draws.mean(axis=0) - truth) < 1.645 * draws.std(axis=0)
        naive = without.effects[:, 1].mean() - card.airflow_k
        found.append((*(draws.mean(axis=0) - truth), naive, *held))
    return np.array(found, float)


def test_without_the_jacobian_a_fan_that_held_the_target_seems_to_buy_little():
    found = biases(6)
    error = found[:, 1].std(ddof=1) / np.sqrt(len(found))
    assert abs(found[:, 1].mean()) < 3.0 * error + 0.5
    assert found[:, 2].mean() < -6.0


@pytest.mark.study
def test_regulated_runs_give_resistance_and_airflow_part_without_bias():
    """A hundred campaigns of one card; the intervals hold the truth as often as they say."""
    found = biases(SIZE, seed=40, runs=240)
    error = found.std(axis=0, ddof=1) / np.sqrt(len(found))
    names = ["rise", "airflow part", "airflow part without the Jacobian"]
    for name, mean, one in zip(names, found.mean(axis=0), error, strict=False):
        print(f"\n{name}: off by {mean:.2f} K, standard error {one:.2f} K")
    held = found[:, 3:].sum(axis=0)
    print(f"90 % intervals hold rise and airflow part in {held} of {len(found)}")
    # The fan speeds tell 1/s with a normal error; in s that leans up by about four squared
    # coefficients of variation, here 1 %.
    assert abs(found[:, 0].mean()) < 3.0 * error[0] + 0.05
    assert abs(found[:, 1].mean()) < 3.0 * error[1] + 0.5
    assert found[:, 2].mean() < -6.0
    assert binom.cdf(held.min(), len(found), 0.9) > 0.005
