"""The inner loops of the sparse factor, compiled on first use.

Each works on many systems of one pattern at once: slots down, systems across. They free
the interpreter's lock, so that batches can be worked on side by side. The layout is that
of `thermcmp.inference.elimination`: column c has its diagonal in slot ``start[c]`` and its
entries below it in the slots up to ``start[c + 1]``; ``row`` names the node of each slot.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from thermcmp.model.priors import Array

IntArray = NDArray[np.intp]


def compiled(function: Callable[..., None]) -> Any:
    """The compiled loop, kept on disk for the next start where a folder can be written."""
    try:
        return numba.njit(cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError:
        return numba.njit(nogil=True, error_model="numpy")(function)


@compiled
def scale_into(slot: IntArray, i: IntArray, j: IntArray, gram: Array, lam: Array, a: Array) -> None:
    """Put the entries (i, j), scaled by their two effects' spreads, into their slots."""
    for e in range(len(slot)):
        for b in range(a.shape[1]):
            a[slot[e], b] = gram[e, b] * lam[i[e], b] * lam[j[e], b]


@compiled
def factorise(start: IntArray, target: IntArray, a: Array) -> None:
    """Turn the systems' columns into the factor's, in place.

    ``target`` lists, for each column's pairs of entries (i, j <= i) in order, the slot
    that their product is taken from.
    """
    width = a.shape[1]
    pair = 0
    for c in range(len(start) - 1):
        first, stop = start[c], start[c + 1]
        for b in range(width):
            a[first, b] = np.sqrt(a[first, b])
        for i in range(first + 1, stop):
            for b in range(width):
                a[i, b] /= a[first, b]
        for i in range(first + 1, stop):
            for j in range(first + 1, i + 1):
                t = target[pair]
                pair += 1
                for b in range(width):
                    a[t, b] -= a[i, b] * a[j, b]


@compiled
def forward(
    start: IntArray, node: IntArray, row: IntArray, a: Array, which: IntArray, x: Array
) -> None:
    """Solve with the factor's sparse columns, in place.

    x has a row per node; ``which`` names the system of each of its columns.
    """
    for c in range(len(start) - 1):
        first = start[c]
        mine = node[c]
        for b in range(x.shape[1]):
            x[mine, b] /= a[first, which[b]]
        for i in range(first + 1, start[c + 1]):
            for b in range(x.shape[1]):
                x[row[i], b] -= a[i, which[b]] * x[mine, b]


@compiled
def backward(
    start: IntArray, node: IntArray, row: IntArray, a: Array, which: IntArray, x: Array
) -> None:
    """Solve with the transposed sparse columns, in place; arguments as in `forward`."""
    for c in range(len(start) - 2, -1, -1):
        first = start[c]
        mine = node[c]
        for i in range(first + 1, start[c + 1]):
            for b in range(x.shape[1]):
                x[mine, b] -= a[i, which[b]] * x[row[i], b]
        for b in range(x.shape[1]):
            x[mine, b] /= a[first, which[b]]


@compiled
def invert(  # noqa: C901 - plain loops, one within the other
    start: IntArray, target: IntArray, a: Array, z: Array
) -> None:
    """Fill in the inverse's entries from the last column back; the tail's stand in z."""
    width = a.shape[1]
    pair = len(target)
    for c in range(len(start) - 2, -1, -1):
        first, stop = start[c], start[c + 1]
        size = stop - first - 1
        pair -= size * (size + 1) // 2
        p = pair
        for i in range(first + 1, stop):
            for j in range(first + 1, i + 1):
                t = target[p]
                p += 1
                for b in range(width):
                    z[i, b] -= z[t, b] * a[j, b]
                if i != j:
                    for b in range(width):
                        z[j, b] -= z[t, b] * a[i, b]
        for b in range(width):
            z[first, b] = 1.0 / a[first, b]
        for i in range(first + 1, stop):
            for b in range(width):
                z[i, b] /= a[first, b]
                z[first, b] -= a[i, b] * z[i, b]
        for b in range(width):
            z[first, b] /= a[first, b]
