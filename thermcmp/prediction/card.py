"""A fitted card as laws of fan speed, and its steady state under a firmware, draw by draw."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.errors import Fault, InputError
from thermcmp.inference.sensor_fits import correlation_name, one_posterior
from thermcmp.model.design import EXPONENT, RESIDUAL
from thermcmp.model.terms import BENCH, LAB_PRODUCT, Acts, Role
from thermcmp.physics.closed_loop import equilibrium
from thermcmp.physics.firmware import Firmware
from thermcmp.physics.sensor_law import DRAWN, SensorLaw
from thermcmp.prediction.builds import Scope
from thermcmp.prediction.fitted_build import FittedBuild

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build

#: Share of draws without a steady state (fan stopped or hunting) above which a result is
#: withheld, see docs/model.md: of the 5 % in a tail of a 90 % interval at most two fifths.
MOST_UNSETTLED: Final = 0.02
#: Terms that a further laboratory would add of its own.
OF_A_LABORATORY: Final = ("lab", LAB_PRODUCT, BENCH, "session")


@dataclass(frozen=True, slots=True, eq=False)
class Card:
    """A build's judged and control sensor at one ambient and power."""

    #: The two sensors, n draws each; one and the same law where the firmware follows the judged
    #: sensor, or none at all.
    judged: SensorLaw
    control: SensorLaw
    #: Draws of the judged sensor's fit that are used, in order, shape (n,); all of them unless
    #: another fit has fewer.
    chosen: IntArray
    #: What was assumed, in words.
    notes: tuple[str, ...] = ()

    def at(self, **values: Any) -> Card:
        """Return the same card under other conditions, for both sensors; values of shape (n,)."""
        judged = self.judged.at(**values)
        control = judged if self.control is self.judged else self.control.at(**values)
        return Card(judged, control, self.chosen, self.notes)


@dataclass(frozen=True, slots=True, eq=False)
class CardState:
    """Steady state of a card under a firmware, per draw."""

    #: Temperatures of the judged and the control sensor [°C], shape (n,); NaN where the fan stops
    #: or hunts.
    temperature_c: Array
    control_c: Array
    #: Fan speed [rpm], shape (n,); NaN likewise.
    fan_rpm: Array
    #: Board power under the power limit [W], shape (n,).
    power_w: Array
    #: What the fan does, shape (n,).
    status: NDArray[np.object_]
    #: Whether there are further steady states, see `Equilibrium`, shape (n,).
    multiple: BoolArray
    #: Fan speed of a card that cools down [rpm], shape (n,); None without a hysteresis.
    falling_rpm: Array | None = None

    @property
    def settled(self) -> BoolArray:
        """Where there is a steady state with a turning fan, shape (n,)."""
        return np.isfinite(self.fan_rpm)

    def share(self, status: str) -> float:
        """Return the share of the draws in which the fan does that."""
        return float(np.mean(self.status == status))


def fresh_specimen(
    fit: Fit,
    seed: int,
    scope: Scope = Scope.PRODUCT_LINE,
    *,
    beside: tuple[Fit, int] | None = None,
) -> dict[Acts, Array]:
    """Draw what a newly bought card's parts differ by from those of its line, shape (S,) each.

    One fresh specimen of each part and one fresh assembly per draw, and for a new laboratory's
    reading its own effects and the scatter of a run, with the spreads of that draw; `beside`
    another sensor's they are correlated with those.
    """
    deviations = _deviations(fit, seed, scope)
    if beside is not None:
        other, theirs = beside[0], _deviations(*beside, scope)
        for name in set(deviations) & set(theirs):
            linked = correlation_name(name, other.sensor)
            if linked in fit.posterior:
                rho = fit.draws(linked)
                deviations[name] = rho * theirs[name] + np.sqrt(1.0 - rho**2) * deviations[name]
    parts = {acts: np.zeros(fit.draw_count) for acts in Acts}
    for term in fit.design.terms:
        if term.name in deviations:
            parts[term.acts] += fit.draws(term.spread) * deviations[term.name]
    if scope is Scope.NEW_LABORATORY:
        parts[Acts.RESISTANCE] += fit.draws(RESIDUAL) * deviations[RESIDUAL]
    return parts


def _deviations(fit: Fit, seed: int, scope: Scope) -> dict[str, Array]:
    """Draw what is fresh of a card, and of a laboratory, by term, in standard deviations."""
    rng = np.random.default_rng(seed)
    fresh = [t.name for t in fit.design.terms if t.role is Role.SPECIMEN or t.name == "assembly"]
    if scope is Scope.NEW_LABORATORY:
        fresh += [term.name for term in fit.design.terms if term.name in OF_A_LABORATORY]
        fresh.append(RESIDUAL)
    return {name: rng.standard_normal(len(fit.draws(EXPONENT))) for name in fresh}


