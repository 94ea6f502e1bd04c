"""Products brought to equal conditions: equal fan speed or equal noise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.inference.noise_fit import NoiseFit, fit_noise
from thermcmp.model.conditions import Build, Conditions
from thermcmp.physics.reach import Reach, reach_of
from thermcmp.prediction.build_rise import Scope, build_of, matching_rows, rise_draws

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermcmp.inference.posterior import Fit


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """One product at the conditions.

    Attributes
    ----------
    name : str
        Name to show.
    temperature : ndarray, shape (S,)
        Sensor temperature [°C]; NaN where the conditions are out of reach.
    flow_speed : ndarray, shape (S,)
        Fan speed [rpm].
    noise : ndarray, shape (S,), optional
        Sound level [dB(A)].
    health : str
        The fit's health, and what limits this product's number.
    """

    name: str
    temperature: Array
    flow_speed: Array
    noise: Array | None
    health: str

    @property
    def reached(self) -> bool:
        """Whether the conditions were within reach of what was measured."""
        return bool(np.isfinite(self.temperature).all())


def ranked_builds(fit: Fit, given: Sequence[Build | str] | None) -> dict[str, Build]:
    """Builds to rank by the name to show."""
    if given is not None:
        builds = [build_of(fit, item) for item in given]
        return {build.name: build for build in builds}
    named = sorted(str(name) for name in fit.results["product"].dropna().unique())
    if named:
        return {name: build_of(fit, name) for name in named}
    pairs = fit.results[["cooler_model", "board_model"]].drop_duplicates()
    builds = [
        Build(cooler_model=str(c), board_model=str(b)) for c, b in pairs.itertuples(index=False)
    ]
    return {build.name: build for build in builds}


def noise_for(fit: Fit, held: Conditions) -> NoiseFit | None:
    """Noise law of a fit's runs, where fans are the airflow; fitted on first use."""
    distance = held.mic_distance_m
    found = fit.once(f"noise law at {distance!r} m", lambda one: _noise_law(one, distance))
    if found is None and held.noise_dba is not None:
        raise InputError(
            "Equal noise needs measured noise:",
            [
                Fault(
                    "no usable noise reading in the fit's rows",
                    "measure noise_dba with its background, or rank at fan_rpm=",
                    column="noise_dba",
                    value=str(held.noise_dba),
                )
            ],
        )
    return found


def _noise_law(fit: Fit, distance_m: float) -> NoiseFit | None:
    if fit.design.law.column != "fan_rpm":
        return None
    return fit_noise(
        fit.results,
        reference_rpm=fit.reference.flow_speed,
        distance_m=distance_m,
        draws=fit.draw_count,
        seed=fit.seed,
    )


def entry_at(
    fit: Fit, name: str, build: Build, held: Conditions, scope: Scope, noise: NoiseFit | None
) -> Entry:
    """One product at the conditions, draw by draw."""
    count = fit.draw_count
    health = str(fit.health)
    measured = fit.design.flow_speed[matching_rows(fit.results, build)]
    if held.noise_dba is not None and noise is not None:
        flow_speed = noise.speed_rpm(build.cooler_model, held.noise_dba)
        known = noise.design.speed_range_rpm(build.cooler_model)
        if flow_speed is None or known is None:
            return _missing(name, count, "not estimable: no usable noise reading of this cooler")
        middle = float(np.median(flow_speed))
        reach = reach_of(middle, *known)
        if reach is Reach.REFUSED:
            return _missing(
                name,
                count,
                f"not reached: {held.noise_dba:g} dB(A) would need about {middle:.0f} rpm, "
                f"measured were {known[0]:.0f} to {known[1]:.0f}",
            )
        if reach is Reach.EXTRAPOLATED:
            health += "; noise law followed beyond the measured fan speeds"
    else:
        flow_speed = np.full(
            count, held.fan_rpm if held.fan_rpm is not None else fit.reference.flow_speed
        )
    if (
        len(measured)
        and reach_of(np.median(flow_speed), measured.min(), measured.max()) is Reach.REFUSED
    ):
        health += "; far from the fan speeds it was run at"
    power = held.power_w if held.power_w is not None else fit.reference.power_w
    temperature = held.intake_c + rise_draws(
        fit, build, scope, flow_speed=flow_speed, power_w=power, density_ratio=held.density_ratio
    )
    level = noise.level_dba(build.cooler_model, flow_speed) if noise is not None else None
    return Entry(name, temperature, flow_speed, level, health)


def _missing(name: str, count: int, health: str) -> Entry:
    nothing = np.full(count, np.nan)
    return Entry(name, nothing, nothing, None, health)
