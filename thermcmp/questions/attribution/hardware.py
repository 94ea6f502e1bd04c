"""The hardware part of an attribution, split over cooler, board and memory vendor."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.model.conditions import Build
from thermcmp.model.terms import Acts, Role, Term
from thermcmp.prediction.builds import Scope
from thermcmp.prediction.fitted_build import FittedBuild

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
    old: FittedBuild, new: FittedBuild, settings: Sequence[tuple[Array | float, Array | float]]
) -> dict[str, Array]:
    """Compute the improvement by each part of the hardware, averaged over both settings, (S,).

    Series resistances add, so the parts need no order among themselves; averaged
    with the weights of the order-free split they add up to the hardware part. `settings`
    are fan speed and power as before and as after, each a number or of shape (S,).
    """
    (speed_old, power_old), (speed_new, power_new) = settings
    # Weights of the Shapley average: nothing else changed, one of two, both.
    corners = (
        (speed_old, power_old, 1 / 3),
        (speed_new, power_old, 1 / 6),
        (speed_old, power_new, 1 / 6),
        (speed_new, power_new, 1 / 3),
    )
    changed = np.any(
        [old.effect_weights[acts] != new.effect_weights[acts] for acts in Acts], axis=0
    )
    design, parts = old.fit.design, dict[str, Array]()
    for term, levels, start in zip(design.terms, design.levels, design.offsets, strict=True):
        effects = slice(start, start + len(levels))
        if not changed[effects].any():
            continue

        def fall(before: FittedBuild, after: FittedBuild, effects: slice = effects) -> Array:
            return np.asarray(
                sum(
                    weight
                    * (
                        before.rise(speed, power_w, effects=effects)
                        - after.rise(speed, power_w, effects=effects)
                    )
                    for speed, power_w, weight in corners
                )
            )

        if term.role is Role.PAIRING:
            steps = _by_partner(term, old, new, fall)
        else:
            steps = {term.columns[0]: fall(old, new)}
        for column, draws in steps.items():
            name = PART_OF.get(column, column)
            parts[name] = parts.get(name, 0.0) + draws
    return parts


def _by_partner(
    term: Term, old: FittedBuild, new: FittedBuild, fall: Callable[..., Array]
) -> dict[str, Array]:
    """Split a change of pairing over its two parts: each part's change, on both partners."""
    first, second = term.columns
    if getattr(old.build, second, None) == getattr(new.build, second, None):
        return {first: fall(old, new)}
    if getattr(old.build, first, None) == getattr(new.build, first, None):
        return {second: fall(old, new)}
    changed = {first: getattr(new.build, first)}
    ahead = replace(old, build=replace(old.build, label=None, **changed))
    changed = {second: getattr(new.build, second)}
    aside = replace(old, build=replace(old.build, label=None, **changed))
    return {
        first: 0.5 * (fall(old, ahead) + fall(aside, new)),
        second: 0.5 * (fall(old, aside) + fall(ahead, new)),
    }


def parts_split_by_prior(fit: Fit, builds: tuple[Build, Build]) -> frozenset[str]:
    """Return the parts whose shares the rows do not hold, since they changed together."""
    line = Scope.PRODUCT_LINE
    old, new = (FittedBuild(fit, build, line).effect_weights[Acts.RESISTANCE] for build in builds)
    inseparable = set()
    for name in fit.aliases.names:
        place = fit.design.term_position(name)
        if place is None:
            continue
        start, levels = fit.design.offsets[place], fit.design.levels[place]
        changed = [level for k, level in enumerate(levels, start) if old[k] != new[k]]
        pairs = (fit.aliases.of(name, *pair) for pair in combinations(changed, 2))
        if any(pair is not None and not pair.estimable for pair in pairs):
            column = fit.design.terms[place].columns[0]
            inseparable.add(PART_OF.get(column, column))
    return frozenset(inseparable)
