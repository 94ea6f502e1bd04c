"""Fan speeds of an attribution's four corners where a firmware's rule is known."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError, NotEstimableError
from thermcmp.prediction.card import MOST_UNSETTLED, card_of, settle

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build
    from thermcmp.physics.firmware import Firmware
    from thermcmp.prediction.card import CardState
    from thermcmp.prediction.fitted_build import FittedBuild


@dataclass(frozen=True, slots=True, eq=False)
class Loop:
    """What one firmware's rule does with the hardware and the powers of both builds."""

    firmware: Firmware
    #: Fan speed [rpm], shape (S,), by hardware and power, each old (False) or new (True).
    rpm: Mapping[tuple[bool, bool], Array]
    #: What its fan does on the old and the new hardware at its own power: the commonest status.
    doing: Mapping[bool, str]
    #: Share of the draws in which the fan does that.
    share: Mapping[bool, float]
    notes: tuple[str, ...]


def solve_loop(
    firmware: Firmware,
    fitted: tuple[FittedBuild, FittedBuild],
    control: Fit | None,
    power_w: tuple[Array, Array],
    *,
    is_new: bool,
) -> Loop:
    """Solve the old or the new firmware's loop on both hardwares and at both powers, (S,) each.

    `fitted` are the old and the new hardware under that firmware.
    """
    unlimited = replace(firmware, power_limit_w=None)
    speeds: dict[tuple[bool, bool], Array] = {}
    doing: dict[bool, str] = {}
    share: dict[bool, float] = {}
    notes: list[str] = []
    for hardware in (False, True):
        build = fitted[hardware].build
        card = card_of(fitted[hardware], unlimited, control=control)
        notes += card.notes
        for power in (False, True):
            state = settle(unlimited, card.at(power_w=power_w[power][card.chosen]))
            unsettled = 1.0 - float(np.mean(state.settled))
            if unsettled > MOST_UNSETTLED:
                raise NotEstimableError(
                    f"{build.cooler_model} on {build.board_model} has no steady state with a "
                    f"turning fan under '{firmware.name}' in {unsettled:.0%} of the draws "
                    f"({_commonest(state.status[~state.settled])}). Fix: choose an ambient and a "
                    "power at which the fan turns, or leave the firmware's rule out and state "
                    "fan_rpm."
                )
            # Another fit with fewer draws: it is independent, so its draws may repeat.
            every = np.searchsorted(card.chosen, np.arange(len(power_w[power])), side="right") - 1
            middle = np.nanmedian(state.fan_rpm)
            speeds[hardware, power] = np.where(state.settled, state.fan_rpm, middle)[every]
            if power is is_new:
                doing[hardware] = _commonest(state.status)
                share[hardware] = state.share(doing[hardware])
                notes += _loop_notes(firmware, build, state)
    return Loop(firmware, speeds, doing, share, tuple(dict.fromkeys(notes)))


def rules_of(
    firmware: Mapping[str, Firmware] | None, builds: tuple[Build, Build]
) -> tuple[Firmware | None, Firmware | None]:
    """Return the firmware of each build, where its rule is known."""
    if firmware is None:
        return None, None
    old, new = (firmware.get(build.firmware or "") for build in builds)
    if old is None and new is None:
        names = " or ".join(f"'{build.firmware}'" for build in builds)
        fault = Fault(
            f"no rule of {names} among: {', '.join(firmware) or 'none'}",
            "name the firmwares as the results do",
            column="firmware",
        )
        raise InputError("The firmwares of this fix are not described:", [fault])
    return old, new


def _commonest(status: NDArray[np.object_]) -> str:
    return str(Counter(status.tolist()).most_common(1)[0][0])


def _loop_notes(firmware: Firmware, build: Build, state: CardState) -> list[str]:
    card = f"{build.cooler_model} on {build.board_model}, '{firmware.name}'"
    notes = []
    if firmware.hysteresis_k > 0.0:
        notes.append(
            f"'{firmware.name}' has a hysteresis of {firmware.hysteresis_k:g} K: the "
            "speeds are those of a card that warms up; one that cools down turns faster."
        )
    if not state.settled.all():
        notes.append(
            f"{card}: {1.0 - np.mean(state.settled):.1%} of the draws have no steady state with a "
            "turning fan; they count with the median speed of the others."
        )
    if state.multiple.any():
        notes.append(
            f"{card}: {np.mean(state.multiple):.0%} of the draws have a further steady state; "
            "the answer holds for a card that warms up with its fan turning."
        )
    return notes
