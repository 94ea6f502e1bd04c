"""A stray run under Student's t: named with what it counts for, and no innocent beside it."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from thermcmp.inference.checks.outliers import LITTLE, weight_words
from thermcmp.inference.fitting import fit
from thermcmp.model.observation import DEGREES
from thermcmp.questions.caveats import discounts, fit_caveats, outliers
from thermcmp.questions.fit_check.question import check_fit
from thermcmp.questions.separation.question import separate

COUNTS = "Under Student's t it counts as less than 0.01 of a run."


@pytest.fixture(scope="module")
def rows():
    """Two coolers in four assemblies each, two runs in an assembly; run r5 is 9 K too hot."""
    cooler, assembly = np.repeat([0, 1], 8), np.repeat(np.arange(8), 2)
    rng = np.random.default_rng(5)
    read = 70.0 - 4.0 * cooler + rng.normal(0.0, 0.3, 16)
    read[5] += 9.0
    return pd.DataFrame(
        {
            "run": [f"r{i}" for i in range(16)], "sensor": "memory",
            "cooler_model": [f"Heron-C{i + 1}" for i in cooler], "board_model": "Heron-B1",
            "assembly": [f"m{i}" for i in assembly], "lab": "North", "temperature_c": read,
            "ambient_c": 22.0, "fan_rpm": 1800.0, "power_w": 200.0,
        }
    )  # fmt: skip


@pytest.fixture(scope="module")
def robust(rows):
    return fit(rows, terms=["cooler_model"], residuals="student", draws=500, seed=1)


@pytest.mark.study
def test_the_culprit_is_named_and_no_innocent(robust):
    (outlier,) = outliers(robust)
    assert (outlier.kind, outlier.name) == ("run", "r5")
    assert outlier.off_k == pytest.approx(9.0, abs=1.0)
    assert outlier.weight < 0.01
    assert outlier.sentence.endswith(f"look at its log. {COUNTS}")
    assert [one.name for one in discounts(robust)] == ["r5"]


@pytest.mark.study
def test_the_predictive_check_does_not_blame_the_model(robust):
    check = check_fit(robust)
    assert check.predictive.table["health"].eq("ok").all()
    said = " ".join(check.sentences)
    assert "does not hold" not in said
    assert said.count("look at its") == 1
    assert check.outliers["name"].to_list() == ["r5"]
    # Without its assembly the difference is what it is with it: the run pulled little.
    moved = check.left_out.table["change_sds"].abs().max()
    assert moved < 1.5


@pytest.mark.study
def test_every_answer_says_what_the_run_counts_for(robust):
    told = [one for one in separate(robust, allow_bad_health=True).caveats if "look at" in one]
    assert told == [outliers(robust)[0].sentence]


@pytest.mark.study
def test_a_run_that_the_tails_explain_is_named_as_discounted(robust):
    """At half a degree of freedom such a run is no wonder; that it counts for little is said."""
    heavy = robust.posterior.assign({DEGREES: robust.posterior[DEGREES] * 0.0 + 0.5})
    model = replace(robust, posterior=heavy)
    assert outliers(model) == ()
    (one,) = discounts(model)
    assert one.name == "r5"
    assert one.weight < LITTLE
    assert one.sentence == (
        f"Run r5 is {one.off_k:.1f} K hotter than fitted; look at its log. "
        + weight_words(one.weight)
    )
    assert one.sentence in fit_caveats(model)


def test_a_normal_scatter_discounts_nothing(rows):
    plain = fit(rows, terms=["cooler_model"], draws=400, seed=1)
    assert discounts(plain) == ()
    assert not any("Student" in one for one in fit_caveats(plain))


def test_words_of_a_weight():
    assert weight_words(0.004) == COUNTS
    assert weight_words(0.124) == "Under Student's t it counts as 0.12 of a run."
