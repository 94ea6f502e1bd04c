"""The parts of an attribution, as differences between its corners."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.physics.reach import Reach, reach_of
from thermcmp.questions.attribution.corners import AttributionStudy, State, corner
from thermcmp.questions.attribution.hardware import hardware_parts
from thermcmp.questions.shapley import order_free_in_groups

if TYPE_CHECKING:
    from collections.abc import Callable


#: What the names of the hardware's and of the fan speed's own parts begin with.
INSIDE: Final = "of the hardware: "
INSIDE_FAN: Final = "of the fan speed: "
HARDWARE: Final = "hardware"
FAN: Final = "firmware: fan speed"
POWER: Final = "firmware: power"
DIRECT: Final = "firmware: direct"
EQUAL_NOISE: Final = "hardware, at equal noise"
#: The whole firmware's effect on the old hardware and on the new one.
ON_HARDWARE: Final = ("firmware, on the old hardware", "firmware, on the new hardware")
#: What is inside the fan speed's part where a rule is given.
FAN_INSIDE: Final = tuple(
    f"{INSIDE_FAN}{name}" for name in ("rule", "answer to the hardware", "answer to the power")
)


def main_parts(study: AttributionStudy) -> tuple[str, ...]:
    """Return the names of the parts that add up to the total."""
    return (HARDWARE, FAN, POWER, DIRECT) if study.has_direct else (HARDWARE, FAN, POWER)


def parts_from(study: AttributionStudy, value: Callable[[State], Any]) -> dict[str, Any]:
    """Split any quantity of the corners: value before less value after, by part."""
    split = _split(study, value)
    old, new = value(corner(False, False)), value(corner(True, True))
    crossed = {firmware: value(corner(not firmware, firmware)) for firmware in (False, True)}
    # The new hardware at the old build's speed, and the old at the new build's.
    early = old - value(corner(False, False)._replace(hardware=True))
    late = value(corner(True, True)._replace(hardware=False)) - new
    parts = {"total": old - new, **{name: split.pop(name) for name in main_parts(study)}}
    parts |= {
        "hardware, fan and power as before": early,
        "hardware, fan and power as after": late,
        ON_HARDWARE[False]: old - crossed[True],
        ON_HARDWARE[True]: crossed[False] - new,
        "interaction": late - early,
    }
    if any(loop is not None for loop in study.loops):
        parts |= {
            "hardware, under the old firmware": old - crossed[False],
            "hardware, under the new firmware": crossed[True] - new,
            **split,
        }
    return parts


def _split(study: AttributionStudy, value: Callable[[State], Any]) -> dict[str, Any]:
    """Compute the order-free parts, and those of the fan speed where a rule is known.

    What the loop answers to changes together with its rule, so that the three stand next
    to each other in every order that counts.
    """
    looped = any(loop is not None for loop in study.loops)
    fields = [HARDWARE, *(FAN_INSIDE if looped else (FAN,)), POWER]
    places = [0, *((1, 2, 3) if looped else (1,)), 4]
    groups = ((0,), (1, 2, 3), (4,), (5,)) if looped else ((0,), (1,), (2,), (3,))
    if study.has_direct:
        fields, places = [*fields, DIRECT], [*places, 5]
    start = corner(False, False)

    def at(flags: tuple[bool, ...]) -> Any:
        changed = {State._fields[place]: flag for place, flag in zip(places, flags, strict=True)}
        return value(start._replace(**changed))

    shares = order_free_in_groups(at, groups if study.has_direct else groups[:-1])
    split = dict(zip(fields, shares, strict=True))
    if looped:
        rule, hardware, power = (split[name] for name in FAN_INSIDE)
        split[FAN] = rule + hardware + power
    return split


def attribution_parts(study: AttributionStudy) -> dict[str, Array]:
    """Compute the draws of every part, shape (S,) [K]."""
    parts = parts_from(study, study.rise)
    ends = [(study.flow_speed(corner(new, new)), study.power_w[new]) for new in (False, True)]
    # What a firmware does directly is not the hardware's, so the old one's is kept.
    inside = hardware_parts(study.fitted[False, False], study.fitted[True, False], ends)
    parts |= {f"{INSIDE}{name}": draws for name, draws in inside.items()}
    equal = _equal_noise(study)
    return parts if equal is None else parts | {EQUAL_NOISE: equal}


def noise_parts(study: AttributionStudy) -> dict[str, Array]:
    """Compute the change of level that came with each part, shape (S,) [dB]."""
    if not study.noise_known:
        return {}
    parts = {name: -draws for name, draws in parts_from(study, cache(study.level)).items()}
    del parts["interaction"]
    return parts | {EQUAL_NOISE: np.zeros_like(parts["total"])}


def _equal_noise(study: AttributionStudy) -> Array | None:
    """Compute the hardware part with the new cooler as loud as the old build was, shape (S,)."""
    if study.noise is None:
        return None
    old, new = (build.cooler_model for build in study.builds)
    reach = study.noise.design.speed_range_rpm(new)
    start = corner(False, False)
    loud = study.noise.level_dba(old, study.flow_speed(start))
    speed = None if loud is None else study.noise.speed_rpm(new, loud)
    if speed is None or reach is None:
        return None
    if reach_of(np.median(speed), *reach) is Reach.REFUSED:
        return np.full(len(speed), np.nan)
    return study.rise(start) - study.fitted[True, False].rise(speed, study.power_w[0])
