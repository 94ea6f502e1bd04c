"""Regulated runs in the conditional engine: a Gaussian stand-in, then importance weights.

The Jacobian of a regulated run (see `inference.regulated_likelihood`) is the sensitivity x of
its temperature to what the loop moved, linear in the effects. To second order about x0

    log x = log x0 + (x - x0)/x0 - (x - x0)²/(2 x0²) + …

which is, up to a constant, the log density of a reading of x: 2 x0 with standard deviation
x0. So each regulated run gets such a reading beside its row, a little wider than that so
that the draws reach further than the posterior, and the factor of its exponent is taken up
by the exponent's normal prior in the same way. The engine solves that problem exactly; what
is left are weights of its draws, whatever x0 was. They are smoothed and judged by their
Pareto k (Vehtari, Simpson, Gelman, Yao & Gabry, JMLR 25 (2024) 72), and the draws are
resampled by them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.arviz_adapter import smoothed_weights
from thermcmp.inference.conditional.engine import ConditionalDraws, run_conditional
from thermcmp.inference.conditional.problem import AirflowTerm, GaussianProblem, thermal_problem
from thermcmp.inference.diagnostics import Check, Health, check_weights
from thermcmp.inference.regulated_likelihood import (
    fall_per_rpm,
    log_jacobian,
    regulated_rows,
    sensitivities,
)
from thermcmp.model.design import AIRFLOW_BASELINE, EXPONENT
from thermcmp.model.priors import Normal, Prior

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit
    from thermcmp.model.design import Design

#: Draws of each pass that looks for where to expand, and the most passes.
PILOT: Final = 400
PASSES: Final = 4
#: The place is found once a pass moves it by less than this share.
NEAR: Final = 0.1
#: Variance of a stand-in over that of the second order: at 2 its weights are bounded up to
#: three times x0, and still above 80 % of the draws count where nothing else tells s.
WIDER: Final = 2.0
#: Names of the checks of the weights.
OF_REGULATED: Final = "for the regulated runs"


@dataclass(frozen=True, slots=True, eq=False)
class Expansion:
    """Where the logarithms are expanded.

    Attributes
    ----------
    fan, power : ndarray, shape (F,), (G,)
        Sensitivities x0 of the rows held by the fan and by power [K at reference].
    exponent : float
        Airflow exponent [-].
    wider : float
        Variance of a stand-in over that of the second order; 1 where no weights follow.
    """

    fan: Array
    power: Array
    exponent: float
    wider: float = WIDER

    @classmethod
    def first(cls, design: Design) -> Expansion:
        """A start: what the prior says of the airflow part, what was measured of the rise."""
        fan, power = regulated_rows(design)
        flow = design.priors[AIRFLOW_BASELINE]
        middle = max(flow.mean, flow.sd) if isinstance(flow, Normal) else 1.0
        measured = np.abs(design.rise_k[power] / design.power_ratio[power])
        return cls(
            np.full(len(fan), middle), np.maximum(measured, 1.0), design.law.exponent_prior_mean
        )

    @classmethod
    def at(cls, design: Design, effects: Array, exponent: Array, weights: Array) -> Expansion:
        """The weighted mean of draws, where the loop can have held the rows."""
        found = sensitivities(design, lambda columns: effects[:, columns], exponent[:, None])
        fan, power = (
            # Never next to zero: there a mean of few draws stands for nothing.
            np.maximum(weights @ x, 0.1 * np.sqrt(weights @ x**2) + 1e-6)
            for x in (found.fan, found.power)
        )
        return cls(fan, power, float(weights @ exponent))

    def is_near(self, other: Expansion) -> bool:
        """Whether another one is at about the same place."""
        mine, its = (np.concatenate([e.fan, e.power, [e.exponent]]) for e in (self, other))
        return bool(np.all(np.abs(its / mine - 1.0) < NEAR))

    def log_stand_in(self, design: Design, effects: Array, exponent: Array) -> Array:
        """What the engine took for the log Jacobian, shape (S,), up to a constant."""
        found = sensitivities(design, lambda columns: effects[:, columns], exponent[:, None])
        total = np.zeros(len(effects))
        for x, x0 in ((found.fan, self.fan), (found.power, self.power)):
            total -= 0.5 / self.wider * np.sum(((x - (1.0 + self.wider) * x0) / x0) ** 2, axis=1)
        slope, curve = self._exponent_terms(design)
        apart = exponent - self.exponent
        return total + slope * apart - 0.5 * curve * apart**2

    def exponent_prior(self, design: Design) -> Prior:
        """The exponent's prior with its part of the Jacobian, to second order."""
        prior = design.priors[EXPONENT]
        if not isinstance(prior, Normal):
            raise TypeError("the airflow exponent has a normal prior")
        slope, curve = self._exponent_terms(design)
        precision = prior.sd**-2 + curve
        mean = (prior.mean / prior.sd**2 + curve * self.exponent + slope) / precision
        return Normal(mean, precision**-0.5)

    def _exponent_terms(self, design: Design) -> tuple[float, float]:
        """Slope of sum log(-∂g/∂N) along the exponent, and the curvature taken for it."""
        step = 1e-3 * max(abs(self.exponent), 0.1)
        low, middle, high = (
            float(np.sum(np.log(np.abs(fall_per_rpm(design, self.exponent + move)))))
            for move in (-step, 0.0, step)
        )
        curve = max((2.0 * middle - high - low) / step**2, 0.0) / self.wider
        return (high - low) / (2.0 * step), curve


