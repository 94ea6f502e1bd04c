"""Laboratories against published meta-analyses and a published network of treatments."""

import numpy as np
import pytest
from published_rows import SCALE, VAGUE, smoking_network, summaries
from restricted import restricted_mode
from scipy import stats

from thermcmp.inference.checks.laboratories.between import _odd, between, lab_weights
from thermcmp.inference.fitting import fit
from thermcmp.model.priors import HalfCauchy, Known, Normal
from thermcmp.model.terms import LAB_PRODUCT, Role, Term


def test_q_of_the_vaccine_trials(outside):
    """Q of 152.2330 on 12 degrees: Viechtbauer, J. Stat. Software 36(3) (2010) (from memory)."""
    data = outside.r_data("HSAUR", "BCG")
    # In this table the columns BCGVacc and NoVacc are totals.
    y = np.log((data["BCGTB"] / data["BCGVacc"]) / (data["NoVaccTB"] / data["NoVacc"])).to_numpy()
    variance = 1 / data["BCGTB"] - 1 / data["BCGVacc"] + 1 / data["NoVaccTB"] - 1 / data["NoVacc"]
    rows = summaries(y, variance, lab=[f"trial {i:02d}" for i in range(13)])
    priors = VAGUE | {"lab sd": HalfCauchy(3.0, 1000.0)}
    model = fit(rows, terms=["lab"], priors=priors, draws=1000, seed=1, expand="none")
    found = between(model, "lab", lab_weights(model)[1])
    assert found.q == pytest.approx(152.233, abs=0.02)
    assert found.degrees == 12
    assert found.i_squared == pytest.approx(1.0 - 12.0 / 152.233, abs=1e-4)
    assert found.offset_k / SCALE == pytest.approx(y - y.mean(), abs=1e-3)


#: Contrasts against no contact and their standard errors at a spread of 0.474 between the arms of
#: one contact in different studies, as a general mixed-model package has them.
PUBLISHED = {"C": (0.708, 0.195), "D": (0.867, 0.372), "B": (0.396, 0.328)}
PUBLISHED_SPREAD = 0.474


@pytest.fixture(scope="module")
def network():
    return smoking_network()


def test_the_spread_within_a_network(network, components):
    study, arm, y, variance = network
    fixed = [study == name for name in np.unique(study)] + [arm == name for name in "BCD"]
    problem = components(
        y, np.column_stack(fixed).astype(float), [np.arange(len(y))], known_variance=variance
    )
    mode = restricted_mode(problem)
    assert mode.spread[0, 0] == pytest.approx(PUBLISHED_SPREAD, abs=5e-4)


def test_a_network_of_treatments(network):
    study, arm, y, variance = network
    rows = summaries(y, variance, cooler_model=arm, lab=[f"study {name}" for name in study])
    free = Normal(0.0, 1000.0)
    terms = [
        Term("treatment", "cooler_model", scale=free),
        Term("study", "lab", Role.NUISANCE, scale=free),
        Term(LAB_PRODUCT, ("lab", "cooler_model", "board_model"), Role.NUISANCE),
    ]
    priors = VAGUE | {f"{LAB_PRODUCT} sd": Known(SCALE * PUBLISHED_SPREAD)}
    model = fit(rows, terms=terms, priors=priors, draws=8000, seed=1, expand="none")
    effects = model.draws("treatment") / SCALE
    for name, (mean, error) in PUBLISHED.items():
        contrast = effects[:, "ABCD".index(name)] - effects[:, 0]
        assert contrast.mean() == pytest.approx(mean, abs=0.04 * error + 5e-4)
        assert contrast.std() == pytest.approx(error, rel=0.03)


def test_the_odd_laboratory_is_an_outlier_of_the_others():
    """Externally studentised, against a regression with one indicator by SciPy's t."""
    offset = np.array([0.2, -0.5, 0.4, -0.1, 4.0])
    chance = _odd(offset)
    others = offset[:4]
    size = abs(4.0 - others.mean()) / (others.std(ddof=1) * np.sqrt(1.25))
    assert chance[4] == pytest.approx(5 * 2 * stats.t.sf(size, 3))
    assert chance[4] < 0.05
    assert np.all(chance[:4] > 0.5)


def test_like_laboratories_are_called_odd_as_often_as_stated():
    rng = np.random.default_rng(3)
    called = [np.min(_odd(rng.normal(0.0, 2.0, 6))) < 0.05 for _ in range(2000)]
    # Bonferroni's bound is nearly exact for the most extreme of few.
    assert 0.035 < np.mean(called) < 0.062


def test_few_laboratories_are_never_odd():
    assert list(_odd(np.array([0.0, 0.1, 9.0]))) == [1.0, 1.0, 1.0]
