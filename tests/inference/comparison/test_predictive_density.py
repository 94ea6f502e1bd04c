"""Predictive density of groups left out: by hand, by refits, and the weights of models."""

from dataclasses import replace

import numpy as np
import pytest
from dyestuff import FLAT, SIGMA, TAU, at_known_spreads, dyestuff_rows
from scipy.stats import multivariate_normal
from swap_campaign import swap_campaign

from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.comparison.predictive_density import (
    GroupDensity,
    group_density,
    predict_alike,
    stacking_weights,
)
from thermcmp.inference.fitting import fit


def test_density_of_a_batch_given_the_others(outside):
    """Dyestuff (Davies & Goldsmith 1972, ch. 6) with the variances of lme4 held, by hand.

    A new batch of five is normal about the mean of the other batch means, with the variances
    of that mean, of a batch, and of a reading.
    """
    rows = dyestuff_rows(outside)
    model = fit(rows, terms=["assembly"], priors=FLAT, draws=400, seed=1, expand="none")
    model = replace(model, posterior=at_known_spreads(model.posterior))
    units = units_of(model, "assembly")
    density = group_density(model, units.codes)
    yields = rows["temperature_c"].to_numpy()
    batches = np.array([yields[units.codes == place] for place in range(6)])
    one, means = np.ones((5, 5)), batches.mean(axis=1)
    for place, batch in enumerate(batches):
        others = np.delete(means, place)
        cov = SIGMA**2 * np.eye(5) + (TAU**2 + (TAU**2 + SIGMA**2 / 5.0) / 5.0) * one
        expected = multivariate_normal.logpdf(batch, np.full(5, others.mean()), cov)
        assert density.each[place] == pytest.approx(expected, abs=1e-6)
    assert len(density.unsure) == 0


def test_weights_agree_with_fits_without_each_assembly():
    model = fit(swap_campaign(odd_k=3.0), draws=2000, seed=2, expand="none")
    codes = units_of(model, "assembly").codes
    by_weights = group_density(model, codes, refits=0)
    by_fits = group_density(model, codes, refits=len(by_weights.each))
    assert len(by_fits.unsure) == 0
    trusted = np.setdiff1d(np.arange(12), by_weights.unsure)
    assert np.array_equal(by_weights.each[trusted], by_fits.each[trusted])
    from thermcmp.inference.comparison.predictive_density import _without

    # 1000 draws know a log density to some hundredths, more where it hangs on the spreads.
    for group in (*trusted[:2], 1):
        exact = _without(model, codes, int(group))
        assert by_fits.each[group] == pytest.approx(exact, abs=0.15)


def test_difference_and_its_error_are_paired():
    first, second = np.array([-1.0, -2.0, -3.0, -5.0]), np.array([-2.0, -2.5, -3.0, -7.0])
    none = np.array([], np.intp)
    apart, error = GroupDensity(first, none).difference(GroupDensity(second, none))
    assert apart == pytest.approx(3.5)
    assert error == pytest.approx(2.0 * np.std([1.0, 0.5, 0.0, 2.0], ddof=1))


@pytest.mark.parametrize(
    ("difference", "error", "alike"),
    [(-3.9, 0.1, True), (-4.1, 0.1, False), (-9.0, 5.0, True), (-11.0, 5.0, False)],
)
def test_models_predict_alike_within_two_errors_or_below_four(difference, error, alike):
    assert predict_alike(difference, error) is alike


def test_stacking_weights_maximize_the_log_score_of_the_mixture():
    """Against every mixture of a grid (Yao et al. 2018, section 3: the definition)."""
    logs = np.random.default_rng(4).normal(-1.0, [[1.0], [0.8], [1.2]], (3, 40)) - 2.0
    logs[1] += 0.1
    weights = stacking_weights(logs)
    steps = np.linspace(0.0, 1.0, 101)
    grid = [(a, b, 1.0 - a - b) for a in steps for b in steps if a + b <= 1.0 + 1e-12]
    scores = np.mean(np.log(np.array(grid) @ np.exp(logs)), axis=1)
    best = grid[int(np.argmax(scores))]
    assert weights == pytest.approx(best, abs=0.011)
    assert np.mean(np.log(weights @ np.exp(logs))) >= scores.max() - 1e-9
    # One that is worse everywhere counts for nothing.
    assert stacking_weights(np.stack([logs[0], logs[0] - 1.0])) == pytest.approx([1.0, 0.0])
