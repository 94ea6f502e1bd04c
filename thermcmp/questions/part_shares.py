"""How much of each part of a fix is data and how much prior."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermcmp.inference.influence import data_share
from thermcmp.model.design import EXPONENT
from thermcmp.questions.order_of_change import order_free
from thermcmp.questions.prediction import effect_weights, weights_at

if TYPE_CHECKING:
    from collections.abc import Callable

    from thermcmp.model.priors import Array
    from thermcmp.questions.fix_corners import FixStudy

#: Parts whose share is computed, in the order of `part_weights`.
SHARED_PARTS = (
    "total",
    "hardware",
    "firmware: fan speed",
    "firmware: power",
    "hardware, fan and power as before",
    "hardware, fan and power as after",
    "firmware, on the old hardware",
    "firmware, on the new hardware",
)


def part_shares(study: FixStudy) -> dict[str, float]:
    """Share of each part's information that comes from the data.

    Parameters
    ----------
    study : FixStudy
        The corners of the fix.

    Returns
    -------
    dict of str to float
        Between 0 (prior) and 1 (data), by part; see `data_share`. A part that is nothing
        by its making, such as that of a power which did not change, is left out.
    """
    names, weights = linear_parts(study)
    return dict(zip(names, data_share(study.fit, weights).tolist(), strict=True))


def linear_parts(study: FixStudy) -> tuple[tuple[str, ...], Callable[[float], Array]]:
    """Names of the parts that are something, and their weights at an airflow exponent.

    Parameters
    ----------
    study : FixStudy
        The corners of the fix.

    Returns
    -------
    names : tuple of str
        Some of `SHARED_PARTS`.
    weights : callable
        Gives weights of the effects, shape (parts, q), for an exponent.
    """
    sides = [effect_weights(study.fit, build, study.scope) for build in study.builds]
    weights = part_weights(study, sides, float(np.mean(study.fit.draws(EXPONENT))))
    real = np.abs(weights).max(axis=1) > 1e-9
    names = tuple(name for name, is_real in zip(SHARED_PARTS, real, strict=True) if is_real)
    return names, lambda exponent: part_weights(study, sides, exponent)[real]


def part_weights(study: FixStudy, sides: list[tuple[Array, Array]], exponent: float) -> Array:
    """Weights of the effects in each part at an airflow exponent.

    Parameters
    ----------
    study : FixStudy
        The corners of the fix.
    sides : list of (resistance, airflow), each of shape (q,)
        Weights of the old and of the new build.
    exponent : float
        Airflow exponent.

    Returns
    -------
    ndarray, shape (parts, q)
        Rows in the order of `SHARED_PARTS`.
    """

    def rise(corner: tuple[bool, ...]) -> Array:
        hardware, fan, power = corner
        return weights_at(
            study.fit,
            sides[hardware],
            exponent,
            drive=study.settings[fan].drive,
            power_w=study.settings[power].power_w,
        )

    old, new = (False, False, False), (True, True, True)
    return np.stack(
        [
            rise(old) - rise(new),
            *order_free(rise, 3),
            rise(old) - rise((True, False, False)),
            rise((False, True, True)) - rise(new),
            rise(old) - rise((False, True, True)),
            rise((True, False, False)) - rise(new),
        ]
    )