def firmware_of(firmware: Firmware | Mapping[str, Firmware], build: Build) -> Firmware:
    """Return a build's firmware, as stated or from a table of them."""
    known = {firmware.name: firmware} if isinstance(firmware, Firmware) else dict(firmware)
    if build.firmware is None and len(known) == 1:
        return next(iter(known.values()))
    if build.firmware in known:
        return known[build.firmware]
    names = ", ".join(known) or "none"
    if build.firmware is None:
        fault = Fault("names no firmware", f"name one of: {names}", column="build")
    else:
        fix = f"describe it too, or ask for a build under one of: {names}"
        fault = Fault(
            "this firmware is not described", fix, column="firmware", value=build.firmware
        )
    raise InputError(f"{build.name}: what the firmware does is not known:", [fault])


def refuse_lone_control(control: object, firmware: object) -> None:
    """Refuse a control sensor's fit without a firmware that follows it."""
    if control is not None and firmware is None:
        fault = Fault("no firmware follows it", "give firmware= too", column="control")
        raise InputError("A control sensor's fit has no use without a firmware:", [fault])


def card_of(
    fitted: FittedBuild,
    firmware: Firmware,
    *,
    control: Fit | None = None,
    fresh_seed: int | None = None,
) -> Card:
    """Return a build as a firmware sees it: the judged sensor and the one that it follows.

    It stands in the build's air at the fit's reference power; `Card.at` puts it elsewhere.

    Fits of one `fit_sensors` are paired draw by draw, and a fresh assembly deviates at
    both sensors with their correlation, where they have one. Otherwise two fits share no
    draws: theirs are thinned to equal count and paired at random, so that what the two
    sensors share (a bad assembly, a weak specimen) is not propagated from one to the
    other; a note says so.
    """
    fit = fitted.fit
    follows = control if _needs_second_fit(fit, firmware, control) else None
    count = fit.draw_count if follows is None else min(fit.draw_count, follows.draw_count)
    chosen = fit.thinned(count)
    deviation = None if fresh_seed is None else fresh_specimen(fit, fresh_seed, fitted.scope)
    judged = _thinned(replace(fitted, deviation=deviation).law(), chosen)
    if follows is None:
        assumed: tuple[str, ...] = ()
        if firmware.follows_temperature and firmware.control_sensor is None:
            assumed = (
                f"The firmware '{firmware.name}' names no control sensor: its fan is taken to "
                f"follow the {fit.sensor}.",
            )
        return Card(judged, judged, chosen, assumed)
    paired = one_posterior((fit, follows))
    if fresh_seed is not None:
        beside = (fit, fresh_seed) if paired else None
        deviation = fresh_specimen(follows, fresh_seed + 1, fitted.scope, beside=beside)
    other = replace(fitted, fit=follows, deviation=deviation).law()
    pairs, names = chosen, f"The {follows.sensor} (which the fan follows) and the {fit.sensor}"
    if paired:
        linked = linked_terms(fit, follows)
        note = (
            f"{names} were fitted together: errors common to both are propagated for "
            f"{', '.join(linked)} only."
            if linked
            else f"{names} were fitted together, but none of their effects is correlated: errors "
            "common to both sensors are not propagated."
        )
    else:
        # Shuffled: fits made with one seed would else share their random numbers.
        rng = np.random.default_rng([follows.seed or 0, count])
        pairs = rng.permutation(follows.thinned(count))
        note = (
            f"{names} come from two fits: errors common to both sensors are not propagated. Fix: "
            "fit them together with fit_sensors."
        )
    lead = _thinned(other, pairs).at(power_w=judged.power_w)
    return Card(judged, lead, chosen, (note,))


def linked_terms(first: Fit, second: Fit) -> tuple[str, ...]:
    """Return the terms whose effects are correlated in one joint posterior of two sensors."""
    if not one_posterior((first, second)):
        return ()
    names = [term.name for term in first.design.terms]
    return tuple(n for n in names if correlation_name(n, second.sensor) in first.posterior)


def settle(firmware: Firmware, card: Card) -> CardState:
    """Solve the steady state of a card under a firmware, draw by draw."""
    met = equilibrium(firmware, card.control)
    # The power limit is applied by now.
    judged = card.judged.at(power_w=met.power_w)
    return CardState(
        temperature_c=judged.temperature_c(met.fan_rpm),
        control_c=met.control_temperature_c,
        fan_rpm=met.fan_rpm,
        power_w=met.power_w,
        status=met.status,
        multiple=met.multiple,
        falling_rpm=None if met.falling is None else met.falling.fan_rpm,
    )


def _needs_second_fit(fit: Fit, firmware: Firmware, control: Fit | None) -> bool:
    """Return whether the fan follows another sensor than the judged one; refuse without its fit."""
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


def _thinned(law: SensorLaw, chosen: IntArray) -> SensorLaw:
    """Return some of a law's draws."""
    return law.at(**{name: getattr(law, name)[chosen] for name in DRAWN})
