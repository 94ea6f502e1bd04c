"""Which builds are compared by runs, and which by nothing but the spread of laboratories.

With every laboratory and bench free to differ by any amount, the difference between two builds
is estimable when it lies in the row space of the factors' joint design matrix with one column
per laboratory and bench (Searle, Linear Models, 1971, ch. 5): through a shared bench, a shared
card, or shared parts. Builds whose difference does not are linked by an assumed spread alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.model.identifiability import ZERO_EIGENVALUE
from thermcmp.model.rows import level_keys
from thermcmp.model.terms import Acts

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.model.design import Design

#: Terms of the places where runs were taken.
PLACES: Final = ("lab", "bench")
#: Components in the null space that differ by less are alike.
ALIKE: Final = 1e-6


def places_of(design: Design) -> pd.Series | None:
    """Return the laboratory, or its bench, of each row; None where the fit takes all for one."""
    columns = [
        column
        for term in design.terms
        if term.name in PLACES
        for column in term.columns
        if column in design.rows
    ]
    return level_keys(design.rows, tuple(dict.fromkeys(columns))) if columns else None


def networks(design: Design, weights: Array) -> IntArray:
    """Return the network of each build, shape (m,): 0 for that of the first build, and so on.

    `weights` are those of all effects in each build's resistance, shape (m, q). Builds of one
    network are compared by runs.
    """
    import pandas as pd

    places = places_of(design)
    if places is None or places.nunique() < 2:
        return np.zeros(len(weights), np.intp)
    columns, values = design.part_columns(Acts.RESISTANCE, factors_only=True)
    place, names = pd.factorize(places, sort=True)
    # Runs of one build at one place say the same.
    _, once = np.unique(np.column_stack([columns, values, place]), axis=0, return_index=True)
    columns, values, place = columns[once], values[once], place[once]
    used, factors = np.unique(columns, return_inverse=True)
    runs = np.zeros((len(columns), len(used) + len(names)))
    for column, value in zip(factors.reshape(columns.shape).T, values.T, strict=True):
        runs[np.arange(len(runs)), column] += value
    runs[np.arange(len(runs)), len(used) + place] = 1.0
    squares, vectors = np.linalg.eigh(runs.T @ runs)
    null = vectors[: len(used), squares <= ZERO_EIGENVALUE * squares[-1]]
    return _numbered(weights[:, used] @ null)


def _numbered(components: Array) -> IntArray:
    """Number the distinct rows of an array in the order in which they come, shape (m,)."""
    found: list[Array] = []
    numbers = []
    for row in components:
        near = [k for k, known in enumerate(found) if np.abs(row - known).max(initial=0.0) < ALIKE]
        if not near:
            found.append(row)
        numbers.append(near[0] if near else len(found) - 1)
    return np.array(numbers, np.intp)


def place_names(design: Design, builds: Sequence[BoolArray]) -> list[tuple[str, ...]]:
    """Return the places where each build's rows, (n,) flags, were taken; none without places."""
    places = places_of(design)
    if places is None:
        return [()] * len(builds)
    return [tuple(sorted(places[rows].unique())) for rows in builds]
