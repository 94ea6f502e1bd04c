"""What a regulated run says besides its residual: the Jacobian of what the loop moved.

The loop held the temperature T and moved x, the fan speed N or the power P, until

    T = A + P/P_ref · [ r + s · (g(N) - 1) ] + e = f(x) + e

So x is what varied from run to run, and by the change of variables from e to x (Casella &
Berger, Statistical Inference, 2nd ed. 2002, theorem 2.1.5) its density at the held T is

    p(x | T, parameters) = p_e(T - f(x)) · |∂f/∂x|
    |∂f/∂N| = P/P_ref · s · (-∂g/∂N),      |∂f/∂P| = [ r + s · (g(N) - 1) ] / P_ref

The first factor is that of any row. The second one is here; without it a fan that always
ended where the target was met would be read as a fan that buys nothing (s = 0). A loop can
hold a temperature by its fan only where more air cools, and by power only where heat warms:
elsewhere the density is zero.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.model.design import FIXED
from thermcmp.model.regulated import FAN, POWER, held_by
from thermcmp.model.terms import Acts

if TYPE_CHECKING:
    from thermcmp.model.design import Design

#: Relative step of the airflow law's slope along the speed: a central difference of this
#: step is off by its square.
_STEP: Final = 1e-5

#: Gives the effects of some columns, one per row: numbers (S, rows) or a PyTensor vector.
Take = Callable[[IntArray], Any]


@dataclass(frozen=True, slots=True, eq=False)
class Sensitivities:
    """How the regulated rows answer to what the loop moved.

    Attributes
    ----------
    fan : NumPy array, shape (S, F), or PyTensor vector, shape (F,)
        s of the rows held by the fan [K at reference]; what the cooler's exponent differs
        changes this slope to second order only.
    power : the same, shape (S, G) or (G,)
        r + s (g - 1) + w k - u of the rows held by power [K at reference].
    per_rpm : the same as `fan`, or broadcasting to it
        -∂g/∂N at the rows held by the fan [1/rpm].
    """

    fan: Any
    power: Any
    per_rpm: Any


def is_informed(design: Design) -> bool:
    """Whether a design has regulated rows."""
    fan, power = regulated_rows(design)
    return len(fan) + len(power) > 0


def regulated_rows(design: Design) -> tuple[IntArray, IntArray]:
    """Rows held by the fan and rows held by power.

    Returns fan, power.
    """
    return (
        np.flatnonzero(held_by(design.rows, FAN)),
        np.flatnonzero(held_by(design.rows, POWER)),
    )


def sensitivities(design: Design, take: Take, exponent: Any) -> Sensitivities:
    """Sensitivities of the regulated rows, in numbers or as a graph."""
    fan, power = regulated_rows(design)
    speed = design.flow_speed[power]
    factors = design.per_power_at(speed)
    factors[Acts.AIRFLOW] = factors[Acts.AIRFLOW] * design.airflow(speed, exponent)
    return Sensitivities(
        fan=_sum(design, fan, take, Acts.AIRFLOW),
        power=sum(
            factor * _sum(design, power, take, acts)
            for acts, factor in factors.items()
            if acts in design.acts
        ),
        per_rpm=fall_per_rpm(design, exponent),
    )


def fall_per_rpm(design: Design, exponent: Any) -> Any:
    """-∂g/∂N at the rows held by the fan [1/rpm], for exponents that broadcast with them."""
    fan, _ = regulated_rows(design)
    speed = design.flow_speed[fan]
    slower = design.airflow(speed * (1.0 - _STEP), exponent)
    faster = design.airflow(speed * (1.0 + _STEP), exponent)
    return (slower - faster) / (2.0 * _STEP * speed)


def _sum(design: Design, rows: IntArray, take: Take, acts: Acts) -> Any:
    """Sum of a baseline and the effects that act on one part, at some rows."""
    column = [*FIXED.values()].index(acts) if acts in FIXED.values() else None
    total = 0.0 if column is None else take(np.full(len(rows), column, dtype=np.intp))
    for k, (term, start) in enumerate(zip(design.terms, design.offsets, strict=True)):
        if term.acts is acts:
            total = total + take(start + design.index[rows, k])
    return total


def log_jacobian(design: Design, effects: Array, exponent: Array) -> Array:
    """Log of the regulated rows' Jacobians, summed, at draws of the posterior.

    Shapes: effects (S, q), exponent (S,). Returns (S,).
    """
    fan, _ = regulated_rows(design)
    found = sensitivities(design, lambda columns: effects[:, columns], exponent[:, None])
    per_rpm = design.power_ratio[fan] * found.fan * found.per_rpm
    per_watt = found.power / design.reference.power_w
    return _log_sum(per_rpm) + _log_sum(per_watt)


def _log_sum(positive: Array) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(positive > 0, np.log(positive), -np.inf).sum(axis=1))


def in_kelvin(design: Design, effects: Any, exponent: Any) -> tuple[Any, Any]:
    """Jacobians of the regulated rows as kelvin at reference, for a graph.

    Shapes: effects (q,). Returns fan, power.
    """
    fan, _ = regulated_rows(design)
    found = sensitivities(design, lambda columns: effects[columns], exponent)
    return found.fan * found.per_rpm * design.flow_speed[fan], found.power
