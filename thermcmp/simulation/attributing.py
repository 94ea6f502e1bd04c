"""True attribution of a fix to hardware, fan speed and power."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import permutations

#: What a fix can change, in the order of the tables.
PARTS = ("hardware", "fan", "power")


@dataclass(frozen=True, slots=True)
class Attribution:
    """How much cooler each part of a fix makes a sensor.

    All values are improvements: rise before minus rise after, positive is cooler.

    Attributes
    ----------
    alone_k : dict of str to float
        Improvement of each part when only it is changed, starting from the old
        build [K]; keys "hardware", "fan", "power".
    interaction_k : float
        Difference of `total_k` from the sum of `alone_k` [K].
    order_free_k : dict of str to float
        Improvement of each part averaged over every order of changing them [K];
        these sum to `total_k`.
    total_k : float
        Improvement of the whole fix [K].
    """

    alone_k: dict[str, float]
    interaction_k: float
    order_free_k: dict[str, float]
    total_k: float


def attribution_from_corners(rise_k: Callable[[frozenset[str]], float]) -> Attribution:
    """Return the attribution of a fix from the rises at its corners."""
    before = rise_k(frozenset())

    def improvement_k(changed: frozenset[str]) -> float:
        return before - rise_k(changed)

    total = improvement_k(frozenset(PARTS))
    alone = {part: improvement_k(frozenset({part})) for part in PARTS}
    shares = order_free_shares(improvement_k, PARTS)
    return Attribution(alone, total - sum(alone.values()), shares, total)


def order_free_shares(
    worth: Callable[[frozenset[str]], float], players: Sequence[str]
) -> dict[str, float]:
    """Return the effect of each part of a change, averaged over all orders of changing them.

    References
    ----------
    L. S. Shapley, "A value for n-person games", Contributions to the Theory of
    Games II, Princeton University Press, 1953, pages 307-317.
    """
    shares = dict.fromkeys(players, 0.0)
    orders = list(permutations(players))
    for order in orders:
        for position, player in enumerate(order):
            joined = frozenset(order[:position])
            shares[player] += (worth(joined | {player}) - worth(joined)) / len(orders)
    return shares
