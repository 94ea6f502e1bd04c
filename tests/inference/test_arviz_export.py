"""Fits handed to ArviZ, of either generation: its own loo, compare and plots of them."""

import warnings
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import kstest, norm
from swap_campaign import swap_campaign

import thermcmp as tc
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.prior_sensitivity import log_likelihood
from thermcmp.inference.comparison.predictive_density import group_density, stacking_weights
from thermcmp.inference.fitting import fit
from thermcmp.inference.storage import load_fit

BY_ASSEMBLY = "rise_k_by_assembly"
GROUPS = (
    "posterior", "log_likelihood", "log_prior", "posterior_predictive", "prior",
    "prior_predictive", "observed_data", "constant_data",
)  # fmt: skip


@pytest.fixture(scope="module")
def az():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import arviz
    return arviz


def fitted(terms):
    rows = swap_campaign(cooler_k=-3.0, pairing_k=2.0)
    return fit(rows, terms=terms, draws=2000, seed=2, expand="none")


@pytest.fixture(scope="module")
def models():
    parts = ["cooler_model", "board_model", "assembly"]
    return {"pairs": fitted([*parts, "pairing"]), "sums": fitted(parts)}


@pytest.fixture(scope="module")
def exported(models):
    return {name: model.to_arviz() for name, model in models.items()}


def variable(container, group, name):
    return container[group][name]


def elpd(result):
    """The pointwise densities and their sum, as either generation names them."""
    if hasattr(result, "elpd_i"):
        return np.asarray(result.elpd_i), float(result.elpd)
    return np.asarray(result.loo_i), float(result.elpd_loo)


def test_all_groups_hold_the_rows_with_units(models, exported):
    model, container = models["pairs"], exported["pairs"]
    for group in GROUPS:
        assert group in container
    observed = variable(container, "observed_data", "rise_k")
    assert observed.attrs["units"] == "K"
    assert list(observed["run"].values) == list(model.results["run"])
    assert np.array_equal(observed.values, model.design.rise_k)
    shape = (4, 500, len(model.results))
    for group in ("posterior_predictive", "log_likelihood"):
        assert variable(container, group, "rise_k").shape == shape
    posterior = variable(container, "posterior", "cooler_model")
    assert posterior.attrs["units"] == "K"
    assert variable(container, "posterior", "airflow exponent").attrs["units"] == "1"
    assert variable(container, "constant_data", "power_w").attrs["units"] == "W"
    assert variable(container, "constant_data", "fan_rpm").attrs["units"] == "rpm"
    assert list(variable(container, "constant_data", "assembly").values) == list(
        model.results["assembly"]
    )
    assert container["observed_data"].attrs["fingerprint"] == model.fingerprint


def test_the_rows_add_up_to_the_likelihood(models, exported):
    rows = variable(exported["pairs"], "log_likelihood", "rise_k").values
    assert rows.sum(axis=2).ravel() == pytest.approx(log_likelihood(models["pairs"]), rel=1e-12)
    # By hand, at one draw.
    model = models["pairs"]
    draw = {name: model.draws(name)[7] for name in model.posterior.data_vars}
    effects = {
        term.name: draw[term.name][model.design.index[:, k]]
        for k, term in enumerate(model.design.terms)
    }
    mean = draw["baseline"] + sum(effects.values())
    by_hand = norm.logpdf(model.design.rise_k, mean, draw["residual sd"])
    assert rows.reshape(-1, rows.shape[2])[7] == pytest.approx(by_hand, abs=1e-9)


def test_loo_by_assembly_is_that_of_the_library(az, models, exported):
    for name, model in models.items():
        with warnings.catch_warnings():
            # Where weights cannot be trusted the library refits; ArviZ warns.
            warnings.simplefilter("ignore")
            pointwise, total = elpd(az.loo(exported[name], var_name=BY_ASSEMBLY, pointwise=True))
        ours = group_density(model, units_of(model, "assembly").codes)
        # The library takes half of the draws.
        assert pointwise == pytest.approx(ours.each, abs=0.3)
        assert total == pytest.approx(ours.total, abs=0.6)


