"""Fan speeds of a fix's four corners where a firmware's rule is known."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError, NotEstimableError
from thermcmp.prediction.card import card_of, settle
from thermcmp.prediction.stock_settings import Setting, stock_rows, stock_setting

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build, Conditions
    from thermcmp.physics.firmware import Firmware
    from thermcmp.prediction.build_rise import Scope
    from thermcmp.prediction.card import CardState

#: Share of draws without a steady state up to which a corner is still answered.
UNSETTLED: Final = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class Loop:
    """What one firmware's rule does with a fix's hardware and powers.

    Attributes
    ----------
    firmware : Firmware
        The firmware.
    rpm : dict of (bool, bool) to ndarray, shape (S,)
        Fan speed [rpm] on hardware and at power, each old (False) or new (True).
    doing : dict of bool to str
        What its fan does on the old and the new hardware at its own power: the
        commonest status.
    share : dict of bool to float
        Share of the draws in which the fan does that.
    notes : tuple of str
        What limits these speeds.
    """

    firmware: Firmware
    rpm: Mapping[tuple[bool, bool], Array]
    doing: Mapping[bool, str]
    share: Mapping[bool, float]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class AttributionQuery:
    """Where and for whom the corners are asked.

    Attributes
    ----------
    builds : tuple of Build
        Old and new build.
    at : Conditions
        The air, and what is held for both builds.
    scope : Scope
        For whom the answer speaks.
    control : Fit, optional
        Fit of the sensor that the fans follow.
    """

    builds: tuple[Build, Build]
    at: Conditions
    scope: Scope
    control: Fit | None


def loop_power(fit: Fit, build: Build, stated: Conditions, firmware: Firmware) -> Setting:
    """Power of a build whose firmware's fan rule is known; its fan speed is yet to be solved."""
    if stated.power_w is not None:
        watts = float(firmware.power_w(stated.power_w))
        return Setting(np.nan, watts, "power as stated", False)
    if stock_rows(fit, build)[0].any():
        found = stock_setting(fit, build)
        capped = float(firmware.power_w(found.power_w))
        error = found.power_error_w if capped == found.power_w else 0.0
        return replace(
            found,
            flow_speed=np.nan,
            flow_speed_error=0.0,
            power_w=capped,
            power_error_w=error,
            source=f"power: {found.source}",
        )
    if firmware.power_limit_w is not None:
        return Setting(np.nan, firmware.power_limit_w, "power at its limit", False)
    raise NotEstimableError(
        f"{build.name}: its power under firmware '{build.firmware}' is not known. Fix: add a "
        f"stock run (fan_mode 'stock') of {build.cooler_model} on {build.board_model} under it, "
        "state power_w, or give the firmware's power_limit_w."
    )


def solve_loop(
    fit: Fit, asked: AttributionQuery, firmware: Firmware, power_w: tuple[Array, Array], own: bool
) -> Loop:
    """Solve one firmware's loop on both hardwares and at both powers.

    Shapes: power_w (S,).
    """
    unlimited = replace(firmware, power_limit_w=None)
    speeds: dict[tuple[bool, bool], Array] = {}
    doing: dict[bool, str] = {}
    share: dict[bool, float] = {}
    notes: list[str] = []
    for hardware in (False, True):
        build = replace(asked.builds[hardware], firmware=asked.builds[own].firmware)
        for power in (False, True):
            card = card_of(
                fit, build, asked.scope, unlimited,
                control=asked.control, density_ratio=asked.at.density_ratio,
            )  # fmt: skip
            watts = power_w[power][card.chosen]
            card = card.at(ambient_c=asked.at.intake_c, power_w=watts)
            state = settle(unlimited, card)
            _refuse_unsettled(firmware, build, state)
            # Another fit with fewer draws: it is independent, so its draws may repeat.
            every = np.searchsorted(card.chosen, np.arange(len(power_w[power])), side="right") - 1
            middle = np.nanmedian(state.fan_rpm)
            speeds[hardware, power] = np.where(state.settled, state.fan_rpm, middle)[every]
            notes += card.notes
            if power is own:
                doing[hardware] = _commonest(state.status)
                share[hardware] = state.share(doing[hardware])
                notes += _loop_notes(firmware, build, state)
    return Loop(firmware, speeds, doing, share, tuple(dict.fromkeys(notes)))


def loops_of(
    given: Mapping[str, Firmware] | None, builds: tuple[Build, Build]
) -> tuple[Firmware | None, Firmware | None]:
    """Firmware of each build, where its rule is given."""
    if given is None:
        return None, None
    found = tuple(given.get(build.firmware or "") for build in builds)
    if found == (None, None):
        names = " or ".join(f"'{build.firmware}'" for build in builds)
        fault = Fault(
            f"no rule of {names} among: {', '.join(given) or 'none'}",
            "name the firmwares as the results do",
            column="firmware",
        )
        raise InputError("The firmwares of this fix are not described:", [fault])
    return found[0], found[1]


def _commonest(status: NDArray[np.object_]) -> str:
    return str(Counter(status.tolist()).most_common(1)[0][0])


def _refuse_unsettled(firmware: Firmware, build: Build, state: CardState) -> None:
    loose = 1.0 - float(np.mean(state.settled))
    if loose <= UNSETTLED:
        return
    raise NotEstimableError(
        f"{build.cooler_model} on {build.board_model} has no steady state with a turning fan under "
        f"'{firmware.name}' in {loose:.0%} of the draws ({_commonest(state.status[~state.settled])}"
        "). Fix: ask at an ambient and a power at which the fan turns, or leave the firmware's "
        "rule out and state fan_rpm."
    )


def _loop_notes(firmware: Firmware, build: Build, state: CardState) -> list[str]:
    card = f"{build.cooler_model} on {build.board_model}, '{firmware.name}'"
    notes = []
    if firmware.hysteresis_k > 0.0:
        notes.append(
            f"'{firmware.name}' has a hysteresis of {firmware.hysteresis_k:g} K: given are the "
            "speeds of a card that warms up; one that cools down turns faster."
        )
    if not state.settled.all():
        notes.append(
            f"{card}: {1.0 - np.mean(state.settled):.1%} of the draws have no steady state with a "
            "turning fan; they count with the median speed of the others."
        )
    if state.multiple.any():
        notes.append(
            f"{card}: {np.mean(state.multiple):.0%} of the draws have a further steady state; "
            "given is the one that a card reaches that warms up with its fan turning."
        )
    return notes
