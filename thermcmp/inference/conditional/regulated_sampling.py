"""Regulated runs in the conditional engine: a Gaussian approximation, then importance weights.

The Jacobian of a regulated run (see `inference.regulated_likelihood`) is the sensitivity x of
its temperature to what the loop moved, linear in the effects. To second order about x0

    log x = log x0 + (x - x0)/x0 - (x - x0)²/(2 x0²) + …

which is, up to a constant, the log density of a reading 2 x0 of x with standard deviation
x0. So each regulated run gets such a pseudo-reading, somewhat wider so that the draws cover
the posterior, and the exponent's normal prior takes up the factor of the exponent in the same
way. The engine solves that problem exactly, and importance weights correct its draws for any
x0. They are smoothed and checked by their Pareto k (Vehtari, Simpson, Gelman, Yao & Gabry, JMLR
25 (2024) 72), and the draws are resampled by them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.arviz_adapter import smoothed_weights
from thermcmp.inference.conditional.engine import ConditionalDraws, run_conditional
from thermcmp.inference.conditional.marginal_likelihood import Kernel
from thermcmp.inference.conditional.problem import AirflowTerm, GaussianProblem, thermal_problem
from thermcmp.inference.conditional.reweighting import resampled
from thermcmp.inference.diagnostics import Check
from thermcmp.inference.regulated_likelihood import (
    fall_per_rpm,
    log_jacobian,
    regulated_rows,
    sensitivities,
    steeper,
)
from thermcmp.model.design import AIRFLOW_BASELINE, EXPONENT
from thermcmp.model.priors import Normal, Prior
from thermcmp.model.terms import Acts

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit
    from thermcmp.model.design import Design

#: Draws per pass of the search for the expansion point, and the most passes.
PILOT: Final = 400
PASSES: Final = 4
#: The search ends once a pass moves the point by less than this share.
NEAR: Final = 0.1
#: Variance of a pseudo-reading over that of the second order: at 2 its weights are bounded up
#: to three times x0, and above 80 % of the draws are effective even without other data on s.
WIDER: Final = 2.0
#: Suffix of the names of the weights' checks.
OF_REGULATED: Final = "for the regulated runs"


@dataclass(frozen=True, slots=True, eq=False)
class Expansion:
    """Point about which the logarithms are expanded."""

    fan: Array  #: sensitivities x0 of the rows held by the fan [K at reference], shape (F,)
    power: Array  #: the same of the rows held by power, shape (G,)
    exponent: float  #: airflow exponent
    wider: float = WIDER  #: variance of a pseudo-reading over that of the second order

    @classmethod
    def first(cls, design: Design) -> Expansion:
        """Return a start from the prior of the convective part and the measured rises."""
        fan, power = regulated_rows(design)
        flow = design.priors[AIRFLOW_BASELINE]
        middle = max(flow.mean, flow.sd) if isinstance(flow, Normal) else 1.0
        measured = np.abs(design.rise_k[power] / design.power_ratio[power])
        return cls(
            np.full(len(fan), middle), np.maximum(measured, 1.0), design.law.exponent_prior_mean
        )

    @classmethod
    def at(cls, design: Design, effects: Array, exponent: Array, weights: Array) -> Expansion:
        """Return the weighted mean of draws, away from zero."""
        drawn = sensitivities(design, lambda columns: effects[:, columns], exponent[:, None])
        fan, power = (
            # Close to zero a mean of few draws is meaningless.
            np.maximum(weights @ x, 0.1 * np.sqrt(weights @ x**2) + 1e-6)
            for x in (drawn.fan, drawn.power)
        )
        return cls(fan, power, float(weights @ exponent))

    def is_near(self, other: Expansion) -> bool:
        """Return whether another point is close."""
        here, there = (np.concatenate([e.fan, e.power, [e.exponent]]) for e in (self, other))
        return bool(np.all(np.abs(there / here - 1.0) < NEAR))

    def log_approximation(self, design: Design, effects: Array, exponent: Array) -> Array:
        """Return the engine's approximation of the log Jacobian up to a constant, shape (S,)."""
        drawn = sensitivities(design, lambda columns: effects[:, columns], exponent[:, None])
        total = np.zeros(len(effects))
        for x, x0 in ((drawn.fan, self.fan), (drawn.power, self.power)):
            total -= 0.5 / self.wider * np.sum(((x - (1.0 + self.wider) * x0) / x0) ** 2, axis=1)
        slope, curve = self._exponent_terms(design)
        apart = exponent - self.exponent
        return total + slope * apart - 0.5 * curve * apart**2

    def exponent_prior(self, design: Design) -> Prior:
        """Return the exponent's prior times its factor of the Jacobian, to second order."""
        prior = design.priors[EXPONENT]
        if not isinstance(prior, Normal):
            raise TypeError("the airflow exponent has a normal prior")
        slope, curve = self._exponent_terms(design)
        precision = prior.sd**-2 + curve
        mean = (prior.mean / prior.sd**2 + curve * self.exponent + slope) / precision
        return Normal(mean, precision**-0.5)

    def _exponent_terms(self, design: Design) -> tuple[float, float]:
        """Return the slope of sum log(-∂g/∂N) along the exponent, and the curvature to use."""
        step = 1e-3 * max(abs(self.exponent), 0.1)
        low, middle, high = (
            float(np.sum(np.log(np.abs(fall_per_rpm(design, self.exponent + move)))))
            for move in (-step, 0.0, step)
        )
        curve = max((2.0 * middle - high - low) / step**2, 0.0) / self.wider
        return (high - low) / (2.0 * step), curve


