"""Posterior draws of several sensors: each by itself first, then coupled.

Only the correlated effects tie the sensors together. So the sensors' own posteriors are
good proposals, however many there are: with θ_s drawn from the posterior of sensor s
alone and the correlations ρ from an adapted proposal q, the weight of a point is

    w = L(θ_1 … θ_S, ρ) / [ L_1(θ_1) … L_S(θ_S) ] · p(ρ) / q(ρ)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.inference.conditional.blas_threads import one_blas_thread
from thermcmp.inference.conditional.engine import (
    ConditionalDraws,
    run_conditional,
    systematic,
)
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

#: Points of a round in which the proposal of the correlations is learned.
ROUND = 500


@dataclass(frozen=True, slots=True, eq=False)
class JointDraws:
    """Draws of a joint problem, and all weights behind them.

    Attributes
    ----------
    draws : ConditionalDraws
        Draws of equal weight; `weighted` is of the last step.
    alone : tuple of Weighted
        The sensors' own, where those proposed; empty otherwise.
    """

    draws: ConditionalDraws
    alone: tuple[Weighted, ...]

    @property
    def effective_size(self) -> float:
        """Effective sample size of the sensor that is worst off.

        Its own points count in part, and the joint ones again in part. What depends on
        several sensors is no worse: their own errors are independent of one another.
        """
        own = [1.0 / one.effective_size for one in self.alone] or [0.0]
        return 1.0 / (1.0 / self.draws.weighted.effective_size + max(own))


def run_joint(
    joint: JointProblem, designs: Sequence[Design], *, draws: int, seed: int | None
) -> JointDraws:
    """Posterior draws of a joint problem."""
    coupling = _Coupling(joint, designs, draws, seed)
    rng = np.random.default_rng(seed)
    with one_blas_thread():
        size = coupling.partials
        start = Mixture(
            np.array([1.0 - DEFENSIVE]),
            np.zeros((1, size)),
            np.eye(size)[None],
            Warp.none(size),
        )
        weighted = sample(coupling.log_density, start, Effort(2, ROUND, draws), rng)
        if weighted.can_be_kept and all(one.can_be_kept for one in coupling.weighted):
            picked = systematic(weighted.weights, draws, rng)
            effects = coupling.kernel.draw_effects(coupling.points, picked, rng)
            order = rng.permutation(draws)
            points = coupling.points.part(picked[order])
            found = ConditionalDraws(points, effects[order], weighted)
            return JointDraws(found, tuple(coupling.weighted))
    return JointDraws(run_conditional(joint.problem, joint.priors, draws=draws, seed=seed), ())


class _Coupling:
    """What the joint posterior has beyond those of the sensors, over the correlations.

    A density over the correlations' standard-normal coordinates, at parameters that are
    drawn anew from the sensors' own posteriors; `points` holds those of the last call.
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
            own = None if seed is None else seed + 7919 * number
            found = run_conditional(problem, priors, draws=draws, seed=own)
            likelihood = Kernel(problem).log_likelihood(found.points)
            self._alone.append((found.points, likelihood))
            self.weighted.append(found.weighted)
        self.points = Points(*(np.zeros((0, 0)) for _ in range(4)))

    def log_density(self, z: Array) -> Array:
        """Log density at `z`, shape (N, P), up to a constant."""
        drawn = [(points, self._picked(len(points), len(z))) for points, _ in self._alone]
        partial = [prior.from_standard(z[:, i]) for i, prior in enumerate(self._priors)]
        self.points = Points(
            np.hstack([points.exponent[mine] for points, mine in drawn]),
            np.hstack([points.spread[mine] for points, mine in drawn]),
            np.hstack([points.residual[mine] for points, mine in drawn]),
            np.stack(partial, axis=1),
        )
        apart = sum(own[mine] for (_, own), (_, mine) in zip(self._alone, drawn, strict=True))
        together = self.kernel.log_likelihood(self.points)
        return np.asarray(together - apart - 0.5 * np.sum(z**2, axis=1))

    def _picked(self, among: int, count: int) -> IntArray:
        """As many draws as asked, each as often as any other."""
        rounds = -(-count // among)
        every = np.concatenate([self._rng.permutation(among) for _ in range(rounds)])
        return np.asarray(every[:count], np.intp)
