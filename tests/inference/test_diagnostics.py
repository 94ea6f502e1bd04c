"""Health checks: what is broken fails, what is fine passes, and nothing is no pass."""

import numpy as np
import pytest
import xarray as xr
from scipy.stats import genpareto

from thermcmp.inference.arviz_adapter import pareto_k
from thermcmp.inference.diagnostics import (
    Check,
    Diagnostics,
    Health,
    check_chains,
    check_sampler,
    check_weights,
)


def dataset(**variables):
    return xr.Dataset({name: (("chain", "draw"), values) for name, values in variables.items()})


def graded(posterior):
    return Diagnostics(check_chains(posterior))


@pytest.fixture
def draws():
    return np.random.default_rng(8).standard_normal((4, 1000))


def test_independent_draws_pass(draws):
    found = graded(dataset(a=draws, b=np.exp(draws)))
    assert found.health is Health.OK
    r_hat, bulk, tail = found.checks
    assert 0.99 < r_hat.value < 1.01
    # Independent draws: the effective size is the number of draws, within its own scatter.
    assert 3200 < bulk.value < 4800
    assert tail.value > 2500
    assert found.sentences == ()


def test_constant_draws_fail(draws):
    found = graded(dataset(a=draws, b=np.full((4, 1000), 3.0)))
    assert found.health is Health.BAD
    assert np.isnan(found.checks[0].value)


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_one_undefined_draw_fails(draws, value):
    draws[2, 17] = value
    assert graded(dataset(a=draws)).health is Health.BAD


def test_one_stuck_chain_fails(draws):
    draws[3] = 2.0 + 0.01 * draws[3]
    found = graded(dataset(a=draws))
    assert found.health is Health.BAD
    assert found.checks[0].value > 1.05
    assert "R-hat" in found.sentences[0]


def test_chains_of_equal_mean_and_unequal_width_fail(draws):
    """The case that R-hat without ranks and folding misses (Vehtari et al. 2021, sec. 3)."""
    draws[3] *= 4.0
    r_hat = graded(dataset(a=draws)).checks[0]
    assert r_hat.value > 1.01
    assert r_hat.status is not Health.OK


def test_a_slow_walk_fails():
    """An autoregression of 0.99: 4000 draws are worth 4000 (1 - 0.99) / (1 + 0.99) = 20."""
    rng = np.random.default_rng(1)
    noise = rng.standard_normal((4, 1000))
    walk = np.empty_like(noise)
    walk[:, 0] = noise[:, 0]
    for i in range(1, 1000):
        walk[:, i] = 0.99 * walk[:, i - 1] + np.sqrt(1.0 - 0.99**2) * noise[:, i]
    found = graded(dataset(a=walk))
    assert found.health is Health.BAD
    assert found.checks[1].value < 100


def test_a_funnel_walked_at_random_fails():
    """Neal, Annals of Statistics 31 (2003) 705-767, sec. 8: v ~ N(0, 3), x_i ~ N(0, e^(v/2))."""
    rng = np.random.default_rng(2)

    def log_density(p):
        v, x = p[:, 0], p[:, 1:]
        return -(v**2) / 18.0 - 4.5 * v - 0.5 * np.sum(x**2, axis=1) * np.exp(-v)

    state = rng.standard_normal((4, 10))
    logs = log_density(state)
    kept = np.empty((4, 1000))
    for i in range(1000):
        tried = state + 0.5 * rng.standard_normal(state.shape)
        tried_logs = log_density(tried)
        taken = np.log(rng.random(4)) < tried_logs - logs
        state[taken], logs[taken] = tried[taken], tried_logs[taken]
        kept[:, i] = state[:, 0]
    assert graded(dataset(v=kept)).health is Health.BAD


def test_no_checks_and_no_variables_are_no_pass():
    assert Diagnostics(()).health is Health.BAD
    assert graded(xr.Dataset()).health is Health.BAD


