"""One build as a fit describes it: its rise, its effect weights, its sensor law and its noise."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, BoolArray
from thermcmp.errors import Fault, InputError, NotEstimableError
from thermcmp.inference.noise_fit import NoiseFit, fit_noise
from thermcmp.model.conditions import Build, Conditions
from thermcmp.model.design import EXPONENT, FIXED, PER_UNIT
from thermcmp.model.rows import level_keys
from thermcmp.model.terms import BENCH, Acts, Role, Term
from thermcmp.physics.air import density_factor
from thermcmp.physics.reach import Reach, reach_of
from thermcmp.physics.sensor_law import SensorLaw
from thermcmp.prediction.builds import Scope, check_parts_known, matching_rows, rows_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from thermcmp.inference.posterior import Fit

#: A power or fan speed beyond the measured ones by this share of the highest counts as measured.
NEAR_SHARE: Final = 0.01
#: The same of the powers of one build, by which the rise follows power closely enough.
NEAR_POWER: Final = 0.05


def ends_words(low: float, high: float) -> str:
    """Return the ends of a measured range, or the one value that was measured: "196 to 227"."""
    return " to ".join(dict.fromkeys((f"{low:.0f}", f"{high:.0f}")))


# Without slots: a cached property keeps its value in the instance.
@dataclass(frozen=True, eq=False)
class FittedBuild:
    """A build in a scope and in some air, a value per posterior draw."""

    fit: Fit
    build: Build
    scope: Scope
    #: The air: its temperature at the intake, its density, and the distance of levels.
    air: Conditions = field(default_factory=Conditions)
    #: What a card's parts differ by from those of its line [K at reference power], shape (S,), as
    #: `card.fresh_specimen` draws it.
    deviation: Mapping[Acts, Array] | None = None

    @cached_property
    def effect_weights(self) -> dict[Acts, Array]:
        """Weights of the effects in each part of the rise, shape (q,) each.

        Assemblies, sessions and laboratories count as average ones, benches as the mean of those
        that were used.
        """
        design = self.fit.design
        weights = {acts: np.zeros(design.effect_count) for acts in Acts}
        for column, acts in enumerate(FIXED.values()):
            weights[acts][column] = 1.0
        check_parts_known(self.fit, self.build)
        each = zip(design.terms, design.levels, design.offsets, design.centres, strict=True)
        for term, levels, start, centre in each:
            if term.name == BENCH and self.scope is not Scope.NEW_LABORATORY:
                # Temperatures are those of the benches that measured, not of an unseen one.
                weights[term.acts][start : start + len(levels)] += 1.0 / len(levels)
            if term.role is Role.NUISANCE or (term.role is Role.SPECIMEN and self.scope.is_of_line):
                continue
            value = _value_of(term, centre, self.build)
            chosen = _levels_of(self.fit, term, self.build)
            for level in chosen:
                weights[term.acts][start + levels.index(level)] += value / len(chosen)
        return weights

    @cached_property
    def parts_k(self) -> dict[Acts, Array]:
        """The parts of the rise, shape (S,) each [K at reference power and speed]."""
        deviation = self.deviation or {}
        parts = self._parts_of(slice(None))
        return {acts: part + deviation.get(acts, 0.0) for acts, part in parts.items()}

    def _parts_of(self, effects: slice) -> dict[Acts, Array]:
        """Return what some effects contribute to each part of the rise, shape (S,) each."""
        weights = np.zeros((len(self.effect_weights), self.fit.design.effect_count))
        weights[:, effects] = np.stack(list(self.effect_weights.values()))[:, effects]
        return dict(zip(self.effect_weights, self.fit.combined(weights).T, strict=True))

    def rise(
        self, flow_speed: Array | float, power_w: Array | float, *, effects: slice | None = None
    ) -> Array:
        """Compute the rise over the intake's air, shape (S,) [K]; of some effects if stated."""
        parts = self.parts_k if effects is None else self._parts_of(effects)
        return self.rise_of(parts, self.fit.draws(EXPONENT), flow_speed, power_w)

    def weights(self, exponent: float, flow_speed: float, power_w: float) -> Array:
        """Return the weights of the effects in the rise at an airflow exponent, shape (q,)."""
        return self.rise_of(self.effect_weights, exponent, flow_speed, power_w)

    def rise_of(
        self,
        parts: Mapping[Acts, Array],
        exponent: Array | float,
        flow_speed: Array | float,
        power_w: Array | float,
    ) -> Array:
        """Compute the rise of `model.design` from its parts, in this air."""
        design, ratio = self.fit.design, self.air.density_ratio
        factors = design.coefficients_at(flow_speed, power_w / design.reference.power_w)
        flow = design.airflow(flow_speed, exponent)
        if ratio != 1.0:
            self._refuse_other_coolants()
            thin = density_factor(ratio, 1.0, exponent=exponent)
            flow = (flow + 1.0) * thin - 1.0
            factors[Acts.EXPONENT] = factors[Acts.EXPONENT] * thin
        factors[Acts.AIRFLOW] = factors[Acts.AIRFLOW] * flow
        return np.asarray(sum(factors[acts] * part for acts, part in parts.items()))

    def _refuse_other_coolants(self) -> None:
        law = self.fit.design.law
        if law.column != "fan_rpm":
            fault = Fault(
                f"the airflow law is driven by {law.column}, not by a fan's speed",
                "leave altitude_m out",
                column="altitude_m",
            )
            raise InputError("The altitude cannot be taken into account:", [fault])

    def law(self, power_w: Array | float | None = None) -> SensorLaw:
        """Return the sensor's law of fan speed, at the fit's reference power by default."""
        reference, exponent = self.fit.reference, self.fit.draws(EXPONENT)
        parts, constant = self.parts_k, self.parts_k[Acts.CONSTANT]
        law = SensorLaw(
            ambient_c=self.air.intake_c,
            power_w=reference.power_w if power_w is None else power_w,
            resistance_k_per_w=(parts[Acts.RESISTANCE] - constant) / reference.power_w,
            convective_k_per_w=parts[Acts.AIRFLOW] / reference.power_w,
            exponent=exponent,
            bend_k_per_w=parts[Acts.EXPONENT] / reference.power_w,
            constant_k=constant,
            reference_rpm=reference.flow_speed,
            law=self.fit.design.law,
        )
        ratio = self.air.density_ratio
        return law if ratio == 1.0 else law.in_air(density_factor(ratio, 1.0, exponent=exponent))

    @cached_property
    def ran(self) -> BoolArray:
        """Which rows were taken on its hardware, shape (n,)."""
        return rows_of(self.fit, self.build)

    @cached_property
    def measured_speeds(self) -> tuple[float, float] | None:
        """Lowest and highest fan speed at which its hardware was run; None if it never was."""
        speeds = self.fit.design.flow_speed[self.ran]
        return (float(speeds.min()), float(speeds.max())) if len(speeds) else None

    @cached_property
    def nearest_speeds(self) -> tuple[float, float]:
        """Lowest and highest speed at which its hardware was run, or its cooler, or anything."""
        if self.measured_speeds is not None:
            return self.measured_speeds
        design = self.fit.design
        cooler = design.rows["cooler_model"].eq(self.build.cooler_model).fillna(False)
        speeds = design.flow_speed[cooler.to_numpy(bool)]
        speeds = speeds if len(speeds) else design.flow_speed
        return float(speeds.min()), float(speeds.max())

    def power_words(self, power_w: float) -> str:
        """State that a power is beyond those at which its hardware was run; "" where it is not."""
        design = self.fit.design
        watts = design.power_ratio[self.ran] * design.reference.power_w
        if not len(watts) or not np.isfinite(power_w):
            return ""
        slack = NEAR_POWER * float(watts.max())
        reach = reach_of(power_w, watts.min() - slack, watts.max() + slack)
        if reach is Reach.MEASURED:
            return ""
        run_at = ends_words(watts.min(), watts.max())
        far = "far from" if reach is Reach.REFUSED else "beyond"
        return f"{power_w:.0f} W is {far} the {run_at} W it was run at"

    def level(self, flow_speed: Array) -> Array:
        """Compute the sound level at fan speeds, shape (S,) [dB(A)].

        NaN where no level was measured, or where the speeds' median is far outside those
        at which the cooler's was.
        """
        nothing = np.full(self.fit.draw_count, np.nan)
        noise = noise_law(self.fit, self.air.mic_distance_m)
        if noise is None:
            return nothing
        cooler = self.build.cooler_model
        speeds, level = noise.design.speed_range_rpm(cooler), noise.level_dba(cooler, flow_speed)
        if level is None or speeds is None:
            return nothing
        return nothing if reach_of(np.median(flow_speed), *speeds) is Reach.REFUSED else level


