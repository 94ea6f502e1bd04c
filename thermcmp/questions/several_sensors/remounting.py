"""Effects of remounting: bench against factory, and assemblies against their peers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.model.rows import level_keys

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build

KIND: Final = "assembly_kind"
ASSEMBLY: Final = "assembly"
#: Names of the rows; a change from a factory assembly to one at the bench.
REMOUNT_ANY: Final = "remount at the bench"
REMOUNT_OLD: Final = "remount at the bench, old parts"
REMOUNT_NEW: Final = "remount at the bench, new parts"


@dataclass(frozen=True, slots=True, eq=False)
class Assemblies:
    """The G assemblies of a fit, with the models and the kind of each."""

    names: tuple[str, ...]
    #: Level of each in the term of the assemblies, shape (G,).
    levels: IntArray
    coolers: tuple[str, ...]
    boards: tuple[str, ...]
    kinds: tuple[str, ...]

    def of(self, build: Build, kind: str | None = None) -> list[int]:
        """Return the places of the assemblies of a build's parts, of one kind if stated."""
        return [
            place
            for place in range(len(self.names))
            if self.coolers[place] == build.cooler_model
            and self.boards[place] == build.board_model
            and kind in (None, self.kinds[place])
        ]

    def peers(self, place: int) -> list[int]:
        """Return the places of the other assemblies of the same cooler and board model."""
        return [
            other
            for other in range(len(self.names))
            if other != place
            and self.coolers[other] == self.coolers[place]
            and self.boards[other] == self.boards[place]
        ]


def assemblies_of(fit: Fit) -> Assemblies | None:
    """Return the assemblies of a fit; None if it has no term for them."""
    position = fit.design.term_position(ASSEMBLY)
    if position is None:
        return None
    units = units_of(fit, ASSEMBLY)
    first = np.unique(units.codes, return_index=True)[1]
    rows = fit.design.rows.iloc[first]
    return Assemblies(
        names=units.names,
        levels=fit.design.index[first, position],
        coolers=tuple(level_keys(rows, ("cooler_model",))),
        boards=tuple(level_keys(rows, ("board_model",))),
        kinds=tuple(level_keys(rows, (KIND,))),
    )


def remount_weights(fit: Fit, builds: tuple[Build, Build]) -> dict[str, Array]:
    """Return the weights of the effects, (q,), in each row of a bench remount.

    All are improvements, factory less bench, so that negative is a penalty.
    """
    kind = _kind_weights(fit)
    if kind is None:
        return {}
    weights = {REMOUNT_ANY: kind}
    assemblies = assemblies_of(fit)
    if assemblies is None:
        return weights
    for name, build in zip((REMOUNT_OLD, REMOUNT_NEW), builds, strict=True):
        factory, bench = (assemblies.of(build, word) for word in ("factory", "bench"))
        if factory and bench:
            gap = _mean_weights(fit, assemblies, factory) - _mean_weights(fit, assemblies, bench)
            weights[name] = kind + gap
    return weights


def _kind_weights(fit: Fit) -> Array | None:
    """Return the weights of "factory less bench"; None where either was not run."""
    position = fit.design.term_position(KIND)
    if position is None or not {"factory", "bench"} <= set(fit.design.levels[position]):
        return None
    contrast = fit.aliases.of(KIND, "factory", "bench")
    if contrast is not None and not contrast.estimable:
        return None
    weights = np.zeros(fit.design.effect_count)
    levels, start = fit.design.levels[position], fit.design.offsets[position]
    weights[start + levels.index("factory")] += 1.0
    weights[start + levels.index("bench")] -= 1.0
    return weights


def _mean_weights(fit: Fit, assemblies: Assemblies, places: list[int]) -> Array:
    position = fit.design.term_position(ASSEMBLY)
    weights = np.zeros(fit.design.effect_count)
    if position is not None:
        columns = fit.design.offsets[position] + assemblies.levels[places]
        weights[columns] = 1.0 / len(places)
    return weights


def peer_weights(fit: Fit, builds: tuple[Build, Build]) -> dict[str, Array]:
    """Return the effects' weights, (q,), in each assembly's peers minus itself."""
    assemblies = assemblies_of(fit)
    if assemblies is None:
        return {}
    coolers = {build.cooler_model for build in builds}
    boards = {build.board_model for build in builds}
    weights = {}
    for place, name in enumerate(assemblies.names):
        peers = assemblies.peers(place)
        if peers and assemblies.coolers[place] in coolers and assemblies.boards[place] in boards:
            itself = _mean_weights(fit, assemblies, [place])
            weights[name] = _mean_weights(fit, assemblies, peers) - itself
    return weights


def spread_k(fit: Fit) -> float:
    """Return the mean spread between assemblies of the same parts [K]; NaN without that term."""
    if fit.design.term_position(ASSEMBLY) is None:
        return np.nan
    return float(np.mean(fit.draws("assembly sd")))
