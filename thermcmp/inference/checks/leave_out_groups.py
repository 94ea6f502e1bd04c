"""Groups of rows laid out for being left out: which effects each touches, and where they stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import IntArray
from thermcmp.inference.conditional.marginal_likelihood import Kernel

if TYPE_CHECKING:
    from thermcmp.inference.checks.leave_out_loops import Groups
    from thermcmp.inference.conditional.problem import GaussianProblem


#: Most rows and most effects of a group that is left out by its own small system. Beyond
#: these that system, and what all pairs of its effects fill in, cost more than solving the
#: whole sparse system without the group.
MOST_ROWS: Final = 64
MOST_EFFECTS: Final = 64


@dataclass(frozen=True, slots=True, eq=False)
class Grouped:
    """The rows of a problem by group.

    Attributes
    ----------
    codes : ndarray of int, shape (n,)
        Group of each row.
    count : int
        Number of groups.
    small : Groups
        Those that are left out by their own small system.
    large : tuple of (code, place)
        The others, and where what is found for them goes.
    """

    codes: IntArray
    count: int
    small: Groups
    large: tuple[tuple[int, int], ...]

    def only(self, chosen: IntArray) -> Grouped:
        """The chosen groups, a sorted few of them; what is found goes in their order."""
        groups = self.small
        kept = np.flatnonzero(np.isin(groups.place, chosen))

        def cut(start: IntArray, of_each: IntArray) -> tuple[IntArray, IntArray]:
            parts = [of_each[start[g] : start[g + 1]] for g in kept]
            starts = _starts(np.diff(start)[kept])
            return starts, np.concatenate(parts) if parts else of_each[:0]

        row_start, row = cut(groups.row_start, groups.row)
        effect_start, effect = cut(groups.effect_start, groups.effect)
        pair_start, pair = cut(groups.pair_start, groups.pair)
        small = groups._replace(
            place=np.searchsorted(chosen, groups.place[kept]),
            row_start=row_start,
            row=row,
            effect_start=effect_start,
            effect=effect,
            pair_start=pair_start,
            pair=pair,
            local=cut(groups.row_start, groups.local)[1],
        )
        places = {int(code): place for place, code in enumerate(chosen)}
        large = tuple((code, places[code]) for code, _ in self.large if code in places)
        return replace(self, count=len(chosen), small=small, large=large)


def prepare(
    problem: GaussianProblem, groupings: Sequence[IntArray]
) -> tuple[Kernel, list[Grouped]]:
    """Lay out groupings of a problem's rows, and its algebra for leaving them out.

    Shapes: groupings (n,). Returns kernel, groups.
    """
    found = [_grouped(problem, codes) for codes in groupings]
    q = problem.effect_count
    keys, place = np.unique(np.concatenate([one.small.pair for one in found]), return_inverse=True)
    kernel = Kernel(problem, (keys // q, keys % q))
    slots = kernel.extra_slot[place.ravel()]
    ends = np.cumsum([len(one.small.pair) for one in found])[:-1]
    return kernel, [
        replace(one, small=one.small._replace(pair=mine))
        for one, mine in zip(found, np.split(slots, ends), strict=True)
    ]


def _grouped(problem: GaussianProblem, codes: IntArray) -> Grouped:
    """One grouping; `small.pair` holds the pairs' keys."""
    from thermcmp.inference.checks.leave_out_loops import Groups

    q, sizes = problem.effect_count, np.bincount(codes)
    touched = np.unique(codes[:, None] * q + problem.columns)
    widths = np.bincount(touched // q)
    small = (sizes <= MOST_ROWS) & (widths <= MOST_EFFECTS)
    place = np.flatnonzero(small)
    order = np.argsort(codes, kind="stable")
    row = order[small[codes[order]]]
    touched = touched[small[touched // q]]
    effect_start = _starts(widths[place])
    number = np.cumsum(small) - 1
    local = np.searchsorted(touched, codes[row, None] * q + problem.columns[row])
    groups = Groups(
        place=place,
        row_start=_starts(sizes[place]),
        row=row,
        effect_start=effect_start,
        effect=touched % q,
        pair_start=_starts(widths[place] * (widths[place] + 1) // 2),
        pair=_pair_keys(touched % q, effect_start, q),
        local=local - effect_start[number[codes[row]], None],
    )
    large = tuple((code, code) for code in np.flatnonzero(~small).tolist())
    return Grouped(codes, len(sizes), groups, large)


def _starts(sizes: IntArray) -> IntArray:
    return np.concatenate([[0], np.cumsum(sizes)]).astype(np.intp)


def _pair_keys(effect: IntArray, start: IntArray, q: int) -> IntArray:
    """Keys of all pairs (i, j <= i) of each group's effects, group by group."""
    width = np.diff(start)
    first = _starts(width * (width + 1) // 2)
    keys = np.empty(first[-1], np.intp)
    # Groups of one width share their pattern of pairs.
    for size in np.unique(width):
        i, j = np.tril_indices(size)
        same = np.flatnonzero(width == size)
        own = start[same][:, None]
        keys[first[same][:, None] + np.arange(len(i))] = effect[own + i] * q + effect[own + j]
    return keys
