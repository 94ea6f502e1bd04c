"""The numbers of a margin: a row per ambient, with fan speed, noise and what is enough."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.physics.noise_law import fan_noise_dba
from thermcmp.physics.reach import Reach, reach_of
from thermcmp.prediction.build_rise import matching_rows
from thermcmp.prediction.card import CardState
from thermcmp.questions.limit_margin.lowest_speed import TurnDown, turn_down
from thermcmp.questions.limit_margin.response import FanResponse, Response
from thermcmp.questions.phrases import summary

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from thermcmp.inference.noise_fit import NoiseFit
    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build

#: Share of draws without a steady state above which there is no number.
MOST_UNSETTLED: Final = 0.05
#: Said of a row whose temperature or noise lies beyond the measured fan speeds.
BEYOND: Final = "beyond the measured fan speeds"
#: Share of draws with further steady states from which it is said.
WORTH_SAYING: Final = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class CardNoise:
    """Noise law of a build, paired with the draws of its temperatures.

    Attributes
    ----------
    level_dba, slope_db : numpy.ndarray, shape (n,)
        Level at the reference speed [dB(A)] and slope [dB per tenfold speed].
    reference_rpm : float
        Reference speed [rpm].
    measured_rpm : tuple of float
        Lowest and highest speed at which its noise was measured [rpm].
    distance_m : float
        Distance of the levels [m].
    """

    level_dba: Array
    slope_db: Array
    reference_rpm: float
    measured_rpm: tuple[float, float]
    distance_m: float

    @classmethod
    def of(
        cls,
        noise: NoiseFit | None,
        build: Build,
        chosen: IntArray,
        *,
        fresh_seed: int | None,
    ) -> CardNoise | None:
        """Noise of a build for chosen draws; None where it was not measured."""
        law = None if noise is None else noise.law(build.cooler_model, fresh_seed=fresh_seed)
        known = None if noise is None else noise.design.speed_range_rpm(build.cooler_model)
        if noise is None or law is None or known is None:
            return None
        level, slope = law
        design = noise.design
        return cls(level[chosen], slope[chosen], design.reference_rpm, known, design.distance_m)

    def at(self, fan_rpm: Array | float) -> tuple[Array, str]:
        """Levels at fan speeds [rpm], shape (n,), and what limits them in words.

        NaN where the speeds' median lies too far outside the measured ones.
        """
        middle = float(np.nanmedian(fan_rpm)) if np.isfinite(fan_rpm).any() else np.nan
        reach = reach_of(middle, *self.measured_rpm)
        if reach is Reach.REFUSED:
            low, high = self.measured_rpm
            nothing = np.full(self.level_dba.shape, np.nan)
            return nothing, f"noise not known: it was measured from {low:.0f} to {high:.0f} rpm"
        levels = fan_noise_dba(
            fan_rpm,
            level_dba=self.level_dba,
            slope_db=self.slope_db,
            reference_rpm=self.reference_rpm,
        )
        beyond = reach is Reach.EXTRAPOLATED
        return levels, BEYOND if beyond else ""


@dataclass(frozen=True, slots=True, eq=False)
class AirRow:
    """A build in air of one temperature.

    Attributes
    ----------
    room_c, intake_c : float
        Air of the room and at the cooler's intake [°C].
    state : CardState
        Its steady state, n draws.
    noise_dba : numpy.ndarray, shape (n,), optional
        Its level [dB(A)]; None where no noise was measured.
    enough : TurnDown, optional
        The lowest fan speed that is enough; None where nothing has fans.
    enough_dba : numpy.ndarray, shape (n,), optional
        Level at that speed [dB(A)].
    problem : str
        Why there is no number; "" where there is one.
    remarks : tuple of str
        What limits the numbers.
    """

    room_c: float
    intake_c: float
    state: CardState
    noise_dba: Array | None
    enough: TurnDown | None
    enough_dba: Array | None
    problem: str
    remarks: tuple[str, ...]

    def settled(self, values: Array) -> Array:
        """Values of the draws that have a steady state."""
        return values[self.state.settled]

    @property
    def temperature_c(self) -> Array:
        """Temperatures of the draws that have a steady state [°C]; NaN where not estimable."""
        return self.settled(self.state.temperature_c)

    def p_exceed(self, limit_c: float) -> float:
        """Probability that the limit is exceeded; NaN where not estimable."""
        return float("nan") if self.problem else float(np.mean(self.temperature_c > limit_c))


@dataclass(frozen=True, slots=True, eq=False)
class AtLimit:
    """Where the limit is reached, per draw.

    Attributes
    ----------
    room_c : numpy.ndarray, shape (n,)
        The room there [°C]; NaN in all draws where that cannot be told.
    fan_rpm : numpy.ndarray, shape (n,)
        The fan's speed there [rpm], or other flow_speed.
    reach : Reach
        Where that speed lies against the measured ones.
    several : float
        Share of the draws in which warmer air may bring the sensor below the limit again.
    """

    room_c: Array
    fan_rpm: Array
    reach: Reach
    several: float

    @property
    def known(self) -> Array:
        """Rooms of the draws in which it can be told [°C]."""
        return self.room_c[np.isfinite(self.room_c)]


@dataclass(frozen=True, slots=True, eq=False)
class Sweep:
    """What a row needs: the build's response, its noise, and what was measured.

    Attributes
    ----------
    response : FanResponse or HeldFlow
        The build's answer to warmer air.
    noise : CardNoise, optional
        Its noise law.
    measured : tuple of float
        Lowest and highest measured fan speed, or other flow_speed.
    unit : str
        Unit of the flow_speed.
    limit_c, risk : float
        Limit [°C] and the allowed risk of exceeding it.
    case_rise_k : float
        The case's rise [K].
    """

    response: Response
    noise: CardNoise | None
    measured: tuple[float, float]
    unit: str
    limit_c: float
    risk: float
    case_rise_k: float

    def row(self, room_c: float) -> AirRow:
        """Return the row of one ambient."""
        intake_c = room_c + self.case_rise_k
        state, problem, remarks = self._checked(self.response.state(intake_c))
        noise, enough, enough_dba = None, None, None
        if self.noise is not None:
            noise, words = self.noise.at(state.fan_rpm)
            if words and words not in remarks and not problem:
                remarks = (*remarks, words)
        if isinstance(self.response, FanResponse):
            judged = self.response.card.judged.at(ambient_c=intake_c, power_w=state.power_w)
            enough = turn_down(judged, self.limit_c, self.risk, self.measured)
            if self.noise is not None:
                enough_dba, _ = self.noise.at(enough.fan_rpm)
        return AirRow(room_c, intake_c, state, noise, enough, enough_dba, problem, remarks)

    def at_limit(self) -> AtLimit:
        """Return the room at which the limit is reached."""
        found = self.response.at_limit(self.limit_c)
        room_c = found.ambient_c - self.case_rise_k
        reach = self.reach_at(found.fan_rpm)
        if reach is Reach.REFUSED or np.mean(np.isnan(room_c)) > MOST_UNSETTLED:
            room_c = np.full(room_c.shape, np.nan)
        return AtLimit(room_c, found.fan_rpm, reach, float(np.mean(found.multiple)))

    def reach_at(self, fan_rpm: Array) -> Reach:
        """Where speeds lie against the measured ones, by their median."""
        known = fan_rpm[np.isfinite(fan_rpm)]
        return (
            Reach(str(reach_of(np.median(known), *self.measured))) if known.size else Reach.REFUSED
        )

    def _checked(self, state: CardState) -> tuple[CardState, str, tuple[str, ...]]:
        """A state without what cannot be told, why it cannot, and what limits the rest."""
        remarks = []
        nothing = np.full(state.fan_rpm.shape, np.nan)
        lost = 1.0 - float(np.mean(state.settled))
        if lost > 0.0:
            kinds = ", ".join(sorted(set(state.status[~state.settled].astype(str))))
            words = f"no steady state in {lost:.0%} of the draws ({kinds})"
            if lost > MOST_UNSETTLED:
                return replace(state, temperature_c=nothing, fan_rpm=nothing), words, ()
            remarks.append(f"{words}, left out")
        reach = self.reach_at(state.fan_rpm)
        if reach is Reach.REFUSED:
            middle, (low, high) = float(np.nanmedian(state.fan_rpm)), self.measured
            words = f"{middle:.0f} {self.unit} is too far from the measured {low:.0f} to {high:.0f}"
            return replace(state, temperature_c=nothing), words, ()
        if reach is Reach.EXTRAPOLATED:
            remarks.append(BEYOND)
        several = float(np.mean(state.multiple))
        if several >= WORTH_SAYING:
            remarks.append(f"further steady states in {several:.0%} of the draws")
        return state, "", tuple(remarks)


def measured_flow_speed(fit: Fit, build: Build) -> tuple[float, float]:
    """Lowest and highest flow_speed at which a build was run, or its cooler, or anything."""
    cooler = fit.results["cooler_model"].eq(build.cooler_model).fillna(False).to_numpy(bool)
    for hit in (matching_rows(fit.results, build), cooler):
        if hit.any():
            return float(fit.design.flow_speed[hit].min()), float(fit.design.flow_speed[hit].max())
    return float(fit.design.flow_speed.min()), float(fit.design.flow_speed.max())


def margin_table(
    rows: Sequence[AirRow], sweep: Sweep, *, follows: bool, prob: float, health: str
) -> pd.DataFrame:
    """Tidy table of the rows."""
    import pandas as pd

    return pd.DataFrame([_cells(row, sweep, follows, prob, health) for row in rows])


def _cells(row: AirRow, sweep: Sweep, follows: bool, prob: float, health: str) -> dict[str, object]:
    """One row of the table."""
    cells: dict[str, object] = {"ambient_c": row.room_c}
    if sweep.case_rise_k:
        cells["intake_c"] = row.intake_c
    mean, low, high = _spread(row.temperature_c, prob)
    cells |= {"mean_c": mean, "low_c": low, "high_c": high}
    cells["p_exceed"] = row.p_exceed(sweep.limit_c)
    if row.enough is not None:
        # A speed beyond what was measured is told even where the temperature there is not.
        cells |= _named("fan_rpm", row.settled(row.state.fan_rpm), prob)
        if follows:
            cells["fan_at_most"] = row.state.share("at maximum speed")
        if row.noise_dba is not None:
            cells |= _named("noise_dba", row.settled(row.noise_dba), prob)
        cells["enough_rpm"] = row.enough.fan_rpm
        if row.enough_dba is not None:
            cells["enough_dba"] = float(np.mean(row.enough_dba))
        cells["enough_note"] = row.enough.words
    told = f"not estimable: {row.problem}" if row.problem else "; ".join([health, *row.remarks])
    return {**cells, "health": told}


def _named(name: str, values: Array, prob: float) -> dict[str, object]:
    mean, low, high = _spread(values, prob)
    return {name: mean, f"{name}_low": low, f"{name}_high": high}


def _spread(values: Array, prob: float) -> tuple[float, float, float]:
    """Mean and interval, or NaN where there are no values."""
    if not values.size or np.isnan(values).any():
        return (float("nan"),) * 3
    mean, _, low, high = summary(values, prob)
    return mean, low, high


def margin_draws(rows: Sequence[AirRow], asked: AirRow, room_at_limit_c: Array) -> xr.Dataset:
    """Draws behind the table.

    Shapes: room_at_limit_c (n,).
    """
    import xarray as xr

    by_ambient = ("ambient_c", "draw")
    values = {
        "rise_k": ("draw", asked.state.temperature_c - asked.intake_c),
        "ambient_at_limit_c": ("draw", room_at_limit_c),
        "temperature_c": (by_ambient, np.stack([row.state.temperature_c for row in rows])),
    }
    if asked.enough is not None:
        values["fan_rpm"] = (by_ambient, np.stack([row.state.fan_rpm for row in rows]))
    levels = [row.noise_dba for row in rows if row.noise_dba is not None]
    if levels:
        values["noise_dba"] = (by_ambient, np.stack(levels))
    return xr.Dataset(values, {"ambient_c": [row.room_c for row in rows]})
