"""Products brought to equal conditions: equal fan speed or equal noise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, BoolArray
from thermcmp.errors import Fault, InputError
from thermcmp.inference.noise_fit import NoiseFit
from thermcmp.model.conditions import Build, Conditions
from thermcmp.physics.reach import Reach, reach_of
from thermcmp.prediction.builds import Scope, build_of, rows_of
from thermcmp.prediction.fitted_build import FittedBuild, noise_law

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermcmp.inference.posterior import Fit

#: What limits a product where its noise is asked for.
UNHEARD: Final = "not estimable: no usable noise reading of this cooler"
FOLLOWED: Final = "noise law followed beyond the measured fan speeds"
#: Step of fan speed for a slope, as its natural logarithm.
_STEP: Final = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """One product at the conditions."""

    name: str
    fitted: FittedBuild
    power_w: float
    #: Sensor temperature [°C], shape (S,); NaN where the conditions are out of reach.
    temperature: Array
    #: Fan speed [rpm], shape (S,).
    flow_speed: Array
    #: Sound level [dB(A)], shape (S,).
    noise: Array | None
    #: The fit's health, and what limits this product's number.
    health: str
    #: What was assumed for it, in words.
    notes: tuple[str, ...] = ()

    @classmethod
    def without_value(cls, name: str, fitted: FittedBuild, power_w: float, health: str) -> Entry:
        """Return a product that has no value at the conditions; its health is the reason."""
        nothing = np.full(fitted.fit.draw_count, np.nan)
        return cls(name, fitted, power_w, nothing, nothing, None, health)

    @property
    def reached(self) -> bool:
        """Whether the conditions were within reach of what was measured."""
        return bool(np.isfinite(self.temperature).all())

    @property
    def middle_speed(self) -> float:
        """Median fan speed [rpm]."""
        return float(np.median(self.flow_speed))

    def weights(self, exponent: float) -> Array:
        """Return the weights of the effects in the rise at the median fan speed, shape (q,)."""
        return self.fitted.weights(exponent, self.middle_speed, self.power_w)


def ranked_builds(fit: Fit, wanted: Sequence[Build | str] | None) -> dict[str, Build]:
    """Return the builds to rank, by the name to show."""
    if wanted is not None:
        builds = [build_of(fit, item) for item in wanted]
        return {build.name: build for build in builds}
    pairs = fit.design.rows[["product", "cooler_model", "board_model"]].drop_duplicates()
    if pairs["product"].notna().any():
        pairs = pairs.dropna(subset=["product"])
        several = pairs["product"].duplicated(keep=False)
        builds = [
            # Of a product with several pairs of parts its rows decide.
            build_of(fit, name) if unclear else Build(cooler_model=c, board_model=b, label=name)
            for unclear, (name, c, b) in zip(several, pairs.astype(str).values, strict=True)
        ]
        return {build.name: build for build in sorted(builds, key=lambda build: build.name)}
    builds = [
        Build(cooler_model=str(c), board_model=str(b))
        for c, b in pairs[["cooler_model", "board_model"]].drop_duplicates().values
    ]
    return {build.name: build for build in builds}


def rows_of_products(fit: Fit) -> list[BoolArray]:
    """Return the rows of each product that is ranked by default, (n,) flags."""
    return fit.once(
        "rows of each product",
        lambda model: [rows_of(model, build) for build in ranked_builds(model, None).values()],
    )


def noise_for(fit: Fit, held: Conditions) -> NoiseFit | None:
    """Return the noise law of a fit's runs; refuse an equal noise where there is none."""
    if held.noise_dba is None:
        return noise_law(fit, held.mic_distance_m)
    return measured_noise(fit, held)


def measured_noise(fit: Fit, held: Conditions) -> NoiseFit:
    """Return the noise law of a fit's runs; refuse rows that have none."""
    noise = noise_law(fit, held.mic_distance_m)
    if noise is not None:
        return noise
    fault = Fault(
        "no usable noise reading in the fit's rows",
        "measure noise_dba with its background, or hold fan_rpm=",
        column="noise_dba",
        value=None if held.noise_dba is None else str(held.noise_dba),
    )
    raise InputError("Equal noise needs measured noise:", [fault])


def kelvin_per_decibel_at(
    fitted: FittedBuild, noise: NoiseFit, flow_speed: Array, power_w: Array | float
) -> Array:
    """Return by how much a decibel more cools a build at fan speeds, shape (S,) [K/dB].

    dT/dL by a small step of fan speed: the airflow law over the noise law. NaN where the noise of
    its cooler was not measured.
    """
    cooler = fitted.build.cooler_model
    speeds = [flow_speed * np.exp(step) for step in (_STEP, -_STEP)]
    louder, quieter = (noise.level_dba(cooler, speed) for speed in speeds)
    if louder is None or quieter is None:
        return np.full(fitted.fit.draw_count, np.nan)
    fast_k, slow_k = (fitted.rise(speed, power_w) for speed in speeds)
    return np.asarray((slow_k - fast_k) / (louder - quieter))


def speed_at_noise(
    noise: NoiseFit, cooler_model: str, noise_dba: float
) -> tuple[Array | None, str]:
    """Return the fan speed of a cooler at a level, shape (S,), and what limits it, in words.

    No speed where the cooler's noise was not measured, or not near that level.
    """
    flow_speed = noise.speed_rpm(cooler_model, noise_dba)
    measured = noise.design.speed_range_rpm(cooler_model)
    if flow_speed is None or measured is None:
        return None, UNHEARD
    middle = float(np.median(flow_speed))
    reach = reach_of(middle, *measured)
    if reach is Reach.REFUSED:
        near = np.isfinite(middle)
        needed = f"would need about {middle:.0f} rpm" if near else "is beyond the noise law"
        return None, (
            f"not reached: {noise_dba:g} dB(A) {needed}, "
            f"measured were {measured[0]:.0f} to {measured[1]:.0f}"
        )
    return flow_speed, FOLLOWED if reach is Reach.EXTRAPOLATED else ""


def entry_at(
    fit: Fit, name: str, build: Build, held: Conditions, scope: Scope, noise: NoiseFit | None
) -> Entry:
    """Return one product at the conditions, draw by draw."""
    count, fitted = fit.draw_count, FittedBuild(fit, build, scope, held)
    power_w = held.power_w if held.power_w is not None else fit.reference.power_w
    health = [str(fit.health)]
    speed = held.fan_rpm if held.fan_rpm is not None else fit.reference.flow_speed
    flow_speed = np.full(count, speed)
    if held.noise_dba is not None and noise is not None:
        reached, words = speed_at_noise(noise, build.cooler_model, held.noise_dba)
        if reached is None:
            return Entry.without_value(name, fitted, power_w, words)
        flow_speed = reached
        health += [words] * bool(words)
    speeds = fitted.measured_speeds
    if speeds is not None and reach_of(np.median(flow_speed), *speeds) is Reach.REFUSED:
        health.append("far from the fan speeds it was run at")
    if words := fitted.power_words(power_w):
        health.append(words)
    temperature = held.intake_c + fitted.rise(flow_speed, power_w)
    level = noise.level_dba(build.cooler_model, flow_speed) if noise is not None else None
    return Entry(name, fitted, power_w, temperature, flow_speed, level, "; ".join(health))
