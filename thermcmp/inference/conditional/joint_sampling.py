"""Posterior draws of several sensors: each fitted alone first, then coupled by weights.

Only the correlated effects couple the sensors, so the posteriors of single sensors are good
proposals. With θ_s drawn from the posterior of sensor s alone and the correlations ρ from an
adapted proposal q, the weight of a point is

    w = L(θ_1 … θ_S, ρ) / [ L_1(θ_1) … L_S(θ_S) ] · p(ρ) / q(ρ)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.conditional.blas_threads import one_blas_thread
from thermcmp.inference.conditional.engine import ConditionalDraws, run_conditional, systematic
from thermcmp.inference.conditional.importance_sampling import (
    DEFENSIVE,
    Effort,
    Mixture,
    Weighted,
    sample,
)
from thermcmp.inference.conditional.joint_problem import JointProblem
from thermcmp.inference.conditional.marginal_likelihood import Kernel, Points
from thermcmp.inference.conditional.problem import thermal_problem
from thermcmp.inference.conditional.sinh_arcsinh import Warp
from thermcmp.model.design import Design

#: Points per round of adapting the proposal of the correlations.
ROUND = 500


@dataclass(frozen=True, slots=True, eq=False)
class JointDraws:
    """Draws of a joint problem, and the weights from which they were resampled."""

    draws: ConditionalDraws  #: `weighted` holds those of the last step
    alone: tuple[Weighted, ...]  #: of single sensors, if those were the proposals; else empty

    @property
    def effective_size(self) -> float:
        """Effective sample size of the worst sensor.

        The losses of its separate weights and of the joint weights add up. Quantities of several
        sensors are no worse, since the errors of the sensors are independent.
        """
        losses = [1.0 / weighted.effective_size for weighted in self.alone] or [0.0]
        return 1.0 / (1.0 / self.draws.weighted.effective_size + max(losses))


def run_joint(
    joint: JointProblem, designs: Sequence[Design], *, draws: int, seed: int | None
) -> JointDraws:
    """Return posterior draws of a joint problem."""
    coupling = _Coupling(joint, designs, draws, seed)
    rng = np.random.default_rng(seed)
    with one_blas_thread():
        size = coupling.partials
        start = Mixture(
            np.array([1.0 - DEFENSIVE]), np.zeros((1, size)), np.eye(size)[None], Warp.none(size)
        )
        weighted = sample(coupling.log_density, start, Effort(2, ROUND, draws), rng)
        if weighted.can_be_kept and all(part.can_be_kept for part in coupling.weighted):
            picked = systematic(weighted.weights, draws, rng)
            effects = coupling.kernel.draw_effects(coupling.points, picked, rng)
            order = rng.permutation(draws)
            points = coupling.points.part(picked[order])
            joint_draws = ConditionalDraws(points, effects[order], weighted)
            return JointDraws(joint_draws, tuple(coupling.weighted))
    return JointDraws(run_conditional(joint.problem, joint.priors, draws=draws, seed=seed), ())


class _Coupling:
    """Ratio of the joint posterior to the sensors' posteriors, over the correlations.

    Its density over the correlations' standard-normal coordinates is taken at parameters
    resampled from the sensors' posteriors; `points` holds those of the last call.
    """

    def __init__(
        self, joint: JointProblem, designs: Sequence[Design], draws: int, seed: int | None
    ) -> None:
        self.kernel, self._rng = Kernel(joint.problem), np.random.default_rng([1, seed or 0])
        self.partials = self.kernel.links.partials
        self._priors = joint.priors[len(joint.priors) - self.partials :]
        self._alone: list[tuple[Points, Array]] = []
        self.weighted: list[Weighted] = []
        for number, design in enumerate(designs):
            problem, priors = thermal_problem(design)
            # Draws of the sensors must not share their random numbers.
            sensor_seed = None if seed is None else seed + 7919 * number
            alone = run_conditional(problem, priors, draws=draws, seed=sensor_seed)
            likelihood = Kernel(problem).log_likelihood(alone.points)
            self._alone.append((alone.points, likelihood))
            self.weighted.append(alone.weighted)
        self.points = Points(*(np.zeros((0, 0)) for _ in range(4)))

    def log_density(self, z: Array) -> Array:
        """Return the log density up to a constant, shape (N,), at `z`, shape (N, P)."""
        # Each draw of a sensor about as often as any other.
        picked = []
        for points, _ in self._alone:
            rounds = -(-len(z) // len(points))
            orders = [self._rng.permutation(len(points)) for _ in range(rounds)]
            picked.append(np.concatenate(orders)[: len(z)])
        drawn = [points.part(p) for (points, _), p in zip(self._alone, picked, strict=True)]
        partial = [prior.from_standard(z[:, i]) for i, prior in enumerate(self._priors)]
        self.points = Points(
            np.hstack([points.exponent for points in drawn]),
            np.hstack([points.spread for points in drawn]),
            np.hstack([points.residual for points in drawn]),
            np.stack(partial, axis=1),
        )
        apart = sum(alone[p] for (_, alone), p in zip(self._alone, picked, strict=True))
        together = self.kernel.log_likelihood(self.points)
        return np.asarray(together - apart - 0.5 * np.sum(z**2, axis=1))
