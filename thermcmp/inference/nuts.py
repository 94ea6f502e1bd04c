"""The general engine: the same model in PyMC, sampled by NUTS.

Also serves what is not Gaussian: a reading at the limit enters as "at least this".
"""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp.inference.arviz_adapter import posterior_group
from thermcmp.model.design import AIRFLOW_BASELINE, BASELINE, EXPONENT, RESIDUAL
from thermcmp.model.priors import HalfNormal, Normal, Prior
from thermcmp.model.terms import Acts, Role

if TYPE_CHECKING:
    import xarray as xr

    from thermcmp.model.design import Design

#: Acceptance asked for; spreads near zero need short steps.
TARGET_ACCEPT: Final = 0.95
#: Mean runs per level from which a mounting or sitting counts as held tightly by its rows.
HELD_TIGHTLY: Final = 3


def pymc_model(design: Design) -> Any:
    """The thermal model of a design as a PyMC model.

    Effects are non-centred, each its spread times a standard normal, but for mountings and
    sittings with several runs per level: their rows hold each level tightly, and there the
    centred form mixes several times faster.

    Parameters
    ----------
    design : Design
        Arrays of the fit.

    Returns
    -------
    pymc.Model
        The model; its variables bear the names of the fit's parameters.
    """
    import pymc as pm

    with pm.Model() as model:
        resistance = _variable(BASELINE, design.priors[BASELINE])
        airflow = _variable(AIRFLOW_BASELINE, design.priors[AIRFLOW_BASELINE])
        exponent = _variable(EXPONENT, design.priors[EXPONENT])
        residual = _variable(RESIDUAL, design.priors[RESIDUAL])
        for place, term in enumerate(design.terms):
            spread = _variable(term.spread, design.priors[term.spread])
            size = len(design.levels[place])
            if term.role is Role.NUISANCE and len(design.rows) >= HELD_TIGHTLY * size:
                levels = pm.Normal(term.name, 0.0, spread, shape=size)
            else:
                raw = pm.Normal(f"{term.name} standard", shape=size)
                levels = pm.Deterministic(term.name, spread * raw)
            effect = levels[design.index[:, place]]
            if term.acts is Acts.AIRFLOW:
                airflow = airflow + effect
            else:
                resistance = resistance + effect
        factor = design.law.factor(design.drive, design.reference.drive, exponent)
        mean = design.power_ratio * (resistance + airflow * (factor - 1.0))
        sd = pm.math.sqrt(design.run_scatter * residual**2 + design.known_variance)
        exact, limit = np.flatnonzero(~design.at_limit), np.flatnonzero(design.at_limit)
        pm.Normal("rise", mean[exact], sd[exact], observed=design.rise_k[exact])
        if len(limit):
            bound = design.rise_k[limit]
            pm.Censored(
                "rise at limit",
                pm.Normal.dist(mean[limit], sd[limit]),
                lower=None,
                upper=bound,
                observed=bound,
            )
    return model


def run_nuts(
    design: Design,
    *,
    draws: int = 1000,
    chains: int = 4,
    seed: int | None = None,
    progress: bool = False,
) -> tuple[xr.Dataset, xr.Dataset]:
    """Sample the model.

    Parameters
    ----------
    design : Design
        Arrays of the fit.
    draws : int
        Draws kept per chain; as many are used for tuning.
    chains : int
        Chains.
    seed : int, optional
        Seed.
    progress : bool
        Whether the sampler shows its progress.

    Returns
    -------
    posterior : xarray.Dataset
        Draws with dimensions ``chain``, ``draw`` and one per term.
    stats : xarray.Dataset
        The sampler's own record.
    """
    with warnings.catch_warnings():
        # Scalars and short vectors only, compiled by Numba or C: no BLAS is called.
        warnings.filterwarnings("ignore", "PyTensor could not link to a BLAS", UserWarning)
        sampled = _sampled(pymc_model(design), draws, chains, seed, progress)
    return posterior_group(sampled, "posterior"), posterior_group(sampled, "sample_stats")


def _sampled(model: Any, draws: int, chains: int, seed: int | None, progress: bool) -> Any:
    """Sample by nutpie where it is installed, else by PyMC."""
    from importlib.util import find_spec

    if find_spec("nutpie") is not None:
        import nutpie

        return nutpie.sample(
            nutpie.compile_pymc_model(model),
            draws=draws,
            tune=draws,
            chains=chains,
            cores=2,
            seed=seed,
            progress_bar=progress,
            target_accept=TARGET_ACCEPT,
        )
    import pymc as pm

    with model:
        return pm.sample(
            draws=draws,
            tune=draws,
            chains=chains,
            cores=1,
            random_seed=seed,
            target_accept=TARGET_ACCEPT,
            progressbar=progress,
            nuts_sampler="pymc",
        )


def _variable(name: str, prior: Prior) -> Any:
    import pymc as pm

    if isinstance(prior, Normal):
        return pm.Normal(name, prior.mean, prior.sd)
    if isinstance(prior, HalfNormal):
        return pm.HalfNormal(name, prior.scale)
    raise TypeError(f"no PyMC form of the prior {prior!r}")
