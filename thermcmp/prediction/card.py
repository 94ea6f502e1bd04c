"""A fitted card as laws of fan speed, and its steady state under a firmware, draw by draw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.errors import Fault, InputError
from thermcmp.inference.sensor_fits import correlation_name, one_posterior
from thermcmp.model.design import EXPONENT
from thermcmp.model.terms import Acts, Role
from thermcmp.physics.air import density_factor
from thermcmp.physics.closed_loop import equilibrium
from thermcmp.physics.firmware import Firmware
from thermcmp.physics.sensor_law import SensorLaw
from thermcmp.prediction.build_rise import Scope, effect_weights

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build


@dataclass(frozen=True, slots=True, eq=False)
class Card:
    """A build's judged and control sensor at one ambient and power.

    Attributes
    ----------
    judged, control : SensorLaw
        The two sensors, n draws each; one and the same law where the firmware follows
        the judged sensor, or none at all.
    chosen : numpy.ndarray of int, shape (n,)
        Draws of the judged sensor's fit that are used, in order; all of them unless
        another fit has fewer.
    notes : tuple of str
        What was taken for granted, in words.
    """

    judged: SensorLaw
    control: SensorLaw
    chosen: IntArray
    notes: tuple[str, ...] = ()

    def at(self, **values: Any) -> Card:
        """Return the same card under other conditions, for both sensors.

        Shapes: **values (n,).
        """
        judged = self.judged.at(**values)
        control = judged if self.control is self.judged else self.control.at(**values)
        return Card(judged, control, self.chosen, self.notes)


@dataclass(frozen=True, slots=True, eq=False)
class CardState:
    """Steady state of a card under a firmware, per draw.

    Attributes
    ----------
    temperature_c, control_c : numpy.ndarray, shape (n,)
        Temperatures of the judged and the control sensor [°C]; NaN where the fan stops
        or hunts.
    fan_rpm : numpy.ndarray, shape (n,)
        Fan speed [rpm]; NaN likewise.
    power_w : numpy.ndarray, shape (n,)
        Board power under the power limit [W].
    status : numpy.ndarray of FanStatus, shape (n,)
        What the fan does.
    multiple : numpy.ndarray of bool, shape (n,)
        Whether there are further steady states, see `Equilibrium`.
    falling_rpm : numpy.ndarray, shape (n,), optional
        Fan speed of a card that cools down [rpm]; None without a hysteresis.
    """

    temperature_c: Array
    control_c: Array
    fan_rpm: Array
    power_w: Array
    status: NDArray[np.object_]
    multiple: BoolArray
    falling_rpm: Array | None = None

    @property
    def settled(self) -> BoolArray:
        """Where there is a steady state with a turning fan, shape (n,)."""
        return np.isfinite(self.fan_rpm)

    def share(self, status: str) -> float:
        """Share of the draws in which the fan does that."""
        return float(np.mean(self.status == status))


def fresh_specimen(
    fit: Fit, seed: int, *, beside: tuple[Fit, int] | None = None
) -> tuple[Array, Array]:
    """How a newly bought card may differ from its line's mean.

    One fresh specimen of each part and one fresh assembly per draw, with the spreads
    of that draw.

    Returns resistance, airflow (S,).
    """
    strays = _strays(fit, seed)
    if beside is not None:
        other, theirs = beside[0], _strays(*beside)
        for name in set(strays) & set(theirs):
            linked = correlation_name(name, other.sensor)
            if linked in fit.posterior:
                rho = fit.draws(linked)
                strays[name] = rho * theirs[name] + np.sqrt(1.0 - rho**2) * strays[name]
    resistance, airflow = np.zeros((2, len(fit.draws(EXPONENT))))
    for term in fit.design.terms:
        if term.name in strays:
            side = airflow if term.acts is Acts.AIRFLOW else resistance
            side += fit.draws(term.spread) * strays[term.name]
    return resistance, airflow


def _strays(fit: Fit, seed: int) -> dict[str, Array]:
    """Deviations of fresh specimens and a fresh assembly, in standard deviations, by term."""
    rng = np.random.default_rng(seed)
    return {
        term.name: rng.standard_normal(len(fit.draws(EXPONENT)))
        for term in fit.design.terms
        if term.role is Role.SPECIMEN or term.name == "assembly"
    }


def sensor_law(
    fit: Fit,
    build: Build,
    scope: Scope,
    *,
    ambient_c: Array | float = 21.0,
    power_w: Array | float | None = None,
    density_ratio: float = 1.0,
    fresh: tuple[Array, Array] | None = None,
) -> SensorLaw:
    """Return the law of a build's fitted sensor, an entry per posterior draw.

    Its temperature is the ambient and `prediction.rise_draws` at any fan speed.

    Shapes: ambient_c (S,), power_w (S,).
    """
    reference = fit.reference
    resistance, airflow = (fit.effects @ side for side in effect_weights(fit, build, scope))
    if fresh is not None:
        resistance, airflow = resistance + fresh[0], airflow + fresh[1]
    exponent = fit.draws(EXPONENT)
    law = SensorLaw(
        ambient_c=ambient_c,
        power_w=reference.power_w if power_w is None else power_w,
        resistance_k_per_w=resistance / reference.power_w,
        convective_k_per_w=airflow / reference.power_w,
        exponent=exponent,
        reference_rpm=reference.flow_speed,
        law=fit.design.law,
    )
    if density_ratio == 1.0:
        return law
    return law.in_air(density_factor(density_ratio, 1.0, exponent=exponent))


def firmware_of(given: Firmware | Mapping[str, Firmware], build: Build) -> Firmware:
    """Return a build's firmware, as stated or from a table of them."""
    known = {given.name: given} if isinstance(given, Firmware) else dict(given)
    if build.firmware is None and len(known) == 1:
        return next(iter(known.values()))
    if build.firmware in known:
        return known[build.firmware]
    names = ", ".join(known) or "none"
    if build.firmware is None:
        fault = Fault("names no firmware", f"name one of: {names}", column="build")
    else:
        fix = f"describe it too, or ask for a build under one of: {names}"
        fault = Fault("this firmware is not described", fix, "firmware", value=build.firmware)
    raise InputError(f"{build.name}: what the firmware does is not known:", [fault])


