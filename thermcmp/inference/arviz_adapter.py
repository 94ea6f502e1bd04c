"""The only module that touches ArviZ: what its two generations share, in one place."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermcmp.model.priors import Array

if TYPE_CHECKING:
    import xarray as xr


def rank_r_hat(posterior: xr.Dataset) -> dict[str, float]:
    """Largest rank-normalised R-hat of each variable.

    Parameters
    ----------
    posterior : xarray.Dataset
        Draws with dimensions ``chain`` and ``draw``.

    Returns
    -------
    dict of str to float
        By variable; NaN where it is undefined (constant or non-finite draws).
    """
    import arviz

    found = arviz.rhat(posterior, method="rank")
    return {str(name): _extreme(values.to_numpy(), np.max) for name, values in found.items()}


def effective_sizes(posterior: xr.Dataset, method: str) -> dict[str, float]:
    """Smallest effective sample size of each variable.

    Parameters
    ----------
    posterior : xarray.Dataset
        Draws with dimensions ``chain`` and ``draw``.
    method : {"bulk", "tail"}
        Which part of the distribution it is for.

    Returns
    -------
    dict of str to float
        By variable; NaN where it is undefined.
    """
    import arviz

    if method == "tail":
        found = arviz.ess(posterior, method="tail", prob=(0.05, 0.95))
    else:
        found = arviz.ess(posterior, method=method)
    return {str(name): _extreme(values.to_numpy(), np.min) for name, values in found.items()}


def pareto_k(log_weights: Array) -> float:
    """Pareto shape of the largest importance weights (Vehtari et al., JMLR 25 (2024) 72).

    Parameters
    ----------
    log_weights : ndarray, shape (N,)
        Log importance weights.

    Returns
    -------
    float
        The shape k.
    """
    import arviz

    finite = log_weights[np.isfinite(log_weights)]
    if hasattr(arviz, "psislw"):
        return float(arviz.psislw(finite)[1])
    from arviz_stats.base import array_stats

    return float(array_stats.psislw(finite)[1])


def posterior_group(sampled: object, group: str) -> xr.Dataset:
    """A group of a sampler's result as a plain Dataset, whatever its container.

    Parameters
    ----------
    sampled : InferenceData or DataTree
        What the sampler returned.
    group : str
        "posterior" or "sample_stats".

    Returns
    -------
    xarray.Dataset
        The group's variables.
    """
    import xarray as xr

    found = sampled[group]  # type: ignore[index]
    return found.to_dataset() if hasattr(found, "to_dataset") else xr.Dataset(found)


def _extreme(values: Array, pick: object) -> float:
    if values.size == 0 or not np.all(np.isfinite(values)):
        return float("nan")
    return float(pick(values))  # type: ignore[operator]