def rise_weights(
    builds: Sequence[FittedBuild], flow_speed: Array | float, power_w: Array | float
) -> Callable[[float], Array]:
    """Return the weights of the effects in the rises of builds in one air, (m, q), by exponent."""
    stacked = {acts: np.stack([b.effect_weights[acts] for b in builds]) for acts in Acts}
    used = np.flatnonzero(np.any([part.any(axis=0) for part in stacked.values()], axis=0))
    few = {acts: part[:, used] for acts, part in stacked.items()}
    speed, power = (np.reshape(each, (-1, 1)) for each in (flow_speed, power_w))

    def weights(exponent: float) -> Array:
        total = np.zeros_like(stacked[Acts.RESISTANCE])
        total[:, used] = builds[0].rise_of(few, exponent, speed, power)
        return total

    return weights


def noise_law(fit: Fit, distance_m: float) -> NoiseFit | None:
    """Return the noise law of a fit's runs, fitted on first use; None where none is measured."""
    if fit.design.law.column != "fan_rpm":
        return None
    return fit.once(
        f"noise law at {distance_m!r} m", lambda model: _fitted_noise(model, distance_m)
    )


def _fitted_noise(fit: Fit, distance_m: float) -> NoiseFit | None:
    """Fit the noise law of a fit's rows; None where no usable reading is among them."""
    try:
        return fit_noise(
            fit.design.rows,
            reference_rpm=fit.reference.flow_speed,
            mic_distance_m=distance_m,
            law=fit.design.noise.name,
            draws=fit.draw_count,
            seed=fit.seed,
        )
    except NotEstimableError:
        return None


