"""Direct against indirect evidence: products run side by side, and through other products.

Where a pair of products was run together at some places, the rows of those places get one more
effect w that widens their gap (half on each side) and nothing else: node splitting (Dias, Welton,
Caldwell & Ades, Statistics in Medicine 29 (2010) 932-944; symmetric as in White, Stata Journal 15
(2015) 951-985, both from memory). With V the covariance of the rows at the posterior means of the
parameters, every place free, and x the column of w,

    w = x'V⁻¹(y - Wb0) / x'V⁻¹x,   direct = net + (1 - g) w,   indirect = net - g w

where net is the gap of all rows and g, its sensitivity to w, the share of the direct evidence.
Readings at a limit do not count, and scatter of Student's t, where V is not the whole law, is not
split.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.inference.checks.laboratories.rows_at_mean import rows_at_mean
from thermcmp.inference.checks.student_weights import mixed_rows
from thermcmp.inference.conditional.blas_threads import one_blas_thread
from thermcmp.model.links import PLACES, places_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermcmp.inference.posterior import Fit

#: Most pairs that are split; those that were run together most often come first.
MOST_PAIRS: Final = 400
#: Most cells of a product and a place that are freed to find an odd place; fewest products of a
#: place, and fewest places, between which one can be odd.
MOST_CELLS: Final = 500
FEWEST_CELLS: Final = 3
FEWEST_PLACES: Final = 3
#: Draws for the largest of many correlated deviations.
_SIMULATED: Final = 10_000


@dataclass(frozen=True, slots=True, eq=False)
class Splits:
    """P pairs of products with evidence of both kinds; gaps are second less first [K]."""

    pairs: IntArray  #: the two products, shape (P, 2)
    direct_k: Array  #: gap by the places that ran both, shape (P,)
    direct_error_k: Array
    indirect_k: Array  #: gap by all other rows, shape (P,)
    indirect_error_k: Array
    differ_k: Array  #: direct less indirect, shape (P,)
    differ_error_k: Array
    #: Chance that any of the pairs differs by as many of its errors where all evidence agrees.
    p_any: Array
    together: tuple[tuple[str, ...], ...]  #: places that ran both
    #: Shortest way round: the products and the places between them, first product to second.
    around: tuple[tuple[int | str, ...], ...]
    passed_over: int  #: pairs beyond the most that are split


@dataclass(frozen=True, slots=True)
class OddPlace:
    """The place, or the one product there, that lies farthest off what all other rows suggest."""

    name: str
    product: int | None  #: the one product that makes up most of it; None where several do
    off_k: float  #: its deviation, or the root mean square of the place's products [K]
    others_k: float  #: root mean square of all other places, or of all other cells
    p_any: float  #: chance that the oddest of like places, or cells, is as odd


def split_pairs(fit: Fit, ran: Sequence[BoolArray], weights: Array) -> Splits | None:
    """Split every pair with evidence of both kinds; None where there is none.

    `ran` are the rows of each of m products, (n,) flags, and `weights` those of the effects in
    its rise, shape (m, q).
    """
    places = places_of(fit.design)
    if places is None or mixed_rows(fit).any():
        return None
    read = ~fit.design.at_limit
    names = np.unique(places)
    codes = np.searchsorted(names, places)
    at = np.array([np.bincount(codes[rows & read], minlength=len(names)) > 0 for rows in ran])
    found = _pairs_around(at)
    if not found:
        return None
    found.sort(key=lambda each: -int((at[each[0]] & at[each[1]]).sum()))
    chosen = found[:MOST_PAIRS]
    pairs = np.array([each[:2] for each in chosen])
    together = at[pairs[:, 0]] & at[pairs[:, 1]]
    side = np.stack(ran, axis=1).astype(float)
    column = (side[:, pairs[:, 1]] - side[:, pairs[:, 0]]) * together[:, codes].T / 2.0
    column[~read] = 0.0
    gap, error, share, widen, information = _solved(
        fit, column, weights[pairs[:, 1]] - weights[pairs[:, 0]]
    )
    sd = 1.0 / np.sqrt(np.diag(information))
    count = len(names)
    around = tuple(
        tuple(str(names[node]) if node < count else node - count for node in path)
        for *_, path in chosen
    )
    return Splits(
        pairs=pairs,
        direct_k=gap + (1.0 - share) * widen,
        direct_error_k=np.hypot(error, (1.0 - share) * sd),
        indirect_k=gap - share * widen,
        indirect_error_k=np.hypot(error, share * sd),
        differ_k=widen,
        differ_error_k=sd,
        p_any=_chance_of_any(widen / sd, information * np.outer(sd, sd)),
        together=tuple(tuple(map(str, names[row])) for row in together),
        around=around,
        passed_over=len(found) - len(chosen),
    )


def farthest_cell(
    fit: Fit, ran: Sequence[BoolArray], products: Sequence[int]
) -> tuple[int, str, float, float]:
    """Return the product of some, and its place, that lies farthest off all other rows.

    With how far [K], and the standard error: the product's rows there get an effect of their own.
    """
    cells, off, information = _freed_cells(fit, ran, products)
    error = 1.0 / np.sqrt(np.diag(information))
    far = int(np.argmax(np.abs(off) / error))
    return *cells[far], float(off[far]), float(error[far])


def odd_place(fit: Fit, ran: Sequence[BoolArray]) -> OddPlace | None:
    """Return the place, or the product at a place, that lies farthest off all other rows.

    Its share in the sum of all squared deviations, in errors, is judged by the same share where
    all agree (simulated, the largest of all); as a share it does not hang on spreads that what is
    off has widened. The two looks, at places and at cells, double the chance. None with fewer than
    three places of three products each that were run elsewhere too, or with more cells than are
    freed.
    """
    several, count = shared_products(fit, ran)
    if not 0 < count <= MOST_CELLS:
        return None
    cells, off, information = _freed_cells(fit, ran, several)
    names, code, size = np.unique(
        [place for _, place in cells], return_inverse=True, return_counts=True
    )
    judged = np.flatnonzero(size >= FEWEST_CELLS)
    if len(judged) < FEWEST_PLACES:
        return None
    sd = 1.0 / np.sqrt(np.diag(information))
    square = np.vstack([off / sd, _simulated(information * np.outer(sd, sd))]) ** 2
    square /= np.sum(square, axis=1, keepdims=True)
    share = square @ (code[:, None] == judged).astype(float)
    # Places of many products have large shares: each is set against its own law.
    beyond = 1.0 - np.argsort(np.argsort(share, axis=0), axis=0) / _SIMULATED
    least, largest = beyond.min(axis=1), square.max(axis=1)
    place, cell = int(np.argmin(beyond[0])), int(np.argmax(square[0]))
    p_place, p_cell = np.mean(least[1:] <= least[0]), np.mean(largest[1:] >= largest[0])
    is_one = (
        2.0 * square[0, cell] > share[0, place]
        if code[cell] == judged[place]
        else (p_cell < p_place)
    )
    here = np.arange(len(cells)) == cell if is_one else code == judged[place]
    return OddPlace(
        name=cells[cell][1] if is_one else str(names[judged[place]]),
        product=cells[cell][0] if is_one else None,
        off_k=float(off[cell]) if is_one else float(np.sqrt(np.mean(off[here] ** 2))),
        others_k=float(np.sqrt(np.mean(off[~here] ** 2))),
        p_any=float(np.clip(2.0 * min(p_place, p_cell), 1.0 / _SIMULATED, 1.0)),
    )


def shared_products(fit: Fit, ran: Sequence[BoolArray]) -> tuple[list[int], int]:
    """Return the products that were run at several places, and how many places they have in all."""
    stated = places_of(fit.design)
    if stated is None or mixed_rows(fit).any():
        return [], 0
    read = ~fit.design.at_limit
    at = [set(stated[rows & read].astype(str)) for rows in ran]
    several = [product for product, places in enumerate(at) if len(places) > 1]
    return several, sum(len(at[product]) for product in several)


def _freed_cells(
    fit: Fit, ran: Sequence[BoolArray], products: Sequence[int]
) -> tuple[list[tuple[int, str]], Array, Array]:
    """Return the places of some products, the effect each freed by itself has, and information."""
    places, read = np.asarray(places_of(fit.design), dtype=str), ~fit.design.at_limit
    cells = [(k, str(name)) for k in products for name in sorted(set(places[ran[k] & read]))]
    column = np.stack([ran[k] & (places == name) & read for k, name in cells], axis=1).astype(float)
    *_, off, information = _solved(fit, column, np.zeros((len(cells), fit.design.effect_count)))
    return cells, off, information


def _pairs_around(at: BoolArray) -> list[tuple[int, int, list[int]]]:
    """Return the pairs that run together and are linked without those places, with the way round.

    `at` (m, L) says which product was run where. A way alternates places, 0 to L-1, and products,
    from L on.
    """
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import breadth_first_order

    count, ways, found = at.shape[1], {}, []
    shared = at.astype(int) @ at.T.astype(int)
    alone = np.diag(shared) - shared
    is_pair = np.triu((shared > 0) & (alone > 0) & (alone.T > 0), 1)
    for first, second in np.argwhere(is_pair).tolist():
        both = at[first] & at[second]
        key = (both.tobytes(), first)
        if key not in ways:
            product, place = np.nonzero(at & ~both)
            size = count + len(at)
            edges = (np.ones(len(product)), (product + count, place))
            graph = csr_array(edges, shape=(size, size))
            ways[key] = breadth_first_order(graph, count + first, directed=False)[1]
        before, path = ways[key], [count + second]
        while path[-1] != count + first and before[path[-1]] >= 0:
            path.append(int(before[path[-1]]))
        if path[-1] == count + first:
            found.append((first, second, path[::-1]))
    return found


def _solved(fit: Fit, column: Array, contrasts: Array) -> tuple[Array, Array, Array, Array, Array]:
    """Return gaps (P,), their errors, shares of direct evidence, w, and the information (P, P).

    `column` holds the weight of each w in the rows, shape (n, P), at the weight of a place.
    """
    with one_blas_thread():
        rows = rows_at_mean(fit, PLACES)
        solved, column = rows.solved, column[rows.owner] * rows.place[:, None]
        mean = solved.mean()
        weighted = column / solved.v
        score = rows.still.T @ weighted + rows.flow.T @ (rows.h * weighted)
        halves = solved.halves(score.T[None])
        moved = solved.covariances(halves)
        error = np.sqrt(np.sum(solved.halves(contrasts[None]) ** 2, axis=0))
        information = column.T @ weighted - halves.T @ halves
        widen = (weighted.T @ solved.residuals(mean))[:, 0] / np.diag(information)
        gap = contrasts @ (solved.kernel.problem.fixed_mean + mean[:, 0])
    return gap, error, np.einsum("pq,qp->p", contrasts, moved), widen, information


def _chance_of_any(deviation: Array, correlation: Array) -> Array:
    """Return how often the largest of correlated standard normals is as large, shape (P,)."""
    from scipy.special import ndtr

    largest = np.sort(np.abs(_simulated(correlation)).max(axis=1))
    beyond = _SIMULATED - np.searchsorted(largest, np.abs(deviation))
    # The least that the draws can tell, unless the chance of one pair alone bounds it below that.
    bound = np.minimum(1.0, len(deviation) * 2.0 * ndtr(-np.abs(deviation)))
    return np.minimum(np.maximum(beyond, 1) / _SIMULATED, bound)


def _simulated(correlation: Array) -> Array:
    """Return draws of correlated standard normals, shape (draws, P), the same at every call."""
    values, vectors = np.linalg.eigh(correlation)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(np.random.default_rng(0).standard_normal((_SIMULATED, len(root))) @ root.T)
