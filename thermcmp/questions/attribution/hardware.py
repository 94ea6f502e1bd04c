"""The hardware part of a fix, split over cooler, board and memory vendor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.model.conditions import Build
from thermcmp.prediction.build_rise import Scope, airflow_term, effect_weights

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Name of what a firmware does directly, among the parts that changed.
FIRMWARE: Final = "firmware"
#: Which column of the results names the part that a term belongs to.
PART_OF: Final = {
    "cooler_model": "cooler",
    "board_model": "board",
    "memory_vendor": "memory vendor",
    "assembly_kind": "assembly kind",
}


def hardware_parts(
    fit: Fit,
    builds: tuple[Build, Build],
    scope: Scope,
    settings: Sequence[tuple[Array | float, Array | float]],
    *,
    density_ratio: float = 1.0,
) -> dict[str, Array]:
    """Improvement due to each part of the hardware, averaged over both settings.

    Series resistances add, so the parts need no order among themselves; averaged
    with the weights of the order-free split they add up to the hardware part.

    Shapes: settings (S,). Returns (S,).
    """
    # What a firmware does directly is no part of the hardware.
    new_hardware = replace(builds[1], firmware=builds[0].firmware)
    old, new = (effect_weights(fit, build, scope) for build in (builds[0], new_hardware))
    effects, design = fit.effects, fit.design
    found: dict[str, Array] = {}
    for term, levels, start in zip(design.terms, design.levels, design.offsets, strict=True):
        columns = slice(start, start + len(levels))
        resistance = effects[:, columns] @ (old[0][columns] - new[0][columns])
        airflow = effects[:, columns] @ (old[1][columns] - new[1][columns])
        if not (
            np.any(old[0][columns] != new[0][columns]) or np.any(old[1][columns] != new[1][columns])
        ):
            continue
        part = PART_OF.get(term.columns[0], term.columns[0])
        draws = _order_free(fit, resistance, airflow, settings, density_ratio)
        found[part] = found[part] + draws if part in found else draws
    return found


def parts_split_by_prior(fit: Fit, builds: tuple[Build, Build]) -> frozenset[str]:
    """Parts whose share the rows cannot tell, since they changed together."""
    old, new = (effect_weights(fit, build, Scope.PRODUCT_LINE)[0] for build in builds)
    unsettled = set()
    for contrast in fit.aliases.contrasts:
        place = fit.design.term_position(contrast.factor)
        if contrast.estimable or place is None:
            continue
        start, levels = fit.design.offsets[place], fit.design.levels[place]
        ends = [start + levels.index(level) for level in (contrast.first, contrast.second)]
        if all(old[end] != new[end] for end in ends):
            column = fit.design.terms[place].columns[0]
            unsettled.add(PART_OF.get(column, column))
    return frozenset(unsettled)


def _order_free(
    fit: Fit,
    resistance: Array,
    airflow: Array,
    settings: Sequence[tuple[Array | float, Array | float]],
    density_ratio: float,
) -> Array:
    """A hardware difference averaged over fan speed and power as the order-free split does."""
    (flow_speed_old, power_old), (flow_speed_new, power_new) = settings
    total = np.zeros(len(resistance))
    # Weights of the Shapley average: nothing else changed, one of two, both.
    corners = (
        (flow_speed_old, power_old, 1 / 3),
        (flow_speed_new, power_old, 1 / 6),
        (flow_speed_old, power_new, 1 / 6),
        (flow_speed_new, power_new, 1 / 3),
    )
    for flow_speed, power_w, weight in corners:
        rise = resistance + airflow * airflow_term(fit, flow_speed, density_ratio)
        total += weight * rise * power_w / fit.reference.power_w
    return total
