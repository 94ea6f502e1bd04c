"""How much of each part of an attribution is data and how much prior."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.checks.data_share import data_share
from thermcmp.inference.parameter_notes import MOSTLY_PRIOR
from thermcmp.model.design import EXPONENT
from thermcmp.questions.attribution.parts import POWER, parts_from

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from thermcmp.inference.posterior import Fit
    from thermcmp.questions.attribution.corners import AttributionStudy, State

    #: Names of parts, and the effects' weights in them by airflow exponent, shape (m, q).
    LinearParts = tuple[tuple[str, ...], Callable[[float], Array]]

#: Share of the data below which the runs hold nothing on a part. It is not 0 there, since
#: the flat prior that a share compares with is bounded by a whole rise.
NOTHING: Final = 0.1
#: Parts that are no sum of effects, so that no share is computed for them.
_NO_SHARE: Final = ("interaction",)


def part_shares(fit: Fit, linear: LinearParts) -> dict[str, float]:
    """Return the share of each part's information that comes from the data."""
    names, weights = linear
    shares = dict(zip(names, data_share(fit, weights).tolist(), strict=True))
    if POWER in shares:
        place = names.index(POWER)

        def of_power(exponent: float) -> Array:
            return weights(exponent)[place : place + 1]

        (shares[POWER],) = data_share(fit, of_power, constant_known=False).tolist()
    return shares


def weak_parts(
    fit: Fit, linear: LinearParts, shares: Mapping[str, float], matters_k: float
) -> frozenset[str]:
    """Return the parts that rest on the prior more than on the data, and are open by it."""
    names, weights = linear
    at_mean = weights(float(np.mean(fit.draws(EXPONENT))))
    open_k = np.std(fit.combined(at_mean), axis=0)
    return frozenset(
        name
        for name, sd in zip(names, open_k, strict=True)
        if shares[name] < MOSTLY_PRIOR and sd > 0.1 * matters_k
    )


def linear_parts(study: AttributionStudy) -> LinearParts:
    """Return the names of the parts that are not zero, and their weights by airflow exponent."""
    speed = {key: float(np.mean(draws)) for key, draws in study.speed.items()}
    power_w = tuple(float(np.mean(draws)) for draws in study.power_w)
    at_mean = part_weights(study, speed, power_w, float(np.mean(study.fit.draws(EXPONENT))))
    names = tuple(
        name
        for name, weights in at_mean.items()
        if name not in _NO_SHARE and np.abs(weights).max() > 1e-9
    )

    def weights(exponent: float) -> Array:
        by_part = part_weights(study, speed, power_w, exponent)
        rows = [by_part[name] for name in names]
        return np.reshape(rows, (len(rows), study.fit.design.effect_count))

    return names, weights


def part_weights(
    study: AttributionStudy,
    speed: Mapping[tuple[bool, bool, bool], float],
    power_w: Sequence[float],
    exponent: float,
) -> dict[str, Array]:
    """Compute the effects' weights, (q,), in each part at an exponent and the mean settings."""

    @cache
    def rise(state: State) -> Array:
        return study.fitted[state.hardware, state.direct].weights(
            exponent, speed[state.rule, state.seen_hardware, state.seen_power], power_w[state.power]
        )

    return parts_from(study, rise)
