"""Health checks of the draws, the same for every engine.

Thresholds: R-hat 1.01 and effective sample size 400 (Vehtari, Gelman, Simpson,
Carpenter & Bürkner, Bayesian Analysis 16 (2021) 667-718); Pareto k
min(1 - 1/log10 S, 0.7) (Vehtari, Simpson, Gelman, Yao & Gabry, JMLR 25 (2024) 72);
energy fraction 0.3 (Betancourt, arXiv:1604.00695).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.arviz_adapter import effective_sizes, pareto_k, rank_r_hat

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

R_HAT_OK: Final = 1.01
R_HAT_BAD: Final = 1.05
SIZE_OK: Final = 400.0
SIZE_BAD: Final = 100.0
ENERGY_OK: Final = 0.3
#: Share of divergent transitions above which a fit is bad.
DIVERGENT_BAD: Final = 0.01


class Health(StrEnum):
    """How far a fit's numbers can be trusted."""

    OK = "ok"
    CAUTION = "caution"
    BAD = "bad"


_ORDER: Final = (Health.OK, Health.CAUTION, Health.BAD)


@dataclass(frozen=True, slots=True)
class Check:
    """One check of a fit; an undefined value never passes."""

    name: str
    value: float  #: NaN if undefined
    threshold: str  #: the requirement in words
    status: Health


@dataclass(frozen=True, slots=True)
class Diagnostics:
    """All checks of a fit."""

    checks: tuple[Check, ...]

    def __str__(self) -> str:
        table = self.table.to_string(index=False, float_format=_digits)
        return "\n".join([f"Health {self.health}.", table, *self.sentences])

    @property
    def health(self) -> Health:
        """The worst status; no checks at all count as bad."""
        if not self.checks:
            return Health.BAD
        return max((check.status for check in self.checks), key=_ORDER.index)

    @property
    def table(self) -> pd.DataFrame:
        """Table with columns check, value, threshold, status."""
        import pandas as pd

        return pd.DataFrame(
            [(c.name, c.value, c.threshold, str(c.status)) for c in self.checks],
            columns=["check", "value", "threshold", "status"],
        )

    @property
    def sentences(self) -> tuple[str, ...]:
        """One sentence per check that did not pass."""
        return tuple(
            f"{c.name[:1].upper()}{c.name[1:]} is {_digits(c.value)}; required: {c.threshold} "
            f"({c.status})."
            for c in self.checks
            if c.status is not Health.OK
        )


def _digits(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 100.0 else f"{value:.4g}"


def pareto_limit(draws: int) -> float:
    """Return the largest Pareto k at which weights of so many draws are trusted."""
    return min(1.0 - 1.0 / float(np.log10(draws)), 0.7)


def check_chains(posterior: xr.Dataset) -> tuple[Check, ...]:
    """Return the checks of draws in chains."""
    r_hat = _worst(rank_r_hat(posterior).values(), np.max)
    status = _graded(r_hat, R_HAT_OK, R_HAT_BAD, up=False)
    checks = [Check("largest R-hat", r_hat, f"at most {R_HAT_OK}", status)]
    for part in ("bulk", "tail"):
        size = _worst(effective_sizes(posterior, part).values(), np.min)
        checks.append(_size_check(f"smallest {part} sample size", size))
    return tuple(checks)


def _size_check(name: str, size: float) -> Check:
    return Check(name, size, f"at least {SIZE_OK:g}", _graded(size, SIZE_OK, SIZE_BAD, up=True))


def check_weights(log_weights: Array, effective_size: float) -> tuple[Check, ...]:
    """Return the checks of importance weights, from log weights of shape (N,)."""
    k, limit = pareto_k(log_weights), pareto_limit(len(log_weights))
    return (
        Check(
            "Pareto k of the weights", k, f"below {limit:.2f}", _graded(k, limit, limit, up=False)
        ),
        _size_check("weighted sample size", effective_size),
    )


def check_sampler(stats: xr.Dataset, most_depth: int = 10) -> tuple[Check, ...]:
    """Return the checks of Hamiltonian Monte Carlo."""
    divergent = float(stats["diverging"].mean())
    energy = stats["energy"].to_numpy()
    fraction = np.mean(np.diff(energy, axis=1) ** 2, axis=1) / np.var(energy, axis=1)
    least = float(np.min(fraction)) if np.all(np.isfinite(fraction)) else float("nan")
    depth = stats["depth"] if "depth" in stats else stats["tree_depth"]
    full = float((depth >= most_depth).mean())
    status = _graded(divergent, 0.0, DIVERGENT_BAD, up=False)
    return (
        Check("share of divergent steps", divergent, "none", status),
        Check(
            "energy fraction",
            least,
            f"at least {ENERGY_OK}",
            _graded(least, ENERGY_OK, 0.2, up=True),
        ),
        Check(
            "share at full tree depth",
            full,
            "at most 0.01",
            Health.OK if full <= 0.01 else Health.CAUTION,
        ),
    )


def _worst(values: Iterable[float], pick: Callable[[Array], float]) -> float:
    array = np.array(list(values))
    return float(pick(array)) if array.size and np.all(np.isfinite(array)) else float("nan")


def _graded(value: float, ok: float, bad: float, *, up: bool) -> Health:
    """Return the status of a value; an undefined one is bad."""
    if not np.isfinite(value):
        return Health.BAD
    if (value >= ok) if up else (value <= ok):
        return Health.OK
    return Health.BAD if ((value < bad) if up else (value > bad)) else Health.CAUTION
