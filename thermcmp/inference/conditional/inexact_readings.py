"""Readings at the limit or within a step in the conditional engine: sites, then weights.

Given its mean and the scatter, such a reading has the likelihood

    at the limit     Φ((m − b) / s), at the floor Φ((b − m) / s)
    within a step    Φ((y + h/2 − m) / s) − Φ((y − h/2 − m) / s)

which is log-concave in m. Expectation propagation (Minka, Uncertainty in Artificial Intelligence
17 (2001) 362-369) puts an exact reading of its own variance, the site, in its place, such that
mean and variance of m are those with the true likelihood. What the readings say of the scatter s,
of which sites of one variance say nothing, is a quadratic in log s, fitted to the log likelihoods
less those of the sites. The engine solves that problem exactly, and importance weights correct its
draws.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.polynomial import Polynomial

from thermcmp._types import Array, IntArray
from thermcmp.inference.censoring import log_at_least, log_within_step, readings_of
from thermcmp.inference.conditional.engine import (
    FEWEST_POINTS,
    ByScatter,
    ConditionalDraws,
    run_conditional,
)
from thermcmp.inference.conditional.marginal_likelihood import Points
from thermcmp.inference.conditional.problem import GaussianProblem, thermal_problem
from thermcmp.inference.conditional.reweighting import resampled
from thermcmp.inference.diagnostics import Check, Health

if TYPE_CHECKING:
    from thermcmp.model.design import Design

#: Draws per pass of the search for the sites, and the most passes.
PILOT: Final = 400
PASSES: Final = 12
#: What says nothing of the scatter.
LEVEL: Final = Polynomial([0.0])
#: Most standard deviations by which a pass moves the scatter, and fewest draws that show how.
FARTHEST: Final = 2.0
FEWEST: Final = 20
#: The search ends once a pass moves no mean by more than this share of its standard deviation.
NEAR: Final = 0.15
#: Step towards the new sites, since all move at once.
DAMPING: Final = 0.8
#: Points at which a mean is considered, and the standard deviations that they reach.
GRID: Final = 121
REACH: Final = 6.0
#: Factor of a limit's site variance in the draws that are weighted, where it alone says what is
#: known of its mean: above it the likelihood no longer falls where the site does, and a narrow site
#: would leave few draws there. Among many rows of one mean each site says little.
WIDER: Final = 1.5
#: Draws in place of one where the weights are too uneven.
MORE: Final = 4
#: Variance of a site that says nothing yet, and the least variance of a mean [K²].
SILENT_K2: Final = 1e4
LEAST_K2: Final = 1e-8
#: Suffix of the names of the weights' checks.
OF_INEXACT: Final = "for readings at the limit or within a step"


@dataclass(frozen=True, slots=True, eq=False)
class _Sites:
    """Exact readings in place of some rows, whose variance is that at one residual."""

    mean: Array  #: shape (m,) [K]
    variance: Array  #: shape (m,) [K²]
    share: Array  #: its share in what is known of its row's mean, shape (m,)
    residual_k: float


class InexactRows:
    """The rows of a design that are at the limit or within a step."""

    def __init__(self, design: Design) -> None:
        readings = readings_of(design)
        self.rows: IntArray = np.concatenate([readings.limit, readings.step])
        self.limited = np.arange(len(self.rows)) < len(readings.limit)
        self.side = np.concatenate([readings.side, np.ones(len(readings.step))])
        self.bound, self.step = readings.bound[self.rows], design.step_k[self.rows]
        self.variance = readings.variance[self.rows]
        self.scatter = design.run_scatter[self.rows]
        problem, self.priors = thermal_problem(design)
        # The site of a reading at the limit is of one variance: one that grew with the scatter
        # would all but exclude a large scatter, of which the limit says little.
        run_scatter = problem.run_scatter.copy()
        run_scatter[readings.limit] = 0.0
        self.problem = replace(problem, run_scatter=run_scatter)
        self.site_scatter = run_scatter[self.rows]

    def sd(self, residual_k: Array) -> Array:
        """Return the scatter of each row about its mean, (m, …), by residual standard deviation."""
        shape = (-1,) + (1,) * np.ndim(residual_k)
        square = self.scatter.reshape(shape) * residual_k**2 + self.variance.reshape(shape)
        return np.sqrt(np.maximum(square, 1e-12))

    def log_likelihood(self, mean: Array, sd: Array) -> Array:
        """Return the log likelihood of each reading, (m, B), by its mean (m, B) and scatter."""
        at, apart = self.limited, self.bound[:, None] - mean
        total = np.empty(mean.shape)
        total[at] = log_at_least(self.side[at, None] * apart[at], sd[at])
        total[~at] = log_within_step(apart[~at], sd[~at], self.step[~at, None])
        return total

    def means(self, points: Points, effects: Array) -> Array:
        """Return the mean of each row at each draw, shape (m, S)."""
        problem = self.problem
        weights = np.repeat(problem.values[self.rows][:, :, None], len(effects), axis=2)
        if problem.airflow is not None:
            exponent = np.broadcast_to(points.exponent[:, 0], (len(problem.y), len(effects)))
            factor = problem.airflow(exponent)[self.rows]
            weights = np.where(problem.flow[None, :, None], weights * factor[:, None, :], weights)
        return np.einsum("mas,mas->ms", weights, effects.T[problem.columns[self.rows]])

    def first(self, residual_k: float) -> _Sites:
        """Return sites by the variance of a step; those at the limit say nothing yet."""
        even = self.sd(np.array(residual_k)) ** 2 + self.step**2 / 12.0
        variance = np.where(self.limited, SILENT_K2, even)
        return _Sites(self.bound, variance, np.ones(len(self.rows)), residual_k)

    def with_sites(self, sites: _Sites) -> GaussianProblem:
        """Return the engine's problem with the sites in place of the readings."""
        y, known = self.problem.y.copy(), self.problem.known_variance.copy()
        y[self.rows] = sites.mean
        # For steps the scatter stays a parameter; a site's variance is never below its square.
        beside = sites.variance - self.site_scatter * sites.residual_k**2
        known[self.rows] = np.maximum(beside, 1e-9)
        return replace(self.problem, y=y, known_variance=known)

    def matched(self, sites: _Sites, drawn: ConditionalDraws) -> tuple[_Sites, float]:
        """Return sites that match the likelihoods about draws, and how far the means move."""
        mean = self.means(drawn.points, drawn.effects)
        middle, square = mean.mean(axis=1), np.maximum(mean.var(axis=1), LEAST_K2)
        residual_k = float(np.median(drawn.points.residual[:, 0]))
        now = self.site_scatter * (residual_k**2 - sites.residual_k**2) + sites.variance
        site_precision = 1.0 / np.maximum(now, 1e-9)
        # Where a site says all of its row, what is left of the draws' precision is rounding.
        cavity_precision = np.maximum(1.0 / square - site_precision, 0.02 / square)
        cavity = (middle / square - site_precision * sites.mean) / cavity_precision
        at = self._grid(cavity, cavity_precision**-0.5, residual_k)
        sd = np.broadcast_to(self.sd(np.array(residual_k))[:, None], at.shape)
        away = at - cavity[:, None]
        log = self.log_likelihood(at, sd) - 0.5 * cavity_precision[:, None] * away**2
        weight = np.exp(log - log.max(axis=1, keepdims=True))
        weight /= weight.sum(axis=1, keepdims=True)
        tilted = np.sum(weight * at, axis=1)
        spread = np.sum(weight * (at - tilted[:, None]) ** 2, axis=1)
        tilted_square = np.maximum(spread, LEAST_K2)
        precision = np.maximum(1.0 / tilted_square - cavity_precision, 1.0 / SILENT_K2)
        information = tilted / tilted_square - cavity * cavity_precision
        moved = float(np.max(np.abs(tilted - middle) / np.sqrt(square)))
        mixed = DAMPING * precision + (1.0 - DAMPING) * site_precision
        held = DAMPING * information + (1.0 - DAMPING) * site_precision * sites.mean
        share = np.minimum(mixed * tilted_square, 1.0)
        return _Sites(held / mixed, 1.0 / mixed, share, residual_k), moved

    def _grid(self, cavity: Array, cavity_sd: Array, residual_k: float) -> Array:
        """Return means of each row where its reading and its cavity are likely, (m, GRID)."""
        # A floor is a limit seen from the other side.
        cavity, bound = self.side * cavity, self.side * self.bound
        half = np.where(self.limited, 0.0, 0.5 * self.step)
        far = REACH * self.sd(np.array(residual_k))
        below, above = bound - half - far, bound + half + far
        low = np.maximum(cavity - REACH * cavity_sd, below)
        high = np.where(
            self.limited,
            np.maximum(cavity + REACH * cavity_sd, above),
            np.minimum(cavity + REACH * cavity_sd, above),
        )
        apart = low >= high
        low, high = np.where(apart, below, low), np.where(apart, above, high)
        return self.side[:, None] * np.linspace(low, high, GRID, axis=1)

    def wider(self, sites: _Sites) -> _Sites:
        """Return sites whose draws reach beyond the likelihoods of readings at the limit."""
        wider = np.where(self.limited, 1.0 + (WIDER - 1.0) * sites.share, 1.0)
        return replace(sites, variance=wider * sites.variance)

    def of_scatter(
        self, sites: _Sites, drawn: ConditionalDraws, before: ByScatter
    ) -> tuple[ByScatter, float]:
        """Return what the readings say of the scatter beyond the sites, and how far that moves it.

        The move from `before` is in standard deviations of the draws, and what is returned goes
        no farther than `FARTHEST`.
        """
        scatter = np.log(drawn.points.residual[:, 0])
        low, middle, high = np.quantile(scatter, [0.1, 0.5, 0.9])
        near = (scatter >= low) & (scatter <= high)
        if len(np.unique(scatter[near])) < FEWEST:
            return before, 0.0
        weights = self.log_weights(sites, drawn)[near]
        curve = Polynomial.fit(scatter[near], weights, 2).convert()
        change, sd = curve - before.polynomial, 0.39 * (high - low)
        moved = abs(float(change.deriv()(middle))) * sd
        taken = before.polynomial + change * min(1.0, FARTHEST / max(moved, 1e-9))
        # One that opens upwards would run away beyond the draws.
        reach = np.inf if taken.coef[-1] < 0.0 else (1.0 + FARTHEST) * sd
        return ByScatter(taken, middle - reach, middle + reach), moved

    def log_weights(self, sites: _Sites, drawn: ConditionalDraws) -> Array:
        """Return the log likelihoods less those of the sites at each draw, shape (S,)."""
        residual = drawn.points.residual[:, 0]
        mean = self.means(drawn.points, drawn.effects)
        exact = self.log_likelihood(mean, self.sd(residual))
        known = self.with_sites(sites).known_variance[self.rows, None]
        variance = self.site_scatter[:, None] * residual**2 + known
        away = mean - sites.mean[:, None]
        site = -0.5 * (np.log(variance) + away**2 / variance)
        return np.asarray(np.sum(exact - site, axis=0))