def test_compare_ranks_and_weighs_as_the_library_does(az, models, exported):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        table = az.compare(exported, var_name=BY_ASSEMBLY)
        each = [
            elpd(az.loo(exported[name], var_name=BY_ASSEMBLY, pointwise=True))[0]
            for name in table.index
        ]
    assert list(table.index) == ["pairs", "sums"]
    # ArviZ's own stacking on the same densities.
    assert stacking_weights(np.stack(each)) == pytest.approx(table["weight"].tolist(), abs=0.02)
    answer = tc.compare_models(models["pairs"])
    without = answer.table.set_index("model").loc["without pairing"]
    error = "dse" if "dse" in table else "dse_diff"
    column = "elpd_loo" if "elpd_loo" in table else "elpd"
    apart = table.loc["sums", column] - table.loc["pairs", column]
    assert without["elpd_difference"] == pytest.approx(apart, abs=0.8)
    assert without["difference_se"] == pytest.approx(table.loc["sums", error], rel=0.3)


def test_loo_by_run_is_finite(az, exported):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pointwise, total = elpd(az.loo(exported["pairs"], var_name="rise_k", pointwise=True))
    assert np.isfinite(pointwise).all()
    assert total == pytest.approx(pointwise.sum())


def test_the_predictive_plot_draws(az, exported):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import matplotlib as mpl

        mpl.use("agg")
        if "plot_ppc" in dir(az):
            drawn = az.plot_ppc(exported["pairs"], num_pp_samples=20, kind="cumulative", show=False)
            assert drawn.get_lines()
        else:
            drawn = az.plot_ppc_dist(exported["pairs"], num_samples=20, backend="matplotlib")
            assert drawn.viz["observed_dist"]["rise_k"] is not None


def test_new_readings_cover_the_measured_ones(exported):
    new = variable(exported["pairs"], "posterior_predictive", "rise_k").values.reshape(2000, -1)
    old = variable(exported["pairs"], "observed_data", "rise_k").values
    below = np.mean(new < old, axis=0)
    # Readings that were fitted are too central among their own replicates, never too far out.
    assert 0.2 < np.mean(np.abs(below - 0.5) < 0.25) <= 0.9


def test_the_prior_group_follows_the_stated_priors(models, exported):
    for name in ("assembly sd", "residual sd", "pairing sd"):
        drawn = variable(exported["pairs"], "prior", name).values.ravel()
        z = models["pairs"].priors[name].to_standard(drawn)
        assert kstest(z, "norm").pvalue > 1e-3
    spread = variable(exported["pairs"], "prior", "assembly sd").values[..., None]
    effects = variable(exported["pairs"], "prior", "assembly").values
    assert kstest((effects / spread)[..., 0].ravel(), "norm").pvalue > 1e-3
    density = variable(exported["pairs"], "log_prior", "residual sd").values.ravel()
    scale = models["pairs"].priors["residual sd"].scale
    at = models["pairs"].draws("residual sd")
    assert density == pytest.approx(np.log(2.0) + norm.logpdf(at, 0.0, scale), abs=1e-6)


def test_fewer_draws_are_spread_evenly_and_a_saved_fit_exports_alike(models, tmp_path):
    model = models["pairs"]
    few = load_fit(model.save(tmp_path / "fit.nc")).to_arviz(draws=400)
    kept = variable(few, "posterior", "baseline").values
    assert kept.shape == (4, 100)
    assert np.array_equal(kept[:, [0, -1]], model.posterior["baseline"].values[:, [0, -1]])
    with pytest.raises(tc.InputError, match="draws"):
        model.to_arviz(draws=10)


def test_an_assembly_at_the_limit_is_left_out_and_its_replicates_stay_below(models):
    model = models["sums"]
    limit = np.arange(len(model.results)) == 4
    clamped = replace(model, design=replace(model.design, at_limit=limit))
    container = clamped.to_arviz(draws=400)
    named = variable(container, "log_likelihood", BY_ASSEMBLY)["assembly"].values
    assert len(named) == 11
    assert model.results["assembly"].iloc[4] not in named
    new = variable(container, "posterior_predictive", "rise_k").values[..., 4]
    assert new.max() == model.design.rise_k[4]