def stand_in_problem(
    design: Design, expansion: Expansion
) -> tuple[GaussianProblem, tuple[Prior, ...]]:
    """The problem of a design with a stand-in reading for each regulated row.

    Returns problem, priors.
    """
    problem, priors = thermal_problem(design)
    fan, power = regulated_rows(design)
    rows, x0 = np.concatenate([fan, power]), np.concatenate([expansion.fan, expansion.power])
    of_power = design.per_power_at(design.flow_speed[power])
    own = np.concatenate(
        [
            np.broadcast_to(problem.flow.astype(float), (len(fan), len(problem.flow))),
            np.stack([np.broadcast_to(of_power[acts], len(power)) for acts in design.acts], axis=1),
        ]
    )

    def extended(term: AirflowTerm | None, beside: float) -> AirflowTerm | None:
        if term is None:
            return None

        def with_stand_ins(exponent: Array) -> Array:
            h = term(exponent[: len(problem.y)])
            # The fan's sensitivity is s itself, whatever the speed.
            fans = np.full((len(fan), exponent.shape[1]), beside)
            return np.concatenate([h, fans, h[power]])

        return with_stand_ins

    return (
        replace(
            problem,
            y=np.concatenate([problem.y, (1.0 + expansion.wider) * x0]),
            known_variance=np.concatenate([problem.known_variance, expansion.wider * x0**2]),
            run_scatter=np.concatenate([problem.run_scatter, np.zeros(len(rows))]),
            columns=np.concatenate([problem.columns, problem.columns[rows]]),
            values=np.concatenate([problem.values, own]),
            airflow=extended(problem.airflow, 1.0),
            airflow_slope=extended(problem.airflow_slope, 0.0),
        ),
        (expansion.exponent_prior(design), *priors[1:]),
    )


def fitted_problem(fit: Fit) -> GaussianProblem:
    """The Gaussian problem behind a fit, its regulated rows' stand-ins at its posterior."""
    fan, power = regulated_rows(fit.design)
    if not len(fan) + len(power):
        return thermal_problem(fit.design)[0]
    exponent = fit.draws(EXPONENT)
    even = np.full(len(exponent), 1.0 / len(exponent))
    at = Expansion.at(fit.design, fit.effects, exponent, even)
    return stand_in_problem(fit.design, replace(at, wider=1.0))[0]


def run_with_regulated(
    design: Design, *, draws: int, seed: int | None
) -> tuple[ConditionalDraws, tuple[Check, ...]]:
    """Posterior draws of a design with regulated rows by the conditional engine.

    Returns found, checks.
    """
    rng = np.random.default_rng(seed)
    at = Expansion.first(design)
    for _ in range(PASSES):
        pilot, log_weights = _weighed(design, at, PILOT, seed)
        weights = _usable(log_weights)
        moved = Expansion.at(design, pilot.effects, pilot.points.exponent[:, 0], weights)
        if at.is_near(moved):
            break
        at = moved
    found, log_weights = _weighed(design, at, draws, seed)
    weights, _ = smoothed_weights(log_weights)
    if not np.all(np.isfinite(weights)):
        # No draw lets the loop have held every row.
        none = Check("share of the draws", 0.0, "above 0", Health.BAD)
        return found, _named((none,))
    size = float(1.0 / np.sum(weights**2))
    picked = np.searchsorted(np.cumsum(weights), (rng.random() + np.arange(draws)) / draws)
    order = rng.permutation(np.minimum(picked, draws - 1))
    kept = ConditionalDraws(found.points.part(order), found.effects[order], found.weighted)
    return kept, _named(check_weights(log_weights, size))


def _weighed(
    design: Design, at: Expansion, draws: int, seed: int | None
) -> tuple[ConditionalDraws, Array]:
    """Draws of the stand-in problem, and the log weights that turn it into the true one."""
    found = run_conditional(*stand_in_problem(design, at), draws=draws, seed=seed)
    exponent = found.points.exponent[:, 0]
    true = log_jacobian(design, found.effects, exponent)
    return found, true - at.log_stand_in(design, found.effects, exponent)


def _usable(log_weights: Array) -> Array:
    """Smoothed weights; even ones where no draw has any."""
    weights, _ = smoothed_weights(log_weights)
    if np.all(np.isfinite(weights)):
        return weights
    return np.full(len(log_weights), 1.0 / len(log_weights))


def _named(checks: tuple[Check, ...]) -> tuple[Check, ...]:
    return tuple(replace(check, name=f"{check.name} {OF_REGULATED}") for check in checks)