def run_with_inexact(
    design: Design, *, draws: int, seed: int | None
) -> tuple[ConditionalDraws, tuple[Check, ...]]:
    """Return the posterior draws of a design with inexact readings, and the weights' checks."""
    inexact = InexactRows(design)
    sites, by_scatter, rng = inexact.first(1.0), ByScatter(LEVEL), np.random.default_rng(seed)

    def run(sites: _Sites, count: int, fewest: int = FEWEST_POINTS) -> ConditionalDraws:
        return run_conditional(
            inexact.with_sites(sites),
            inexact.priors,
            draws=count,
            seed=seed,
            by_scatter=by_scatter,
            fewest=fewest,
        )

    # With few readings the sites alone serve, and cover more.
    for fits_scatter, count in ((False, draws), (True, MORE * draws)):
        for _ in range(PASSES):
            pilot = run(sites, PILOT, fewest=0)
            sites, moved = inexact.matched(sites, pilot)
            if fits_scatter:
                by_scatter, of_scatter = inexact.of_scatter(sites, pilot, by_scatter)
                moved = max(moved, of_scatter)
            if moved < NEAR:
                break
        wider = inexact.wider(sites)
        sample = run(wider, count)
        log_weights = inexact.log_weights(wider, sample)
        log_weights -= by_scatter.value(sample.points.residual[:, 0])
        kept, checks = resampled(sample, log_weights, rng, OF_INEXACT)
        if all(check.status is Health.OK for check in checks):
            break
    # They are in random order.
    return kept.part(np.arange(draws)), checks
