"""What remounting did: bench against factory, and single mountings against their peers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.inference.units import units_of
from thermcmp.model.rows import level_keys

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build
    from thermcmp.model.priors import Array

KIND: Final = "assembly_kind"
MOUNTING: Final = "assembly"
#: Names of the rows; a change from a factory mounting to one at the bench.
REMOUNT_ANY: Final = "remount at the bench"
REMOUNT_OLD: Final = "remount at the bench, old parts"
REMOUNT_NEW: Final = "remount at the bench, new parts"


@dataclass(frozen=True, slots=True, eq=False)
class Mountings:
    """The mountings of a fit: what is known of each.

    Attributes
    ----------
    names : tuple of str
        Names as in the results.
    levels : ndarray of int, shape (G,)
        Level of each in the term of the mountings.
    coolers, boards, kinds : tuple of str
        Models and kind of each.
    """

    names: tuple[str, ...]
    levels: NDArray[np.intp]
    coolers: tuple[str, ...]
    boards: tuple[str, ...]
    kinds: tuple[str, ...]

    def of(self, build: Build, kind: str | None = None) -> list[int]:
        """Places of the mountings of a build's parts, of one kind if stated."""
        return [
            place
            for place in range(len(self.names))
            if self.coolers[place] == build.cooler_model
            and self.boards[place] == build.board_model
            and kind in (None, self.kinds[place])
        ]

    def peers(self, place: int) -> list[int]:
        """Places of the other mountings of the same cooler and board model."""
        return [
            other
            for other in range(len(self.names))
            if other != place
            and self.coolers[other] == self.coolers[place]
            and self.boards[other] == self.boards[place]
        ]


def mountings_of(fit: Fit) -> Mountings | None:
    """The mountings of a fit; None if it has no term for them."""
    position = fit.design.term_position(MOUNTING)
    if position is None:
        return None
    units = units_of(fit, MOUNTING)
    first = np.unique(units.codes, return_index=True)[1]
    rows = fit.results.iloc[first]
    return Mountings(
        names=units.names,
        levels=fit.design.index[first, position],
        coolers=tuple(level_keys(rows, ("cooler_model",))),
        boards=tuple(level_keys(rows, ("board_model",))),
        kinds=tuple(level_keys(rows, (KIND,))),
    )


def remount_weights(fit: Fit, builds: tuple[Build, Build]) -> dict[str, Array]:
    """Weights of the effects in what a bench remount brings, by row.

    All are improvements, factory less bench, so that negative is a penalty.

    Parameters
    ----------
    fit : Fit
        The fit.
    builds : tuple of Build
        Old and new build.

    Returns
    -------
    dict of str to ndarray, shape (q,)
        The kind of mounting as such, where the rows can tell it, and the very mountings
        of the old and of the new parts, where both kinds of them were run.
    """
    found = {}
    kind = _kind_weights(fit)
    if kind is not None:
        found[REMOUNT_ANY] = kind
    mountings = mountings_of(fit)
    if kind is None or mountings is None:
        return found
    for name, build in zip((REMOUNT_OLD, REMOUNT_NEW), builds, strict=True):
        factory, bench = (mountings.of(build, word) for word in ("factory", "bench"))
        if factory and bench:
            own = _mean_weights(fit, mountings, factory) - _mean_weights(fit, mountings, bench)
            found[name] = kind + own
    return found


def _kind_weights(fit: Fit) -> Array | None:
    """Weights of "factory less bench"; None where the fit or the rows do not have both."""
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


def _mean_weights(fit: Fit, mountings: Mountings, places: list[int]) -> Array:
    position = fit.design.term_position(MOUNTING)
    weights = np.zeros(fit.design.effect_count)
    if position is not None:
        columns = fit.design.offsets[position] + mountings.levels[places]
        weights[columns] = 1.0 / len(places)
    return weights


def peer_weights(fit: Fit, builds: tuple[Build, Build]) -> dict[str, Array]:
    """Weights of each mounting of a fix's parts against the other ones of the same parts.

    Parameters
    ----------
    fit : Fit
        The fit.
    builds : tuple of Build
        Old and new build; their parts swapped count too.

    Returns
    -------
    dict of str to ndarray, shape (q,)
        By mounting, peers less itself, so that negative is worse than its peers; the
        kind of mounting is left out of it. Mountings without a peer are left out.
    """
    mountings = mountings_of(fit)
    if mountings is None:
        return {}
    coolers = {build.cooler_model for build in builds}
    boards = {build.board_model for build in builds}
    found = {}
    for place, name in enumerate(mountings.names):
        peers = mountings.peers(place)
        if peers and mountings.coolers[place] in coolers and mountings.boards[place] in boards:
            own = _mean_weights(fit, mountings, [place])
            found[name] = _mean_weights(fit, mountings, peers) - own
    return found


def spread_k(fit: Fit) -> float:
    """Mean spread between mountings of the same parts [K]; NaN without a term for it."""
    if fit.design.term_position(MOUNTING) is None:
        return np.nan
    return float(np.mean(fit.draws("assembly sd")))
