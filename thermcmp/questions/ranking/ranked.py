"""The ranked products: networks that runs compare, and groups within each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.model.links import networks, place_names
from thermcmp.model.terms import Acts
from thermcmp.prediction.equal_conditions import Entry

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: How sure all separations of a ranking are together.
SURE: Final = 0.90
#: How sure each of them may have to be, so that all are: the least that suffices is taken.
_EACH: Final = (0.90, 0.92, 0.94, 0.95, 0.96, 0.97, 0.98, 0.985, 0.99, 0.995, 0.998, 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """Products that runs compare with each other, coolest first."""

    entries: tuple[Entry, ...]
    temperatures: Array  #: °C, shape (S, m)
    groups: tuple[int, ...]  #: numbered on from the network before
    #: Laboratories, or their benches, at which they were run; empty where all count as one.
    places: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Ranked:
    """All products of a ranking; the network of the coolest comes first."""

    networks: tuple[Network, ...]
    unreached: tuple[Entry, ...]  #: out of reach of the conditions

    @property
    def all(self) -> tuple[Entry, ...]:
        """All products in the order of the table."""
        reached = (entry for network in self.networks for entry in network.entries)
        return (*reached, *self.unreached)


def rank_entries(fit: Fit, entries: Sequence[Entry], matters_k: float) -> Ranked:
    """Order products within the networks that runs compare, and group them."""
    reached = sorted((e for e in entries if e.reached), key=lambda e: float(np.mean(e.temperature)))
    unreached = tuple(entry for entry in entries if not entry.reached)
    if not reached:
        return Ranked((), unreached)
    weights = [entry.fitted.effect_weights[Acts.RESISTANCE] for entry in reached]
    number = networks(fit.design, np.stack(weights))
    places = place_names(fit.design, [entry.fitted.ran for entry in reached])
    found: list[Network] = []
    for network in range(int(number.max()) + 1):
        members = np.flatnonzero(number == network)
        chosen = tuple(reached[k] for k in members)
        temperatures = np.stack([entry.temperature for entry in chosen], axis=1)
        here = sorted({place for k in members for place in places[k]})
        before = found[-1].groups[-1] if found else 0
        groups = tuple(before + group for group in group_products(temperatures, matters_k))
        found.append(Network(chosen, temperatures, groups, tuple(here)))
    return Ranked(tuple(found), unreached)


def group_products(temperatures: Array, matters_k: float) -> list[int]:
    """Return the group of each product, coolest first; a group's first member is its anchor.

    `temperatures` has shape (S, m). Each gap between anchors is as sure as it takes for all of
    them to exceed what matters together in at least 90 % of the draws.
    """
    groups = [1] * temperatures.shape[1]
    for each in _EACH:
        groups, together = _groups(temperatures, matters_k, each)
        if together >= SURE:
            break
    return groups


def _groups(temperatures: Array, matters_k: float, each: float) -> tuple[list[int], float]:
    """Return the groups at a certainty of each gap, and that of all gaps together."""
    groups: list[int] = []
    anchor, current, together = 0, 1, np.ones(len(temperatures), bool)
    for i in range(temperatures.shape[1]):
        above = temperatures[:, i] - temperatures[:, anchor] > matters_k
        if i > anchor and np.mean(above) >= each:
            anchor, current, together = i, current + 1, together & above
        groups.append(current)
    return groups, float(np.mean(together))
