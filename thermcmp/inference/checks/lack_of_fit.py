"""Lack of fit: residuals beyond the scatter of repeats at one set point.

The residual of a wrong model is absorbed by its scatter, so the scatter cannot judge it.
Repeats can: they know nothing of the model (Draper & Smith, Applied Regression Analysis,
3rd ed., Wiley 1998, section 2.1, from memory). Where no assembly repeats a set point, other
assemblies of the same parts do, less what each differs by throughout.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.inference.checks.residuals import fitted_rise, row_variance
from thermcmp.inference.diagnostics import Check, Health
from thermcmp.model.observation import Residuals
from thermcmp.model.rows import level_keys

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Fewest degrees of freedom of the repeats, and of the cells beyond the model's, for a test.
FEWEST: Final = 4
#: What repeats of one assembly, and of the same parts, share.
_STAY: Final = ("lab", "assembly", "session", "firmware")
_PARTS: Final = ("lab", "cooler_model", "cooler_id", "board_model", "board_id", "firmware")
#: Posterior draws behind the fitted rises.
DRAWS: Final = 200
#: Chance of so large a misfit without a cause, below which it is named or the fit is bad.
NAMED, BAD = 0.01, 1e-6
#: Misfit of a cell that is worth naming, and that spoils a fit [K] (common practice, no source).
NAMED_K, BAD_K = 0.3, 1.0
#: A cause is named where it explains the misfit this much better than chance.
CLEAR_CAUSE: Final = 0.01


@dataclass(frozen=True, slots=True)
class LackOfFit:
    """A test of the misfit against repeats."""

    repeats_k: float  #: standard deviation of repeats [K]
    repeats: str  #: what repeats what, as the subject of "scatter by"
    misfit_k: float  #: standard deviation of the cells' misfit beyond what repeats explain [K]
    p: float  #: chance of so large a misfit where the model is right
    cause: str  #: likely cause, in words; "" where none stands out

    @property
    def status(self) -> Health:
        """How far the fit can be believed by this test."""
        if self.p < BAD and self.misfit_k > max(BAD_K, 3.0 * self.repeats_k):
            return Health.BAD
        if self.p < NAMED and self.misfit_k > NAMED_K:
            return Health.CAUTION
        return Health.OK

    @property
    def sentence(self) -> str:
        """The finding in words; "" where the test passes."""
        if self.status is Health.OK:
            return ""
        cause = f" It goes with {self.cause}." if self.cause else " No single cause stands out."
        return (
            f"The model misses set points by {self.misfit_k:.1f} K, while {self.repeats} scatter "
            f"by {self.repeats_k:.1f} K.{cause}"
        )


def lack_of_fit(fit: Fit) -> LackOfFit | None:
    """Test the misfit of a fit against its repeats; None where it has too few.

    Student's t has no variance that the test could hold against the repeats'.
    """
    from scipy.stats import f as f_distribution

    design = fit.design
    if design.residuals is Residuals.STUDENT:
        return None
    is_exact = ~design.at_limit & ~design.is_between
    is_free = ~fit.design.rows["regulated"].to_numpy(bool)
    rows = np.flatnonzero((design.run_scatter > 0) & is_exact & is_free)
    if not len(rows):
        return None
    mean, leverage = _fitted(fit)
    left = design.rise_k[rows] - mean[rows]
    # The repeats of an assembly know nothing of the model; of those of other assemblies each
    # assembly's own effect is taken off, which counts in the degrees of freedom.
    for columns in (_STAY, _PARTS):
        cell, first = _cells(fit, rows, columns)
        spent = _assemblies_beyond(fit, rows) if columns is _PARTS else 0
        count = np.bincount(cell)
        of_repeats = len(rows) - len(count) - spent
        beyond = len(count) - float(np.sum(leverage[rows])) + spent
        if of_repeats >= FEWEST:
            break
    if of_repeats < FEWEST or beyond < FEWEST:
        return None
    residual = np.bincount(cell, left) / count
    y = design.rise_k[rows] if columns is _STAY else left
    apart = y - (np.bincount(cell, y) / count)[cell]
    repeats = max(float(np.sum(apart**2)) / of_repeats, float(np.mean(design.known_variance)))
    misfit = float(np.sum(count * residual**2)) / beyond
    p = float(f_distribution.sf(misfit / max(repeats, 1e-12), beyond, of_repeats))
    excess = max(misfit - repeats, 0.0) / float(np.mean(count))
    cause = ""
    if p < NAMED:
        cause = _cause(fit, rows[first], residual, count) or _unnamed_remounts(fit, rows)
    words = "repeats" if columns is _STAY else "assemblies of the same parts"
    return LackOfFit(float(np.sqrt(repeats)), words, float(np.sqrt(excess)), p, cause)


def lack_of_fit_check(fit: Fit) -> tuple[Check, ...]:
    """The test as a health check; none where there are too few repeats."""
    found = fit.once("lack of fit", lack_of_fit)
    if found is None:
        return ()
    limit = f"at most {NAMED_K:g} K, or a chance of {NAMED:g} at least"
    return (Check("misfit of set points [K]", found.misfit_k, limit, found.status),)


def stated_errors(fit: Fit) -> tuple[float, float] | None:
    """Return how many times their stated errors published rows scatter about the fit, and chance.

    The chance is that of so large a chi-squared sum where the stated errors hold; None where
    fewer than `FEWEST` degrees of freedom are left.
    """
    from scipy.stats import chi2

    rows = np.flatnonzero(fit.design.run_scatter == 0)
    if not len(rows):
        return None
    mean, leverage = _fitted(fit)
    freedom = len(rows) - float(np.sum(leverage[rows]))
    if freedom < FEWEST:
        return None
    away = (fit.design.rise_k - mean)[rows]
    square = float(np.sum(away**2 / fit.design.known_variance[rows]))
    return float(np.sqrt(square / freedom)), float(chi2.sf(square, freedom))


def stated_errors_check(fit: Fit) -> tuple[Check, ...]:
    """The scatter of published rows against their stated errors as a health check."""
    scatter = fit.once("stated errors", stated_errors)
    if scatter is None:
        return ()
    status = Health.OK
    if scatter[1] < NAMED:
        status = Health.BAD if scatter[1] < BAD and scatter[0] > 3.0 else Health.CAUTION
    limit = f"a chance of {NAMED:g} at least; above it rows differ by more than they state"
    return (Check("scatter of published rows over their stated errors", scatter[0], limit, status),)


def _cells(fit: Fit, rows: IntArray, columns: tuple[str, ...]) -> tuple[IntArray, IntArray]:
    """Number of each row's cell (a set point of one value of the columns), and a row of each."""
    import pandas as pd

    keys = pd.DataFrame(
        {
            "build": level_keys(fit.design.rows.iloc[rows], columns).to_numpy(),
            "speed": fit.design.flow_speed[rows],
            "power": fit.design.power_ratio[rows],
        }
    )
    cell = np.asarray(keys.groupby(list(keys), sort=False).ngroup(), np.intp)
    return cell, np.asarray(np.unique(cell, return_index=True)[1], np.intp)


