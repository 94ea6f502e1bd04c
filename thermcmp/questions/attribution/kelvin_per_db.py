"""Kelvin per decibel: of the change of fan speed, and of each hardware at its own speed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.prediction.equal_conditions import kelvin_per_decibel_at
from thermcmp.questions.attribution.corners import corner
from thermcmp.questions.attribution.parts import FAN

if TYPE_CHECKING:
    from collections.abc import Mapping

    from thermcmp.questions.attribution.corners import AttributionStudy

#: A change of level so many standard deviations from zero may divide: then the ratio of two
#: normal variables is close to normal (Marsaglia, J. Stat. Software 16(4) (2006) 1-10: from
#: four on, from memory).
CLEAR_SDS: Final = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class KelvinPerDecibel:
    """Improvement per decibel of one change or of one hardware."""

    #: The change, or the hardware at its own fan speed.
    name: str
    #: Improvement per decibel of more level [K/dB], shape (S,); NaN where there is no ratio.
    k_per_db: Array
    #: Change of level by which that gives the fan speed's part [dB], shape (S,).
    cost_db: Array
    #: "" or why there is no number.
    health: str = ""


def kelvin_per_decibel(
    study: AttributionStudy, parts: Mapping[str, Array], noise: Mapping[str, Array]
) -> tuple[KelvinPerDecibel, ...]:
    """Compute kelvin per decibel of the fan speed's part, and of each hardware at its own speed."""
    if not noise or study.noise is None:
        return ()
    gain, louder = parts[FAN], noise[FAN]
    nothing = np.full(len(gain), np.nan)
    if is_clear(louder):
        # Draws without a steady state have the median speed before and after, and no ratio.
        ratio = np.full(len(gain), gain.mean() / louder.mean())
        np.divide(gain, louder, out=ratio, where=louder != 0.0)
        rows = [KelvinPerDecibel(FAN, ratio, louder)]
    else:
        unknown = np.isnan(louder).any()
        why = "its level was not measured there" if unknown else "the level hardly changed"
        rows = [KelvinPerDecibel(FAN, nothing, louder, f"no ratio: {why}")]
    for hardware, name in ((True, "new"), (False, "old")):
        slope = local_slope(study, hardware)
        clear = slope is not None and is_clear(slope)
        rows.append(
            KelvinPerDecibel(
                f"{name} hardware, at its own fan speed",
                nothing if slope is None else slope,
                gain / slope if slope is not None and clear else nothing,
                "" if clear else "no cost: more fan may bring nothing here",
            )
        )
    return tuple(rows)


def is_clear(draws: Array) -> bool:
    """Return whether a quantity is far enough from zero to divide by it."""
    return bool(abs(np.mean(draws)) >= CLEAR_SDS * np.std(draws) and np.any(draws != 0.0))


def local_slope(study: AttributionStudy, hardware: bool) -> Array | None:
    """Compute improvement per decibel of a build at its own firmware's fan speed, shape (S,)."""
    if study.noise is None:
        return None
    fitted, power_w = study.fitted[hardware, hardware], study.power_w[hardware]
    flow_speed = study.flow_speed(corner(hardware, hardware))
    slope = kelvin_per_decibel_at(fitted, study.noise, flow_speed, power_w)
    return None if np.isnan(slope).all() else slope
