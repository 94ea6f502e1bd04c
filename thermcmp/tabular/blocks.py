"""Blocks of one sheet, such as one for each card, joined into one table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

from thermcmp.tabular.coercion import is_missing
from thermcmp.tabular.grid import BLOCK_STEP, Grid
from thermcmp.tabular.sheet_places import column_number, heading_of

#: Heading of the column of the blocks' names.
BLOCK: Final = "block"
#: Headings that may repeat where no block does (a choice).
MOST_LONE_REPEATS: Final = 1


def join_blocks(grid: Grid) -> Grid:
    """Return one table of a sheet's blocks, with their names in a column; else the grid itself."""
    if BLOCK in grid.headings:
        return grid
    return _side_by_side(grid) or _below_each_other(grid) or grid


def _side_by_side(grid: Grid) -> Grid | None:
    """Join blocks of columns with the same headings, each below its own name."""
    headings = grid.headings
    counts = Counter(filter(None, headings))
    repeated = [heading for heading, count in counts.items() if count > 1]
    if len(repeated) <= MOST_LONE_REPEATS:
        return None
    first, width, number = headings.index(repeated[0]), len(repeated), counts[repeated[0]]
    spans = [range(first + k * width, first + (k + 1) * width) for k in range(number)]
    stop = spans[-1].stop
    alike = all(
        [row[place] for place in span if place < len(row)] == [row[p] for p in spans[0]]
        for row in (headings, grid.units)
        for span in spans
    )
    names = [_lone([grid.above[p] for p in span if p < len(grid.above)]) for span in spans]
    # A column right behind the last block may be of that block alone.
    is_closed = stop >= len(headings) or (
        column_number(grid.letters[stop]) - column_number(grid.letters[stop - 1]) > 1
    )
    if not alike or not is_closed or "" in names or len(set(names)) < number:
        return None
    shared = [place for place in range(len(headings)) if not first <= place < stop]
    rows = []
    for row, cells in grid.rows:
        full = [k for k, span in enumerate(spans) if not all(is_missing(cells[p]) for p in span)]
        # A line that no block has cells in is a remark, which is refused as in any table.
        for k in full or [0]:
            kept = [cells[p] for p in [*shared, *spans[k]]]
            rows.append((row + k * BLOCK_STEP, (names[k] if full else None, *kept)))
    block_of = {grid.letters[p]: k for k, span in enumerate(spans) for p in span}
    order = [[*shared, *span] for span in spans]
    return replace(
        grid,
        headings=(BLOCK, *(headings[p] for p in order[0])),
        letters=("", *(grid.letters[p] for p in order[0])),
        block_letters=tuple(("", *(grid.letters[p] for p in places)) for places in order),
        units=("", *(grid.units[p] for p in order[0])),
        rows=tuple(rows),
        faults=tuple(
            replace(f, row=(f.row or 0) + BLOCK_STEP * block_of.get(f.letter or "", 0))
            for f in grid.faults
        ),
        blocks=tuple(names),
    )


def _below_each_other(grid: Grid) -> Grid | None:
    """Take out headings that stand again; where a name stands above all of them, keep the names."""
    cells = [cells for _, cells in grid.rows]
    again = [place for place, row in enumerate(cells) if _is_heading_row(row, grid)]
    if not again:
        return None
    titles = [_lone(cells[place - 1]) if place else "" for place in again]
    names = [_lone(grid.above), *titles]
    drop = {*again, *(p + 1 for p in again if p + 1 < len(cells) and _is_units(cells[p + 1], grid))}
    if not any(titles):
        kept = [row for place, row in enumerate(grid.rows) if place not in drop]
        return replace(grid, rows=tuple(kept))
    if not all(names) or len(set(names)) < len(names):
        return None
    drop |= {place - 1 for place in again}
    rows = [
        (number, (names[sum(start < place for start in again)], *row))
        for place, (number, row) in enumerate(grid.rows)
        if place not in drop
    ]
    return replace(
        grid,
        headings=(BLOCK, *grid.headings),
        letters=("", *grid.letters),
        units=("", *grid.units),
        rows=tuple(rows),
        blocks=tuple(names),
    )


def _lone(cells: Sequence[Any]) -> str:
    """Return the only text among cells, as a title or a merged name is; "" if there are more."""
    texts = {heading_of(cell) for cell in cells} - {""}
    return texts.pop() if len(texts) == 1 else ""


def _is_heading_row(cells: Sequence[Any], grid: Grid) -> bool:
    """Return whether a row holds the headings again."""
    return len(set(grid.headings)) > 1 and tuple(map(heading_of, cells)) == grid.headings


def _is_units(cells: Sequence[Any], grid: Grid) -> bool:
    """Return whether a row holds the units again."""
    return any(grid.units) and tuple(heading_of(c).strip(" []") for c in cells) == grid.units
