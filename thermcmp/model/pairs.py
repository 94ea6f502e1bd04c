"""Pairs of parts: which were assembled, and which others they leave open."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.model.rows import level_keys

if TYPE_CHECKING:
    import pandas as pd

#: Most pairs that were never assembled of which a fit keeps an effect.
MOST_OPEN: Final = 2000


@dataclass(frozen=True, slots=True)
class Pairs:
    """The pairs of parts that a fit speaks of.

    Two parts belong together where they share a partner, directly or through others; only
    among such parts can an effect of a pair differ from those of its parts.
    """

    open: tuple[str, ...]  #: names of the pairs that were never assembled
    crossed: bool  #: whether there are two parts with two partners anywhere


def open_pairs(rows: pd.DataFrame, columns: tuple[str, ...]) -> Pairs:
    """Return which pairs of the parts in two columns were never assembled."""
    import pandas as pd
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    first, first_names = pd.factorize(level_keys(rows, columns[:1]), sort=True)
    second, second_names = pd.factorize(level_keys(rows, columns[1:]), sort=True)
    seen = np.unique(np.stack([first, second], axis=1), axis=0)
    size = len(first_names)
    graph = coo_array(
        (np.ones(len(seen)), (seen[:, 0], size + seen[:, 1])), shape=(size + len(second_names),) * 2
    )
    _, group = connected_components(graph, directed=False)
    assembled, crossed = set(map(tuple, seen.tolist())), False
    open_cells: list[tuple[int, int]] = []
    firsts, seconds = (
        pd.Series(range(len(of))).groupby(of).groups for of in (group[:size], group[size:])
    )
    for name, members in firsts.items():
        partners = seconds[name]
        crossed |= len(members) > 1 and len(partners) > 1
        cells = [(a, b) for a in members for b in partners]
        if len(open_cells) + len(cells) <= MOST_OPEN:
            open_cells += [cell for cell in cells if cell not in assembled]
    names = tuple(f"{first_names[a]} · {second_names[b]}" for a, b in open_cells)
    return Pairs(names, crossed)
