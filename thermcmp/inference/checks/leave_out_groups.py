"""Layout of groups of rows to be left out: the effects that each touches, and their slots."""

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


#: Most rows and most effects of a group that is left out by a small separate system. Beyond
#: these that system and its fill-in cost more than solving the whole sparse system without it.
MOST_ROWS: Final = 64
MOST_EFFECTS: Final = 64


@dataclass(frozen=True, slots=True, eq=False)
class Grouped:
    """The rows of a problem by group."""

    codes: IntArray  #: group of each row, shape (n,)
    count: int  #: number of groups
    small: Groups  #: groups that are left out by a small system
    large: tuple[tuple[int, int], ...]  #: the others, with the position of their results

    def only(self, chosen: IntArray) -> Grouped:
        """Return the grouping restricted to some groups, sorted; results follow their order."""
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
    """Return the algebra and layout for leaving out groups, from groupings of shape (n,)."""
    layouts = [_grouped(problem, codes) for codes in groupings]
    q = problem.effect_count
    keys, place = np.unique(
        np.concatenate([layout.small.pair for layout in layouts]), return_inverse=True
    )
    kernel = Kernel(problem, (keys // q, keys % q))
    slots = kernel.extra_slot[place.ravel()]
    ends = np.cumsum([len(layout.small.pair) for layout in layouts])[:-1]
    return kernel, [
        replace(layout, small=layout.small._replace(pair=pair))
        for layout, pair in zip(layouts, np.split(slots, ends), strict=True)
    ]


def _grouped(problem: GaussianProblem, codes: IntArray) -> Grouped:
    """Return the layout of one grouping; `small.pair` holds the keys of pairs."""
    from thermcmp.inference.checks.leave_out_loops import Groups

    q, sizes = problem.effect_count, np.bincount(codes)
    touched = np.unique(codes[:, None] * q + problem.columns)
    widths = np.bincount(touched // q)
    small = (sizes <= MOST_ROWS) & (widths <= MOST_EFFECTS)
    place = np.flatnonzero(small)
    order = np.argsort(codes, kind="stable")
    row = order[small[codes[order]]]
    touched = touched[small[touched // q]]
    effect, effect_start = touched % q, _starts(widths[place])
    pair_start = _starts(widths[place] * (widths[place] + 1) // 2)
    pair = np.empty(pair_start[-1], np.intp)
    # All pairs (i, j <= i) of each group's effects; groups of one width share their pattern.
    for width in np.unique(widths[place]):
        i, j = np.tril_indices(width)
        same = np.flatnonzero(widths[place] == width)
        begin = effect_start[same][:, None]
        pair[pair_start[same][:, None] + np.arange(len(i))] = (
            effect[begin + i] * q + effect[begin + j]
        )
    number = np.cumsum(small) - 1
    local = np.searchsorted(touched, codes[row, None] * q + problem.columns[row])
    groups = Groups(
        place=place,
        row_start=_starts(sizes[place]),
        row=row,
        effect_start=effect_start,
        effect=effect,
        pair_start=pair_start,
        pair=pair,
        local=local - effect_start[number[codes[row]], None],
    )
    large = tuple((code, code) for code in np.flatnonzero(~small).tolist())
    return Grouped(codes, len(sizes), groups, large)


def _starts(sizes: IntArray) -> IntArray:
    return np.concatenate([[0], np.cumsum(sizes)]).astype(np.intp)
