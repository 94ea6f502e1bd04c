"""Checks and caveats of a fit with more than 1,500 effects, one assembly of which is an outlier."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from thermcmp.inference.checks.data_share import data_share
from thermcmp.inference.checks.leave_out import LeaveOut
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.fitting import fit
from thermcmp.questions.caveats import Linear, fit_caveats
from thermcmp.questions.fit_check.question import check_fit
from thermcmp.questions.separation.question import separate

ASSEMBLIES, RUNS, MODELS = 1100, 3, 5
STRAY, OFF_K = "m321", 8.0


@pytest.fixture(scope="module")
def rows():
    """Runs at three fan speeds of assemblies of specimens of five models, over sessions."""
    rng = np.random.default_rng(5)
    assembly = np.repeat(np.arange(ASSEMBLIES), RUNS)
    specimen = assembly // 5
    model, session = specimen % MODELS, rng.permutation(ASSEMBLIES)[assembly] // 100

    def drawn(sd_k, of):
        return sd_k * rng.standard_normal(of.max() + 1)[of]

    speed = np.tile([1400.0, 1800.0, 2200.0], ASSEMBLIES)
    rise = 48.0 + 4.0 * model + drawn(1.0, specimen) + drawn(0.7, assembly) + drawn(0.3, session)
    rise += (28.0 + drawn(1.0, specimen)) * ((speed / 1800.0) ** -0.65 - 1.0)
    rise += 0.2 * rng.standard_normal(len(rise))
    rise[assembly == int(STRAY[1:])] += OFF_K
    return pd.DataFrame(
        {
            "run": [f"r{i}" for i in range(len(rise))], "sensor": "memory",
            "cooler_model": [f"Heron-C{i}" for i in model],
            "cooler_id": [f"c{i}" for i in specimen],
            "board_model": "Heron-B1", "board_id": "Heron-B1-1", "memory_vendor": "Quill",
            "assembly": [f"m{i}" for i in assembly], "session": [f"s{i}" for i in session],
            "lab": "North", "temperature_c": 22.0 + rise, "ambient_c": 22.0, "fan_rpm": speed,
            "power_w": 200.0, "standard_error_k": 0.05,
        }
    )  # fmt: skip


@pytest.fixture(scope="module")
def large(rows):
    model = fit(rows, "memory", expand="none", draws=1000, seed=1)
    assert model.design.effect_count > 1500
    return model


@pytest.fixture(scope="module")
def check(large):
    return check_fit(large, refits=0)


def test_the_assembly_that_strays_is_named(check):
    assemblies = check.outliers[check.outliers["kind"] == "assembly"]
    assert list(assemblies["name"]) == [STRAY]
    assert assemblies["off_k"].iloc[0] == pytest.approx(OFF_K, abs=2.5)
    assert any(f"Assembly '{STRAY}' is" in sentence for sentence in check.sentences)


def test_every_assembly_is_left_out(check):
    units = check.left_out.units
    assert len(units) == ASSEMBLIES
    assert (units["action"] == "weights").mean() > 0.99
    table = check.left_out.table
    assert len(table) == MODELS * (MODELS - 1) // 2
    # The one that is 8 K off moves the contrasts of its own model most.
    own = f"Heron-C{int(STRAY[1:]) // 5 % MODELS}"
    hit = table["effect"].str.contains(own)
    trusted = units.set_index("assembly").loc[STRAY, "action"] == "weights"
    assert not trusted or (table.loc[hit, "without"] == STRAY).all()
    assert (np.abs(table["change_sds"]) < 1.5).all()


def test_answers_name_it_too(large):
    answer = separate(large, contrasts=["cooler_model"])
    assert any(f"Assembly '{STRAY}' is" in caveat for caveat in answer.caveats)
    share = answer.table.loc[answer.table["factor"] == "cooler_model", "data_share"]
    assert (share > 0.9).all()


def test_many_pairs_are_looked_at_with_one_level(large, monkeypatch):
    monkeypatch.setattr("thermcmp.questions.fit_check.question.MOST_PAIRS", 6)
    found = check_fit(large, refits=0)
    assert len(found.left_out.table) == MODELS - 1
    common = large.results["cooler_model"].mode().iloc[0]
    assert found.left_out.table["effect"].str.contains(common).all()
    said = [s for s in found.sentences if s.startswith("Of 10 pairs of levels the 4 with")]
    assert len(said) == 1


def test_the_least_sure_of_many_answers_are_held_against_each_assembly(large, monkeypatch):
    column = large.design.offsets[large.design.term_position("cooler_model")]
    weights = np.zeros((4, large.design.effect_count))
    for place in range(4):
        weights[place, [column, column + place + 1]] = -1.0, 1.0
    monkeypatch.setattr("thermcmp.questions.caveats.MOST_CELLS", 2 * ASSEMBLIES)
    names = tuple(f"C{place + 1} − C0" for place in range(4))
    caveats = fit_caveats(large, linear=Linear(names, weights))
    assert any("checked for the 2 least sure of 4" in caveat for caveat in caveats)
    monkeypatch.undo()
    caveats = fit_caveats(large, linear=Linear(names, weights))
    assert not any("least sure of" in caveat for caveat in caveats)


def test_a_session_is_left_out_by_solving_without_it(large):
    """Sessions have 300 rows: their numbers agree with those of groups' own systems."""
    sessions = units_of(large, "session")
    weights = np.zeros((1, large.design.effect_count))
    weights[0, 0] = 1.0
    study = LeaveOut(large, [sessions.codes], draws=4)
    (found,) = study.each()
    assert np.isfinite(found.rest).all()
    # What the others say of a session's mean is its spread and little more.
    spread = large.draws("session sd")[large.thinned(4)]
    assert (found.rest_sd > 0.9 * spread[:, None]).all()
    assert (found.rest_sd < 2.0 * spread[:, None] + 0.2).all()
    mean, sd = study.at_draws(weights, np.arange(2))
    assert mean.shape == sd.shape == (4, 2, 1)


def test_shares_hold_where_rows_are_very_many(large):
    """A prior as wide as none is narrower there, or rounding would drown what is aliased."""
    design = large.design
    precise = replace(design, known_variance=np.full(len(design.rise_k), 1e-9))
    still = large.posterior.assign({"residual sd": large.posterior["residual sd"] * 1e-3})
    weights = np.zeros((1, design.effect_count))
    weights[0, 0] = 1.0
    share = data_share(replace(large, design=precise, posterior=still), weights)
    assert 0.0 <= share[0] <= 1.0