def _assemblies_beyond(fit: Fit, rows: IntArray) -> int:
    """Count the assemblies beyond one of each pair of parts, of each session its own."""
    table = fit.design.rows.iloc[rows]
    return int(level_keys(table, _STAY).nunique() - level_keys(table, _PARTS).nunique())


def _fitted(fit: Fit) -> tuple[Array, Array]:
    """Posterior mean of each row's rise, and its share in the effective number of parameters."""
    chosen = fit.thinned(DRAWS)
    draws = np.concatenate([rise for _, rise in fitted_rise(fit, chosen)])
    variance = row_variance(fit, chosen).mean(axis=0)
    return draws.mean(axis=0), np.minimum(draws.var(axis=0) / variance, 1.0)


def _cause(fit: Fit, rows: IntArray, residual: Array, count: IntArray) -> str:
    """What the cells' misfit goes with best, in words; "" where nothing is clear."""
    from scipy.stats import f as f_distribution

    best, words = CLEAR_CAUSE, ""
    start = np.sum(count * residual**2)
    for name, columns in _candidates(fit, rows).items():
        root = np.sqrt(count)
        x = columns * root[:, None]
        rank = int(np.linalg.matrix_rank(x, tol=1e-6))
        left = len(residual) - rank
        if rank == 0 or left < 2:
            continue
        solved = np.linalg.lstsq(x, residual * root, rcond=None)[0]
        rest = float(np.sum((residual * root - x @ solved) ** 2))
        ratio = (start - rest) / rank / max(rest / left, 1e-12)
        p = float(f_distribution.sf(ratio, rank, left))
        if p < best:
            best, words = p, name
    return words


def _unnamed_remounts(fit: Fit, rows: IntArray) -> str:
    """Return what assemblies of several sessions may hide, in words; "" where there are none."""
    table = fit.design.rows.iloc[rows]
    assembly, session = (level_keys(table, ("lab", name)) for name in ("assembly", "session"))
    several = int((session.groupby(assembly).nunique() >= 2).sum())
    if not several:
        return ""
    return (
        f"no single cause, but {several} assemblies were run in several sessions (if a cooler was "
        "taken off in between, give each assembly its own name)"
    )


def _candidates(fit: Fit, rows: IntArray) -> dict[str, Array]:
    """Columns over cells, shape (C, k), of what a model of this kind may lack."""
    table, design = fit.design.rows.iloc[rows], fit.design
    power = design.power_ratio[rows]
    speed = np.log(design.flow_speed[rows] / design.reference.flow_speed)
    cooler = _dummies(level_keys(table, ("cooler_model",)).to_numpy())

    def of_each_cooler(values: Array) -> Array:
        """What a cooler misses throughout is its own effect, which the model has."""
        mean = values @ cooler / cooler.sum(axis=0)
        return np.asarray(cooler * (values[:, None] - mean))

    pair = _dummies(level_keys(table, ("cooler_model", "board_model")).to_numpy())
    air = table["ambient_c"].to_numpy(float)
    return {
        "board power (the sensor's heat may follow it otherwise than assumed: run two powers at "
        "one fan speed)": of_each_cooler(power),
        "fan speed (a cooler may have another exponent: run it at three fan speeds)": np.hstack(
            [of_each_cooler(speed), of_each_cooler(speed**2)]
        ),
        "ambient temperature": (air - air.mean())[:, None],
        "the pairing of cooler and board (fit, flatness or clamping may differ)": pair,
        "the firmware on each hardware": _dummies(
            level_keys(table, ("cooler_model", "board_model", "firmware")).to_numpy()
        ),
    }


def _dummies(keys: Any) -> Array:
    return (keys[:, None] == np.unique(keys)[None, :]).astype(float)
