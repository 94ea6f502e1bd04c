"""The order-free split: what each of several changes brings, whatever their order."""

from __future__ import annotations

from itertools import permutations
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable


def order_free(value: Callable[[tuple[bool, ...]], Any], factors: int) -> list[Any]:
    """Average contribution of each factor over all orders of change (Shapley 1953).

    Parameters
    ----------
    value : callable
        Value at a corner, a tuple with False (before) or True (after) per factor.
    factors : int
        Number of factors.

    Returns
    -------
    list
        Contribution of each factor: value before less value after; they sum to the
        value at the first corner less that at the last.
    """
    orders = list(permutations(range(factors)))
    shares: list[Any] = [0.0] * factors
    for order in orders:
        corner = [False] * factors
        for factor in order:
            start = value(tuple(corner))
            corner[factor] = True
            shares[factor] = shares[factor] + (start - value(tuple(corner))) / len(orders)
    return shares
