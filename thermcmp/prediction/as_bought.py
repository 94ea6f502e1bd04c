"""Products as they are bought: each under the loop of its own firmware."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array, BoolArray
from thermcmp.errors import Fault, InputError, NotEstimableError
from thermcmp.physics.firmware import Firmware
from thermcmp.prediction.builds import build_of
from thermcmp.prediction.card import card_of, firmware_of
from thermcmp.prediction.equal_conditions import Entry, entry_at, ranked_builds
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.prediction.response import (
    CardNoise,
    FanResponse,
    checked_state,
)
from thermcmp.prediction.stock_settings import setting_of

if TYPE_CHECKING:
    from thermcmp.inference.noise_fit import NoiseFit
    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build, Conditions
    from thermcmp.prediction.builds import Scope


@dataclass(frozen=True, slots=True, eq=False)
class Loop:
    """What sets the fans: the firmwares by name, and the fit of the sensor that they follow."""

    firmwares: Mapping[str, Firmware]
    control: Fit | None
    #: Fits of further sensors that a firmware may follow, paired draw by draw.
    others: Mapping[str, Fit] = field(default_factory=dict)

    @classmethod
    def of(
        cls,
        fit: Fit,
        firmware: Firmware | Mapping[str, Firmware],
        controls: Sequence[Fit],
    ) -> Loop:
        """Return the loop of one firmware or a table; refuse a control with fewer draws."""
        faults = [
            Fault(
                f"the {control.sensor}'s has {control.draw_count} draws, that of the judged sensor "
                f"{fit.draw_count}",
                "fit all sensors with the same draws=",
                column="control",
            )
            for control in controls
            if control.draw_count < fit.draw_count
        ]
        if faults:
            raise InputError("The fits cannot be paired:", faults)
        table = {firmware.name: firmware} if isinstance(firmware, Firmware) else dict(firmware)
        # The only one is that of every firmware; of several, each has those that name it.
        only = controls[0] if len(controls) == 1 else None
        return cls(table, only, {control.sensor: control for control in controls})

    def control_of(self, firmware: Firmware) -> Fit | None:
        """Return the fit of the sensor that a firmware follows, as far as it is known."""
        return self.others.get(firmware.control_sensor or "", self.control)


def builds_to_rank(
    fit: Fit, wanted: Sequence[Build | str] | None, loop: Loop | None
) -> dict[str, Build]:
    """Return the builds by name; as bought, every product under each firmware it was run with."""
    if loop is None or wanted is not None:
        return ranked_builds(fit, wanted)
    pairs = fit.design.rows[["product", "firmware"]].dropna(subset=["product"]).fillna("")
    names = [
        f"{product} / {firmware}" if firmware else str(product)
        for product, firmware in sorted(pairs.drop_duplicates().itertuples(index=False))
    ]
    return {name: build_of(fit, name) for name in names}


def entry_as_bought(fitted: FittedBuild, name: str, loop: Loop) -> Entry:
    """Return a product under its firmware's loop in the build's air, draw by draw.

    The card is the mean one of the scope, as at equal conditions.
    """
    fit, build, held = fitted.fit, fitted.build, fitted.air
    if build.firmware is not None and build.firmware not in loop.firmwares:
        words = f"not estimable: firmware '{build.firmware}' is not described"
        return Entry.without_value(name, fitted, fit.reference.power_w, words)
    firmware = firmware_of(loop.firmwares, build)
    card = card_of(fitted, firmware, control=loop.control_of(firmware))
    try:
        setting = setting_of(fit, replace(build, firmware=firmware.name), held, firmware)
    except NotEstimableError as error:
        words = f"not estimable: {error}"
        return Entry.without_value(name, fitted, fit.reference.power_w, words)
    watts = setting.draws(fit)[1]
    state, problem, remarks = checked_state(
        FanResponse(firmware, card.at(power_w=watts)).state(held.intake_c), fitted
    )
    power_w = float(np.mean(state.power_w))
    if problem:
        return Entry.without_value(name, fitted, power_w, f"not estimable: {problem}")
    law = CardNoise.of(fitted, card.chosen)
    level, words = (None, "") if law is None else law.at(state.fan_rpm)
    heard = level is not None and bool(np.isfinite(level[state.settled]).all())
    elsewhere = f"power: {setting.source}" if setting.elsewhere else ""
    said = dict.fromkeys(filter(None, [str(fit.health), *remarks, words, elsewhere]))
    return Entry(
        name,
        fitted,
        power_w,
        _filled(state.temperature_c, state.settled),
        _filled(state.fan_rpm, state.settled),
        _filled(level, state.settled) if level is not None and heard else None,
        "; ".join(said),
        card.notes,
    )


def entries_of(
    fit: Fit,
    builds: Mapping[str, Build],
    held: Conditions,
    where: Scope,
    noise: NoiseFit | None,
    loop: Loop | None,
) -> list[Entry]:
    """Return the builds at equal conditions, or under the loops of their firmwares."""
    return [
        entry_at(fit, name, build, held, where, noise)
        if loop is None
        else entry_as_bought(FittedBuild(fit, build, where, held), name, loop)
        for name, build in builds.items()
    ]


def _filled(values: Array, settled: BoolArray) -> Array:
    """Return values with the few draws without a steady state replaced by others, evenly."""
    if settled.all():
        return values
    known, lacking = values[settled], np.flatnonzero(~settled)
    filled = values.copy()
    filled[lacking] = known[np.linspace(0, len(known) - 1, len(lacking)).astype(int)]
    return filled