def test_the_worst_check_decides():
    ok = Check("a", 1.0, "any", Health.OK)
    caution = Check("b", 2.0, "less", Health.CAUTION)
    found = Diagnostics((ok, caution))
    assert found.health is Health.CAUTION
    assert str(found).splitlines()[0] == "Health caution."
    assert "less" in str(found)
    assert str(found).endswith(found.sentences[0])
    assert found.sentences == ("B is 2; required: less (caution).",)
    assert found.table["status"].tolist() == ["ok", "caution"]
    assert list(found.table.columns) == ["check", "value", "threshold", "status"]


@pytest.mark.parametrize(
    ("size", "limit"),
    # min(1 - 1/log10 S, 0.7): Vehtari et al., JMLR 25 (2024) 72, sec. 3.2.4.
    [(100, 0.5), (1000, 0.6667), (2000, 0.6971), (2200, 0.7), (10_000, 0.7)],
)
def test_limit_of_pareto_k_follows_the_number_of_draws(size, limit):
    rng = np.random.default_rng(0)
    found = check_weights(rng.standard_normal(size) * 0.1, 0.9 * size)[0]
    assert found.threshold == f"below {limit:.2f}"
    # Weights whose tail index lies either side of the limit, without sampling error.
    for k, status in ((limit - 0.2, Health.OK), (limit + 0.35, Health.BAD)):
        even = (np.arange(size) + 0.5) / size
        logs = np.log(genpareto.ppf(even, k) + 1.0)
        assert check_weights(logs, 500.0)[0].status is status


@pytest.mark.parametrize("k", [0.2, 0.5, 0.9])
def test_pareto_k_finds_the_shape_of_a_pareto_tail(k):
    even = (np.arange(20_000) + 0.5) / 20_000
    # The fit shrinks towards 0.5 as ten draws would (Vehtari et al. 2024, appendix G).
    assert pareto_k(np.log(genpareto.ppf(even, k) + 1.0)) == pytest.approx(k, abs=0.06)


def test_weights_that_hang_on_few_draws_fail():
    logs = 0.1 * np.random.default_rng(5).standard_normal(4000)
    found = Diagnostics(check_weights(logs, 50.0))
    assert found.checks[1].status is Health.BAD
    assert check_weights(logs, 250.0)[1].status is Health.CAUTION


def sampler_record(divergent=0, energy=None, depth=3, name="depth"):
    rng = np.random.default_rng(3)
    diverging = np.zeros((4, 500), bool)
    diverging.ravel()[:divergent] = True
    energy = rng.standard_normal((4, 500)) if energy is None else energy
    return dataset(diverging=diverging, energy=energy, **{name: np.full((4, 500), depth)})


@pytest.mark.parametrize(
    ("divergent", "status"), [(0, Health.OK), (1, Health.CAUTION), (21, Health.BAD)]
)
def test_divergent_steps_are_counted(divergent, status):
    found = check_sampler(sampler_record(divergent))[0]
    assert found.value == divergent / 2000
    assert found.status is status


def test_energy_fraction():
    """Betancourt, arXiv:1604.00695: 2 for independent energies, near 0 for a slow walk."""
    fine = check_sampler(sampler_record())[1]
    assert fine.value == pytest.approx(2.0, abs=0.3)
    assert fine.status is Health.OK
    walk = np.cumsum(np.random.default_rng(3).standard_normal((4, 500)), axis=1)
    assert check_sampler(sampler_record(energy=walk))[1].status is Health.BAD


@pytest.mark.parametrize("name", ["depth", "tree_depth"])
def test_full_trees_are_pointed_out(name):
    assert check_sampler(sampler_record(depth=3, name=name))[2].status is Health.OK
    assert check_sampler(sampler_record(depth=10, name=name))[2].status is Health.CAUTION


def test_a_value_is_told_apart_from_its_threshold():
    """An R-hat of 1.012 is not shown as "1.01; required: at most 1.01"."""
    check = Check("largest R-hat", 1.0123, "at most 1.01", Health.CAUTION)
    (said,) = Diagnostics((check,)).sentences
    assert said == "Largest R-hat is 1.012; required: at most 1.01 (caution)."