def _value_of(term: Term, centre: float, build: Build) -> float:
    """Return what multiplies a term's effect: a covariate's value less its centre, or one."""
    if term.values is None:
        return 1.0
    stated = build.levels.get(term.values)
    return 0.0 if stated is None else float(stated) - centre


def _levels_of(fit: Fit, term: Term, build: Build) -> list[str]:
    """Return the term's levels that a build has, each counted alike."""
    if not term.columns:
        return [PER_UNIT]
    rows, column = fit.design.rows, term.columns[0]
    if term.role is Role.PAIRING:
        return _pair_of(fit, term, build)
    level = getattr(build, column, None) or build.levels.get(column)
    if len(term.columns) == 1:
        if level is not None:
            return [str(level)]
        if column == "assembly_kind" and rows["assembly_kind"].eq("factory").any():
            return ["factory"]
    keys = level_keys(rows, term.columns)
    if term.role is Role.SPECIMEN and level is not None:
        hit = rows[column].eq(level).fillna(False).to_numpy(bool)
        if column == "board_model" and build.memory_vendor is not None:
            vendor = rows["memory_vendor"].eq(build.memory_vendor).fillna(False)
            narrowed = hit & vendor.to_numpy(bool)
            hit = narrowed if narrowed.any() else hit
    else:
        hit = matching_rows(rows, build)
        if not hit.any():
            hit = rows["board_model"].eq(build.board_model).fillna(False).to_numpy(bool)
    return sorted(keys[hit].unique()) if hit.any() else sorted(keys.unique())


def _pair_of(fit: Fit, term: Term, build: Build) -> list[str]:
    """Return the level of a build's pair of parts; none where the parts share no partner."""
    known = fit.design.levels[fit.design.terms.index(term)]
    parts = [getattr(build, column, None) or build.levels.get(column) for column in term.columns]
    if all(parts):
        name = " · ".join(map(str, parts))
        return [name] if name in known else []
    keys = level_keys(fit.design.rows, term.columns)[matching_rows(fit.design.rows, build)]
    return sorted(keys.unique())
