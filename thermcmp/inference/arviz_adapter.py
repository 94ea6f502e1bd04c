"""The only module that uses ArviZ; it hides the differences between versions 0.x and 1.x."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._types import Array

if TYPE_CHECKING:
    import xarray as xr

#: Largest ratio of a weight to the mean at which weights count as equal: without a large weight
#: the shape of the tail is meaningless.
EVEN: Final = 3.0


def rank_r_hat(posterior: xr.Dataset) -> dict[str, float]:
    """Return the largest rank-normalised R-hat of each variable (Vehtari et al. 2021)."""
    arviz = _arviz()
    return _each(posterior, lambda usable: arviz.rhat(usable, method="rank"), np.max)


def effective_sizes(posterior: xr.Dataset, method: str) -> dict[str, float]:
    """Return the smallest effective sample size of each variable."""
    arviz = _arviz()
    more: dict[str, Any] = {"prob": (0.05, 0.95)} if method == "tail" else {}
    return _each(posterior, lambda usable: arviz.ess(usable, method=method, **more), np.min)


def pareto_k(log_weights: Array) -> float:
    """Return the Pareto shape of the largest weights (Vehtari et al., JMLR 25 (2024) 72)."""
    finite = log_weights[np.isfinite(log_weights)]
    return 0.0 if _are_even(finite) else _smoothed(finite)[1]


def smoothed_weights(log_weights: Array) -> tuple[Array, float]:
    """Return Pareto-smoothed weights of shape (N,) and their k, from log weights (N,)."""
    finite = np.isfinite(log_weights)
    weights = np.zeros(len(log_weights))
    if not finite.any():
        return np.full(len(log_weights), np.nan), float("nan")
    logs = log_weights[finite] - np.max(log_weights[finite])
    if _are_even(logs):
        weights[finite] = np.exp(logs) / np.sum(np.exp(logs))
        return weights, 0.0
    smooth, k = _smoothed(logs)
    weights[finite] = np.exp(smooth - np.max(smooth))
    return weights / np.sum(weights), k


def smoothed_columns(log_weights: Array) -> tuple[Array, Array]:
    """Return `smoothed_weights` of each column: weights (N, G) and k (G,)."""
    with np.errstate(invalid="ignore"):
        weights = np.exp(log_weights - np.max(log_weights, axis=0))
    total = np.sum(weights, axis=0)
    k = np.zeros(log_weights.shape[1])
    # Most columns of a large problem are almost even.
    even = np.isfinite(log_weights).all(axis=0) & (total * EVEN >= len(weights))
    weights[:, even] /= total[even]
    for place in np.flatnonzero(~even):
        weights[:, place], k[place] = smoothed_weights(log_weights[:, place])
    return weights, k


@contextmanager
def without_notice() -> Iterator[None]:
    """Suppress ArviZ's import notice of its next version, on which no user can act."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", r"\s*ArviZ is undergoing", FutureWarning)
        yield


def _arviz() -> Any:
    with without_notice():
        import arviz

    return arviz


def _are_even(log_weights: Array) -> bool:
    """Return whether no weight is much larger than the mean."""
    if len(log_weights) == 0:
        return False
    weights = np.exp(log_weights - np.max(log_weights))
    return bool(np.max(weights) <= EVEN * np.mean(weights))


def _smoothed(log_weights: Array) -> tuple[Array, float]:
    arviz = _arviz()
    # A very short tail overflows in the estimate of its shape, to the correct limit of zero.
    with np.errstate(over="ignore"):
        if hasattr(arviz, "psislw"):
            smooth, k = arviz.psislw(log_weights)
        else:
            from arviz_stats.base import array_stats

            # The newer version takes log likelihoods, the inverse of importance weights.
            smooth, k = array_stats.psislw(-log_weights)
    return np.asarray(smooth, float), float(k)


def as_container(groups: Mapping[str, xr.Dataset]) -> Any:
    """Return groups as this version of ArviZ takes them: InferenceData, or from 1.0 a DataTree."""
    arviz = _arviz()
    # The newer version still answers to the name, with a warning.
    if "InferenceData" in vars(arviz):
        return arviz.InferenceData(**groups)
    import xarray as xr

    return xr.DataTree.from_dict(dict(groups))


def posterior_group(sampled: object, group: str) -> xr.Dataset:
    """Return a group of a sampler's result as a Dataset."""
    import xarray as xr

    data = sampled[group]  # type: ignore[index]
    return data if isinstance(data, xr.Dataset) else data.to_dataset()


def _each(
    posterior: xr.Dataset, measure: Callable[[xr.Dataset], xr.Dataset], pick: Callable[..., Any]
) -> dict[str, float]:
    """Return the worst value per variable; NaN if draws are not finite or constant."""
    worst = {str(name): float("nan") for name in posterior.data_vars}
    usable = []
    for name, draws in posterior.items():
        values = draws.to_numpy().reshape(draws.sizes["chain"] * draws.sizes["draw"], -1)
        is_finite = values.size > 0 and bool(np.all(np.isfinite(values)))
        if is_finite and np.all(np.ptp(values, axis=0) > 0):
            usable.append(name)
    if usable:
        for name, measured in measure(posterior[usable]).items():
            worst[str(name)] = float(pick(measured.to_numpy()))
    return worst
