"""Fit of the noise law by the conditional engine."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import NotEstimableError
from thermcmp.inference.conditional.engine import run_conditional
from thermcmp.inference.conditional.problem import GaussianProblem, effect_layout
from thermcmp.inference.diagnostics import Diagnostics, check_weights
from thermcmp.model.noise_design import (
    FIXED,
    GROUPS,
    RESIDUAL_PRIOR,
    SPECIMEN,
    UNSTATED_PRIOR,
    NoiseDesign,
    build_noise_design,
)
from thermcmp.physics.noise_law import (
    FAN_SOUND_LAW,
    fan_noise_dba,
    fan_speed_at_level_rpm,
    noise_law_named,
)

if TYPE_CHECKING:
    import pandas as pd

#: A level that rises by less per tenfold speed is no fan's alone [dB] (a choice).
LEAST_SLOPE_DB: Final = 45.0


@dataclass(frozen=True, slots=True, eq=False)
class NoiseFit:
    """Posterior of the noise law in S draws: level against fan speed of each cooler model.

    L = a + b g(N), with the level a and the slope b at the reference speed per cooler model;
    by the fan sound law g = lg(N / N_ref).

    Attributes
    ----------
    design : NoiseDesign
        The readings, corrected for background and distance; `design.notes` says how.
    effects : ndarray, shape (S, q)
        Level, slope, shifts of unstated distances, and the effects of cooler models,
        specimens and sessions [dB].
    diagnostics : Diagnostics
        Checks of the draws.
    specimen_sd : ndarray, shape (S,)
        Spread between specimens of one cooler model [dB].
    """

    design: NoiseDesign
    effects: Array
    diagnostics: Diagnostics
    specimen_sd: Array

    @property
    def table(self) -> pd.DataFrame:
        """A row per cooler model, with 90 % equal-tailed intervals.

        Columns cooler_model, level_dba, level_low_dba, level_high_dba, slope_db, slope_low_db,
        slope_high_db (per tenfold speed), all at the reference speed, lowest_rpm, highest_rpm
        (measured), readings.
        """
        import pandas as pd

        rows = []
        for model, readings in self.design.rows.groupby("cooler_model")["fan_rpm"]:
            law = self.law(str(model)) or ()
            cells: dict[str, object] = {"cooler_model": model}
            for (name, unit), draws in zip((("level", "dba"), ("slope", "db")), law, strict=True):
                low, high = np.quantile(draws, [0.05, 0.95])
                cells |= {f"{name}_{unit}": float(draws.mean()), f"{name}_low_{unit}": low}
                cells[f"{name}_high_{unit}"] = high
            cells |= {"lowest_rpm": readings.min(), "highest_rpm": readings.max()}
            rows.append({**cells, "readings": len(readings)})
        return pd.DataFrame(rows)

    @property
    def notes(self) -> tuple[str, ...]:
        """What was taken for the levels, and levels that hardly follow their fans."""
        rows, flat = self.design.rows, []
        unstated = rows.loc[rows["noise_floor_dba"].isna(), "cooler_model"]
        for model in map(str, unstated.unique()):
            _, slope = self.law(model) or ((), [np.inf])
            low, high = np.quantile(slope, [0.05, 0.95])
            if high < LEAST_SLOPE_DB:
                flat.append(f"{model} by {low:.0f} to {high:.0f} dB")
        if not flat:
            return self.design.notes
        return (
            *self.design.notes,
            f"Levels rise by less with fan speed than those of fans do (50 to 60 dB per tenfold "
            f"speed): {', '.join(flat)}. The background may be in them, and speeds of equal noise "
            "be wrong. Fix: measure the level with the card off; state it in noise_floor_dba.",
        )

    def __str__(self) -> str:
        where = f"{self.design.reference_rpm:g} rpm, {self.design.distance_m:g} m"
        return "\n".join(
            [
                f"Noise by the {self.design.law.name} at {where}; health {self.diagnostics.health}",
                self.table.to_string(index=False, float_format=lambda value: f"{value:.1f}"),
                *self.notes,
            ]
        )

    def law(
        self, cooler_model: str, *, fresh_seed: int | None = None
    ) -> tuple[Array, Array] | None:
        """Return a cooler model's level [dB(A)] at the reference speed and slope [dB per decade].

        Parameters
        ----------
        cooler_model : str
            The cooler model.
        fresh_seed : int, optional
            Seed of an untested specimen's own deviation; without it the level is the mean
            of the tested specimens.

        Returns
        -------
        tuple of ndarray, shape (S,)
            Level [dB(A)] and slope [dB]; None if the model's noise was not measured.
        """
        mine = self.design.rows_of.get(cooler_model)
        if mine is None:
            return None
        level, slope = self.effects[:, 0].copy(), self.effects[:, 1].copy()
        if fresh_seed is not None:
            deviation = np.random.default_rng(fresh_seed).standard_normal(len(level))
            level += self.specimen_sd * deviation
        start = 2 + self.design.unstated.shape[1]
        for place, (name, columns, on_slope, _) in enumerate(GROUPS):
            size = len(self.design.levels[place])
            if columns[0] == "cooler_model" and (name != SPECIMEN or fresh_seed is None):
                chosen = np.unique(self.design.index[mine, place])
                target = slope if on_slope else level
                target += self.effects[:, start + chosen].mean(axis=1)
            start += size
        return level, slope

    def level_dba(self, cooler_model: str, fan_rpm: Array | float) -> Array | None:
        """Return the level of a cooler model at a fan speed.

        Parameters
        ----------
        cooler_model : str
            The cooler model.
        fan_rpm : float or ndarray, shape (S,)
            Fan speed [rpm].

        Returns
        -------
        ndarray, shape (S,)
            Level [dB(A)]; None if the model's noise was not measured.
        """
        law = self.law(cooler_model)
        if law is None:
            return None
        return fan_noise_dba(
            fan_rpm,
            level_dba=law[0],
            slope_db=law[1],
            reference_rpm=self.design.reference_rpm,
            law=self.design.law,
        )

    def speed_rpm(self, cooler_model: str, noise_dba: Array | float) -> Array | None:
        """Return the fan speed at which a cooler model reaches a level.

        Parameters
        ----------
        cooler_model : str
            The cooler model.
        noise_dba : float or ndarray, shape (S,)
            Level [dB(A)].

        Returns
        -------
        ndarray, shape (S,)
            Fan speed [rpm], NaN where the law does not reach the level; None if the model's
            noise was not measured.
        """
        law = self.law(cooler_model)
        if law is None:
            return None
        # A slope at or below zero has no inverse; the prior makes it all but impossible.
        slope = np.maximum(law[1], 1.0)
        return fan_speed_at_level_rpm(
            noise_dba,
            level_dba=law[0],
            slope_db=slope,
            reference_rpm=self.design.reference_rpm,
            law=self.design.law,
        )


def fit_noise(
    results: pd.DataFrame,
    *,
    reference_rpm: float | None = None,
    mic_distance_m: float = 0.5,
    law: str = FAN_SOUND_LAW.name,
    draws: int = 4000,
    seed: int | None = None,
) -> NoiseFit:
    """Fit the noise law of each cooler model to the levels of results rows.

    Levels are corrected for background (ISO 3744) and brought to one distance by the
    free-field law. The readings of a laboratory that states no microphone distance share an
    unknown one: 0.5 m, within a factor of 2 with 90 % (common practice, no source).

    Parameters
    ----------
    results : pandas.DataFrame
        Results rows; those with a noise level and a turning fan count, each run once.
    reference_rpm : float, optional
        Fan speed N_ref [rpm] at which the level is stated; the rows' median by default.
    mic_distance_m : float
        Distance of the levels [m].
    law : str
        Name of the noise law.
    draws : int
        Number of draws S.
    seed : int, optional
        Seed of the draws.

    Returns
    -------
    NoiseFit
        The posterior; print it for a row per cooler model.

    Raises
    ------
    InputError
        If there is no noise law of that name.
    NotEstimableError
        If no row has a usable noise reading.
    """
    chosen, speed = noise_law_named(law), reference_rpm
    if speed is None:
        speed = float(results.loc[results["fan_rpm"] > 0, "fan_rpm"].median())
    design = build_noise_design(results, law=chosen, reference_rpm=speed, distance_m=mic_distance_m)
    if design is None:
        raise NotEstimableError(
            "No row has a usable noise reading. Fix: measure noise_dba with its background, at a "
            "turning fan."
        )
    n = len(design.level_dba)
    layout = effect_layout(
        design.index,
        [len(levels) for levels in design.levels],
        [*(prior for _, prior in FIXED), *[UNSTATED_PRIOR] * design.unstated.shape[1]],
    )
    ones = np.ones(n)
    values = np.stack(
        [
            ones,
            design.decades,
            *design.unstated.T,
            *(design.decades if on_slope else ones for _, _, on_slope, _ in GROUPS),
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
    # A level is often taken once for each speed, and typed in for every run.
    sample = run_conditional(problem, priors, draws=draws, seed=seed, may_repeat=True)
    checks = check_weights(sample.weighted.log_weights, sample.weighted.effective_size)
    specimens = problem.spreads.index(SPECIMEN)
    return NoiseFit(design, sample.effects, Diagnostics(checks), sample.points.spread[:, specimens])
