"""The order-free split of a difference among several changes."""

from __future__ import annotations

from collections import Counter
from functools import cache, lru_cache
from itertools import chain, permutations, product
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

#: A corner: for each factor False (before) or True (after).
Corner = tuple[bool, ...]


def order_free(value: Callable[[Corner], Any], factors: int) -> list[Any]:
    """Average contribution of each factor over all orders of change (Shapley 1953)."""
    return order_free_in_groups(value, tuple((factor,) for factor in range(factors)))


def order_free_in_groups(
    value: Callable[[Corner], Any], groups: tuple[tuple[int, ...], ...]
) -> list[Any]:
    """Split as `order_free` does, with factors that change one right after the other.

    Only orders count in which no foreign factor comes between those of one group. So
    the contributions within a group sum to what the group gets in the order-free split
    over whole groups, whatever the factors inside it are.

    References
    ----------
    G. Owen, "Values of games with a priori unions", in: Mathematical Economics and Game
    Theory, Lecture Notes in Economics and Mathematical Systems 141, Springer 1977,
    pages 76-88.
    """
    shares, value = [], cache(value)
    for weights in _weights(groups):
        share: Any = 0.0
        for corner, weight in weights.items():
            share = share + weight * value(corner)
        shares.append(share)
    return shares


@lru_cache(maxsize=32)
def _weights(groups: tuple[tuple[int, ...], ...]) -> tuple[Mapping[Corner, float], ...]:
    """Return the weight of each corner in each factor's contribution."""
    count = sum(map(len, groups))
    orders = [
        tuple(chain.from_iterable(inner))
        for outer in permutations(groups)
        for inner in product(*(permutations(group) for group in outer))
    ]
    times: list[Counter[Corner]] = [Counter() for _ in range(count)]
    for order in orders:
        corner = [False] * count
        for factor in order:
            times[factor][tuple(corner)] += 1
            corner[factor] = True
            times[factor][tuple(corner)] -= 1
    return tuple(
        {corner: n / len(orders) for corner, n in counted.items() if n} for counted in times
    )