def card_of(
    fit: Fit,
    build: Build,
    scope: Scope,
    firmware: Firmware,
    *,
    control: Fit | None = None,
    density_ratio: float = 1.0,
    fresh_seed: int | None = None,
) -> Card:
    """Return a build as a firmware sees it: the judged sensor and the one that it follows.

    It stands in air of 21 °C at the fit's reference power; `Card.at` gives it elsewhere.

    Fits of one `fit_sensors` are paired draw by draw, and a fresh assembly deviates at
    both sensors with their correlation, where they have one. Else two fits know nothing
    of each other: their draws are thinned to equal count and paired at random, so that
    what the two sensors share (a bad assembly, a weak specimen) is not carried from one to
    the other; a note says so.
    """
    follows = control if _needs_second_fit(fit, firmware, control) else None
    count = fit.draw_count if follows is None else min(fit.draw_count, follows.draw_count)
    chosen = fit.thinned(count)
    fresh = None if fresh_seed is None else fresh_specimen(fit, fresh_seed)
    own = sensor_law(fit, build, scope, density_ratio=density_ratio, fresh=fresh)
    judged = _taken(own, chosen)
    if follows is None:
        return Card(judged, judged, chosen, _taken_for_granted(fit, firmware))
    paired = one_posterior((fit, follows))
    if fresh_seed is not None:
        beside = (fit, fresh_seed) if paired else None
        fresh = fresh_specimen(follows, fresh_seed + 1, beside=beside)
    other = sensor_law(follows, build, scope, density_ratio=density_ratio, fresh=fresh)
    pairs, names = chosen, f"The {follows.sensor} (which the fan follows) and the {fit.sensor}"
    if paired:
        linked = linked_terms(fit, follows)
        note = (
            f"{names} were fitted together: what these do to both is carried: "
            f"{', '.join(linked)}. What else they may share is not."
            if linked
            else f"{names} were fitted together, but no effects of theirs go together: what one "
            "card's or one assembly's luck does to both alike is not carried between them."
        )
    else:
        # Shuffled: fits made with one seed would else share their random numbers.
        rng = np.random.default_rng([follows.seed or 0, count])
        pairs = rng.permutation(follows.thinned(count))
        note = (
            f"{names} come from two fits: what one card's or one assembly's luck does to both "
            "alike is not carried between them. Fix: fit them together with fit_sensors."
        )
    lead = _taken(other, pairs).at(power_w=judged.power_w)
    return Card(judged, lead, chosen, (note,))


def linked_terms(first: Fit, second: Fit) -> tuple[str, ...]:
    """Terms whose effects are correlated in one joint posterior of two sensors."""
    if not one_posterior((first, second)):
        return ()
    names = [term.name for term in first.design.terms]
    return tuple(n for n in names if correlation_name(n, second.sensor) in first.posterior)


def settle(firmware: Firmware, card: Card) -> CardState:
    """Solve the steady state of a card under a firmware, draw by draw."""
    found = equilibrium(firmware, card.control)
    # The power limit is applied by now.
    judged = card.judged.at(power_w=found.power_w)
    return CardState(
        temperature_c=judged.temperature_c(found.fan_rpm),
        control_c=found.control_temperature_c,
        fan_rpm=found.fan_rpm,
        power_w=found.power_w,
        status=found.status,
        multiple=found.multiple,
        falling_rpm=None if found.falling is None else found.falling.fan_rpm,
    )


def _needs_second_fit(fit: Fit, firmware: Firmware, control: Fit | None) -> bool:
    """Return whether the fan follows another sensor than the judged one, with its fit at hand."""
    wanted = firmware.control_sensor
    if (
        not firmware.follows_temperature
        or wanted == fit.sensor
        or (wanted is None and control is None)
    ):
        return False
    doing = f"The firmware '{firmware.name}' cannot be solved for:"
    if control is None:
        words = f"the fan follows it, and the fit is of '{fit.sensor}'"
        fix = f"give control=, a fit of the {wanted} sensor on the same cards"
        raise InputError(doing, [Fault(words, fix, column="control_sensor", value=wanted)])
    if wanted is not None and control.sensor != wanted:
        words = f"control= is a fit of '{control.sensor}'"
        fix = f"give a fit of the {wanted} sensor"
        raise InputError(doing, [Fault(words, fix, column="control_sensor", value=wanted)])
    return control.sensor != fit.sensor


def _taken_for_granted(fit: Fit, firmware: Firmware) -> tuple[str, ...]:
    """Describe where the control sensor was not named."""
    if firmware.control_sensor is not None or not firmware.follows_temperature:
        return ()
    return (
        f"The firmware '{firmware.name}' names no control sensor: its fan is taken to follow "
        f"the {fit.sensor}.",
    )


def _taken(law: SensorLaw, chosen: IntArray) -> SensorLaw:
    """Return some of a law's draws."""
    names = ("ambient_c", "power_w", "resistance_k_per_w", "convective_k_per_w", "exponent")
    return law.at(**{name: getattr(law, name)[chosen] for name in names})
