"""Textbook tests of pingouin on the same balanced swap, beside the hierarchical answer.

Raphael Vallat, Pingouin: statistics in Python, J. Open Source Software 3 (2018) 1026.
The unit is the assembly: its runs share its error, so they are averaged first.
"""

import warnings

import pingouin
import pytest

from thermcmp.questions.separation.question import separate
from thermcmp.simulation import RevisionStudy


@pytest.fixture(scope="module")
def balanced(fit_known):
    """Every cooler on every board, six rounds, one fixed speed: 24 bench assemblies."""
    study = RevisionStudy(
        remounts=6,
        vendors="crossed",
        stock="none",
        fan_speeds_rpm=(1800.0,),
        equal_noise_dba=None,
        sessions=6,
    )
    return fit_known(study, seed=21)


@pytest.fixture(scope="module")
def assemblies(balanced):
    """Mean rise of each bench assembly at reference power."""
    rows = balanced.fit.results
    bench = rows[rows["assembly_kind"].eq("bench")]
    rise = (bench["temperature_c"] - bench["ambient_c"]) * 200.0 / bench["power_w"]
    names = ["assembly", "cooler_model", "board_model", "session", "memory_vendor"]
    return bench.assign(rise_k=rise).groupby(names, as_index=False)["rise_k"].mean()


@pytest.fixture(scope="module")
def cooler(balanced):
    table = separate(balanced.fit).table
    averaged = table["factor"].eq("cooler_model") & table["partner"].eq("average")
    (row,) = table[averaged].to_dict("records")
    return row


def quietly(call, **options):
    with warnings.catch_warnings():
        # pingouin calls pandas in ways that pandas will drop.
        warnings.simplefilter("ignore")
        return call(**options)


def test_the_swap_is_balanced(assemblies):
    assert set(assemblies.groupby(["cooler_model", "board_model"]).size()) == {6}


def test_the_paired_t_test_of_the_coolers_agrees(assemblies, cooler):
    # Each board specimen in each session carried both coolers: a pair.
    pairs = assemblies.pivot_table(
        index=["session", "board_model"], columns="cooler_model", values="rise_k"
    )
    assert len(pairs) == 12
    assert not pairs.isna().to_numpy().any()
    found = quietly(
        pingouin.ttest, x=pairs["Alder-C2"], y=pairs["Alder-C1"], paired=True, confidence=0.90
    )
    column = next(name for name in found.columns if name.startswith("CI"))
    low, high = (float(value) for value in found[column].iloc[0])
    difference = float((pairs["Alder-C2"] - pairs["Alder-C1"]).mean())
    # The classical estimate lies in the hierarchical 90 % interval and the other way round.
    assert cooler["low_k"] <= difference <= cooler["high_k"]
    assert low <= cooler["mean_k"] <= high
    # Both know the same 24 assemblies: intervals of like width.
    width = (cooler["high_k"] - cooler["low_k"]) / (high - low)
    assert 0.5 < width < 2.0


def test_the_analysis_of_variance_finds_the_same_causes(assemblies, cooler):
    table = quietly(
        pingouin.anova, data=assemblies, dv="rise_k", between=["cooler_model", "board_model"]
    )
    p_column = next(name for name in table.columns if name.lower().replace("-", "_") == "p_unc")
    p = table.set_index("Source")[p_column]
    assert p["cooler_model"] < 0.001
    assert cooler["high_k"] < 0.0
    # Series resistances add, so there is no interaction to find.
    assert p["cooler_model * board_model"] > 0.01
