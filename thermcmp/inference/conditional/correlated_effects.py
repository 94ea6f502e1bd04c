"""Correlated effects: their prior precision, its determinant and its slope.

Levels of a link have effects v = (v_1 … v_K), one per spread and scaled by it, with
v ~ N(0, Ω). Ω is positive definite for all partial correlations in (-1, 1):

    Ω = L Lᵀ,    L_ij = p_ij · sqrt(1 - Σ_{k<j} L_ik²) for j < i

References: H. Joe, Journal of Multivariate Analysis 97 (2006) 2177-2189; D. Lewandowski,
D. Kurowicka & H. Joe, Journal of Multivariate Analysis 100 (2009) 1989-2001.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermcmp._types import Array
from thermcmp.inference.conditional.problem import Link

#: Step of the complex-step derivative, which loses no digits however small.
_STEP = 1e-30


def partial_count(size: int) -> int:
    """Return the number of partial correlations of `size` spreads."""
    return size * (size - 1) // 2


def correlation(partial: NDArray[Any], size: int) -> NDArray[Any]:
    """Return correlation matrices (B, K, K) from partial correlations (B, K(K - 1)/2)."""
    low = np.zeros((len(partial), size, size), partial.dtype)
    low[:, 0, 0] = 1.0
    place = 0
    for i in range(1, size):
        rest = np.ones(len(partial), partial.dtype)
        for j in range(i):
            low[:, i, j] = partial[:, place] * np.sqrt(rest)
            rest = rest - low[:, i, j] ** 2
            place += 1
        low[:, i, i] = np.sqrt(rest)
    return np.einsum("bij,bkj->bik", low, low)


class Links:
    """Prepared links of a problem, with P partial correlations."""

    def __init__(self, links: Sequence[Link]) -> None:
        self._links = tuple(links)
        none = np.zeros(0, np.intp)
        pairs = [
            (effects[:, i], effects[:, j])
            for link in links
            for members, effects in link.blocks
            for i, j in _pairs(len(members))
        ]
        #: Pairs of effects with an off-diagonal entry of the prior precision, shape (E,).
        self.rows = np.concatenate([none, *(pair[0] for pair in pairs)])
        self.columns = np.concatenate([none, *(pair[1] for pair in pairs)])
        #: Effects whose prior precision is not 1, shape (D,).
        self.linked = np.concatenate(
            [none, *(e.T.ravel() for link in links for _, e in link.blocks)]
        )
        self.partials = sum(partial_count(link.size) for link in links)

    def precision(self, partial: Array) -> tuple[Array, Array, Array]:
        """Return the prior precision's diagonal (D, B) and rest (E, B), and log|Ω| (B,)."""
        b = len(partial)
        diagonal, between, log_determinant = [np.zeros((0, b))], [np.zeros((0, b))], np.zeros(b)
        for _, _, members, effects, omega in self._blocks(partial):
            inside = omega[:, members[:, None], members]
            inverse = np.linalg.inv(inside)
            levels = len(effects)
            diagonal += [np.tile(inverse[:, i, i], (levels, 1)) for i in range(len(members))]
            between += [np.tile(inverse[:, i, j], (levels, 1)) for i, j in _pairs(len(members))]
            log_determinant += levels * np.linalg.slogdet(inside)[1]
        return np.concatenate(diagonal), np.concatenate(between), log_determinant

    def slope(self, partial: Array, square: Array, product: Array) -> Array:
        """Return the derivative of the log likelihood along the partial correlations, (B, P).

        `square` (D, B) and `product` (E, B) are posterior second moments of the effects.
        """
        slope = np.zeros(partial.shape)
        d = e = 0
        for link, places, members, effects, omega in self._blocks(partial):
            levels, k = effects.shape
            second = np.empty((len(partial), k, k))
            for i in range(k):
                second[:, i, i] = square[d : d + levels].sum(axis=0)
                d += levels
            for i, j in _pairs(k):
                second[:, i, j] = second[:, j, i] = product[e : e + levels].sum(axis=0)
                e += levels
            inverse = np.linalg.inv(omega[:, members[:, None], members])
            # Half the derivative of log N(v | 0, Ω) by Ω, summed over levels.
            by_omega = 0.5 * (inverse @ second @ inverse - levels * inverse)
            for place in range(places.start, places.stop):
                aside = partial[:, places].astype(complex)
                aside[:, place - places.start] += 1j * _STEP
                moved = correlation(aside, link.size).imag / _STEP
                slope[:, place] += np.einsum(
                    "bij,bij->b", by_omega, moved[:, members[:, None], members]
                )
        return slope

    def _blocks(self, partial: Array) -> Any:
        """Yield each block with its link, the slice of its partial correlations, and Ω."""
        start = 0
        for link in self._links:
            places = slice(start, start + partial_count(link.size))
            omega = correlation(partial[:, places], link.size)
            for members, effects in link.blocks:
                yield link, places, members, effects, omega
            start = places.stop


def _pairs(size: int) -> list[tuple[int, int]]:
    return [(i, j) for i in range(size) for j in range(i)]