def problem_with_pseudo_readings(
    design: Design, expansion: Expansion
) -> tuple[GaussianProblem, tuple[Prior, ...]]:
    """Return a design's problem with a pseudo-reading per regulated row, and its priors."""
    problem, priors = thermal_problem(design)
    fan, power = regulated_rows(design)
    rows, x0 = np.concatenate([fan, power]), np.concatenate([expansion.fan, expansion.power])
    of_power = design.per_power_at(design.flow_speed[power])
    of_fan: dict[Acts, Any] = dict.fromkeys(of_power, 0.0)
    of_fan |= {Acts.AIRFLOW: 1.0, Acts.EXPONENT: steeper(design)}
    values = np.concatenate(
        [
            np.stack(
                [np.broadcast_to(np.asarray(by[acts], float), len(held)) for acts in design.acts],
                axis=1,
            )
            for by, held in ((of_fan, fan), (of_power, power))
        ]
    )

    def extended(term: AirflowTerm | None, at_fan: float) -> AirflowTerm | None:
        if term is None:
            return None

        def with_pseudo_rows(exponent: Array) -> Array:
            h = term(exponent[: len(problem.y)])
            # s counts once in the fan's sensitivity, at any speed.
            fans = np.full((len(fan), exponent.shape[1]), at_fan)
            return np.concatenate([h, fans, h[power]])

        return with_pseudo_rows

    return (
        replace(
            problem,
            y=np.concatenate([problem.y, (1.0 + expansion.wider) * x0]),
            known_variance=np.concatenate([problem.known_variance, expansion.wider * x0**2]),
            run_scatter=np.concatenate([problem.run_scatter, np.zeros(len(rows))]),
            columns=np.concatenate([problem.columns, problem.columns[rows]]),
            values=np.concatenate([problem.values, values]),
            airflow=extended(problem.airflow, 1.0),
            airflow_slope=extended(problem.airflow_slope, 0.0),
        ),
        (expansion.exponent_prior(design), *priors[1:]),
    )


def fitted_problem(fit: Fit) -> GaussianProblem:
    """Return the Gaussian problem of a fit, with pseudo-readings expanded at its posterior."""
    fan, power = regulated_rows(fit.design)
    if not len(fan) + len(power):
        return thermal_problem(fit.design)[0]
    exponent = fit.draws(EXPONENT)
    even = np.full(len(exponent), 1.0 / len(exponent))
    at = Expansion.at(fit.design, fit.effects, exponent, even)
    return problem_with_pseudo_readings(fit.design, replace(at, wider=1.0))[0]


def fitted_kernel(fit: Fit) -> Kernel:
    """Return the algebra of a fit's Gaussian problem, prepared on first use."""
    return fit.once("kernel", lambda model: Kernel(fitted_problem(model)))


def run_with_regulated(
    design: Design, *, draws: int, seed: int | None
) -> tuple[ConditionalDraws, tuple[Check, ...]]:
    """Return the posterior draws of a design with regulated rows, and the weights' checks."""
    rng = np.random.default_rng(seed)
    at = Expansion.first(design)
    for _ in range(PASSES):
        pilot, log_weights = _weighted(design, at, PILOT, seed)
        weights, _ = smoothed_weights(log_weights)
        if not np.all(np.isfinite(weights)):
            weights = np.full(len(log_weights), 1.0 / len(log_weights))
        moved = Expansion.at(design, pilot.effects, pilot.points.exponent[:, 0], weights)
        if at.is_near(moved):
            break
        at = moved
    sample, log_weights = _weighted(design, at, draws, seed)
    # No weight is finite where in no draw the loop could have held every row.
    return resampled(sample, log_weights, rng, OF_REGULATED)


def _weighted(
    design: Design, at: Expansion, draws: int, seed: int | None
) -> tuple[ConditionalDraws, Array]:
    """Return draws of the approximate problem, and log weights towards the exact one, (S,)."""
    sample = run_conditional(*problem_with_pseudo_readings(design, at), draws=draws, seed=seed)
    exponent = sample.points.exponent[:, 0]
    exact = log_jacobian(design, sample.effects, exponent)
    return sample, exact - at.log_approximation(design, sample.effects, exponent)
