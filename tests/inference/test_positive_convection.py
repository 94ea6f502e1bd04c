"""More fan never heats: draws that say so are left out."""

import numpy as np
import pytest
from scipy import stats

from thermcmp.inference.diagnostics import Health
from thermcmp.inference.fitting import fit
from thermcmp.inference.positive_convection import convective_parts, positive_draws
from thermcmp.model.priors import Normal


def test_positive_draws_are_kept_and_repeated_evenly():
    parts = np.array([[1.0, 2.0], [-1.0, 2.0], [3.0, 4.0], [5.0, -0.1]])
    taken, (check,) = positive_draws(parts)
    assert taken.tolist() == [0, 0, 2, 2]
    assert (check.value, check.status) == (0.5, Health.OK)


def test_all_positive_draws_stay_as_they_are():
    taken, checks = positive_draws(np.ones((5, 2)))
    assert taken.tolist() == [0, 1, 2, 3, 4]
    assert checks == ()


def test_too_few_positive_draws_are_a_caution():
    taken, (check,) = positive_draws(np.where(np.arange(10)[:, None] == 3, 1.0, -1.0))
    assert taken.tolist() == list(range(10))
    assert check.status is Health.CAUTION


def test_the_prior_alone_becomes_a_normal_cut_at_zero(make_rows):
    # All runs at the reference speed: nothing is known of the convective part.
    rng = np.random.default_rng(1)
    rows = make_rows(temperature_c=80.0 + rng.normal(0.0, 0.5, 12), fan_rpm=np.full(12, 1800.0))
    model = fit(
        rows, terms=["cooler_model"], priors={"airflow baseline": Normal(10.0, 20.0)}, seed=2
    )
    drawn = convective_parts(model.design, model.effects)[:, 0]
    truth = stats.truncnorm(-0.5, np.inf, loc=10.0, scale=20.0)
    assert drawn.min() > 0.0
    assert drawn.mean() == pytest.approx(truth.mean(), rel=0.05)
    assert drawn.std() == pytest.approx(truth.std(), rel=0.05)
