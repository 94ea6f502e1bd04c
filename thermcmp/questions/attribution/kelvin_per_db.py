"""What a decibel buys: kelvin per decibel of the fan speed, and what the hardware gives for one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.prediction.build_rise import airflow_term
from thermcmp.questions.attribution.corners import corner
from thermcmp.questions.attribution.parts import FAN

if TYPE_CHECKING:
    from collections.abc import Mapping

    from thermcmp.questions.attribution.corners import FixStudy

#: A change of level so many standard deviations from zero may divide: then the ratio of two
#: normal variables is close to normal (Marsaglia, J. Stat. Software 16(4) (2006) 1-10: from
#: four on, from memory).
CLEAR_SDS: Final = 4.0
#: Step of fan speed for a slope, as its natural logarithm.
_STEP: Final = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class KelvinPerDecibel:
    """What was bought, by whom and at which price.

    Attributes
    ----------
    name : str
        Who bought.
    k_per_db : ndarray, shape (S,)
        Improvement per decibel of more level [K/dB]; NaN where it is no number.
    costs_db : ndarray, shape (S,)
        Change of level that the fan speed's part costs there [dB].
    health : str
        "" or why there is no number.
    """

    name: str
    k_per_db: Array
    costs_db: Array
    health: str = ""


def bought(
    study: FixStudy, parts: Mapping[str, Array], noise: Mapping[str, Array]
) -> tuple[KelvinPerDecibel, ...]:
    """Kelvin per decibel of the fan speed's part, and of each hardware at its own speed.

    Shapes: parts (S,), noise (S,).
    """
    if not noise or study.noise is None:
        return ()
    gain, louder = parts[FAN], noise[FAN]
    nothing = np.full(len(gain), np.nan)
    if is_clear(louder):
        first = KelvinPerDecibel(FAN, gain / louder, louder)
    else:
        unknown = np.isnan(louder).any()
        why = "its level was not measured there" if unknown else "the level hardly changed"
        first = KelvinPerDecibel(FAN, nothing, louder, f"no ratio: {why}")
    rows = [first]
    for hardware, name in ((True, "new"), (False, "old")):
        slope = local_slope(study, hardware)
        clear = slope is not None and is_clear(slope)
        rows.append(
            KelvinPerDecibel(
                f"{name} hardware, at its own fan speed",
                nothing if slope is None else slope,
                gain / slope if slope is not None and clear else nothing,
                "" if clear else "no price: more fan may buy nothing here",
            )
        )
    return tuple(rows)


def is_clear(draws: Array) -> bool:
    """Whether a quantity is far enough from zero to divide by it."""
    return bool(abs(np.mean(draws)) >= CLEAR_SDS * np.std(draws) and np.any(draws != 0.0))


def local_slope(study: FixStudy, hardware: bool) -> Array | None:
    """Improvement per decibel of a build at its own firmware's fan speed.

    dT/dL = (dT/d ln N) · ln 10 / b, the airflow law over the noise law
    L = a + b · log10 N.

    Returns (S,).
    """
    law = None
    if study.noise is not None:
        law = study.noise.law(study.builds[hardware].cooler_model)
    if law is None:
        return None
    state, fit = corner(hardware, hardware), study.fit
    _, convective = study.drawn(hardware, hardware)
    flow_speed = study.flow_speed(state)
    ahead, behind = (
        airflow_term(fit, flow_speed * np.exp(step), study.at.density_ratio)
        for step in (_STEP, -_STEP)
    )
    per_log_speed = convective * (ahead - behind) / (2.0 * _STEP)
    watts = study.power_w[hardware] / fit.reference.power_w
    return np.asarray(-per_log_speed * watts * np.log(10.0) / law[1])
