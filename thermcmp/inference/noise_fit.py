"""Fit of the noise law by the conditional engine."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.conditional.engine import run_conditional
from thermcmp.inference.conditional.problem import GaussianProblem, effect_layout
from thermcmp.inference.diagnostics import Diagnostics, check_weights
from thermcmp.model.noise_design import (
    FIXED,
    GROUPS,
    RESIDUAL_PRIOR,
    SPECIMEN,
    NoiseDesign,
    build_noise_design,
)
from thermcmp.physics.noise_law import fan_noise_dba, fan_speed_at_level_rpm

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, eq=False)
class NoiseFit:
    """Posterior of the noise law, in S draws."""

    design: NoiseDesign
    effects: Array  #: level, slope and the groups' effects, shape (S, q)
    diagnostics: Diagnostics
    specimen_sd: Array  #: spread between specimens of one cooler model [dB], shape (S,)

    def law(
        self, cooler_model: str, *, fresh_seed: int | None = None
    ) -> tuple[Array, Array] | None:
        """Return a cooler model's level [dB(A)] at the reference speed and slope [dB per decade].

        Each has shape (S,); None if the model's noise was not measured. The level is the mean
        of the tested specimens; with a `fresh_seed` it is that of an untested specimen, which
        draws a deviation of its own.
        """
        if self.design.speed_range_rpm(cooler_model) is None:
            return None
        level, slope = self.effects[:, 0].copy(), self.effects[:, 1].copy()
        if fresh_seed is not None:
            deviation = np.random.default_rng(fresh_seed).standard_normal(len(level))
            level += self.specimen_sd * deviation
        start = 2
        hit = self.design.rows["cooler_model"].eq(cooler_model).to_numpy(bool)
        for place, (name, columns, on_slope, _) in enumerate(GROUPS):
            size = len(self.design.levels[place])
            if columns[0] == "cooler_model" and (name != SPECIMEN or fresh_seed is None):
                chosen = np.unique(self.design.index[hit, place])
                target = slope if on_slope else level
                target += self.effects[:, start + chosen].mean(axis=1)
            start += size
        return level, slope

    def level_dba(self, cooler_model: str, fan_rpm: Array | float) -> Array | None:
        """Return the level of a cooler model at a fan speed [rpm], shape (S,), or None."""
        law = self.law(cooler_model)
        if law is None:
            return None
        return fan_noise_dba(
            fan_rpm, level_dba=law[0], slope_db=law[1], reference_rpm=self.design.reference_rpm
        )

    def speed_rpm(self, cooler_model: str, noise_dba: float) -> Array | None:
        """Return the fan speed [rpm] at which a cooler model reaches a level, (S,), or None."""
        law = self.law(cooler_model)
        if law is None:
            return None
        # A slope at or below zero has no inverse; the prior makes it all but impossible.
        slope = np.maximum(law[1], 1.0)
        return fan_speed_at_level_rpm(
            noise_dba, level_dba=law[0], slope_db=slope, reference_rpm=self.design.reference_rpm
        )


def fit_noise(
    results: pd.DataFrame,
    *,
    reference_rpm: float,
    distance_m: float = 0.5,
    draws: int = 4000,
    seed: int | None = None,
) -> NoiseFit | None:
    """Return the fit of the noise law, or None without a usable noise reading."""
    design = build_noise_design(results, reference_rpm=reference_rpm, distance_m=distance_m)
    if design is None:
        return None
    n = len(design.level_dba)
    layout = effect_layout(
        design.index, [len(levels) for levels in design.levels], [prior for _, prior in FIXED]
    )
    ones = np.ones(n)
    values = np.stack(
        [
            ones,
            design.log_speed,
            *(design.log_speed if on_slope else ones for _, _, on_slope, _ in GROUPS),
        ],
        axis=1,
    )
    problem = GaussianProblem(
        y=design.level_dba,
        known_variance=np.zeros(n),
        run_scatter=ones,
        columns=layout.columns,
        values=values,
        flow=np.zeros(layout.columns.shape[1], bool),
        scale_of=layout.scale_of,
        fixed_mean=layout.fixed_mean,
        fixed_sd=layout.fixed_sd,
        spreads=(*(group[0] for group in GROUPS), "noise residual"),
    )
    priors = [*(scale for _, _, _, scale in GROUPS), RESIDUAL_PRIOR]
    sample = run_conditional(problem, priors, draws=draws, seed=seed)
    checks = check_weights(sample.weighted.log_weights, sample.weighted.effective_size)
    specimens = problem.spreads.index(SPECIMEN)
    return NoiseFit(design, sample.effects, Diagnostics(checks), sample.points.spread[:, specimens])
