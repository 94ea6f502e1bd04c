"""The only module that touches ArviZ: what its two generations share, in one place."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._types import Array

if TYPE_CHECKING:
    import xarray as xr

#: Largest weight, in terms of their mean, up to which weights are as good as equal: the
#: shape of a tail says nothing where none of hundreds can outweigh the others.
EVEN: Final = 3.0


def rank_r_hat(posterior: xr.Dataset) -> dict[str, float]:
    """Largest rank-normalised R-hat of each variable (Vehtari et al. 2021)."""
    arviz = _arviz()
    return _each(posterior, lambda usable: arviz.rhat(usable, method="rank"), np.max)


def effective_sizes(posterior: xr.Dataset, method: str) -> dict[str, float]:
    """Smallest effective sample size of each variable."""
    arviz = _arviz()
    more: dict[str, Any] = {"prob": (0.05, 0.95)} if method == "tail" else {}
    return _each(posterior, lambda usable: arviz.ess(usable, method=method, **more), np.min)


def pareto_k(log_weights: Array) -> float:
    """Pareto shape of the largest importance weights (Vehtari et al., JMLR 25 (2024) 72).

    Shapes: log_weights (N,).
    """
    finite = log_weights[np.isfinite(log_weights)]
    return 0.0 if _are_even(finite) else _smoothed(finite)[1]


def smoothed_weights(log_weights: Array) -> tuple[Array, float]:
    """Importance weights with their largest ones smoothed (the same source).

    Shapes: log_weights (N,). Returns weights (N,), k.
    """
    finite = np.isfinite(log_weights)
    weights = np.zeros(len(log_weights))
    if not finite.any():
        return np.full(len(log_weights), np.nan), float("nan")
    given = log_weights[finite] - np.max(log_weights[finite])
    if _are_even(given):
        weights[finite] = np.exp(given) / np.sum(np.exp(given))
        return weights, 0.0
    smooth, k = _smoothed(given)
    weights[finite] = np.exp(smooth - np.max(smooth))
    return weights / np.sum(weights), k


def smoothed_columns(log_weights: Array) -> tuple[Array, Array]:
    """Smoothed weights of many columns at once, as `smoothed_weights` of each.

    Shapes: log_weights (N, G). Returns weights (N, G), k (G,).
    """
    with np.errstate(invalid="ignore"):
        weights = np.exp(log_weights - np.max(log_weights, axis=0))
    total = np.sum(weights, axis=0)
    k = np.zeros(log_weights.shape[1])
    # Most columns of a large problem are as good as even.
    even = np.isfinite(log_weights).all(axis=0) & (total * EVEN >= len(weights))
    weights[:, even] /= total[even]
    for place in np.flatnonzero(~even):
        weights[:, place], k[place] = smoothed_weights(log_weights[:, place])
    return weights, k


@contextmanager
def without_notice() -> Iterator[None]:
    """Without ArviZ's notice of its coming generation at its import: no user can act on it."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", r"\s*ArviZ is undergoing", FutureWarning)
        yield


def _arviz() -> Any:
    with without_notice():
        import arviz

    return arviz


def _are_even(log_weights: Array) -> bool:
    """Whether the weights have no tail worth a shape: none can outweigh the others."""
    if len(log_weights) == 0:
        return False
    weights = np.exp(log_weights - np.max(log_weights))
    return bool(np.max(weights) <= EVEN * np.mean(weights))


def _smoothed(log_weights: Array) -> tuple[Array, float]:
    arviz = _arviz()
    # A very short tail overflows inside the estimate of its shape, to the right limit of zero.
    with np.errstate(over="ignore"):
        if hasattr(arviz, "psislw"):
            smooth, k = arviz.psislw(log_weights)
        else:
            from arviz_stats.base import array_stats

            # The newer generation takes log likelihoods: their importance weights' inverse.
            smooth, k = array_stats.psislw(-log_weights)
    return np.asarray(smooth, float), float(k)


def posterior_group(sampled: object, group: str) -> xr.Dataset:
    """A group of a sampler's result as a plain Dataset, whatever its container."""
    import xarray as xr

    found = sampled[group]  # type: ignore[index]
    return found if isinstance(found, xr.Dataset) else found.to_dataset()


def _each(
    posterior: xr.Dataset, measure: Callable[[xr.Dataset], xr.Dataset], pick: Callable[..., Any]
) -> dict[str, float]:
    """Worst value per variable, NaN for a variable whose draws allow no measure."""
    found = {str(name): float("nan") for name in posterior.data_vars}
    usable = [name for name, draws in posterior.items() if _measurable(draws)]
    if usable:
        for name, values in measure(posterior[usable]).items():
            found[str(name)] = float(pick(values.to_numpy()))
    return found


def _measurable(draws: xr.DataArray) -> bool:
    """Whether all draws are finite and none of the quantities stands still."""
    values = draws.to_numpy().reshape(draws.sizes["chain"] * draws.sizes["draw"], -1)
    return values.size > 0 and bool(
        np.all(np.isfinite(values)) and np.all(np.ptp(values, axis=0) > 0)
    )
